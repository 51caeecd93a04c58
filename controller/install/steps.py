"""The steps a plan is made of. Each says in words what it does and how it is undone; doing it twice changes nothing more.

`do` gives back what undoes it. Undoing puts back what was there before, whatever that was.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from controller.install.world import StepFailed, World, in_place

Undo = Callable[[], None]
Command = tuple[str, ...]
NOTHING = "nothing to undo"
LOOK_EVERY_S = 0.5


class Step(Protocol):
    """One step of a plan."""

    @property
    def words(self) -> str:
        """What it does."""

    @property
    def undo_words(self) -> str:
        """How it is undone."""

    def do(self, world: World) -> Undo:
        """Do it. Raises StepFailed, OSError, shutil.Error or sqlite3.Error."""


def nothing() -> None:
    """Undoes what changed nothing."""


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder is there, with these rights."""

    path: Path
    mode: int

    @property
    def words(self) -> str:
        return f"make the folder {self.path} ({self.mode:04o})"

    @property
    def undo_words(self) -> str:
        return "remove it, and what it stands in, if it was made now and is empty"

    def do(self, world: World) -> Undo:
        path = world.at(self.path)
        made = made_now(path)
        path.chmod(self.mode)
        return lambda: remove_empty(made)


def made_now(path: Path) -> list[Path]:
    """Make a folder and those that it stands in; gives what was not there before, innermost first."""
    made = [one for one in (path, *path.parents) if not one.is_dir()]
    path.mkdir(parents=True, exist_ok=True)
    return made


def remove_empty(folders: list[Path]) -> None:
    """Remove them as far as nothing is in them."""
    with contextlib.suppress(OSError):
        for folder in folders:
            folder.rmdir()


@dataclass(frozen=True, slots=True)
class Text:
    """A file holds this text. With `keep` one that is there stays as it is: it is a person's."""

    path: Path
    text: str
    mode: int = 0o644
    keep: bool = False

    @property
    def words(self) -> str:
        return f"write {self.path}" + (" unless it is there" if self.keep else "")

    @property
    def undo_words(self) -> str:
        return "put back what was there"

    def do(self, world: World) -> Undo:
        path = world.at(self.path)
        before = path.read_bytes() if path.exists() else None
        if before is not None and (self.keep or before == self.text.encode()):
            return nothing
        made = made_now(path.parent)
        in_place(path, self.text.encode(), self.mode)

        def undo() -> None:
            if before is not None:
                in_place(path, before, self.mode)
                return
            path.unlink(missing_ok=True)
            remove_empty(made)
        return undo


@dataclass(frozen=True, slots=True)
class Link:
    """A link beside its target points to it; exchanged in one move, so that there is never none."""

    path: Path
    target: str
    """Relative; empty: no link."""

    @property
    def words(self) -> str:
        return f"point {self.path} to {self.target}" if self.target else f"remove {self.path}"

    @property
    def undo_words(self) -> str:
        return "point it where it pointed before"

    def do(self, world: World) -> Undo:
        path = world.at(self.path)
        before = os.readlink(path) if path.is_symlink() else ""
        point(path, self.target)
        return lambda: point(path, before)


def point(path: Path, target: str) -> None:
    """Make the link, or take it away where `target` is empty."""
    if not target:
        path.unlink(missing_ok=True)
        return
    beside = path.with_name(f".{path.name}.new")
    beside.unlink(missing_ok=True)
    beside.symlink_to(target)
    beside.rename(path)


@dataclass(frozen=True, slots=True)
class Run:
    """Other programs are run. `unless`, when it answers yes, says that all is done already."""

    words: str
    commands: tuple[Command, ...] = ()
    undo_commands: tuple[Command, ...] = ()
    undo_words: str = NOTHING
    unless: Command = ()

    def do(self, world: World) -> Undo:
        if self.unless and world.runner.answers_yes(self.unless):
            return nothing
        try:
            for command in self.commands:
                world.runner.run(command)
        except StepFailed as error:
            self._undo_after(error, world)  # of several commands some may have been run
            raise
        return lambda: self._undo(world)

    def _undo_after(self, error: StepFailed, world: World) -> None:
        try:
            self._undo(world)
        except StepFailed as second:
            raise StepFailed(f"{error}. It could not be undone either: {second}") from error

    def _undo(self, world: World) -> None:
        for command in self.undo_commands:
            world.runner.run(command)


@dataclass(frozen=True, slots=True)
class Remove:
    """A file or a link is gone."""

    path: Path

    @property
    def words(self) -> str:
        return f"remove {self.path}"

    @property
    def undo_words(self) -> str:
        return "put it back"

    def do(self, world: World) -> Undo:
        path = world.at(self.path)
        if not path.exists():
            return nothing
        before, mode = path.read_bytes(), path.stat().st_mode & 0o777
        path.unlink()
        return lambda: in_place(path, before, mode)


@dataclass(frozen=True, slots=True)
class RemoveTree:
    """A folder and all in it is gone. It cannot come back, so it stands at the end of a plan, and does not fail: what it cannot
    remove is told."""

    path: Path
    keep: frozenset[str] = frozenset()
    """Names in it that stay, and the folder with them."""
    undo_words: str = NOTHING

    @property
    def words(self) -> str:
        kept = f", but keep {', '.join(sorted(self.keep))}" if self.keep else ""
        return f"remove everything in {self.path}{kept}" if self.keep else f"remove {self.path} and everything in it"

    def do(self, world: World) -> Undo:
        folder = world.at(self.path)
        gone = [one for one in folder.iterdir() if one.name not in self.keep] if self.keep else [folder]
        for one in gone:
            shutil.rmtree(one, onerror=lambda _call, path, error: world.say(f"    {path} stays: {error[1]}"))
        return nothing


@dataclass(frozen=True, slots=True)
class Quiet:
    """Nothing is done: it only fails where a run is on or waits."""

    chambers: tuple[str, ...]
    undo_words: str = NOTHING

    @property
    def words(self) -> str:
        return f"ask whether a run is on or waits in: {', '.join(self.chambers) or 'no chamber yet'}"

    def do(self, world: World) -> Undo:
        busy = world.probe.busy(self.chambers)
        if busy:
            raise Busy(" ".join(busy))
        return nothing


class Busy(StepFailed):
    """A run is on or waits, or nobody can say that none is."""


@dataclass(frozen=True, slots=True)
class Well:
    """Everything that answered before answers again."""

    chambers: tuple[str, ...]
    before: frozenset[str]
    within_s: float = 30.0
    undo_words: str = NOTHING

    @property
    def words(self) -> str:
        who = ", ".join(sorted(self.before))
        return (f"wait up to {self.within_s:g} s until {who} answers" if who else
                "nothing answered before, so nothing is waited for")

    def do(self, world: World) -> Undo:
        until_s = world.mono_s() + self.within_s
        while missing := self.before - world.probe.answering(self.chambers):
            if world.mono_s() >= until_s:
                raise StepFailed(f"{', '.join(sorted(missing))} did not answer within {self.within_s:g} s; its last words: "
                                 "journalctl --namespace=soakwarden -n 30")
            world.wait(LOOK_EVERY_S)
        return nothing
