"""Schedules as people write them: read, refused with every mistake at once, written back, drawn as a curve."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.schedule import FIELDS, US_PER_H, Kind, Of, Resume, Schedule, Segment
from controller.planning.schedule_file import (
    TEXT_MAX_BYTES,
    BadSchedule,
    parse,
    parse_with_note,
    plan,
    plan_from,
    text,
    write,
)

TRADE: dict[str, Any] = {
    "format": "soakwarden-schedule-1", "name": "ASA 105 slow", "temperature_of": "part", "resume": "never", "note": "n",
    "segments": [
        {"kind": "ramp", "target_c": 105, "rate_c_per_h": 20, "band_c": 2, "longest_h": 6},
        {"kind": "soak", "target_c": 105, "soak_h": 8, "band_c": 2, "longest_h": 12},
        {"kind": "cool", "target_c": 40, "rate_c_per_h": 20, "band_c": 2, "longest_h": 10},
    ],
}


def changed(number: int | None = None, **fields: Any) -> dict[str, Any]:
    """The trade's schedule with some fields replaced (None removes one), on top or in one segment."""
    data: dict[str, Any] = json.loads(json.dumps(TRADE))
    where = data if number is None else data["segments"][number]
    for key, value in fields.items():
        where[key] = value
        if value is None:
            del where[key]
    return data


def found(source: Any) -> dict[str, str]:
    with pytest.raises(BadSchedule) as caught:
        parse(source)
    return {mistake.field: mistake.value for mistake in caught.value.mistakes}


def drawn_segment(kind: Kind) -> st.SearchStrategy[Segment]:
    numbers = {field: st.integers(bound.low, bound.high) for field, bound in FIELDS[kind].items()}
    return st.builds(Segment, kind=st.just(kind), **numbers).filter(lambda one: one.longest_us >= one.soak_us)


SCHEDULES = st.builds(
    Schedule, name=st.text(st.characters(categories=["L", "N", "P"]), min_size=1, max_size=80), of=st.sampled_from(Of),
    resume=st.sampled_from(Resume),
    segments=st.lists(st.sampled_from(Kind).flatmap(drawn_segment), min_size=1, max_size=6).map(tuple))


def test_people_units_become_integers():
    schedule = parse(TRADE)
    assert schedule.segments[0] == Segment(Kind.RAMP, 105_000, 20_000, 0, 2_000, 6 * US_PER_H)
    assert schedule.segments[1].soak_us == 8 * US_PER_H
    assert (schedule.of, schedule.resume) == (Of.PART, Resume.NEVER)


@given(SCHEDULES, st.text(st.characters(categories=["L", "N"]), max_size=50))
def test_whatever_may_be_written_is_read_back_the_same(schedule, note):
    assert parse_with_note(write(schedule, note)) == (schedule, note)
    assert parse_with_note(text(schedule, note)) == (schedule, note)


def test_the_text_file_has_a_line_a_segment():
    lines = text(parse(TRADE)).splitlines()
    assert [line for line in lines if '"kind"' in line] == [
        '    {"kind": "ramp", "target_c": 105, "rate_c_per_h": 20, "band_c": 2, "longest_h": 6},',
        '    {"kind": "soak", "target_c": 105, "soak_h": 8, "band_c": 2, "longest_h": 12},',
        '    {"kind": "cool", "target_c": 40, "rate_c_per_h": 20, "band_c": 2, "longest_h": 10}']


@pytest.mark.parametrize("source", ["1" * 10_000, '{"format": %s}' % ("7" * 10_000)], ids=["alone", "in a field"])
def test_a_number_of_thousands_of_digits_is_a_mistake_like_any_other(source):
    assert list(found(source)) == ["the whole text"]


