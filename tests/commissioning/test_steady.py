"""A sensor in a bath: steady, moving, jumping, or not in it at all. Readings are made here, a second apart."""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning import steady
from controller.commissioning.steady import READINGS_MAX, State, Steady

S = 1_000_000
ROOM_MC = 24_000


def fed(values, bath_mc=0, every_us=S, room_mc=ROOM_MC, step_mc=250):
    watch, seen = Steady(bath_mc, step_mc), None
    for number, raw_mc in enumerate(values):
        seen = watch.feed(number * every_us, round(raw_mc), room_mc)
    return watch, seen


def noisy(count, level_mc=300, noise_mc=120, slope_mc_per_s=0.0, seed=1):
    random = Random(seed)
    return [250 * round((level_mc + slope_mc_per_s * s + random.gauss(0, noise_mc)) / 250) for s in range(count)]


@pytest.mark.parametrize(("values", "state"), [
    (noisy(40), State.WAITING),
    (noisy(120), State.STEADY),
    ([250] * 120, State.STEADY),
    (noisy(120, slope_mc_per_s=15), State.DRIFTING),
    (noisy(120, slope_mc_per_s=-15), State.DRIFTING),
    (noisy(120, noise_mc=900), State.RESTLESS),
    (noisy(120, level_mc=23_000), State.ELSEWHERE),
    (noisy(120, level_mc=49_500), State.STEADY),
    (noisy(120, level_mc=-25_000), State.STEADY),
], ids=["short", "noisy", "one step", "rising", "falling", "jumping", "room", "reversed leads", "cold junction"])
def test_it_says_what_the_sensor_does(values, state):
    assert fed(values)[1].state is state


@pytest.mark.parametrize("seed", range(40))
def test_noise_of_a_good_converter_is_never_called_a_drift(seed):
    assert fed(noisy(61, seed=seed))[1].state is State.STEADY


def test_a_bath_at_the_room_s_temperature_is_not_called_elsewhere():
    assert fed(noisy(120, level_mc=23_000), bath_mc=24_000)[1].state is State.STEADY


def test_the_mean_lies_within_its_uncertainty_and_the_step_is_counted_where_nothing_moves():
    seen = [fed(noisy(61, level_mc=330, seed=seed))[1] for seed in range(100)]
    assert sum(abs(each.mean_mc - 330) <= 2 * each.u_mc for each in seen) >= 95
    assert fed([250] * 61)[1].u_mc == math.ceil(250 / math.sqrt(12))


def test_a_silence_or_a_clock_that_goes_back_begins_the_minute_anew():
    for strange_us in (60 * S + steady.GAP_US + 1, 59 * S):
        watch, seen = fed(noisy(61))
        assert seen.state is State.STEADY
        assert watch.feed(strange_us, 250, ROOM_MC).state is State.WAITING


def test_the_minute_moves_on_so_an_old_drift_is_forgotten():
    assert fed([60_000 - 1_000 * s for s in range(60)] + noisy(61))[1].state is State.STEADY


@pytest.mark.parametrize("every_us", [1_000, 100_000, 250_000, S, 2 * S])
def test_however_fast_readings_come_it_is_bounded_and_comes_to_an_end(every_us):
    watch, seen = fed([250] * (61 * S // every_us), every_us=every_us)
    assert seen.state is State.STEADY
    assert len(watch._kept) <= READINGS_MAX


@given(st.lists(st.tuples(st.integers(-10**12, 10**12), st.integers(-200_000, 1_372_000)), max_size=60))
def test_whatever_comes_it_answers_and_never_calls_a_short_time_steady(readings):
    watch = Steady(0)
    for mono_us, raw_mc in readings:
        seen = watch.feed(mono_us, raw_mc)
        assert seen.state is not State.STEADY or seen.covered_us > 50 * S
        assert seen.u_mc >= 0 and seen.spread_mc >= 0


def test_every_state_has_words():
    assert set(steady.WORDS) == set(State)
