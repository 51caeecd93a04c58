"""Schedules. Every field of every kind of segment is put at, below and above its bounds; several mistakes are told at once.

A mistake names the field as a person writes it, the value, what is allowed with its unit, and what to do.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.commands import Ask
from controller.core.events import Kind as Events
from controller.core.schedule import FIELDS, SEGMENTS_MAX, WRITTEN, Kind, Segment, mistakes, over_ceiling
from tests.core.ready import idle
from tests.core.world import DEMO, LIMITS, US, US_PER_H, changed, cool, ramp, schedule, soak

RIGHT = {Kind.RAMP: ramp(80_000, 20_000), Kind.SOAK: soak(80_000, 1), Kind.COOL: cool(40_000, 20_000)}
EVERY_FIELD = pytest.mark.parametrize(
    ("kind", "field"), [(kind, field) for kind, fields in FIELDS.items() for field in fields],
    ids=lambda one: one.value if isinstance(one, Kind) else one,
)


def with_field(kind: Kind, field: str, value: int) -> Segment:
    """The kind's right segment with one field changed, and time enough for its soak."""
    longest = {"longest_us": 96 * US_PER_H} if field == "soak_us" else {}
    return changed(RIGHT[kind], **{**longest, field: value})


def test_the_demo_schedule_has_no_mistakes():
    assert mistakes(DEMO) == []
    assert over_ceiling(DEMO, LIMITS.ceiling_mc, LIMITS.run_margin_mc) == []


@EVERY_FIELD
def test_a_field_may_be_anything_from_its_lowest_to_its_highest(kind, field):
    bound = FIELDS[kind][field]
    for value in {bound.low, bound.high, (bound.low + bound.high) // 2}:
        segment = with_field(kind, field, value)
        if field == "longest_us" and value < segment.soak_us:
            segment = changed(segment, soak_us=60 * US)
        assert mistakes(schedule(segment)) == []


@EVERY_FIELD
def test_a_field_beyond_its_bounds_is_one_mistake_that_says_what_where_and_how_much(kind, field):
    bound = FIELDS[kind][field]
    for value in (bound.low - 1, bound.high + 1, -(10**15), 10**15):
        segment = with_field(kind, field, value)
        told = [one for one in mistakes(schedule(RIGHT[kind], segment)) if one.field == f"segment 2 {WRITTEN[field]}"]
        assert told, (kind, field, value)
        assert told[0].allowed == bound.words()
        assert bound.unit in told[0].value
        assert told[0].advice.endswith(".")
        assert told[0].field in str(told[0])


def test_every_mistake_is_told_at_once():
    wrong = schedule(
        ramp(500_000, 0), soak(-1, 0.001, 0.0001, band_mc=1), cool(40_000, 10**9, 1000), name="",
    )
    told = [one.field for one in mistakes(wrong)]
    assert told == [
        "name", "segment 1 target_c", "segment 1 rate_c_per_h", "segment 2 target_c", "segment 2 soak_h",
        "segment 2 band_c", "segment 2 longest_h", "segment 2 longest_h", "segment 3 rate_c_per_h", "segment 3 longest_h",
    ]


@pytest.mark.parametrize(("count", "wrong"), [(0, True), (1, False), (SEGMENTS_MAX, False), (SEGMENTS_MAX + 1, True)])
def test_a_schedule_has_one_to_forty_segments(count, wrong):
    told = mistakes(schedule(*[RIGHT[Kind.SOAK]] * count))
    assert [one.field for one in told] == (["segments"] if wrong else [])


@pytest.mark.parametrize(("length", "wrong"), [(0, True), (1, False), (80, False), (81, True)])
def test_a_name_has_one_to_eighty_characters(length, wrong):
    assert bool(mistakes(schedule(RIGHT[Kind.SOAK], name="x" * length))) is wrong


def test_a_soak_that_cannot_be_counted_in_its_longest_time_is_a_mistake():
    told = mistakes(schedule(soak(80_000, 8, longest_h=7)))
    assert [(one.field, one.value, one.allowed) for one in told] == [("segment 1 longest_h", "7 h", "at least soak_h, 8 h")]


@given(st.lists(st.sampled_from([40_000, 122_999, 123_000, 123_001, 200_000]), min_size=1, max_size=6))
def test_every_target_within_the_margin_below_the_ceiling_is_named(targets):
    told = over_ceiling(schedule(*(ramp(target, 20_000) for target in targets)), 130_000, 7_000)
    expected = [f"segment {number} target_c" for number, target in enumerate(targets, 1) if target > 123_000]
    assert [one.field for one in told] == expected
    assert all("123 °C" in one.allowed and "130 °C" in one.advice for one in told)


@pytest.mark.parametrize(("wrong", "code"), [
    (None, "bad_schedule"), (schedule(), "bad_schedule"), (schedule(soak(80_000, 8, 7)), "bad_schedule"),
    (schedule(ramp(124_000, 20_000)), "over_ceiling"),
])
def test_a_start_with_a_wrong_schedule_is_refused_with_its_mistakes_in_words(wrong, code):
    bench = idle()
    answer = bench.ask(Ask.START, schedule=wrong, run_id="1")
    assert (answer.kind, answer.fields["code"]) == (Events.COMMAND_REFUSED, code)
    assert bench.state.pending is None
    if wrong is not None and wrong.segments:
        assert "segment 1" in answer.fields["reason"]


def test_a_schedule_knows_its_hottest_target_and_its_longest_time():
    assert DEMO.hottest_mc == 105_000
    assert DEMO.longest_us == (6 + 12 + 12) * US_PER_H
