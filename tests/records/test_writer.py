"""The writer and what it puts where: rows, events with their numbers, states, runs and their copies."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from controller.core.events import Event, Kind
from controller.core.readings import MISSING, Faulted, Good, Reading, Role, Stale
from controller.records.database import Database
from controller.records.queries import Reader
from controller.records.rows import quality, reading_of
from controller.records.writer import TickRecord, Writer, last_utc_us, next_run
from tests.records.conftest import until, written
from tests.records.scripted import ABOUT, CHAMBER, SHORT, records


def test_every_tick_of_a_run_has_its_row(record: Path) -> None:
    run = Reader(record).known("1")
    rows = list(Reader(record).ticks("1"))
    assert [row.tick for row in rows] == list(range(run.first_tick, (run.last_tick or 0) + 1))
    assert (run.state, run.going, run.cut, run.simulated) == ("complete", False, False, True)


def test_a_row_says_what_the_tick_knew(record: Path, ten_minutes: list[TickRecord]) -> None:
    by_tick = {tick.tick: tick for tick in ten_minutes}
    for row in Reader(record).ticks("1"):
        state = by_tick[row.tick].result.state
        good = [reading.mc for reading in state.readings if isinstance(reading, Good)]
        assert [row.control_mc, row.over_temperature_mc, row.part_mc] == good
        assert row.utc_us == by_tick[row.tick].utc_us and row.seen_e4 == state.trail.achieved_e4
        assert row.state == (state.run.state.value if state.run else None)


def test_every_event_is_there_with_its_number_in_order(record: Path, ten_minutes: list[TickRecord]) -> None:
    happened = [event for tick in ten_minutes for event in tick.result.events]
    kept = Reader(record).events(after_id="1-0", limit=5000)
    assert [event.id for event in kept] == [f"1-{seq}" for seq in range(1, len(happened))]
    assert [(event.kind, event.fields) for event in kept] == [(event.kind.value, event.fields) for event in happened[1:]]


def test_put_says_the_number_that_the_event_will_have(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    writer = Writer(tmp_path / "record.db", 9, ABOUT)
    writer.start()
    noted = writer.note(Event(Kind.CONTROLLER_STARTED, {"version": "0.1.0", "simulated": True, "data": ""}), 5)
    numbers = [writer.put(tick) for tick in ten_minutes[:20] if tick.result.events]
    writer.close()
    kept = Reader(writer.path).events(after_id="9-0", limit=100)
    assert noted == 0 and [f"9-{number}" for number in numbers] == [
        event.id for event, before in zip(kept, [None, *kept], strict=False) if before is None or event.tick != before.tick]
    first = Reader(writer.path).events(limit=100)[0]
    assert (first.id, first.kind, first.tick) == ("9-0", "controller_started", None)


@pytest.mark.parametrize("reading", [
    Good(105_200, 105_000), Good(-40_000, -40_200), Stale(3_100_000), Faulted("wire broken, wire touches earth"), MISSING],
    ids=repr)
def test_every_reading_state_comes_back_from_a_row(reading: Reading) -> None:
    said = quality(CHAMBER, [reading, Good(1, 1), MISSING])
    mc = reading.mc if isinstance(reading, Good) else None
    assert reading_of(CHAMBER, Role.CONTROL, mc, said) == reading
    assert reading_of(CHAMBER, Role.PART, None, said) == MISSING


def test_a_fault_is_no_number_in_the_row_and_its_reason_is_kept(tmp_path: Path) -> None:
    def script(tick: int, board: object) -> tuple[()]:
        board.faults = {1: 1} if tick > 30 else {}
        return ()

    path = written(tmp_path / "record.db", records(40, script=script))
    row = list(Reader(path).ticks("1"))[-1]
    assert row.over_temperature_mc is None and row.control_mc is not None
    assert json.loads(row.quality or "") == {"1": {"faulted": "wire broken"}}
    first = Reader(path).first_out("1")
    assert first is not None and first.fields["guard"] == "sensor_faulted" and Reader(path).known("1").state == "aborted"


def test_a_run_keeps_its_own_copies(record: Path) -> None:
    copies = Reader(record).copies("1")
    assert (copies.schedule, copies.chamber, copies.model, copies.folder) == (SHORT, CHAMBER, None, dict(ABOUT.folder))


def test_a_renewed_folder_never_changes_a_run_that_has_begun(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    for tick in records(30):
        if tick.tick == 20:
            until(lambda: not writer.waiting)
            writer.renew_folder(replace(ABOUT, folder={"chamber.toml": "changed"}))
        writer.put(tick)
    writer.close()
    assert Reader(writer.path).copies("1").folder == dict(ABOUT.folder)


def test_states_are_kept_at_boot_and_before_a_run(record: Path) -> None:
    rows = sqlite3.connect(record).execute("SELECT tick, why FROM states").fetchall()
    assert rows == [(1, "boot"), (Reader(record).known("1").first_tick - 1, "run")]


def test_runs_are_numbered_on_and_boots_too(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    assert next_run(path) == 1
    written(path, records(20, run_id="41"))
    assert next_run(path) == 42
    with contextlib.closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("UPDATE events SET run = '57' WHERE rowid = (SELECT max(rowid) FROM events)")
    assert next_run(path) == 58, "also after a start that came to nothing"
    again = Writer(path, None, ABOUT)
    assert again.boot == 2


def test_the_newest_time_of_a_record_is_that_of_its_last_tick(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    assert last_utc_us(path) == 0
    written(path, records(60))
    rows = list(Reader(path).ticks("1"))
    assert rows[-1].tick == 60 and last_utc_us(path) == rows[-1].utc_us


def test_a_run_that_a_crash_cut_is_closed_by_the_next_start(tmp_path: Path) -> None:
    path = written(tmp_path / "record.db", records(60))
    assert Reader(path).known("1").going
    written(path, ())
    run = Reader(path).known("1")
    assert (run.cut, run.last_tick, run.state) == (True, 60, "aborted") and "without a word" in run.end


def test_nothing_waits_longer_than_fifteen_seconds_of_record_time(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    for tick in ten_minutes[:300]:
        writer.put(tick)
    until(lambda: not writer.waiting)
    until(lambda: list(Reader(writer.path).ticks("1"))[-1].tick >= 300 - 16)
    writer.close()


def test_an_event_is_on_the_disk_at_once(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    first = next(tick for tick in ten_minutes if tick.result.events)
    for tick in ten_minutes[: first.tick]:
        writer.put(tick)
    until(lambda: writer.acknowledged == len(first.result.events) - 1, limit_s=10.0)  # else it would come after 15 s
    assert len(Reader(writer.path).events()) == len(first.result.events)
    writer.close()


def test_only_batches_with_events_pay_for_a_sync(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                 ten_minutes: list[TickRecord]) -> None:
    asked: list[bool] = []
    transaction = Database.transaction
    monkeypatch.setattr(Database, "transaction", lambda self, durable: asked.append(durable) or transaction(self, durable))
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    begun = len(asked)
    for tick in ten_minutes[:300]:
        writer.put(tick)
    until(lambda: not writer.waiting)
    writer.close()
    told = sum(bool(tick.result.events) for tick in ten_minutes[:300])
    commits = asked[begun:-1]
    assert commits.count(True) == told and commits.count(False) >= 300 // 15 - told - 1


def test_the_tick_is_never_held_up_and_what_had_no_room_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                                   ten_minutes: list[TickRecord]) -> None:
    """A disk that hangs: the thread is held inside its write, the queue fills, `put` goes on."""
    monkeypatch.setattr("controller.records.writer.QUEUE_TICKS", 50)
    held, entered = threading.Event(), threading.Event()
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    write = writer._store.write

    def hangs(batch: object) -> None:
        entered.set()
        held.wait()
        write(batch)

    monkeypatch.setattr(writer._store, "write", hangs)
    for tick in ten_minutes[:10]:
        writer.put(tick)
    entered.wait()
    for tick in ten_minutes[10:100]:
        writer.put(tick)
    lost = writer.lost
    assert lost >= 30 and "slow" in writer.failing
    held.set()
    until(lambda: not writer.lost)
    assert writer.close()
    gap = Reader(writer.path).events(kinds=["gap"])
    assert [event.fields["count"] for event in gap] == [lost] and gap[0].fields["to_us"] == ten_minutes[99].utc_us
    assert sqlite3.connect(writer.path).execute("SELECT count(*) FROM ticks").fetchone() == (100 - lost,)


def test_a_write_that_hangs_counts_as_failing_before_anything_is_lost(tmp_path: Path) -> None:
    now = [0.0]
    writer = Writer(tmp_path / "record.db", None, ABOUT, clock=lambda: now[0])
    writer._busy_since_s = 0.0
    assert writer.lost == 0
    now[0] = 12.0
    assert writer.lost == 1 and "12 s" in writer.failing
