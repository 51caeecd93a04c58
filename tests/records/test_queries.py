"""Questions: curves that lose no spike, lists, pages, limits, and what is said of a run that still goes on."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.commands import Ask, Command, PersonRole
from controller.core.guards import GUARDS
from controller.records import curves
from controller.records.curves import Pieces
from controller.records.errors import NoSuchRun, ReadTooLong
from controller.records.queries import Reader, event_key
from controller.records.rollups import Rollup, Sample
from controller.records.schema import CURVE_COLUMNS, key
from controller.records.writer import Writer
from tests.records.conftest import until, written
from tests.records.scripted import ABOUT, S1, SHORT, Scripted, records

SPIKE_AT = 333


def spike(tick: int, board: Scripted) -> tuple[()]:
    """One second of a reading far too high in an hour."""
    board.air += 8.0 if tick == SPIKE_AT else -8.0 if tick == SPIKE_AT + 1 else 0.0
    return ()


@pytest.fixture(scope="module")
def spiked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("spiked") / "record.db", records(600, script=spike, reports=1))


@pytest.mark.parametrize("points", [1, 2, 3, 7, 10, 40, 50, 100, 400, 1000])
def test_a_spike_is_in_the_curve_at_any_thinning(spiked: Path, points: int) -> None:
    reader = Reader(spiked)
    rows = list(reader.ticks("1"))
    curve = reader.curve("1", points)
    assert len(curve.utc_us) <= max(points * 1.1, 1) + 2
    for name in CURVE_COLUMNS:
        known = [value for row in rows if (value := getattr(row, name)) is not None]
        assert max(value for value in curve.columns[name].max if value is not None) == max(known)
        assert min(value for value in curve.columns[name].min if value is not None) == min(known)


@pytest.mark.parametrize(("begin_s", "end_s"), [(0, 50), (100, 101), (327, 334), (50, 400), (-100, 9_000)])
def test_a_part_of_a_run_is_that_part(spiked: Path, begin_s: int, end_s: int) -> None:
    reader = Reader(spiked)
    run = reader.known("1")
    begin_us, end_us = run.started_utc_us + begin_s * S1, run.started_utc_us + end_s * S1
    rows = [row for row in reader.ticks("1") if begin_us <= row.utc_us <= end_us]
    curve = reader.curve("1", 1000, begin_us, end_us)
    assert curve.utc_us == [row.utc_us for row in rows]
    assert curve.columns["control_mc"].max == [row.control_mc for row in rows]


def test_a_run_that_goes_on_is_drawn_to_its_newest_row(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    for tick in records(215):
        writer.put(tick)
    reader = Reader(writer.path)
    until(lambda: reader.run("1") and list(reader.ticks("1"))[-1].tick > 195)
    newest = list(reader.ticks("1"))[-1]
    assert (reader.known("1").going, reader.known("1").state) == (True, "running")
    for points in (3, 20, 1000):
        curve = reader.curve("1", points)
        assert curve.columns["control_mc"].min[-1] is not None
        assert newest.utc_us - curve.utc_us[-1] < curve.span_us + S1
    writer.close()


def test_a_gap_is_a_gap_in_the_curve_at_any_thinning(tmp_path: Path) -> None:
    path = written(tmp_path / "record.db", (tick for tick in records(400) if not 200 < tick.tick < 260))
    times = {row.tick: row.utc_us for row in Reader(path).ticks("1")}
    for points in (3, 30, 1000):
        assert Reader(path).curve("1", points).gaps == [(times[200], times[260])]


SAMPLES = st.lists(st.tuples(st.integers(1, 9_000_000), st.none() | st.integers(-99_999, 999_999)), min_size=1, max_size=150)


@given(SAMPLES, st.sampled_from([10, 60]))
def test_buckets_hold_every_row_once_with_its_least_and_most(drawn: list[tuple[int, int | None]], span_s: int) -> None:
    rollup, rows, mono_us = Rollup(span_s), [], 0
    for number, (step_us, value) in enumerate(drawn, 1):
        mono_us += step_us
        gap_us = step_us if step_us > 2_500_000 else 0
        row = rollup.add(Sample(key(1, number), mono_us, mono_us, gap_us, (value,) * len(CURVE_COLUMNS)))
        rows += [row] if row else []
    rows += [row] if (row := rollup.flush()) else []
    assert rollup.flush() is None
    assert sum(row["ticks"] for row in rows) == len(drawn)
    at = 0
    for row in rows:
        values = [value for _, value in drawn[at : at + row["ticks"]] if value is not None]
        assert (row["min_part_mc"], row["max_part_mc"]) == (min(values, default=None), max(values, default=None))
        assert row["mean_part_mc"] is None or abs(row["mean_part_mc"] - sum(values) / len(values)) <= 0.5
        assert row["last_utc_us"] - row["first_utc_us"] < span_s * S1 and row["id"] == key(1, at + 1)
        at += row["ticks"]


@given(st.lists(st.tuples(st.none() | st.integers(-5, 5), st.booleans()), max_size=60), st.integers(1, 9))
def test_joining_loses_neither_values_nor_gaps(drawn: list[tuple[int | None, bool]], count: int) -> None:
    values, times = [value for value, _ in drawn], [number * S1 for number in range(len(drawn))]
    gap_us = [5 * S1 if gap else 0 for _, gap in drawn]
    pieces = Pieces(times, times, gap_us, [values] * 6, [values] * 6)
    split = len(drawn) // 3
    halves = [Pieces(times[part], times[part], gap_us[part], [values[part]] * 6, [values[part]] * 6)
              for part in (slice(split), slice(split, None))]
    joined = curves.join(halves[0].then(halves[1]), count)
    assert joined == curves.join(pieces, count), "two parts are as good as the whole"
    assert {len(column) for column in (*joined[:3], *joined.least, *joined.most)} == {len(joined.gap_us)}
    assert len(curves.curve("1", S1, joined).gaps) == sum(map(bool, gap_us[1:]))
    known = [value for value in values if value is not None]
    assert max((most for most in joined.most[0] if most is not None), default=None) == max(known, default=None)
    assert min((least for least in joined.least[5] if least is not None), default=None) == min(known, default=None)


@pytest.mark.parametrize(("hours", "source_s", "pairs"), [
    (0.1, 1, 360), (2.0, 10, 720), (15.6, 60, 936), (16.0, 60, 960), (100.0, 60, 1000)])
def test_about_a_thousand_pairs_from_the_fewest_rows(hours: float, source_s: int, pairs: int) -> None:
    source, count = curves.choose(int(hours * 3_600 * S1), 1000)
    assert source == source_s and hours * 3_600 / source / count == pytest.approx(pairs, rel=0.06)


def test_runs_are_listed_newest_first_a_page_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    for number in range(1, 6):
        written(path, records(12, run_id=str(number)))
    reader = Reader(path)
    assert [run.id for run in reader.runs(limit=2)] == ["5", "4"]
    assert [run.id for run in reader.runs(before="4")] == ["3", "2", "1"]
    assert [run.boot for run in reader.runs()] == [5, 4, 3, 2, 1]


def test_segments_say_how_it_really_went(record: Path) -> None:
    ramp, soak = Reader(record).segments("1")
    run = Reader(record).known("1")
    assert (ramp.kind, soak.kind, soak.target_mc) == ("ramp", "soak", 26_000)
    assert ramp.began_utc_us == run.started_utc_us and ramp.ended_utc_us == soak.began_utc_us
    rows = list(Reader(record).ticks("1"))
    for done in (ramp, soak):
        inside = [row for row in rows if done.began_utc_us <= row.utc_us and (done is soak or row.utc_us < soak.began_utc_us)]
        air, part = (done.air_min_mc, done.air_max_mc), (done.part_min_mc, done.part_max_mc)
        for what, told in (("control_mc", air), ("part_mc", part)):
            values = [getattr(row, what) for row in inside if getattr(row, what) is not None]
            assert told == (min(values), max(values))
    assert soak.ended_utc_us == run.ended_utc_us and 119 * S1 < soak.counted_us < 123 * S1 and ramp.counted_us == 0


def test_time_in_band_is_counted_from_the_rows_for_air_and_part_apart(record: Path) -> None:
    reader, soak = Reader(record), SHORT.segments[1]
    ramp, done = reader.segments("1")
    rows = [row for row in reader.ticks("1") if row.utc_us >= done.began_utc_us]
    for name, told in (("control_mc", done.air_in_band_us), ("part_mc", done.part_in_band_us)):
        values = [getattr(row, name) for row in rows]
        inside = sum(value is not None and abs(value - soak.target_mc) <= soak.band_mc for value in values)
        assert told is not None and abs(told - inside * S1) <= 2 * S1, name
    assert (ramp.air_in_band_us, ramp.part_in_band_us) == (None, None)


def test_a_gap_in_the_record_counts_for_no_time_in_band(tmp_path: Path) -> None:
    ramp, soak = SHORT.segments
    schedule = replace(SHORT, segments=(ramp, replace(soak, soak_us=300 * S1)))
    ticks = list(records(700, schedule))
    kept = [tick for tick in ticks if not 400 <= tick.result.state.tick < 500]
    written(tmp_path / "all.db", ticks)
    written(tmp_path / "gap.db", kept)
    whole, less = (Reader(tmp_path / name).segments("1")[1].air_in_band_us for name in ("all.db", "gap.db"))
    assert 97 * S1 <= whole - less <= 101 * S1


@pytest.mark.parametrize(("end", "last"), [
    (Ask.COOL_DOWN, (None, "cool_down", 40_000)), (Ask.STOP_HEATING, (1, "soak", 26_000))])
def test_only_the_soak_clock_counts_not_a_hold_nor_what_follows_an_early_end(tmp_path: Path, end: Ask, last: tuple) -> None:
    ramp, soak = SHORT.segments
    schedule = replace(SHORT, segments=(ramp, replace(soak, soak_us=3_000 * S1)))
    asks = {450: Ask.HOLD, 600: Ask.RESTART, 750: end}

    def script(tick: int, board: Scripted) -> tuple[Command, ...]:
        return (Command(asks[tick], "tester", PersonRole.MAINTAINER, f"ref-{tick}"),) if tick in asks else ()

    ticks = list(records(800, schedule, script=script))
    counted_us = max(tick.result.state.run.treatment.counted_us for tick in ticks if tick.result.state.run)
    written(tmp_path / "record.db", ticks)
    done = Reader(tmp_path / "record.db").segments("1")
    assert 200 * S1 < counted_us < 350 * S1 and done[1].counted_us == counted_us
    assert (done[-1].segment, done[-1].kind, done[-1].target_mc) == last
    assert all(one.ended_utc_us == after.began_utc_us for one, after in pairwise(done))


def test_a_soak_that_goes_on_has_counted_up_to_the_newest_tick(tmp_path: Path) -> None:
    ramp, soak = SHORT.segments
    schedule = replace(SHORT, segments=(ramp, replace(soak, soak_us=3_000 * S1)))
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    ticks = list(records(700, schedule))
    for tick in ticks:
        writer.put(tick)
    until(lambda: writer.waiting == 0 and len(Reader(writer.path).runs()) == 1 and newest_tick(writer.path) >= 690)
    counted_us = Reader(writer.path).segments("1")[-1].counted_us
    by_tick = {tick.result.state.tick: tick.result.state.run for tick in ticks}
    newest = by_tick[newest_tick(writer.path)]
    writer.close()
    assert newest is not None and newest.treatment.counted_us > 200 * S1
    assert abs(counted_us - newest.treatment.counted_us) <= 2 * S1


def newest_tick(path: Path) -> int:
    return max((tick.tick for tick in Reader(path).ticks("1")), default=0)


def test_events_can_be_followed_without_losing_or_repeating_one(record: Path) -> None:
    reader = Reader(record)
    every = reader.events(limit=5_000)
    followed, after = [], "1-0"
    while page := reader.events(after_id=after, limit=3):
        followed += page
        after = page[-1].id
    assert every[0].id == "1-0" and followed == every[1:]
    assert reader.events(limit=2) == every[-2:]
    assert {event.kind for event in reader.events("1", kinds=["segment", "run_state"])} == {"segment", "run_state"}


@pytest.mark.parametrize("text", ["", "1", "1-", "-1", "a-b", "1-2-3", "1-4294967296", "²-1", "1-2 ", "1--2"])
def test_an_event_id_is_two_numbers(text: str) -> None:
    with pytest.raises(ValueError, match="<boot>-<seq>"):
        event_key(text)


def test_the_first_trip_of_a_run_is_found(tmp_path: Path) -> None:
    def script(tick: int, board: Scripted) -> tuple[()]:
        board.faults = {0: 1, 1: 1} if tick > 100 else {}
        return ()

    path = written(tmp_path / "record.db", records(130, script=script))
    first = Reader(path).first_out("1")
    assert first is not None and first.fields["guard"] in {guard.id for guard in GUARDS}
    assert Reader(path).known("1").state == "aborted"


def test_no_trip_is_none(record: Path) -> None:
    assert Reader(record).first_out("1") is None


@pytest.mark.parametrize("ask", ["known", "copies", "curve", "segments"])
def test_a_run_that_is_not_there_is_named(record: Path, ask: str) -> None:
    with pytest.raises(NoSuchRun, match="'77'"):
        getattr(Reader(record), ask)("77")


def test_a_question_that_takes_too_long_is_cut(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.records.reading.LOOK_EVERY", 1)
    with pytest.raises(ReadTooLong, match="took longer than -1 s; ask for less"):
        Reader(record, limit_s=-1).runs()


def test_the_last_start_is_told(record: Path) -> None:
    boot = Reader(record).last_boot()
    assert boot is not None and (boot["boot"], boot["version"], boot["board"]) == (1, ABOUT.version, ABOUT.board)
    assert boot["ended_utc_us"] >= boot["started_utc_us"]
