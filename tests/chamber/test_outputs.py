"""The board's switches. Hypothesis gives duties and windows; what comes out is held to the rules of the manual."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.chamber.outputs import CONTACTOR_AFTER_US, FAR_US, MIN_PULSE_US, Outputs

WINDOW_US = 40_000_000


def run(outputs: Outputs, now_us: int, us: int) -> tuple[int, list[tuple[int, bool]]]:
    """Let time pass edge by edge; gives the new time and every change of the modulator."""
    changes, end_us = [], now_us + us
    while now_us < end_us:
        was = outputs.modulator
        stop_us = min(end_us, outputs.edge_us)
        assert stop_us > now_us, "an edge that is not ahead would stop time"
        outputs.passed(stop_us - now_us)
        now_us = stop_us
        outputs.settle(now_us)
        if outputs.modulator is not was:
            changes.append((now_us, outputs.modulator))
    return now_us, changes


def ready(duty_e4: int, window_us: int = WINDOW_US) -> Outputs:
    """Switched on at 0 with the contactor's delay already over."""
    outputs = Outputs(0)
    outputs.command(True, True, 0, window_us)
    outputs.settle(0)
    outputs.command(True, True, duty_e4, window_us)
    outputs.settle(CONTACTOR_AFTER_US)
    return outputs


@given(st.integers(0, 10_000), st.sampled_from([1, 4, 10, 20, 40, 60]))
def test_over_many_windows_the_duty_is_what_was_asked(duty_e4, window_s):
    outputs = ready(duty_e4, window_s * 1_000_000)
    span_us = 100 * window_s * 1_000_000
    run(outputs, CONTACTOR_AFTER_US, span_us)
    assert abs(outputs.on_us - duty_e4 * span_us // 10_000) <= window_s * 1_000_000 + MIN_PULSE_US


@given(st.lists(st.tuples(st.integers(0, 10_000), st.integers(1, 50_000_000)), max_size=30))
def test_no_pulse_is_shorter_than_the_minimum_unless_the_duty_is_nought(steps):
    outputs = ready(5_000)
    now_us, since_us, pulses = CONTACTOR_AFTER_US, CONTACTOR_AFTER_US, []
    for duty_e4, us in steps:
        was = outputs.modulator
        outputs.command(True, True, max(duty_e4, 1), WINDOW_US)
        outputs.settle(now_us)
        changes = [(now_us, outputs.modulator)] if outputs.modulator is not was else []
        now_us, more = run(outputs, now_us, us)
        for at_us, on in changes + more:
            if not on:
                pulses.append(at_us - since_us)
            since_us = at_us
    assert all(pulse >= MIN_PULSE_US for pulse in pulses)


def test_at_most_one_pulse_a_window():
    outputs = ready(3_000)
    _, changes = run(outputs, CONTACTOR_AFTER_US, 10 * WINDOW_US - 1)
    assert outputs.switches == 10
    assert len(changes) == 19, "the first switching on was before"


def test_a_pulse_that_runs_on_into_a_window_is_that_windows_pulse():
    outputs = ready(9_900)  # a gap of 0.4 s is closed until three windows' worth has been saved up
    pulses, was = 0, True
    for now_us in range(CONTACTOR_AFTER_US, 30 * WINDOW_US, 10_000):  # looked at often, as a board does
        outputs.settle(now_us)
        pulses += outputs.modulator and not was
        was = outputs.modulator
        outputs.passed(10_000)
    assert pulses == outputs.switches - 1 <= 10, "never a second pulse in one window"
    assert outputs.on_us == pytest.approx(0.99 * 30 * WINDOW_US, abs=1.3 * MIN_PULSE_US)


def test_full_duty_does_not_wear_the_switch():
    outputs = ready(10_000)
    _, changes = run(outputs, CONTACTOR_AFTER_US, 20 * WINDOW_US)
    assert changes == []
    assert outputs.switches == 1


def test_a_duty_too_small_for_a_pulse_is_saved_up():
    outputs = ready(100)  # 0.4 s of 40 s: every third window gives one pulse
    run(outputs, CONTACTOR_AFTER_US, 30 * WINDOW_US)
    assert 9 <= outputs.switches <= 11
    assert outputs.on_us == pytest.approx(0.01 * 30 * WINDOW_US, abs=1.3 * MIN_PULSE_US)


def test_a_changed_duty_shortens_or_lengthens_the_pulse_at_once():
    outputs = ready(5_000)
    now_us, _ = run(outputs, CONTACTOR_AFTER_US, 10_000_000)
    outputs.command(True, True, 8_000, WINDOW_US)
    outputs.settle(now_us)
    assert outputs.edge_us == pytest.approx(CONTACTOR_AFTER_US + 29_000_000, abs=10)  # 10 s at half, 30 s at 0.8
    outputs.command(True, True, 1_000, WINDOW_US)
    outputs.settle(now_us)
    assert outputs.modulator is False
    outputs.command(True, True, 9_000, WINDOW_US)
    outputs.settle(now_us)
    assert outputs.modulator is False, "a second pulse in one window"


def test_nought_is_off_at_once_and_forgets():
    outputs = ready(5_000)
    outputs.command(True, True, 0, WINDOW_US)
    outputs.settle(CONTACTOR_AFTER_US + 10)
    assert not outputs.modulator
    assert outputs.edge_us == FAR_US
    run(outputs, CONTACTOR_AFTER_US + 10, 10 * WINDOW_US)
    assert outputs.on_us == 0


def test_off_is_modulator_at_once_and_contactor_100_ms_later():
    outputs = ready(10_000)
    outputs.command(False, True, 10_000, WINDOW_US)
    outputs.settle(5_000_000)
    assert (outputs.modulator, outputs.contactor) == (False, True)
    outputs.settle(5_099_999)
    assert outputs.contactor
    assert outputs.edge_us == 5_100_000
    outputs.settle(5_100_000)
    assert (outputs.modulator, outputs.contactor) == (False, False)


def test_the_contactor_never_makes_or_breaks_the_load():
    outputs = Outputs(0)
    outputs.command(True, True, 10_000, WINDOW_US)
    outputs.settle(0)
    assert (outputs.modulator, outputs.contactor) == (False, True)
    outputs.settle(outputs.edge_us)
    assert outputs.modulator
    outputs.command(True, False, 10_000, WINDOW_US)
    outputs.settle(1_000_000)
    assert (outputs.modulator, outputs.contactor) == (False, True)
    outputs.settle(outputs.edge_us)
    assert (outputs.modulator, outputs.contactor) == (True, False), "with the contact open the modulator follows"


def test_a_reset_drops_both_at_once():
    outputs = ready(10_000)
    outputs.reset()
    assert (outputs.modulator, outputs.contactor, outputs.edge_us) == (False, False, FAR_US)
    assert outputs.switches == 1
