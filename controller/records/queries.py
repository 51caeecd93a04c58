"""What can be asked of the record: runs, curves, rows, events. Read-only; used by the api, the command line and replay."""

from __future__ import annotations

import json
import zlib
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import Row, func, select

from controller.core import canonical
from controller.core.events import Kind
from controller.core.program import cooling_of
from controller.core.run_states import S
from controller.core.schedule import Kind as SegmentKind
from controller.core.schedule import Schedule
from controller.core.setup import Chamber
from controller.records import curves
from controller.records.curves import NONE, Curve, Pieces
from controller.records.errors import NoSuchRun
from controller.records.reading import LIMIT_S, Door, Visit
from controller.records.schema import CURVE_COLUMNS, TICK_MASK, boots, events, key, rollups, runs, split, ticks

PAGE_ROWS = 2_000
"""Rows fetched at once where a caller wants all of them, so that no transaction outlives a page."""
RUNS_MAX = 500
EVENTS_MAX = 5_000
FOREVER_US = 1 << 62
TICK_US, ROW_HOLDS_US = 1_000_000, 2_000_000
"""A row stands for the time to the next one; across a gap, for no more than two ticks."""


class RunRow(NamedTuple):
    """One run as lists and titles need it. `ended_utc_us` and `last_tick` are None while it goes on."""

    id: str
    boot: int
    first_tick: int
    last_tick: int | None
    started_utc_us: int
    ended_utc_us: int | None
    name: str
    level: int
    by: str
    state: str
    end: str
    cut: bool
    run_ceiling_mc: int
    run_max_us: int
    simulated: bool
    board: str
    version: str
    schedule: Schedule

    @property
    def going(self) -> bool:
        """It has not ended, as far as the record knows (which is up to 15 s late)."""
        return self.ended_utc_us is None


class Copies(NamedTuple):
    """What a run keeps unchanged from its start. `model` is None until a chamber is identified."""

    schedule: Schedule
    chamber: Chamber
    model: str | None
    folder: dict[str, str]


class EventRow(NamedTuple):
    """One event; its id is `boot-seq`."""

    id: str
    utc_us: int
    tick: int | None
    kind: str
    run_id: str | None
    fields: dict[str, str | int | bool | None]


class TickRow(NamedTuple):
    """One readable row."""

    tick: int
    utc_us: int
    gap_us: int
    state: str | None
    segment: int | None
    quality: str | None
    setpoint_mc: int | None
    control_mc: int | None
    over_temperature_mc: int | None
    part_mc: int | None
    duty_e4: int
    seen_e4: int


class SegmentRow(NamedTuple):
    """One segment as it really went. `ended_utc_us` is None while it goes on; `counted_us` is time in band."""

    segment: int | None
    """Of the schedule; None for cooling down early, which is in none."""
    kind: str
    target_mc: int
    began_utc_us: int
    ended_utc_us: int | None
    counted_us: int
    air_min_mc: int | None = None
    """Least and most of every good reading in it, from the rows themselves; None where there was none."""
    air_max_mc: int | None = None
    part_min_mc: int | None = None
    part_max_mc: int | None = None
    air_in_band_us: int | None = None
    """Of a soak: how long the air, and the part, were within its band by the rows themselves, whichever of them counted;
    None for other segments, and for a part that no sensor saw."""
    part_in_band_us: int | None = None


RUN_COLUMNS = [runs.c[name] for name in RunRow._fields]


