"""Keeps to the set point, and is trusted with nothing. simple-pid behind one adapter.

The PID object is rebuilt from our own frozen state each tick, so that a run replays across a restart. What simple-pid must
never do here: read a clock (`time_fn` is `float`, which gives 0.0, and `dt` is passed in), skip a call (`sample_time` is
None), or take a number that is not finite (all inputs are integers). Its integral is conditioned on what the heater really
achieved.
"""

from __future__ import annotations

from typing import NamedTuple

from simple_pid import PID

from controller.core.model import feed_forward
from controller.core.program import SetPoint
from controller.core.quick import new
from controller.core.setup import Heater

DT_MAX_US = 1_000_000
"""A longer gap is the supervisor's business; the integral must not swallow it whole."""
DUTY_MAX_E4 = 10_000
SHORTFALL_E4 = 1_000
"""Achieved this much below asked: something holds the heat back, so the integral waits."""


class Regulator(NamedTuple):
    """All that is remembered. `integral` is a duty, 0..1, and may be negative to correct the feed-forward."""

    integral: float = 0.0
    duty_e4: int = 0


class Trim(PID):
    """The library's PI for one step. What never changes stands in the class, so that making one each tick costs
    little. A test compares every step with the bare library's."""

    auto_mode = True
    sample_time = None
    time_fn = float
    error_map = None
    proportional_on_measurement = False
    differential_on_measurement = True
    Kd = 0.0
    output_limits = (-1.0, 1.0)
    _last_input = _last_error = None

    def __init__(self, gain: float, gain_per_s: float, setpoint: float, integral: float, ahead: float) -> None:
        """`ahead` is the feed-forward: the trim may take all of it away, or fill it up to full duty."""
        self.Kp = gain
        self.Ki = gain_per_s
        self.setpoint = setpoint
        lowest, highest = -ahead if ahead > 1.0 else -1.0, 1.0 - ahead if ahead < 0.0 else 1.0
        self.output_limits = lowest, highest
        self._integral = lowest if integral < lowest else highest if integral > highest else integral


def regulate(
    before: Regulator, heater: Heater, asked: SetPoint, measured_mc: int, achieved_e4: int, dt_us: int
) -> Regulator:
    """The duty for this tick. Without a positive time step nothing changes."""
    if dt_us <= 0:
        return before
    dt_s = min(dt_us, DT_MAX_US) / 1_000_000
    gain = heater.gain_e4_per_k / 10_000.0
    ahead = feed_forward(heater, asked.mc, asked.slope_mc_per_h)
    error = (asked.mc - measured_mc) / 1000.0
    pid = Trim(gain, gain / heater.integral_s, asked.mc / 1000.0, before.integral, ahead)
    trim = pid(measured_mc / 1000.0, dt=dt_s)
    wanted = ahead + (trim if trim is not None else 0.0)
    _, integral, _ = pid.components
    held_back = achieved_e4 + SHORTFALL_E4 < before.duty_e4
    if (error > 0 and (wanted >= 1.0 or held_back)) or (error < 0 and wanted <= 0.0):
        integral = before.integral
    duty = 0.0 if wanted < 0.0 else 1.0 if wanted > 1.0 else wanted
    return new(Regulator, (integral, int(duty * DUTY_MAX_E4 + 0.5)))


def bumpless(duty_e4: int, heater: Heater, asked: SetPoint, measured_mc: int) -> Regulator:
    """A regulator that begins at `duty_e4`: I = u - P - feed-forward."""
    proportional = heater.gain_e4_per_k / 10_000.0 * ((asked.mc - measured_mc) / 1000.0)
    integral = duty_e4 / DUTY_MAX_E4 - proportional - feed_forward(heater, asked.mc, asked.slope_mc_per_h)
    return Regulator(max(-1.0, min(1.0, integral)), duty_e4)
