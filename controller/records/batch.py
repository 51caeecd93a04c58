"""Turns ticks into rows: what the writer's thread does between two commits. No file and no clock here.

A block ends after 30 s, with any tick that has an event, before a run's first tick and after its last, and where ticks are
missing; so every event is written together with the inputs that led to it.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from controller.core import canonical
from controller.core.events import Event
from controller.core.run_states import ENDED
from controller.core.setup import Chamber
from controller.core.state import Inputs, Run, State, Tick
from controller.records import blocks
from controller.records.rollups import Rollup, Sample
from controller.records.rows import readable
from controller.records.schema import CURVE_COLUMNS, ROLLUP_SPANS_S, STATE_NUMBERS, key

BLOCK_US = 30_000_000
BLOCK_TICKS_MAX = 120
GAP_US = 2_500_000
"""Rows further apart than this have a gap between them: two ticks and a half."""
STATE_US = 3_600_000_000
"""A whole state is stored this often."""

Rows = list[dict[str, Any]]


class TickRecord(NamedTuple):
    """One tick as the service hands it over."""

    tick: int
    utc_us: int
    inputs: Inputs
    result: Tick


@dataclass(frozen=True, slots=True)
class About:
    """What is true of a whole boot. `folder` is the chamber folder as text, by file name."""

    version: str
    python: str
    sqlite: str
    simulated: bool
    board: str
    chamber: Chamber
    folder: Mapping[str, str]
    libraries: str = ""


@dataclass(slots=True)
class Batch:
    """Rows waiting for a commit, by table."""

    ticks: Rows = field(default_factory=list)
    blocks: Rows = field(default_factory=list)
    states: Rows = field(default_factory=list)
    events: Rows = field(default_factory=list)
    rollups: dict[int, Rows] = field(default_factory=lambda: {span_s: [] for span_s in ROLLUP_SPANS_S})
    started: Rows = field(default_factory=list)
    ended: Rows = field(default_factory=list)

    def __bool__(self) -> bool:
        return any((self.ticks, self.blocks, self.states, self.events, self.started, self.ended, *self.rollups.values()))


def event_row(boot: int, seq: int, utc_us: int, tick: int | None, run: str | None, event: Event) -> dict[str, Any]:
    """The row of one event."""
    return {"id": key(boot, seq), "utc_us": utc_us, "tick": tick, "kind": event.kind.value, "run": run,
            "fields": json.dumps(event.fields, separators=(",", ":"), ensure_ascii=False)}


def digest(state: State) -> bytes:
    """Eight bytes that two states share only if they are equal."""
    return hashlib.sha256(canonical.text(state).encode()).digest()[:8]


class Intake:
    """Everything remembered between ticks: the open block, the open buckets, the run that goes on."""

    def __init__(self, boot: int, about: About) -> None:
        self.boot = boot
        self.about = about
        self.batch = Batch()
        self.run: dict[str, Any] | None = None
        """The row of the run that goes on, to write it again into a new file."""
        self._block: list[blocks.Stored] = []
        self._rollups = {span_s: Rollup(span_s) for span_s in ROLLUP_SPANS_S}
        self._before: TickRecord | None = None
        self._state_us = 0
        self._known_run = ""
        self._fresh_file = False

    def add(self, record: TickRecord, first_seq: int) -> None:
        """Take one tick; its events are numbered from `first_seq`."""
        before = self._before
        state = record.result.state
        broken = before is not None and record.tick != before.tick + 1
        if broken:
            self.finish()
        if before is None:
            self._store_state(record, "boot")
        elif broken or self._fresh_file:
            self._store_state(record, "gap")
        elif state.mono_us - self._state_us >= STATE_US:
            self._store_state(record, "hourly")
        starting = state.run is not None and state.run.id != self._known_run
        if starting:
            self._run_started(record, state.run)
        self._add_row(record)
        self._block.append(blocks.Stored(record.tick, record.utc_us, record.inputs, record.result.outputs.frames))
        self.add_events(record, first_seq)
        self._before = record
        if self.run is not None and (state.run is None or state.run.state in ENDED):
            self._run_ended(record, state.run)
        if record.result.events or self._block_is_full():
            self._close_block()

    def add_events(self, record: TickRecord, first_seq: int) -> None:
        """Only the events of a tick: also when there is no room for the rest of it."""
        run = record.result.state.run
        for seq, event in enumerate(record.result.events, first_seq):
            of = event.fields.get("run_id") or (run.id if run else None)
            row = event_row(self.boot, seq, record.utc_us, record.tick, None if of is None else str(of), event)
            self.batch.events.append(row)

    def finish(self) -> None:
        """End the open block and buckets: at a gap, and when the writer closes."""
        self._close_block()
        self._close_rollups()

    def begin_file(self) -> None:
        """A new file was begun in the middle: replay in it needs a state to start from."""
        self.finish()
        self._fresh_file = self._before is not None

    def _add_row(self, record: TickRecord) -> None:
        mono_us = record.result.state.mono_us
        since_us = mono_us - self._before.result.state.mono_us if self._before else 0
        gap_us = since_us if since_us > GAP_US else 0
        row = readable(record.result)
        id_ = key(self.boot, record.tick)
        told = row._asdict()
        told["state_number"] = STATE_NUMBERS.get(told.pop("state"))
        self.batch.ticks.append({"id": id_, "utc_us": record.utc_us, "gap_us": gap_us, **told})
        values: tuple[int | None, ...] = tuple(getattr(row, name) for name in CURVE_COLUMNS)
        for span_s, rollup in self._rollups.items():
            finished = rollup.add(Sample(id_, record.utc_us, mono_us, gap_us, values))
            if finished:
                self.batch.rollups[span_s].append(finished)

    def _block_is_full(self) -> bool:
        if not self._block:
            return False
        first, last = self._block[0].inputs, self._block[-1].inputs
        # The last tick of a block is due a second before the next block begins.
        return last.mono_us - first.mono_us >= BLOCK_US - 1_500_000 or len(self._block) >= BLOCK_TICKS_MAX

    def _close_block(self) -> None:
        if not self._block or self._before is None:
            return
        self.batch.blocks.append({
            "id": key(self.boot, self._block[0].tick), "ticks": len(self._block),
            "digest": digest(self._before.result.state), "data": blocks.encode(self._block),
        })
        self._block = []

    def _close_rollups(self) -> None:
        for span_s, rollup in self._rollups.items():
            row = rollup.flush()
            if row:
                self.batch.rollups[span_s].append(row)

    def _store_state(self, record: TickRecord, why: str) -> None:
        state = record.result.state
        id_ = key(self.boot, record.tick)
        self._state_us = state.mono_us
        self._fresh_file = False
        if not any(row["id"] == id_ for row in self.batch.states):
            data = zlib.compress(canonical.text(state).encode(), 9)
            self.batch.states.append({"id": id_, "why": why, "data": data})

    def _run_started(self, record: TickRecord, run: Run | None) -> None:
        """The state before the run's first tick is stored, so that replay sees the start itself."""
        assert run is not None
        self.finish()
        if self._before is not None and self._before.tick == record.tick - 1:
            self._store_state(self._before, "run")
        about = self.about
        self._known_run = run.id
        self.run = {
            "id": run.id, "boot": self.boot, "first_tick": record.tick, "started_utc_us": record.utc_us,
            "name": run.schedule.name, "level": int(run.level), "by": run.by, "state": run.state.value, "end": "",
            "cut": 0, "run_ceiling_mc": run.run_ceiling_mc, "run_max_us": run.run_max_us,
            "simulated": int(about.simulated), "board": about.board, "version": about.version,
            "schedule": canonical.text(run.schedule), "chamber": canonical.text(record.result.state.chamber),
            "folder": zlib.compress(json.dumps(dict(about.folder), sort_keys=True, ensure_ascii=False).encode(), 9),
        }
        self.batch.started.append(self.run)

    def _run_ended(self, record: TickRecord, run: Run | None) -> None:
        assert self.run is not None
        self.batch.ended.append({
            "of": self.run["id"], "state": run.state.value if run else "idle", "end": run.end if run else "",
            "last_tick": record.tick, "ended_utc_us": record.utc_us,
        })
        self.run = None
        self.finish()
