"""What simple-pid 2.0.1 really does. Each test pins a behaviour the regulator's adapter is built around.

A red test here after an upgrade does not mean that the library is wrong: it means that the adapter's reasons have
changed. Read the change before taking it.
"""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simple_pid import PID

from controller.core.regulator import Regulator, Trim


class Clock:
    """A clock that counts how often it is read, and stands where it is put."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s
        self.reads = 0

    def __call__(self) -> float:
        self.reads += 1
        return self.now_s


def steady(**settings: object) -> PID:
    return PID(sample_time=None, time_fn=lambda: 0.0, **settings)


def test_one_nan_makes_every_later_output_nan():
    pid = steady(Kp=0.1, Ki=0.01, setpoint=100, output_limits=(0, 1))
    assert math.isfinite(pid(90.0, dt=1.0))
    assert math.isnan(pid(math.nan, dt=1.0))
    assert math.isnan(pid(90.0, dt=1.0)), "the NaN stays in the integral"
    pid.output_limits = (0, 0.5)
    assert math.isnan(pid(90.0, dt=1.0)), "new limits do not clear it"
    pid.reset()
    assert math.isfinite(pid(90.0, dt=1.0))


def test_a_sample_time_throws_ticks_away_and_none_takes_them_all():
    jitter = [1.0 + (0.02 if number % 2 else -0.02) for number in range(1000)]

    def updates(sample_time: float | None) -> int:
        clock = Clock()
        pid = PID(Ki=0.01, setpoint=1e9, sample_time=sample_time, time_fn=clock)
        outputs = []
        for step in jitter:
            clock.now_s += step
            outputs.append(pid(0.0))
        return sum(after != before for before, after in itertools.pairwise(outputs)) + 1

    assert updates(None) == 1000
    assert updates(1.0) < 900


def test_an_explicit_step_below_the_sample_time_is_discarded_too():
    pid = PID(Ki=1.0, setpoint=10, sample_time=1.0, time_fn=Clock())
    first = pid(0.0, dt=1.0)
    assert pid(0.0, dt=0.5) == first


def test_the_default_sample_time_is_not_none():
    assert PID(time_fn=Clock()).sample_time == 0.01


def test_the_clock_is_read_although_the_step_is_given():
    clock = Clock()
    pid = PID(sample_time=None, time_fn=clock)
    made = clock.reads
    pid(1.0, dt=1.0)
    called = clock.reads
    pid.reset()
    assert made > 0
    assert called > made
    assert clock.reads > called


def test_a_clock_that_steps_back_freezes_the_output():
    clock = Clock(1000.0)
    pid = PID(Kp=0.01, Ki=0.001, setpoint=100, sample_time=1.0, output_limits=(0, 1), time_fn=clock)
    clock.now_s = 1001.0
    before = pid(90.0)
    clock.now_s = 500.0
    assert [pid(value) for value in (150.0, 300.0)] == [before, before]


def test_a_step_of_zero_is_refused():
    with pytest.raises(ValueError, match="dt"):
        steady()(1.0, dt=0)


def test_a_gap_counts_in_full():
    pid = steady(Kp=0.0, Ki=0.0005, setpoint=1.0, output_limits=(0, 1))
    assert pid(0.0, dt=1800.0) == pytest.approx(0.90)


def test_the_integral_goes_on_while_the_output_is_saturated():
    pid = steady(Kp=1.0, Ki=0.01, setpoint=10.0, output_limits=(0, 1))
    for _ in range(50):
        assert pid(0.0, dt=1.0) == 1
    assert pid.components[1] == 1, "only clamped, not held"


def test_automatic_again_while_automatic_changes_nothing():
    pid = steady(Kp=0.0, Ki=0.1, setpoint=10.0, output_limits=(0, 1))
    before = pid(9.0, dt=1.0)
    pid.set_auto_mode(True, last_output=0.4)
    assert pid(10.0, dt=1.0) == before


def test_the_handed_over_output_goes_whole_into_the_integral():
    pid = steady(Kp=0.01, Ki=0.0001, setpoint=100.0, output_limits=(0, 1))
    pid.auto_mode = False
    pid.set_auto_mode(True, last_output=0.40)
    assert pid(20.0, dt=1.0) == 1, "asked for 0.40, the proportional part came on top"


def test_limits_of_zero_for_one_tick_wipe_the_integral():
    pid = steady(Kp=0.0, Ki=0.1, setpoint=10.0, output_limits=(0, 1))
    assert pid(4.0, dt=1.0) == pytest.approx(0.6)
    pid.output_limits = (0, 0)
    pid(10.0, dt=1.0)
    pid.output_limits = (0, 1)
    assert pid(10.0, dt=1.0) == 0


def test_the_derivative_has_no_filter():
    pid = steady(Kp=0.02, Ki=0.0, Kd=0.02 * 60, setpoint=100.0)
    before = pid(90.0, dt=1.0)
    assert pid(90.25, dt=1.0) - before == pytest.approx(-0.02 * 60 * 0.25 - 0.02 * 0.25)


def test_there_are_no_limits_unless_given():
    pid = steady(Kp=0.02, Ki=0.02 / 40, setpoint=80.0)
    for _ in range(3600):
        output = pid(0.0, dt=1.0)
    assert output > 100


def test_its_state_is_not_in_its_repr_so_ours_is_kept_apart():
    pid = steady(Kp=0.0, Ki=0.1, setpoint=10.0)
    before = repr(pid)
    pid(0.0, dt=1.0)
    assert repr(pid) == before
    assert set(Regulator._fields) == {"integral", "duty_e4"}


@given(st.floats(0, 10), st.floats(0, 1), st.floats(0, 400), st.floats(-3, 3), st.floats(-3, 3), st.floats(-100, 1000),
       st.floats(1e-6, 1))
def test_a_step_of_the_adapter_is_a_step_of_the_library(gain, gain_per_s, setpoint, integral, ahead, measured, dt_s):
    limits = (min(-1.0, -ahead), max(1.0, 1.0 - ahead))
    bare = steady(Kp=gain, Ki=gain_per_s, Kd=0.0, setpoint=setpoint, output_limits=limits, starting_output=integral)
    ours = Trim(gain, gain_per_s, setpoint, integral, ahead)
    assert ours(measured, dt=dt_s) == bare(measured, dt=dt_s)
    assert ours.components == bare.components
