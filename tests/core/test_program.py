"""Programs. Set points against exact fractions over sixteen hours, soak clocks against a count of seconds in band.

Everything goes through `step` with views a table or hypothesis writes; time comes in pieces of any length.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.program import (
    DONE,
    TRIM_MAX_MC,
    TRIM_TIME_US,
    CoolDown,
    Going,
    Treatment,
    View,
    cooling_of,
    counts_mc,
    step,
)
from controller.core.schedule import Of
from tests.core.world import DEMO, US, US_PER_H, cool, ramp, schedule, soak

STEPS_US = st.lists(st.integers(1, 90 * US), min_size=1, max_size=40)


def see(dt_us: int = US, control: int | None = 60_000, part: int | None = None, held: bool = False) -> View:
    return View(dt_us, control, part, held)


def at(program: Treatment, mc: int) -> Treatment:
    return program._replace(setpoint_mc=mc)


@pytest.mark.parametrize("rate", [1_000, 7_001, 20_000, 33_333, 300_000])
@pytest.mark.parametrize("dt_us", [US, 250_000, 999_983, 3 * US])
def test_a_slope_is_exact_over_sixteen_hours_whatever_a_tick_lasts(rate, dt_us):
    program = at(Treatment(schedule(ramp(10**9, rate, longest_h=96))), 20_000)
    ticks = 16 * US_PER_H // dt_us // 8  # every eighth of the ticks, eight times as long: the arithmetic is the same
    for _ in range(ticks):
        program = step(program, see(8 * dt_us)).program
    assert program.setpoint_mc == 20_000 + Fraction(rate * ticks * 8 * dt_us, US_PER_H).__floor__()


@given(STEPS_US, st.sampled_from([20_000, 33_333, 299_999]), st.booleans())
def test_a_slope_is_exact_however_time_is_cut(steps, rate, rising):
    target = 400_000 if rising else 0
    program = at(Treatment(schedule(ramp(target, rate, longest_h=96))), 200_000)
    for dt_us in steps:
        asked = step(program, see(dt_us))
        program = asked.program
        assert asked.request.slope_mc_per_h == (rate if rising else -rate)
    moved = Fraction(rate * sum(steps), US_PER_H).__floor__()
    assert program.setpoint_mc == 200_000 + (moved if rising else -moved)


def test_a_ramp_begins_at_the_air_and_ends_with_its_set_point_whatever_the_air_does():
    program = Treatment(schedule(ramp(61_000, 60_000), soak(61_000, 1)))
    asked = step(program, see(control=60_000))
    assert asked.request.mc == 60_016
    program = asked.program
    for _ in range(58):
        program = step(program, see(control=20_000)).program
    assert program.segment == 0
    last = step(program, see(control=20_000))
    assert (last.request.mc, last.request.slope_mc_per_h) == (61_000, 0)
    assert last.program.segment == 1


def test_nothing_is_asked_before_the_first_good_reading():
    for program in (Treatment(DEMO), cooling_of(DEMO)):
        asked = step(program, see(control=None))
        assert asked.request is None
        assert asked.verdict.going is Going.GOING
        assert step(asked.program, see(control=30_000)).request.mc <= 30_006


SOAK = at(Treatment(schedule(soak(60_000, 1, longest_h=2))), 60_000)


@given(st.lists(st.tuples(st.sampled_from([57_999, 58_000, 60_000, 62_000, 62_001, None]), st.integers(1, 60 * US)),
                max_size=30))
def test_the_soak_clock_counts_only_time_in_band(views):
    program, expected = SOAK, 0
    for control, dt_us in views:
        asked = step(program, see(dt_us, control))
        program = asked.program
        in_band = control is not None and 58_000 <= control <= 62_000
        expected += dt_us if in_band else 0
        assert program.counting is in_band
    assert program.counted_us == expected
    assert program.segment_us == sum(dt_us for _, dt_us in views)


def test_a_soak_ends_when_its_time_is_counted_and_not_a_tick_sooner():
    program = SOAK
    for _ in range(3_599):
        asked = step(program, see())
        program = asked.program
        assert asked.verdict.going is Going.GOING
    assert step(program, see()).verdict == DONE


def test_a_soak_waits_outside_its_band_until_its_longest_time_and_then_fails_in_words():
    program = SOAK
    for _ in range(2 * 3_600 - 1):
        asked = step(program, see(control=50_000))
        assert asked.verdict.going is Going.GOING
        program = asked.program
    last = step(program, see(control=50_000))
    assert last.verdict.going is Going.FAILED
    assert last.verdict.reason == "Segment 1 (soak) took longer than its 2 h."
    assert last.request is None


@pytest.mark.parametrize(("of", "control", "part", "counts"), [
    (Of.PART, 60_000, 55_000, 55_000), (Of.PART, 60_000, None, 60_000), (Of.PART, None, 55_000, 55_000),
    (Of.AIR, 60_000, 55_000, 60_000), (Of.AIR, None, 55_000, None), (Of.PART, None, None, None),
])
def test_the_part_counts_where_the_schedule_means_it_and_a_sensor_says_it(of, control, part, counts):
    assert counts_mc(of, see(control=control, part=part)) == counts


@pytest.mark.parametrize(("control", "ends"), [(40_001, False), (40_000, True), (39_000, True), (None, False)])
def test_cooling_ends_when_it_is_measured_not_when_the_set_point_is_there(control, ends):
    program = at(Treatment(schedule(cool(40_000, 300_000))), 40_000)
    asked = step(program, see(control=control))
    assert (asked.verdict == DONE) is ends
    assert asked.request.mc <= 40_000


@pytest.mark.parametrize("program", [
    at(Treatment(schedule(cool(40_000, 20_000))), 41_000), CoolDown(40_000, 20_000, 9 * US_PER_H, Of.AIR, 41_000),
], ids=["a segment", "cooling down"])
def test_cooling_goes_on_past_its_target_and_rests_five_degrees_below(program):
    """So that no heat holds the air up just above the target, where its end would wait for hours."""
    for _ in range(30 * 60):
        asked = step(program, see(control=40_001))
        program = asked.program
        assert asked.verdict.going is Going.GOING
    assert asked.request == (35_000, 0)


@given(st.integers(20_000, 120_000), STEPS_US)
def test_a_set_point_never_rises_in_cooling(begin, steps):
    for program in (at(Treatment(schedule(cool(60_000, 20_000))), begin), CoolDown(60_000, 20_000, US_PER_H, Of.AIR, begin)):
        before = begin
        for dt_us in steps:
            asked = step(program, see(dt_us, control=119_000))
            if asked.verdict.going is not Going.GOING:
                break
            program = asked.program
            assert asked.request.mc <= before
            assert asked.request.mc >= min(begin, 55_000)
            assert asked.request.slope_mc_per_h in (0, -20_000)
            before = asked.request.mc


@pytest.mark.parametrize("segment", [ramp(105_000, 20_000), soak(60_000, 1), cool(40_000, 20_000)], ids=lambda one: one.kind)
def test_a_hold_freezes_the_set_point_and_the_soak_clock_and_its_time_counts_toward_the_longest(segment):
    program = at(Treatment(schedule(segment)), 60_000)
    for _ in range(100):
        program = step(program, see()).program
    held = program
    for _ in range(1_000):
        asked = step(held, see(held=True))
        assert asked.request == (program.setpoint_mc + program.trim_mc, 0)
        held = asked.program
    assert (held.setpoint_mc, held.remainder, held.counted_us) == (program.setpoint_mc, program.remainder, program.counted_us)
    assert held.segment_us == program.segment_us + 1_000 * US
    assert not held.counting


def test_a_hold_longer_than_the_segment_may_take_fails_it_when_it_goes_on():
    program = step(SOAK, see(2 * US_PER_H, held=True)).program
    assert step(SOAK, see(2 * US_PER_H, held=True)).verdict.going is Going.GOING
    assert step(program, see()).verdict.going is Going.FAILED


def test_a_part_one_degree_low_asks_for_one_degree_more_air_in_an_hour():
    program = at(Treatment(schedule(soak(60_000, 40, 60), of=Of.PART)), 60_000)
    for _ in range(3_600):
        program = step(program, see(part=59_000)).program
    assert program.trim_mc == 1_000
    assert TRIM_TIME_US == US_PER_H


@given(st.lists(st.integers(58_000, 62_000), min_size=1, max_size=20), st.integers(1, 4 * US_PER_H))
def test_the_trim_never_passes_three_degrees_either_way(parts, dt_us):
    program = at(Treatment(schedule(soak(60_000, 72, 96), of=Of.PART)), 60_000)
    for part in parts:
        asked = step(program, see(min(dt_us, US_PER_H), part=part))
        if asked.verdict.going is not Going.GOING:
            break
        program = asked.program
        assert abs(program.trim_mc) <= TRIM_MAX_MC
        assert asked.request.mc == 60_000 + program.trim_mc


@pytest.mark.parametrize(("part", "trim"), [(58_000, TRIM_MAX_MC), (62_000, -TRIM_MAX_MC)])
def test_a_part_that_stays_off_by_two_degrees_gets_three_and_no_more(part, trim):
    program = at(Treatment(schedule(soak(60_000, 40, 60), of=Of.PART)), 60_000)
    for _ in range(10 * 60):
        program = step(program, see(60 * US, part=part)).program
    assert program.trim_mc == trim
    assert step(program, see(part=part)).request.mc == 60_000 + trim


@pytest.mark.parametrize(("of", "part"), [(Of.AIR, 59_000), (Of.PART, None), (Of.PART, 57_000)])
def test_there_is_no_trim_for_air_without_a_part_sensor_or_out_of_band(of, part):
    program = at(Treatment(schedule(soak(60_000, 40, 60), of=of)), 60_000)
    for _ in range(3_600):
        program = step(program, see(part=part)).program
    assert program.trim_mc == 0


def test_a_segment_hands_over_a_clean_slate():
    program = at(Treatment(schedule(soak(60_000, 1 / 60, 1), soak(61_000, 1))), 60_000)
    while program.segment == 0:
        program = step(program, see(part=59_000)).program
    assert (program.segment_us, program.counted_us, program.counting, program.trim_mc, program.remainder) == (0, 0, False, 0, 0)


def test_cooling_down_follows_the_schedules_last_cooling_or_the_trades_slow_default():
    """20 °C/h to 40 °C where the schedule has none: common practice, no source."""
    two = schedule(cool(90_000, 50_000), soak(90_000, 1), cool(45_000, 12_000, 9))
    assert cooling_of(two) == CoolDown(45_000, 12_000, 9 * US_PER_H, Of.PART)
    assert cooling_of(schedule(soak(90_000, 1)))[:3] == (40_000, 20_000, 12 * US_PER_H)


def test_cooling_down_ends_when_it_is_cool_or_has_taken_its_longest():
    down = CoolDown(40_000, 20_000, 10 * US, Of.AIR)
    assert step(down, see(control=40_000)).verdict == DONE
    for second in range(1, 11):
        asked = step(down, see(control=90_000))
        down = asked.program
        assert (asked.verdict == DONE) is (second == 10)


def test_a_moved_set_point_is_what_replacing_its_fields_gives():
    program = at(Treatment(schedule(ramp(61_000, 60_000), soak(61_000, 1)), 1, 2, 3, 4, 5, True, 6, True, 7, 8), 9)
    assert program.moved(10, 11, 12) == program._replace(segment_us=10, setpoint_mc=11, remainder=12)
    assert type(program.moved(10, 11, 12)) is Treatment
