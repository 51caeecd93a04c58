"""A run as a table for people: one row a tick, ISO 8601 times in UTC, units in the headers, SIMULATED in words."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, TextIO

from controller.core.setup import LEVEL_WORDS, Level
from controller.records.queries import EventRow, Reader, RunRow, TickRow

TELL_ROWS = 2_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def iso(utc_us: int) -> str:
    """2026-11-25T09:30:00.000Z; milliseconds are kept, and a leap of the local clock cannot be seen in it."""
    return (EPOCH + timedelta(microseconds=utc_us)).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _scaled(value: int | None, divisor: int, digits: int) -> str:
    """An integer as a decimal number, exactly; empty where there is none."""
    if value is None:
        return ""
    whole, part = divmod(abs(value), divisor)
    return f"{'-' if value < 0 else ''}{whole}.{part:0{digits}d}"


def _celsius(value: int | None) -> str:
    return _scaled(value, 1_000, 3)


def _percent(value: int | None) -> str:
    return _scaled(value, 100, 2)


COLUMNS: tuple[tuple[str, Callable[[TickRow], Any]], ...] = (
    ("time (UTC, ISO 8601)", lambda row: iso(row.utc_us)),
    ("tick", lambda row: row.tick),
    ("run state", lambda row: row.state or ""),
    ("segment (from 1)", lambda row: "" if row.segment is None else row.segment + 1),
    ("set point (°C)", lambda row: _celsius(row.setpoint_mc)),
    ("control sensor (°C)", lambda row: _celsius(row.control_mc)),
    ("over-temperature sensor (°C)", lambda row: _celsius(row.over_temperature_mc)),
    ("part sensor (°C)", lambda row: _celsius(row.part_mc)),
    ("duty asked (%)", lambda row: _percent(row.duty_e4)),
    ("duty seen (%)", lambda row: _percent(row.seen_e4)),
    ("gap before (s)", lambda row: _scaled(row.gap_us, 1_000_000, 6) if row.gap_us else ""),
    ("readings that were not good (board channel: why)", lambda row: row.quality or ""),
)
"""Header and value of each column; a new column is a new row here."""


def source(run: RunRow) -> str:
    """What every row says of where it comes from."""
    kind = "SIMULATED chamber" if run.simulated else "chamber"
    return f"{kind}, board {run.board}, run {run.id}, {LEVEL_WORDS[Level(run.level)]}"


def write_csv(reader: Reader, run_id: str, to: TextIO, progress: Callable[[int, int], None] | None = None) -> int:
    """Every readable row of a run as CSV (RFC 4180) into `to`, opened with newline="". Gives the number of rows.

    `progress` is called with (rows done, rows in all) every few thousand. Raises NoSuchRun, RecordAbsent.
    """
    run = reader.known(run_id)
    table = csv.writer(to)
    table.writerow([header for header, _ in COLUMNS] + ["source"])
    told, of = source(run), max(1, (run.last_tick or run.first_tick) - run.first_tick + 1)
    count = 0
    for count, row in enumerate(reader.ticks(run_id), 1):
        table.writerow([value(row) for _, value in COLUMNS] + [told])
        if progress and not count % TELL_ROWS:
            progress(count, max(of, count))
    return count


def write_events_csv(reader: Reader, run_id: str, to: TextIO) -> int:
    """Every event of a run as CSV: time, id, kind, what it carries as `name=value`. Gives their number."""
    run = reader.known(run_id)
    table = csv.writer(to)
    table.writerow(["time (UTC, ISO 8601)", "event", "tick", "kind", "what (segment from 1)", "source"])
    count, after = 0, None
    while page := reader.events(run_id, after_id=after, limit=1_000):
        for event in page:
            table.writerow([iso(event.utc_us), event.id, "" if event.tick is None else event.tick, event.kind,
                            _told(event), source(run)])
        count, after = count + len(page), page[-1].id
    return count


def _told(event: EventRow) -> str:
    return "; ".join(f"{name}={_counted(name, value)}" for name, value in event.fields.items())


def _counted(name: str, value: str | int | bool | None) -> str | int | bool:
    """A segment as the table of readings counts it, from 1; in the record it counts from 0."""
    if value is None:
        return ""
    return value + 1 if name == "segment" and isinstance(value, int) else value
