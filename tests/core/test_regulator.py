"""The regulator. What simple-pid does wrong by itself must not reach the duty; then loops are closed on textbook plants.

Outside checks: the SIMC rule and its margins (Skogestad 2003 and 2006; rule found at folk.ntnu.no/skoge, margins of the
paper's table 1 from memory), the exact ultimate gains of first-order plants with dead time (computed, references.md C11), and
the integral error of a load step, tauI / Kc (textbook identity, from memory). The loop itself is compared with a PI written
in `plants.py`.
"""

from __future__ import annotations

import itertools
import json
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core import canonical
from controller.core.commands import Ask
from controller.core.model import feed_forward
from controller.core.program import SetPoint
from controller.core.regulator import Regulator, bumpless, regulate
from controller.core.run_states import S
from controller.core.setup import Heater
from tests.core.plants import Control, Fopdt, close, grows, simc, textbook_pi, ultimate
from tests.core.world import HEATER, US, changed, soaking

AT_105 = SetPoint(105_000, 0)
NO_MODEL = changed(HEATER, heat_capacity_j_per_k=0, loss_mw_per_k=0)
"""Feed-forward gives nothing: the bare PI."""


def step(before: Regulator, measured_mc: int, asked: SetPoint = AT_105, heater: Heater = HEATER, dt_us: int = US) -> Regulator:
    """One step of a heater that achieves what is asked."""
    return regulate(before, heater, asked, measured_mc, before.duty_e4, dt_us)


# -- the library's pitfalls -----------------------------------------------------------------------------------------------


def test_no_clock_is_read(monkeypatch):
    def read() -> float:
        raise AssertionError("a clock was read")

    bench = soaking()
    with monkeypatch.context() as patched:
        for name in ("time", "monotonic", "perf_counter", "time_ns", "monotonic_ns"):
            patched.setattr(time, name, read)
        bench.run(5)
    assert bench.heats


def test_a_gap_of_half_an_hour_counts_as_one_second():
    before = step(Regulator(0.2, 2_000), 104_000)
    assert step(before, 104_000, dt_us=1_800 * US) == step(before, 104_000, dt_us=US)
    assert abs(step(before, 104_000, dt_us=1_800 * US).duty_e4 - before.duty_e4) < 500


@pytest.mark.parametrize("dt_us", [0, -1, -1_800 * US])
def test_no_time_changes_nothing(dt_us):
    before = Regulator(0.25, 3_000)
    assert step(before, 90_000, dt_us=dt_us) is before


@pytest.mark.parametrize("dt_us", [1, 19_999, 500_000, 980_000, 1_020_000])
def test_no_call_is_skipped_however_short_the_step(dt_us):
    before = Regulator(0.1, 3_700)
    assert step(before, 104_500, dt_us=dt_us).integral > before.integral


@given(st.floats(-1, 1), st.integers(0, 10_000), st.integers(-100_000, 1_000_000), st.integers(0, 400_000),
       st.integers(-300_000, 300_000), st.integers(0, 20_000), st.integers(-US, 10**13))
def test_a_duty_is_always_a_number_from_nothing_to_full(integral, duty, measured, setpoint, slope, achieved, dt_us):
    after = regulate(Regulator(integral, duty), HEATER, SetPoint(setpoint, slope), measured, achieved, dt_us)
    assert 0 <= after.duty_e4 <= 10_000
    assert -100 < after.integral < 100


def test_the_integral_waits_while_the_heater_cannot_give_more():
    before = Regulator(0.1, 10_000)
    after = before
    for _ in range(3_600):
        after = step(after, 60_000)
    assert after.integral == before.integral
    assert after.duty_e4 == 10_000


def test_the_integral_waits_while_something_holds_the_heat_back():
    before = Regulator(0.1, 3_000)
    assert regulate(before, HEATER, AT_105, 104_900, 0, US).integral == before.integral
    assert regulate(before, HEATER, AT_105, 104_900, 3_000, US).integral > before.integral


def test_the_integral_waits_while_nothing_can_be_taken_away():
    before = Regulator(-0.1, 0)
    after = before
    for _ in range(3_600):
        after = step(after, 140_000)
    assert after.integral == before.integral
    assert after.duty_e4 == 0


