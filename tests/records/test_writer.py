"""The writer and the reader together: what goes in comes out, as rows, events, runs and curves."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.records.queries import Reader
from controller.records.writer import TickRecord, Writer, next_run
from tests.records.scripted import ABOUT, records


@pytest.fixture(scope="module")
def ten_minutes() -> list[TickRecord]:
    """A run of seven minutes in ten minutes of ticks."""
    return list(records(600))


@pytest.fixture(scope="module")
def record(ten_minutes: list[TickRecord], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Those ten minutes, written and closed."""
    path = tmp_path_factory.mktemp("record") / "record.db"
    writer = Writer(path, None, ABOUT)
    writer.start()
    for tick in ten_minutes:
        writer.put(tick)
    assert writer.close(10.0)
    return path


def test_every_tick_has_its_row(record: Path, ten_minutes: list[TickRecord]) -> None:
    run = Reader(record).known("1")
    rows = list(Reader(record).ticks("1"))
    assert [row.tick for row in rows] == list(range(run.first_tick, (run.last_tick or 0) + 1))
    assert run.state == "complete" and not run.going and next_run(record) == 2


def test_every_event_is_there_with_its_number_in_order(record: Path, ten_minutes: list[TickRecord]) -> None:
    happened = [event for tick in ten_minutes for event in tick.result.events]
    kept = Reader(record).events(after_id="1-0", limit=5000)
    assert [event.id for event in kept] == [f"1-{seq}" for seq in range(1, len(happened))]
    assert [(event.kind, event.fields) for event in kept] == [(event.kind.value, event.fields) for event in happened[1:]]
