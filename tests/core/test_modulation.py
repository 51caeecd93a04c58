"""Modulation on ticks: what a relay gives over time is what was asked, however late ticks come, and it is never hurried.

The same rules as the board's own (`hardware_notes/protocol.md`), with edges on ticks: every property is asked of drawn
duties, windows and tick lengths, not of examples alone.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.modulation import E4, OFF, WINDOW_LEAST_MS, Modulation, step

US = 1_000_000
WINDOW_US, SHORTEST_US = 20 * US, 2 * US


class Pulse(NamedTuple):
    """A stretch on or off, in µs since the start."""

    on: bool
    from_us: int
    until_us: int

    @property
    def us(self) -> int:
        return self.until_us - self.from_us


def stretches(duties: list[int], ticks_us: list[int], window_us: int = WINDOW_US,
              shortest_us: int = SHORTEST_US) -> tuple[list[Pulse], list[int]]:
    """What came of duties, each held for one tick, and when windows began."""
    state, now_us, found, windows = OFF, 0, [Pulse(False, 0, 0)], []
    dt_us = 0
    for duty_e4, next_us in zip(duties, ticks_us, strict=True):
        now_us += dt_us
        state = step(state, duty_e4, dt_us, window_us, shortest_us)
        if state.spent_us == 0:
            windows.append(now_us)
        if state.on is not found[-1].on:
            found.append(Pulse(state.on, now_us, now_us))
        found[-1] = found[-1]._replace(until_us=now_us + next_us)
        dt_us = next_us
    return found, windows


def on_us(found: list[Pulse]) -> int:
    return sum(pulse.us for pulse in found if pulse.on)


@pytest.mark.parametrize("duty_e4", [50, 300, 1_000, 2_500, 3_333, 5_000, 7_777, 9_500, 9_990, 10_000])
def test_over_an_hour_the_heat_given_is_the_heat_asked(duty_e4):
    found, _ = stretches([duty_e4] * 3_600, [US] * 3_600)
    assert on_us(found) == pytest.approx(3_600 * US * duty_e4 / E4, abs=SHORTEST_US + US)


@pytest.mark.parametrize(("duty_e4", "pulses"), [(5_000, [10] * 5), (2_500, [5] * 5), (3_250, [7, 6, 7, 6, 7])])
def test_a_steady_duty_gives_one_pulse_a_window_and_carries_what_a_tick_cannot_give(duty_e4, pulses):
    found, _ = stretches([duty_e4] * 102, [US] * 102)
    assert [pulse.us // US for pulse in found if pulse.on][:5] == pulses


def test_a_pulse_too_short_is_saved_up_and_not_lost():
    """1 % of 20 s is 0.2 s: ten windows make one pulse of two seconds."""
    found, _ = stretches([100] * 420, [US] * 420)
    assert [pulse.us // US for pulse in found if pulse.on] == [2, 2]


def test_a_gap_too_short_is_closed_and_taken_back_later():
    found, _ = stretches([9_500] * 202, [US] * 202)
    assert min(pulse.us for pulse in found[1:-1]) >= SHORTEST_US
    assert on_us(found) == pytest.approx(0.95 * 200 * US, abs=2 * SHORTEST_US)


@pytest.mark.parametrize("duty_e4", [9_100, 9_300, 9_350, 9_600])
def test_no_gap_begins_where_its_window_has_no_room_for_it(duty_e4):
    found, windows = stretches([duty_e4] * 400, [US] * 400)
    for pulse in found[1:]:
        end_us = next((at for at in windows if at > pulse.from_us), None)
        assert pulse.on or end_us is None or end_us - pulse.from_us >= SHORTEST_US


duties = st.lists(st.one_of(st.integers(0, E4), st.sampled_from([0, 1, E4])), min_size=2, max_size=300)
ticks = st.integers(700_000, 2_300_000)


@st.composite
def drawn(draw) -> tuple[list[int], list[int], int, int]:
    asked = [duty for duty in draw(duties) for _ in range(draw(st.integers(1, 5)))]
    lengths = draw(st.lists(ticks, min_size=len(asked), max_size=len(asked)))
    return asked, lengths, draw(st.integers(20, 120)) * US, draw(st.integers(1, 5)) * US


@given(drawn())
def test_at_most_one_pulse_begins_in_a_window(case):
    found, windows = stretches(*case)
    begins = [pulse.from_us for pulse in found if pulse.on]
    for begin, end in zip(windows, [*windows[1:], 1 << 62], strict=True):
        assert sum(begin <= at < end for at in begins) <= 1
    assert all(after - before >= case[2] for before, after in itertools.pairwise(windows))


@given(drawn())
def test_no_gap_is_shorter_than_the_shortest_and_no_pulse_that_was_not_cut_by_duty_0(case):
    asked, lengths, _, shortest_us = case
    found, _ = stretches(*case)
    starts = [sum(lengths[:number]) for number in range(len(lengths))]
    zeros = {at for at, duty in zip(starts, asked, strict=True) if not duty}
    for pulse in found[1:-1]:
        assert pulse.us >= shortest_us or (pulse.on and pulse.until_us in zeros)


@given(drawn())
def test_duty_0_is_off_in_that_very_tick_and_what_was_asked_before_is_forgotten(case):
    asked, lengths, window_us, shortest_us = case
    state = OFF
    for duty_e4, dt_us in zip(asked, lengths, strict=True):
        state = step(state, duty_e4, dt_us, window_us, shortest_us)
        if not duty_e4:
            assert not state.on and state.asked == state.given_us * E4


@given(drawn())
def test_never_more_than_a_window_is_owed_in_either_direction(case):
    asked, lengths, window_us, shortest_us = case
    state = OFF
    for duty_e4, dt_us in zip(asked, lengths, strict=True):
        state = step(state, duty_e4, dt_us, window_us, shortest_us)
        assert abs(state.asked - state.given_us * E4) <= (2 * window_us + 3 * US) * E4


def test_a_lost_permit_begins_anew_and_still_keeps_the_shortest_gap():
    """`emit` gives OFF while there is no permit; the first pulse after it waits for the shortest gap."""
    assert not step(OFF, E4, 0, WINDOW_US, SHORTEST_US).on
    state: Modulation = OFF
    seconds = 0
    while not state.on:
        state = step(state, E4, US if seconds else 0, WINDOW_US, SHORTEST_US)
        seconds += 1
    assert seconds == 3


def test_the_shortest_window_is_the_designs():
    assert WINDOW_LEAST_MS == 20_000