def test_a_ramp_that_saturates_does_not_wind_up():
    """The plant of pitfalls A1.6: 30 min of lag, 180 °C/h, too little power; the bare library overshoots by 3.6 °C."""
    weak = changed(HEATER, element_w=150, heat_capacity_j_per_k=2_160, gain_e4_per_k=600, integral_s=1_200)
    air, now, setpoint, hottest = 25.0, Regulator(), 25_000, 0.0
    for _ in range(8 * 3_600):
        setpoint = min(105_000, setpoint + 50)
        slope = 180_000 if setpoint < 105_000 else 0
        now = step(now, int(air * 1_000), SetPoint(setpoint, slope), weak)
        air += (150 * now.duty_e4 / 10_000 - 1.2 * (air - 22)) / 2_160
        hottest = max(hottest, air)
    assert air == pytest.approx(105, abs=0.1)
    assert hottest < 106


@pytest.mark.parametrize("duty", [0, 1, 4_000, 9_999, 10_000])
@pytest.mark.parametrize("measured", [40_000, 105_000, 125_000])
def test_cooling_down_begins_at_the_duty_that_was_there(duty, measured):
    """As the core uses it: the new set point is the air itself."""
    asked = SetPoint(measured, -20_000)
    begun = bumpless(duty, HEATER, asked, measured)
    assert begun.duty_e4 == duty
    assert abs(step(begun, measured, asked).duty_e4 - duty) <= 10


@pytest.mark.parametrize(("ask", "state"), [(Ask.COOL_DOWN, S.STOPPING), (Ask.HOLD, S.HELD)])
def test_no_command_that_goes_on_heating_makes_the_duty_jump(ask, state):
    bench = soaking()
    bench.run(600)
    before = bench.drive.duty_e4
    bench.ask(ask)
    assert bench.run_state is state
    assert abs(bench.drive.duty_e4 - before) < 500
    if ask is Ask.HOLD:
        bench.run(60)
        before = bench.drive.duty_e4
        bench.ask(Ask.RESTART)
        assert abs(bench.drive.duty_e4 - before) < 500


@pytest.mark.parametrize("seconds", [1, 10, 60])
def test_a_permit_withheld_for_a_while_loses_no_integral(seconds):
    bench = soaking()
    bench.run(1_200)
    before, air = bench.state.regulator, bench.board.air_mc
    bench.board.says["limiter"] = None
    bench.run(seconds)
    assert not bench.heats
    assert bench.state.regulator == before
    del bench.board.says["limiter"]
    bench.tick()
    assert bench.heats
    assert bench.state.regulator.integral == pytest.approx(before.integral, abs=0.005)
    bench.run(120)
    assert bench.board.air_mc > air - 1_000


def test_a_quantised_steady_input_does_not_shake_the_duty():
    """A quarter of a degree a step, as common converters give it: under 2 % of duty."""
    now, duties = Regulator(), []
    for second in range(1_200):
        now = step(now, 105_000 + (250 if second % 2 else 0))
        duties.append(now.duty_e4)
    assert max(abs(one - other) for one, other in itertools.pairwise(duties[600:])) < 200


def test_it_goes_on_bit_for_bit_after_being_written_down_at_any_tick():
    one = other = Regulator()
    for second in range(500):
        measured = 100_000 + second * 11
        one = step(one, measured)
        other = step(canonical.load(Regulator, json.loads(canonical.text(other))), measured)
        assert one == other


@pytest.mark.parametrize(("setpoint", "slope", "watts"), [
    (22_000, 0, 0.0), (105_000, 0, 99.6), (105_000, 20_000, 99.6 + 2_000 * 20 / 3_600), (60_000, -20_000, 45.6 - 11.111),
])
def test_feed_forward_is_loss_and_slope_in_watts_over_the_element(setpoint, slope, watts):
    assert feed_forward(HEATER, setpoint, slope) * 500 == pytest.approx(watts, abs=1e-3)


# -- loops on textbook plants ---------------------------------------------------------------------------------------------

HUNDRED_K = 100.0
"""Plants here warm by 100 K at full duty, and rest at half of it: nothing saturates."""
C3 = Fopdt(HUNDRED_K, 1_000.0, 100.0)
"""references.md C3, k 1, tau 10, theta 1, with a hundred seconds for its unit of time."""


