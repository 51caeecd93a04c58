"""Finds out what is true of a computer, for the plans."""

from __future__ import annotations

import os
import time
from pathlib import Path

from controller.drivers.clocks import utc_us
from controller.install.copies import newest_of
from controller.install.places import COPIES, CURRENT, FILES, HOUSE, PREVIOUS, PROGRAMS, may_be_called
from controller.install.plan import Facts
from controller.install.version import STAMP, name_of
from controller.install.world import World


def facts(world: World, source: Path, wheels: Path | None = None) -> Facts:
    """Facts for putting in the version at `source`. Raises OSError where it is no version of this program."""
    chambers = chambers_of(world)
    current, previous = _target(world, CURRENT), _target(world, PREVIOUS)
    return Facts(source, name_of(source), current, previous, chambers, world.probe.answering(chambers),
                 texts(source), _stamp(world), newest_of(world, previous) if previous else "", wheels)


def _stamp(world: World) -> str:
    """A name for copies made now: UTC to the second, and never one that is there."""
    second = name = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(utc_us() / 1e6))
    number = 1
    while world.at(COPIES / name).exists():
        number += 1
        name = f"{second}-{number}"
    return name


def previous_of(world: World) -> Path | None:
    """The folder of the version before; None where there is none, or where it is not whole."""
    folder = world.at(PROGRAMS) / (_target(world, PREVIOUS) or "none")
    return folder if (folder / STAMP).exists() else None


def texts(source: Path) -> dict[str, str]:
    """What the version at `source` writes elsewhere on the computer."""
    return {path.name: path.read_text(encoding="utf-8") for path in sorted((source / FILES).iterdir()) if path.is_file()}


def chambers_of(world: World) -> tuple[str, ...]:
    """Names of the chambers that the services look after."""
    return chambers_in(world.at(HOUSE))


def chambers_in(house: Path) -> tuple[str, ...]:
    """The same, for a house wherever it is; none where this user may not look."""
    try:
        return tuple(sorted(path.parent.parent.name for path in house.glob("*/chamber/chamber.toml")
                            if may_be_called(path.parent.parent.name)))
    except PermissionError:
        return ()


def _target(world: World, link: Path) -> str:
    path = world.at(link)
    return os.readlink(path) if path.is_symlink() else ""