class Reader:
    """Questions to one record.db. Raises RecordAbsent while there is none, ReadTooLong past the time limit."""

    def __init__(self, path: Path, limit_s: float = LIMIT_S) -> None:
        self.path = path
        self._door = Door(path, limit_s)

    def runs(self, limit: int = 50, before: str | None = None) -> list[RunRow]:
        """Newest first, those older than the run `before`. Raises NoSuchRun for a `before` that is not there."""
        question = select(*RUN_COLUMNS).order_by(runs.c.number.desc()).limit(min(limit, RUNS_MAX))
        with self._door.visit() as ask:
            if before is not None:
                row = ask.one(select(runs.c.number).where(runs.c.id == before))
                if row is None:
                    raise NoSuchRun(f"no run {before!r} is in the record")
                question = question.where(runs.c.number < row.number)
            return [_run(ask, row) for row in ask.all(question)]

    def run(self, run_id: str) -> RunRow | None:
        """One run, or None."""
        with self._door.visit() as ask:
            return _find(ask, run_id)

    def known(self, run_id: str) -> RunRow:
        """One run. Raises NoSuchRun."""
        with self._door.visit() as ask:
            return _known(ask, run_id)

    def copies(self, run_id: str) -> Copies:
        """The copies a run keeps. Raises NoSuchRun."""
        question = select(runs.c.schedule, runs.c.chamber, runs.c.model, runs.c.folder).where(runs.c.id == run_id)
        with self._door.visit() as ask:
            row = ask.one(question)
        if row is None:
            raise _no_such(run_id)
        schedule, chamber = json.loads(row.schedule), json.loads(row.chamber)
        return Copies(canonical.load(Schedule, schedule), canonical.load(Chamber, chamber), row.model,
                      json.loads(zlib.decompress(row.folder)))

    def curve(self, run_id: str, points: int = 1000, from_us: int | None = None, to_us: int | None = None) -> Curve:
        """About `points` minimum/maximum pairs a column between two UTC times (default: the whole run), from rollups when
        the span is long, else from the rows themselves. Raises NoSuchRun."""
        with self._door.visit() as ask:
            run = _known(ask, run_id)
            first, last = _span(run)
            newest = _newest(ask, first, last)
            begin_us = run.started_utc_us if from_us is None else max(from_us, run.started_utc_us)
            end_us = min(newest.utc_us if newest else begin_us, FOREVER_US if to_us is None else to_us)
            if from_us is not None or to_us is not None:
                first, last = _narrow(ask, first, last, begin_us, end_us)
            source_s, count = curves.choose(max(0, end_us - begin_us), points)
            pieces, first = _buckets(ask, source_s, first, last, begin_us, end_us) if source_s > 1 else (NONE, first)
            pieces = pieces.then(_raw(ask, first, last, begin_us, end_us))
        return curves.curve(run_id, source_s * count * curves.US_PER_S, curves.join(pieces, count))

    def ticks(self, run_id: str) -> Iterator[TickRow]:
        """Every readable row of a run, oldest first, a page at a time. Raises NoSuchRun."""
        first, last = _span(self.known(run_id))
        columns = [ticks.c.id, *(ticks.c[name] for name in TickRow._fields[1:])]
        while True:
            question = select(*columns).where(ticks.c.id.between(first, last)).order_by(ticks.c.id).limit(PAGE_ROWS)
            with self._door.visit() as ask:
                page = ask.all(question)
            for row in page:
                yield TickRow._make((split(row.id)[1], *row[1:]))
            if len(page) < PAGE_ROWS:
                return
            first = page[-1].id + 1

    def events(self, run_id: str | None = None, after_id: str | None = None, limit: int = 500,
               kinds: Collection[str] | None = None) -> list[EventRow]:
        """Events in their order: after `after_id`; without it from the start of a run, or the newest `limit` of all.
        Raises ValueError for an `after_id` that is none."""
        question = select(events).limit(min(limit, EVENTS_MAX))
        if run_id is not None:
            question = question.where(events.c.run == run_id)
        if kinds is not None:
            question = question.where(events.c.kind.in_(list(kinds)))
        if after_id is not None:
            question = question.where(events.c.id > event_key(after_id))
        newest_first = after_id is None and run_id is None
        with self._door.visit() as ask:
            rows = ask.all(question.order_by(events.c.id.desc() if newest_first else events.c.id))
        return [_event(row) for row in (reversed(rows) if newest_first else rows)]

    def first_out(self, run_id: str) -> EventRow | None:
        """The trip that came first in a run, or None."""
        tripped = self.events(run_id, kinds=(Kind.TRIPPED.value,))
        return next((event for event in tripped if event.fields.get("first_out")), None)

    def segments(self, run_id: str) -> list[SegmentRow]:
        """The segments a run went through, from its events. Raises NoSuchRun."""
        run = self.known(run_id)
        found: list[SegmentRow] = []
        from_ticks: list[int] = []
        counting_us: int | None = None
        told = self.events(run_id, limit=EVENTS_MAX, kinds=(Kind.SEGMENT, Kind.SOAK_COUNTING, Kind.RUN_STATE))
        for event in told:
            begins = _begins(event, run.schedule)
            if begins is not None:
                _end_segment(found, event.utc_us, counting_us)
                counting_us = None
                found.append(begins)
                from_ticks.append(event.tick or run.first_tick)
            elif event.kind == Kind.SOAK_COUNTING and found:
                found[-1] = found[-1]._replace(counted_us=_number(event, "counted_us"))
                counting_us = event.utc_us if event.fields["counting"] else None
        if run.ended_utc_us is not None:
            _end_segment(found, run.ended_utc_us, counting_us)
        with self._door.visit() as ask:
            if run.ended_utc_us is None and found and counting_us is not None:  # it counts on, up to the newest written tick
                newest = _newest(ask, *_span(run))
                more_us = max(0, newest.utc_us - counting_us) if newest else 0
                found[-1] = found[-1]._replace(counted_us=found[-1].counted_us + more_us)
            return [_measured(ask, run, one, *stretch) for one, stretch in zip(found, _stretches(run, from_ticks), strict=True)]

    def last_boot(self) -> dict[str, Any] | None:
        """The newest start of the controller: versions, board, when."""
        with self._door.visit() as ask:
            row = ask.one(select(boots).order_by(boots.c.boot.desc()).limit(1))
        return dict(row._mapping) if row else None