def adapter(kc: float, tau_i: float, u0: float = 0.5) -> Control:
    """Our regulator as a control of the loop: Kc in duty per kelvin."""
    heater = changed(NO_MODEL, gain_e4_per_k=round(kc * 10_000), integral_s=round(tau_i))
    now = Regulator(u0, round(u0 * 10_000))

    def control(setpoint: float, y: float) -> float:
        nonlocal now
        now = step(now, round(y * 1_000), SetPoint(round(setpoint * 1_000), 0), heater)
        return now.duty_e4 / 10_000

    return control


@pytest.mark.parametrize(("plant", "kc", "tau_i"), [
    (Fopdt(1, 1, 1), 0.5, 1.0), (Fopdt(1, 10, 1), 5.0, 8.0), (Fopdt(1, 1.1, 0.1), 5.5, 0.8),
], ids=["C2", "C3", "C8"])
def test_the_tuning_rule_used_below_gives_the_published_values(plant, kc, tau_i):
    assert simc(plant, plant.theta) == (pytest.approx(kc, rel=1e-3), pytest.approx(tau_i, rel=1e-3))


@pytest.mark.parametrize(("plant", "ku", "pu"), [
    (Fopdt(1, 1, 1), 2.2618, 3.0971), (Fopdt(1, 10, 1), 16.3506, 3.8500), (Fopdt(1, 100, 20), 8.5024, 74.415),
    (Fopdt(1.5, 1_800, 60), 31.842, 236.84),
], ids=["C11 a", "C11 b", "C11 c", "C12"])
def test_the_ultimate_gain_used_below_is_the_published_one(plant, ku, pu):
    assert ultimate(plant) == (pytest.approx(ku, rel=1e-4), pytest.approx(pu, rel=1e-4))


@pytest.mark.parametrize("plant", [C3, Fopdt(HUNDRED_K, 100.0, 100.0), Fopdt(HUNDRED_K, 800.0, 100.0)], ids=["C3", "C2", "C6"])
def test_a_set_point_step_goes_as_with_a_pi_written_apart(plant):
    kc, tau_i = simc(plant, plant.theta)
    ours = close(plant, adapter(kc, tau_i), 55.0, (50.0, 0.5), 4_000)
    theirs = close(plant, textbook_pi(kc, tau_i, 0.5), 55.0, (50.0, 0.5), 4_000)
    assert 0 < min(ours.controls) < max(ours.controls) < 1, "nothing saturated"
    assert ours.overshoot(50, 55) == pytest.approx(theirs.overshoot(50, 55), abs=0.01)
    assert ours.iae(55) == pytest.approx(theirs.iae(55), rel=0.02)
    assert ours.outputs[-1] == pytest.approx(55, abs=0.05)


def test_a_load_step_costs_tau_i_over_kc():
    kc, tau_i = simc(C3, C3.theta)
    loop = close(C3, adapter(kc, tau_i), 50.0, (50.0, 0.5), 12_000, load=-0.1)
    assert sum(50.0 - y for y in loop.outputs) == pytest.approx(0.1 * tau_i / kc, rel=0.03)


@pytest.mark.parametrize(("of_ultimate", "unstable"), [(0.93, False), (1.07, True)])
def test_with_gain_alone_the_loop_turns_unstable_at_the_published_ultimate_gain(of_ultimate, unstable):
    ku, pu = ultimate(C3)
    assert ku * HUNDRED_K == pytest.approx(16.3506, rel=1e-4)
    loop = close(C3, adapter(of_ultimate * ku, 10**9), 50.0, (50.0, 0.5), 8 * pu, kick=0.5)
    assert grows(loop.peaks(50.0)) is unstable


@pytest.mark.parametrize(("of_margin", "unstable"), [(0.93, False), (1.07, True)])
def test_the_tight_simc_loop_has_its_published_gain_margin(of_margin, unstable):
    """3.14 where tauI is the plant's own time constant (Skogestad 2003, table 1: from memory; recomputed, C6)."""
    plant = Fopdt(HUNDRED_K, 800.0, 100.0)
    kc, tau_i = simc(plant, plant.theta)
    loop = close(plant, adapter(of_margin * 3.14 * kc, tau_i), 50.0, (50.0, 0.5), 3_000, kick=0.5)
    assert grows(loop.peaks(50.0)) is unstable
