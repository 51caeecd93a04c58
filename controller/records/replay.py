"""Why did it switch off at 03:12? Feeds a run's stored inputs through `advance` again and compares everything that left.

Under the same version every frame, every event and every state is the same, bit for bit. Under another version this lists
where it would act otherwise. Replay begins at the state stored before the run's first tick; where ticks are missing it
goes on from the next stored state and says so. A run that still goes on, or was cut by a crash, is replayed up to its last
whole block.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterator, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import Executable, Row, select

from controller.core import canonical
from controller.core.state import State, Tick
from controller.core.tick import advance
from controller.records.batch import digest
from controller.records.blocks import Stored, decode
from controller.records.columns import Broken
from controller.records.errors import CannotReplay
from controller.records.queries import EVENTS_MAX, Reader, RunRow
from controller.records.reading import Door
from controller.records.schema import TICK_MASK, blocks, events, key, split, states

DIFFERENCES_MAX = 1_000
PAGE_BLOCKS = 20
LIMIT_S = 10.0

Progress = Callable[[int, int], None]
"""Called with (ticks done, ticks in all)."""


class Difference(NamedTuple):
    """Something came out otherwise than recorded. `what` is frames, events, state, or missing (ticks not in the record)."""

    tick: int
    utc_us: int
    what: str
    recorded: str
    now: str


class Replayed(NamedTuple):
    """What a replay found. `differences` holds the first thousand of `differing`; `complete` is False where the record ends
    before the run does, and `note` says why."""

    ticks: int
    differences: list[Difference]
    differing: int
    missing: int
    """Of them, stretches that are not in the record: nothing to compare with."""
    version_recorded: str
    version_now: str
    complete: bool
    note: str


class Block(NamedTuple):
    """One stored block, decoded."""

    ticks: list[Stored]
    digest: bytes


def replay(path: Path, run_id: str, progress: Progress | None = None, version: str = "") -> Replayed:
    """Replay one run; `version` is this program's.

    Raises NoSuchRun, RecordAbsent, or CannotReplay where this version cannot read what is stored.
    """
    return _Replay(path, run_id, progress, version or installed_version()).go()


def installed_version() -> str:
    """This program's version as it was installed; "unknown" where it runs from a bare folder."""
    try:
        return metadata.version("soakwarden")
    except metadata.PackageNotFoundError:
        return "unknown"


