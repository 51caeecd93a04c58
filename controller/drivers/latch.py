"""The latch file: what a chamber remembers of its trips when nothing runs.

It says clear, running, tripped or not commissioned. Whatever cannot be read counts as tripped, and so does "running"
found at a start: the controller ended in a run without saying so. The file is written by its own thread; the trip
itself needs no disk.
"""

from __future__ import annotations

import threading
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from controller.core.run_states import ACTIVE, S
from controller.core.state import State
from controller.core.supervisor import Latch
from controller.drivers import sealed

RETRY_S = 10.0
"""A disk that refused is tried again this often, and at once when the process ends."""
FORMAT = "soakwarden-latch-1"
FILE = "latch"


class Condition(StrEnum):
    """What the file says."""

    CLEAR = "clear"
    RUNNING = "running"
    WAITING = "waiting"
    """A start waited for its named time: nothing heated, and it is lost, which somebody must be told."""
    TRIPPED = "tripped"
    NOT_COMMISSIONED = "not commissioned"


NOT_COMMISSIONED = "not_commissioned"
UNREADABLE = "latch_unreadable"
ENDED_IN_A_RUN = "ended_in_a_run"
"""Rows of the guard table that only this file can set; their texts stand there."""


@dataclass(frozen=True, slots=True)
class Stored:
    """One latch as the file keeps it: with its moment in UTC, since no other clock outlives the process."""

    guard: str
    utc_us: int
    value: int
    limit: int
    detail: str
    first_out: bool


@dataclass(frozen=True, slots=True)
class Remembered:
    """What the file holds."""

    condition: Condition
    latches: tuple[Stored, ...] = ()
    named_utc_us: int = 0
    """With WAITING: when the start was to begin."""


def read(path: Path, utc_us: int) -> tuple[Stored, ...]:
    """The latches that stand at a start; empty only when the file is whole and says clear.

    `utc_us` is now: the stamp of a latch that this very reading sets.
    """
    try:
        remembered = _remembered(path, sealed.read(path))
    except sealed.Unsealed as error:
        return (Stored(UNREADABLE, utc_us, 0, 0, error.reason, True),)
    latches = remembered.latches
    if remembered.condition is Condition.RUNNING:
        latches += (Stored(ENDED_IN_A_RUN, utc_us, 0, 0, "Found at the next start: no end was kept.", not latches),)
    if remembered.condition is Condition.NOT_COMMISSIONED and not latches:
        latches = (Stored(NOT_COMMISSIONED, utc_us, 0, 0, "", True),)
    if remembered.condition is Condition.TRIPPED and not latches:
        latches = (Stored(UNREADABLE, utc_us, 0, 0, "tripped, by nothing that is named", True),)
    return latches


def says_running(path: Path) -> bool:
    """Does the file say that heat may be on? True of every run; only where no controller answers did it end unsaid."""
    try:
        return _remembered(path, sealed.read(path)).condition is Condition.RUNNING
    except sealed.Unsealed:
        return False


def a_start_waited(path: Path) -> int:
    """The named time (UTC µs) of a start that waited when the last controller ended; 0: none did. Asked before `read`'s
    file is written anew."""
    try:
        remembered = _remembered(path, sealed.read(path))
    except sealed.Unsealed:
        return 0
    return remembered.named_utc_us if remembered.condition is Condition.WAITING else 0


def write(path: Path, remembered: Remembered) -> None:
    """Replace the file atomically. Raises OSError."""
    latches = [asdict(latch) for latch in remembered.latches]
    sealed.write(path, {"format": FORMAT, "condition": remembered.condition.value, "latches": latches,
                        "named_utc_us": remembered.named_utc_us})


def of_state(state: State, utc_us: int) -> Remembered:
    """What the file must say of this state. `utc_us` is the moment of the state."""
    latches = tuple(
        Stored(latch.guard, utc_us - (state.mono_us - latch.mono_us), latch.value, latch.limit, latch.detail,
               latch.first_out)
        for latch in state.latches)
    condition = _condition(state)
    named = state.pending.command.at_utc_us if condition is Condition.WAITING and state.pending is not None else 0
    return Remembered(condition, latches, named)


def restored(stored: tuple[Stored, ...], mono_us: int, utc_us: int) -> tuple[Latch, ...]:
    """The latches for a first state. Their age is only for show: no duration is counted from it."""
    return tuple(Latch(one.guard, mono_us - (utc_us - one.utc_us), one.value, one.limit, one.detail, one.first_out)
                 for one in stored)


def _condition(state: State) -> Condition:
    if any(latch.guard == NOT_COMMISSIONED for latch in state.latches):
        return Condition.NOT_COMMISSIONED
    if state.latches:
        return Condition.TRIPPED
    heating = state.run is not None and (state.run.state in ACTIVE or state.run.state is S.ABORTING)
    if heating or (state.pending is not None and state.pending.due):
        return Condition.RUNNING
    return Condition.CLEAR if state.pending is None else Condition.WAITING


def _remembered(path: Path, body: dict[str, Any]) -> Remembered:
    try:
        if body["format"] != FORMAT:
            raise sealed.Unsealed(path, f"format {body['format']!r} is not {FORMAT!r}")
        latches = tuple(_stored(row) for row in body["latches"])
        named = body.get("named_utc_us", 0)  # files of 0.1 lack it
        if type(named) is not int:
            raise ValueError(f"named_utc_us {named!r}")
        return Remembered(Condition(body["condition"]), latches, named)
    except (KeyError, TypeError, ValueError) as error:
        raise sealed.Unsealed(path, f"holds something else: {error}") from error


def _stored(row: dict[str, Any]) -> Stored:
    latch = Stored(**row)
    numbers = (latch.utc_us, latch.value, latch.limit)
    if not all(type(number) is int for number in numbers) or not isinstance(latch.guard, str):
        raise ValueError(f"latch row {row!r}")
    return latch


class LatchKeeper:
    """Writes the file from its own thread whenever what it must say has changed; only the newest wish is kept."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._changed = threading.Condition()
        self._key: object = None
        self._wish: Remembered | None = None
        self._written: Remembered | None = None
        self._closing = False
        self.failing = ""
        """Why the last write failed, in words; empty while it works."""
        self._thread = threading.Thread(target=self._work, name="latch", daemon=True)
        self._thread.start()

    def keep(self, state: State, utc_us: int) -> None:
        """Have the file say what this state is. Never blocks on the disk; free of cost while nothing changes."""
        key = (_condition(state), state.latches)
        if key == self._key:
            return
        self._key = key
        with self._changed:
            self._wish = of_state(state, utc_us)
            self._changed.notify()

    def close(self, timeout_s: float) -> bool:
        """Write what is still wished and end. False when the disk did not answer in time."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(timeout_s)
        return not self._thread.is_alive() and not self.failing

    def _work(self) -> None:
        while True:
            with self._changed:
                wait_s = RETRY_S if self.failing else None
                self._changed.wait_for(lambda: self._closing or self._due(), wait_s)
                wish, closing = self._wish, self._closing
            if wish is not None and wish != self._written:
                self._write(wish)
            if closing:
                return

    def _due(self) -> bool:
        return not self.failing and self._wish != self._written

    def _write(self, wish: Remembered) -> None:
        try:
            write(self._path, wish)
        except OSError as error:
            self.failing = f"latch file: {error.strerror}"
            return
        self.failing = ""
        self._written = wish