def _stretches(run: RunRow, from_ticks: Sequence[int]) -> Iterator[tuple[int, int]]:
    """First and last key of each segment's rows: up to the next segment, or the run's end."""
    ends = [*(key(run.boot, tick - 1) for tick in from_ticks[1:]), _span(run)[1]]
    return zip((key(run.boot, tick) for tick in from_ticks), ends, strict=False)


def _measured(ask: Visit, run: RunRow, one: SegmentRow, first: int, last: int) -> SegmentRow:
    """A segment with what its own rows say: least and most of air and part, and a soak's time in band."""
    rows = ticks.c.id.between(first, last)
    columns = [what(ticks.c[name]) for name in ("control_mc", "part_mc") for what in (func.min, func.max)]
    found = ask.one(select(*columns).where(rows))
    low, high, part_low, part_high = tuple(found) if found else (None,) * len(columns)
    one = one._replace(air_min_mc=low, air_max_mc=high, part_min_mc=part_low, part_max_mc=part_high)
    if one.kind != SegmentKind.SOAK or one.segment is None:
        return one
    soak = run.schedule.segments[one.segment]
    until_us = func.lead(ticks.c.utc_us).over(order_by=ticks.c.id)
    held_us = func.min(func.coalesce(until_us - ticks.c.utc_us, TICK_US), ROW_HOLDS_US)
    timed = select(ticks.c.control_mc, ticks.c.part_mc, held_us.label("held_us")).where(rows).subquery()
    low_mc, high_mc = soak.target_mc - soak.band_mc, soak.target_mc + soak.band_mc
    inside = [func.sum(timed.c.held_us).filter(timed.c[name].between(low_mc, high_mc)) for name in ("control_mc", "part_mc")]
    row = ask.one(select(*inside))
    air_us, part_us = tuple(row) if row else (None, None)
    return one._replace(air_in_band_us=air_us or 0, part_in_band_us=None if part_low is None else part_us or 0)


def _find(ask: Visit, run_id: str) -> RunRow | None:
    row = ask.one(select(*RUN_COLUMNS).where(runs.c.id == run_id))
    return _run(ask, row) if row else None


def _known(ask: Visit, run_id: str) -> RunRow:
    found = _find(ask, run_id)
    if found is None:
        raise _no_such(run_id)
    return found


def _no_such(run_id: str) -> NoSuchRun:
    return NoSuchRun(f"no run {run_id!r} is in the record; see the list of runs")


def _run(ask: Visit, row: Row[Any]) -> RunRow:
    found = RunRow._make(row)._replace(
        cut=bool(row.cut), simulated=bool(row.simulated), schedule=canonical.load(Schedule, json.loads(row.schedule)))
    newest = _newest(ask, *_span(found)) if found.going else None
    return found._replace(state=newest.state) if newest and newest.state else found