class _Replay:
    """One replay as it goes on."""

    def __init__(self, path: Path, run_id: str, progress: Progress | None, version: str) -> None:
        self._version = version
        self._door = Door(path, LIMIT_S)
        self._run: RunRow = Reader(path).known(run_id)
        self._progress = progress or (lambda done, of: None)
        self._differences: list[Difference] = []
        self._count = self._gaps = 0
        self._ticks = 0
        self._told: Iterator[Row[Any]] = iter(())
        self._next: Row[Any] | None = None

    def go(self) -> Replayed:
        number, state = self._state(self._run.first_tick - 1)
        if number >= self._run.first_tick:
            self._missing(self._run.first_tick, number, self._run.started_utc_us)
        newest = self._run.last_tick or self._newest()
        self._told = self._tell(number + 1)
        self._next = next(self._told, None)
        for block in self._blocks(number + 1):
            first = block.ticks[0]
            if first.tick != number + 1:
                self._missing(number + 1, first.tick - 1, first.utc_us)
                number, state = self._state(first.tick)
            number, state = self._play(block, number, state)
            self._progress(self._ticks, max(1, newest - self._run.first_tick + 1))
        return self._verdict(number)

    def _all(self, question: Executable) -> Sequence[Row[Any]]:
        with self._door.visit() as ask:
            return ask.all(question)

    def _one(self, question: Executable) -> Row[Any] | None:
        with self._door.visit() as ask:
            return ask.one(question)

    def _play(self, block: Block, number: int, state: State) -> tuple[int, State]:
        """Every tick of a block after `number`; its digest is compared if all of it was played."""
        for stored in block.ticks:
            if stored.tick <= number:
                continue
            result = advance(state, stored.inputs)
            self._compare(stored, result)
            number, state = stored.tick, result.state
            self._ticks += 1
        last = block.ticks[-1]
        found = digest(state)
        if found != block.digest and number == last.tick:
            self._differ(Difference(last.tick, last.utc_us, "state", block.digest.hex(), found.hex()))
        return number, state

    def _compare(self, stored: Stored, result: Tick) -> None:
        recorded, now = canonical.text(stored.frames), canonical.text(result.outputs.frames)
        if stored.frames != result.outputs.frames or recorded != now:
            self._differ(Difference(stored.tick, stored.utc_us, "frames", recorded, now))
        happened = self._events_of(stored.tick)
        again = [(event.kind.value, _fields(event.fields)) for event in result.events]
        if happened != again:
            self._differ(Difference(stored.tick, stored.utc_us, "events", _words(happened), _words(again)))

    def _differ(self, difference: Difference) -> None:
        self._count += 1
        if len(self._differences) < DIFFERENCES_MAX:
            self._differences.append(difference)

    def _missing(self, first: int, last: int, utc_us: int) -> None:
        self._gaps += 1
        self._differ(Difference(first, utc_us, "missing", f"ticks {first} to {last} are not in the record", ""))

    def _verdict(self, number: int) -> Replayed:
        run = self._run
        complete = run.last_tick is not None and not run.cut and number >= run.last_tick
        note = ""
        if run.going:
            note = "The run still goes on; this is up to its last whole block."
        elif not complete:
            missing = (run.last_tick or number) - number
            left = f", the last {missing} rows have no block" if missing > 0 else ""
            note = f"The record was cut: it ends at tick {number}{left}."
        return Replayed(self._ticks, self._differences, self._count, self._gaps, run.version, self._version, complete, note)

    def _state(self, at: int) -> tuple[int, State]:
        """The newest stored state at or before a tick, or else the first after it."""
        boot = self._run.boot
        columns = select(states.c.id, states.c.data)
        before = columns.where(states.c.id.between(key(boot, 0), key(boot, max(0, at)))).order_by(states.c.id.desc()).limit(1)
        after = columns.where(states.c.id.between(key(boot, max(0, at)), key(boot, TICK_MASK))).order_by(states.c.id).limit(1)
        row = self._one(before) or self._one(after)
        if row is None:
            raise CannotReplay(f"run {self._run.id} has no stored state to begin from; only its rows can be read")
        try:
            return split(row.id)[1], canonical.load(State, json.loads(zlib.decompress(row.data)))
        except (ValueError, KeyError, zlib.error) as error:
            raise CannotReplay(f"the state stored by version {self._run.version} cannot be read by {self._version}: {error}. "
                               f"Replay it with version {self._run.version}.") from error

    def _newest(self) -> int:
        boot = self._run.boot
        within = blocks.c.id.between(key(boot, 0), key(boot, TICK_MASK))
        row = self._one(select(blocks.c.id, blocks.c.ticks).where(within).order_by(blocks.c.id.desc()).limit(1))
        return split(row.id)[1] + row.ticks - 1 if row else self._run.first_tick

    def _blocks(self, first: int) -> Iterator[Block]:
        """Blocks from the one that holds the tick `first` to the run's end, a page at a time."""
        boot = self._run.boot
        holds = select(blocks.c.id).where(blocks.c.id.between(key(boot, 0), key(boot, first)))
        row = self._one(holds.order_by(blocks.c.id.desc()).limit(1))
        start = row.id if row else key(boot, first)
        end = key(boot, TICK_MASK if self._run.last_tick is None else self._run.last_tick)
        while True:
            page = select(blocks.c.id, blocks.c.digest, blocks.c.data).where(blocks.c.id.between(start, end))
            rows = self._all(page.order_by(blocks.c.id).limit(PAGE_BLOCKS))
            for row in rows:
                block = Block(self._decode(row), row.digest)
                if block.ticks[-1].tick >= first:
                    yield block
            if len(rows) < PAGE_BLOCKS:
                return
            start = rows[-1].id + 1

    def _decode(self, row: Any) -> list[Stored]:
        try:
            return decode(row.data)
        except Broken as error:
            at = split(row.id)[1]
            raise CannotReplay(f"the block at tick {at} cannot be read by version {self._version}: {error}") from error

    def _events_of(self, tick: int) -> list[tuple[str, str]]:
        """What the record says happened in a tick; asked in rising order."""
        found = []
        while self._next is not None and self._next.tick <= tick:
            if self._next.tick == tick:
                found.append((self._next.kind, _fields(json.loads(self._next.fields))))
            self._next = next(self._told, None)
        return found

    def _tell(self, from_tick: int) -> Iterator[Row[Any]]:
        """Every event that a tick of this boot made, from a tick on, a page at a time."""
        after = key(self._run.boot, 0) - 1
        columns = select(events.c.id, events.c.tick, events.c.kind, events.c.fields).where(events.c.tick >= from_tick)
        while True:
            within = events.c.id.between(after + 1, key(self._run.boot, TICK_MASK))
            rows = self._all(columns.where(within).order_by(events.c.id).limit(EVENTS_MAX))
            yield from rows
            if len(rows) < EVENTS_MAX:
                return
            after = rows[-1].id


def _fields(fields: object) -> str:
    return json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _words(told: list[tuple[str, str]]) -> str:
    return "; ".join(f"{kind} {fields}" for kind, fields in told) or "nothing"
