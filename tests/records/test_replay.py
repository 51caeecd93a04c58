"""Replay: the same version repeats every frame, event and state; whatever differs, or is missing, is said and where."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from controller.core.state import Inputs, State, Tick
from controller.core.tick import advance
from controller.records import replay as replaying
from controller.records.errors import CannotReplay, NoSuchRun
from controller.records.queries import Reader
from controller.records.replay import replay
from controller.records.writer import TickRecord, Writer
from tests.records.conftest import until, written
from tests.records.scripted import ABOUT, Scripted, records


def test_a_run_repeats_bit_for_bit(record: Path) -> None:
    seen: list[tuple[int, int]] = []
    found = replay(record, "1", lambda done, of: seen.append((done, of)), version=ABOUT.version)
    run = Reader(record).known("1")
    assert (found.differing, found.complete, found.note) == (0, True, "")
    assert found.ticks == (run.last_tick or 0) - run.first_tick + 1
    assert found.version_recorded == found.version_now == ABOUT.version
    assert seen[-1][0] == seen[-1][1] == found.ticks and seen == sorted(seen)


def test_a_run_that_tripped_repeats_too(tmp_path: Path) -> None:
    def script(tick: int, board: Scripted) -> tuple[()]:
        board.faults = {1: 1} if tick > 100 else {}
        return ()

    path = written(tmp_path / "record.db", records(160, script=script))
    found = replay(path, "1")
    assert found.differing == 0 and found.complete and found.ticks > 90


def test_a_version_that_would_drive_otherwise_is_listed_tick_by_tick(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def newer(state: State, inputs: Inputs) -> Tick:
        result = advance(state, inputs)
        frames = tuple(frame._replace(duty_e4=frame.duty_e4 + 1) if type(frame).__name__ == "Drive" and result.state.tick == 99
                       else frame for frame in result.outputs.frames)
        return result._replace(outputs=result.outputs._replace(frames=frames))

    monkeypatch.setattr(replaying, "advance", newer)
    found = replay(record, "1", version="9.9.9")
    (difference,) = found.differences
    assert (difference.tick, difference.what, found.differing, found.version_now) == (99, "frames", 1, "9.9.9")
    assert difference.recorded != difference.now and "duty_e4" in difference.now


def test_a_version_with_another_state_shows_it_though_nothing_left_differs(
        record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replaying, "advance", lambda state, inputs: (
        lambda result: result._replace(state=result.state._replace(record_lost=7)))(advance(state, inputs)))
    found = replay(record, "1")
    assert "state" in {difference.what for difference in found.differences}


def test_a_version_that_would_say_less_is_listed(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replaying, "advance", lambda state, inputs: advance(state, inputs)._replace(events=()))
    found = replay(record, "1")
    assert {difference.what for difference in found.differences} == {"events"}
    assert found.differing == len({event.tick for event in Reader(record).events("1") if (event.tick or 0) >= 7})


def test_a_tampered_event_is_found(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    path = written(tmp_path / "record.db", ten_minutes[:400])
    raw = sqlite3.connect(path)
    raw.execute("UPDATE events SET fields = replace(fields, '26000', '26001') WHERE kind = 'segment'")
    raw.commit()
    raw.close()
    assert {difference.what for difference in replay(path, "1").differences} == {"events"}


def test_missing_ticks_are_said_and_replay_goes_on_after_them(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    path = written(tmp_path / "record.db", (tick for tick in ten_minutes if not 150 < tick.tick < 200))
    found = replay(path, "1")
    (difference,) = found.differences
    assert difference.what == "missing" and "ticks 151 to" in difference.recorded
    assert found.complete and found.ticks > 380


def test_a_run_that_still_goes_on_is_replayed_to_its_last_whole_block(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    for tick in ten_minutes[:200]:
        writer.put(tick)
    until(lambda: list(Reader(writer.path).ticks("1"))[-1:][0].tick > 180 if Reader(writer.path).run("1") else False)
    found = replay(writer.path, "1")
    writer.close()
    assert found.differing == 0 and not found.complete and "still goes on" in found.note and 120 < found.ticks < 200


def test_a_run_cut_by_a_crash_is_replayed_to_its_last_whole_block(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    path = written(tmp_path / "record.db", ten_minutes[:200])
    raw = sqlite3.connect(path)
    raw.execute("DELETE FROM blocks WHERE id = (SELECT max(id) FROM blocks)")  # as a kill before its commit leaves it
    raw.commit()
    raw.close()
    written(path, ())
    found = replay(path, "1")
    assert found.differing == 0 and not found.complete and "was cut: it ends at tick" in found.note


def test_a_record_without_a_state_cannot_be_replayed(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    path = written(tmp_path / "record.db", ten_minutes[:100])
    for damage, words in (("UPDATE states SET data = x'00'", "cannot be read"), ("DELETE FROM states", "no stored state")):
        raw = sqlite3.connect(path)
        raw.execute(damage)
        raw.commit()
        raw.close()
        with pytest.raises(CannotReplay, match=words):
            replay(path, "1")


def test_a_damaged_block_is_named(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    path = written(tmp_path / "record.db", ten_minutes[:100])
    raw = sqlite3.connect(path)
    raw.execute("UPDATE blocks SET data = x'0102' WHERE first_tick = 39")
    raw.commit()
    raw.close()
    with pytest.raises(CannotReplay, match="block at tick 39"):
        replay(path, "1")


def test_a_run_that_is_not_there_is_named(record: Path) -> None:
    with pytest.raises(NoSuchRun, match="'5'"):
        replay(record, "5")