def _newest(ask: Visit, first: int, last: int) -> Row[Any] | None:
    within = ticks.c.id.between(first, last)
    return ask.one(select(ticks.c.utc_us, ticks.c.state).where(within).order_by(ticks.c.id.desc()).limit(1))


def _buckets(ask: Visit, span_s: int, first: int, last: int, begin_us: int, end_us: int) -> tuple[Pieces, int]:
    """Finished buckets that touch the span, and the key of the first tick that is in none of them yet."""
    of = rollups[span_s].c
    columns = [of.first_utc_us, of.last_utc_us, of.gap_us, of.id + of.ticks,
               *(of[f"{what}_{name}"] for what in ("min", "max") for name in CURVE_COLUMNS)]
    within = (of.id.between(first, last), of.last_utc_us >= begin_us, of.first_utc_us <= end_us)
    rows = ask.all(select(*columns).where(*within).order_by(of.id))
    if not rows:
        return NONE, first
    begins, ends, gaps, nexts, *values = zip(*rows, strict=True)
    half = len(CURVE_COLUMNS)
    return Pieces(begins, ends, gaps, values[:half], values[half:]), nexts[-1]


def _narrow(ask: Visit, first: int, last: int, begin_us: int, end_us: int) -> tuple[int, int]:
    """The tick keys that can lie in a span of time, by the coarsest buckets: rows have no index of their times."""
    of = rollups[max(rollups)].c
    within = of.id.between(first, last)
    row = ask.one(select(
        select(func.max(of.id)).where(within, of.first_utc_us <= begin_us).scalar_subquery(),
        select(func.min(of.id)).where(within, of.first_utc_us > end_us).scalar_subquery()))
    before, after = tuple(row) if row else (None, None)
    return before or first, after or last


def _raw(ask: Visit, first: int, last: int, begin_us: int, end_us: int) -> Pieces:
    columns = [ticks.c.utc_us, ticks.c.gap_us, *(ticks.c[name] for name in CURVE_COLUMNS)]
    within = (ticks.c.id.between(first, last), ticks.c.utc_us.between(begin_us, end_us))
    rows = ask.all(select(*columns).where(*within).order_by(ticks.c.id))
    if not rows:
        return NONE
    times, gaps, *values = zip(*rows, strict=True)
    return Pieces(times, times, gaps, values, values)


def event_key(text: str) -> int:
    """The integer key of an event id `boot-seq`. Raises ValueError for anything else."""
    boot, _, seq = text.partition("-")
    if not (boot.isascii() and boot.isdigit() and seq.isascii() and seq.isdigit() and int(seq) <= TICK_MASK):
        raise ValueError(f"an event id is <boot>-<seq>, two numbers, not {text!r}")
    return key(int(boot), int(seq))


def _span(run: RunRow) -> tuple[int, int]:
    """First and last tick key of a run; open-ended within its boot while it goes on."""
    return key(run.boot, run.first_tick), key(run.boot, TICK_MASK if run.last_tick is None else run.last_tick)


def _event(row: Row[Any]) -> EventRow:
    boot, seq = split(row.id)
    return EventRow(f"{boot}-{seq}", row.utc_us, row.tick, row.kind, row.run, json.loads(row.fields))


def _begins(event: EventRow, schedule: Schedule) -> SegmentRow | None:
    """The segment that begins with this event."""
    if event.kind == Kind.SEGMENT:
        return SegmentRow(_number(event, "segment"), str(event.fields["kind"]), _number(event, "target_mc"), event.utc_us,
                          None, 0)
    if event.kind == Kind.RUN_STATE and event.fields["after"] == S.STOPPING:
        return SegmentRow(None, "cool_down", cooling_of(schedule).target_mc, event.utc_us, None, 0)
    return None


def _number(event: EventRow, name: str) -> int:
    value = event.fields[name]
    assert isinstance(value, int), f"{name} of event {event.id} is {value!r}"
    return value


def _end_segment(found: list[SegmentRow], utc_us: int, counting_us: int | None) -> None:
    if found and found[-1].ended_utc_us is None:
        more_us = utc_us - counting_us if counting_us is not None else 0
        found[-1] = found[-1]._replace(ended_utc_us=utc_us, counted_us=found[-1].counted_us + more_us)
