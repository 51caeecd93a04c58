"""The plans: which steps, in which order. Pure: what is true of the computer comes in as `Facts`.

The order is what keeps the old version whole. All that is slow or may fail happens while it still runs; the page stops before
the controllers, so that nobody can start a run in between; the databases are copied when nobody writes; the link is exchanged
in one move; and only when everything answers again is anything older removed.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from controller.install.copies import Copies, PutBack
from controller.install.places import (
    API,
    API_OPTIONS,
    COMMAND,
    CONFIG,
    COPIES,
    CURRENT,
    DESK,
    HOUSE,
    JOURNAL,
    MESSENGER,
    PREVIOUS,
    PROGRAMS,
    RULE,
    UNIT_FILES,
    UNITS,
    USER,
    controller_unit,
)
from controller.install.steps import Command, Folder, Link, Quiet, Remove, RemoveTree, Run, Step, Text, Well
from controller.install.version import Version

Plan = tuple[Step, ...]
RELOAD: Command = ("systemctl", "daemon-reload")
UDEV: Command = ("udevadm", "control", "--reload")
ADD_USER: Command = ("useradd", "--system", "--user-group", "--home-dir", str(HOUSE), "--no-create-home",
                     "--shell", "/usr/sbin/nologin", USER)
OWNERS: tuple[Command, ...] = (("chown", "-R", f"{USER}:{USER}", str(HOUSE)), ("chown", "-R", f"root:{USER}", str(CONFIG)))
DROP_INS = tuple(UNITS / f"{unit}.d/chambers.conf" for unit in (API, MESSENGER))


class Facts(NamedTuple):
    """What a plan depends on."""

    source: Path
    """Folder of the version to be put in."""
    version: str
    current: str = ""
    """Installed now; empty: nothing is."""
    previous: str = ""
    chambers: tuple[str, ...] = ()
    answering: frozenset[str] = frozenset()
    """Units that answer now."""
    texts: Mapping[str, str] = {}
    """File name -> text of everything in the source's `files`."""
    stamp: str = ""
    """Names the copies: UTC, to the second."""
    copies: str = ""
    """Of the previous version, for a way back with data."""
    wheels: Path | None = None


def install(facts: Facts) -> Plan:
    """The first installation, a newer or older version over another, or the same version once more."""
    if not facts.current:
        return (*_ground(facts), Version(facts.source, facts.version, facts.wheels), *_files(facts),
                Link(CURRENT, facts.version), *_enable(facts))
    if facts.current == facts.version:
        return (*_ground(facts), Version(facts.source, facts.version, facts.wheels), *_files(facts), *_enable(facts))
    return (Quiet(facts.chambers), *_ground(facts), Version(facts.source, facts.version, facts.wheels),
            *_exchange(facts, facts.version, facts.current, ()),
            RemoveTree(PROGRAMS, frozenset({facts.version, facts.current, CURRENT.name, PREVIOUS.name})))


def roll_back(facts: Facts, with_data: bool) -> Plan:
    """Back to the previous version; `with_data` also to the copies that were made when it was left."""
    back = (PutBack(facts.copies),) if with_data else ()
    return (Quiet(facts.chambers), *_exchange(facts, facts.previous, facts.current, back))


def uninstall(facts: Facts, with_data: bool) -> Plan:
    """Everything goes; the data stay, as root's, unless they are to go too."""
    units = (API, MESSENGER, *map(controller_unit, facts.chambers))
    data = (RemoveTree(HOUSE), RemoveTree(CONFIG)) if with_data else ()
    return (Quiet(facts.chambers),
            Run(f"stop and disable {', '.join(units)}", (("systemctl", "disable", "--now", *units),),
                (RELOAD, ("systemctl", "enable", "--now", "--no-block", *units)), "enable and start them again"),
            *(Remove(UNITS / unit) for unit in UNIT_FILES), *(Remove(path) for path in DROP_INS),
            Remove(JOURNAL), Remove(RULE), Remove(COMMAND),
            Run("have the service manager and the device manager forget them", (RELOAD, UDEV)),
            Run(f"give {HOUSE} to root: the number of {USER} may be given to another user later",
                (("chown", "-R", "root:root", str(HOUSE)),), (("chown", "-R", f"{USER}:{USER}", str(HOUSE)),), "give it back"),
            Run(f"remove the user {USER}", (("userdel", USER),), (ADD_USER, *OWNERS), "make it again"),
            RemoveTree(PROGRAMS), *data)