@pytest.mark.parametrize(("source", "field"), [
    (changed(name=""), "name"), (changed(name="x" * 81), "name"), (changed(name="a\nb"), "name"), (changed(name=7), "name"),
    (changed(format="other"), "format"), (changed(format=None), "format"), (changed(temperature_of="mood"), "temperature_of"),
    (changed(resume=True), "resume"), (changed(note=["x"]), "note"), (changed(segments=[]), "segments"),
    (changed(segments=None), "segments"), (changed(segments="x"), "segments"), (changed(extra=1), "extra"),
    (changed(segments=[5]), "segment 1"), (changed(segments=TRADE["segments"] * 14), "segments"),
    (changed(0, kind="fly"), "segment 1 kind"), (changed(0, kind=["ramp"]), "segment 1 kind"),
    (changed(0, target_c=None), "segment 1 target_c"), (changed(0, target_c="105"), "segment 1 target_c"),
    (changed(0, target_c=True), "segment 1 target_c"), (changed(0, target_c=float("nan")), "segment 1 target_c"),
    (changed(0, target_c=1e308), "segment 1 target_c"), (changed(0, target_c=10**4000), "segment 1 target_c"),
    (changed(0, target_c=401), "segment 1 target_c"),
    (changed(0, target_c=-1), "segment 1 target_c"), (changed(0, rate_c_per_h=0), "segment 1 rate_c_per_h"),
    (changed(1, rate_c_per_h=5), "segment 2 rate_c_per_h"), (changed(1, soak_h=0), "segment 2 soak_h"),
    (changed(1, soak_h=73, longest_h=80), "segment 2 soak_h"), (changed(1, longest_h=7), "segment 2 longest_h"),
    (changed(2, band_c=0.05), "segment 3 band_c"), (changed(2, target=40), "segment 3 target"),
], ids=str)
def test_one_mistake_is_named_by_its_field_and_nothing_else_is(source, field):
    assert list(found(source)) == [field]


def test_all_mistakes_are_told_at_once():
    data = changed(0, target_c="hot", rate_c_per_h=999)
    data["segments"][1]["longest_h"] = 1
    data["segments"][2]["kind"] = "fly"
    data["name"] = ""
    assert set(found(data)) == {"segment 1 target_c", "segment 1 rate_c_per_h", "segment 2 longest_h", "segment 3 kind", "name"}


def test_a_mistake_names_value_limit_unit_and_advice():
    with pytest.raises(BadSchedule) as caught:
        parse(changed(0, target_c=500))
    words = str(caught.value)
    assert "500 °C" in words and "0 to 400 °C" in words and "Change it" in words


@pytest.mark.parametrize("source", [
    "", "{", "[]", "7", "null", '{"name": NaN}', '{"a": 1, "a": 2}', "[" * 50_000,
    "x" * (TEXT_MAX_BYTES + 1), '{"name": "\\ud800"}',
], ids=lambda source: source[:12])
def test_what_is_no_schedule_text_is_refused_in_words(source):
    assert found(source)


@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.integers(),
                    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
                        st.sampled_from([*TRADE, "kind", "target_c", "x"]), inner, max_size=4), max_leaves=12))
def test_nothing_but_a_refusal_comes_of_anything_else(data):
    with pytest.raises(BadSchedule) as caught:
        parse(data)
    assert caught.value.mistakes


def test_the_curve_of_the_trade_is_what_a_hand_calculation_gives():
    # 82 °C at 20 °C/h is 4.1 h, 8 h held, 65 °C at 20 °C/h is 3.25 h.
    assert plan(parse(TRADE), 23_000) == [
        (0, 23_000), (41 * US_PER_H // 10, 105_000), (121 * US_PER_H // 10, 105_000), (1_535 * US_PER_H // 100, 40_000)]


def test_the_rest_of_a_soak_counts_what_is_behind_it():
    rest = plan_from(parse(TRADE), 5 * US_PER_H, 1, 105_000, 3 * US_PER_H)
    assert rest[:2] == [(5 * US_PER_H, 105_000), (10 * US_PER_H, 105_000)]


def test_cooling_never_rises():
    assert plan(parse(changed(segments=[TRADE["segments"][2]])), 20_000) == [(0, 20_000)]


@given(SCHEDULES, st.integers(0, 60_000))
def test_a_curve_never_goes_back_in_time_and_ends_at_a_target_or_where_it_was(schedule, from_mc):
    points = plan(schedule, from_mc)
    assert all(before[0] <= after[0] for before, after in pairwise(points))
    assert points[-1][1] in {from_mc, *(segment.target_mc for segment in schedule.segments)}


def test_a_nan_in_the_text_is_told_with_its_segment_and_field():
    source = json.dumps(TRADE).replace('"target_c": 105', '"target_c": NaN', 1)
    assert "NaN" in source
    with pytest.raises(BadSchedule) as caught:
        parse(source)
    (mistake,) = caught.value.mistakes
    assert mistake.field == "segment 1 target_c" and "nan" in mistake.value.lower()