def add_chamber(facts: Facts, name: str) -> Plan:
    """The services look after one more chamber, whose folder is there."""
    wider = facts._replace(chambers=tuple(sorted({*facts.chambers, name})))
    unit = controller_unit(name)
    return (*_ground(wider), *_chamber_texts(wider), Run("have the service manager read the units again", (RELOAD,), (RELOAD,)),
            Run(f"enable and start {unit}", (("systemctl", "enable", "--now", "--no-block", unit),),
                (("systemctl", "disable", "--now", unit),), "stop and disable it"),
            Run("start page and messages anew, so that they show it; no heat depends on them",
                (("systemctl", "enable", API, MESSENGER), ("systemctl", "restart", "--no-block", API, MESSENGER))))


def _ground(facts: Facts) -> Plan:
    """User, folders, what people may edit."""
    return (
        Run(f"make the service user {USER} and its group", (ADD_USER,), unless=("getent", "passwd", USER)),
        Folder(PROGRAMS, 0o755), Folder(CONFIG, 0o750), Folder(HOUSE, 0o2750), Folder(DESK, 0o2750), Folder(COPIES, 0o750),
        *(Folder(HOUSE / name, 0o2750) for name in facts.chambers),
        Text(API_OPTIONS, facts.texts["api.env"], 0o640, keep=True),
        Run(f"give the data to {USER}, the settings to its group to read", OWNERS))


def _files(facts: Facts) -> Plan:
    """Units, journal bound, rule, command."""
    return (*(Text(UNITS / unit, facts.texts[unit]) for unit in UNIT_FILES), *_chamber_texts(facts),
            Text(JOURNAL, facts.texts[JOURNAL.name]), Text(RULE, facts.texts[RULE.name], keep=True),
            Text(COMMAND, facts.texts[COMMAND.name], 0o755))


def _chamber_texts(facts: Facts) -> Plan:
    """Which chambers page and messenger look at; they may not write what decides about heat."""
    data = " ".join(f"--data {HOUSE / name}" for name in facts.chambers)
    read_only = "".join(f"ReadOnlyPaths=-{HOUSE / name}/chamber\n" for name in facts.chambers)
    head = "# Written by soakwarden; changes belong into another drop-in.\n[Service]\n"
    text = f"{head}Environment=\"CHAMBERS={data}\"\n{read_only}"
    return tuple(Text(path, text) for path in DROP_INS)


def _enable(facts: Facts) -> Plan:
    units = (API, MESSENGER, *map(controller_unit, facts.chambers))
    return (Run("have the service manager and the device manager read their files", (RELOAD, UDEV), (RELOAD,),
                "have the service manager read the files as they were"),
            Run(f"enable and start {', '.join(units)}", (("systemctl", "enable", "--now", "--no-block", *units),)))


def _exchange(facts: Facts, to: str, away: str, back: Plan) -> Plan:
    """Stop, copy, exchange, start, look. Everything in here is undone in reverse when a step of it fails."""
    front = ("systemctl", "stop", API, MESSENGER), ("systemctl", "start", "--no-block", API, MESSENGER)
    controllers = tuple(map(controller_unit, facts.chambers))
    everything = (API, MESSENGER, *controllers)
    stop = (("systemctl", "stop", *controllers),) if controllers else ()
    start = (("systemctl", "start", "--no-block", *controllers),) if controllers else ()
    return (Run("stop page and messages, so that nobody can start a run now", (front[0],), (front[1],), "start them again"),
            Quiet(facts.chambers),
            Run("stop the controllers; each makes sure first that the heat is off", stop, (RELOAD, *start),
                "have the service manager read the units as they were, and start the controllers again"),
            Copies(facts.chambers, facts.stamp, away), *back, *_files(facts),
            Link(PREVIOUS, away), Link(CURRENT, to),
            Run("start everything", (RELOAD, UDEV, ("systemctl", "start", "--no-block", *controllers, API, MESSENGER)),
                (("systemctl", "stop", *everything),), "stop everything"),
            Well(facts.chambers, facts.answering))
