"""What a chamber is expected to do: feed-forward now, from the figures a person typed; more once it is identified.

Until then there is no model of the part and no estimate of it is shown. Floats with + - * / alone, so that a replay on
another computer gives the same bits.
"""

from __future__ import annotations

from controller.core.setup import Heater

SECONDS_PER_H = 3_600.0


def feed_forward(heater: Heater, setpoint_mc: int, slope_mc_per_h: int) -> float:
    """Duty (0..1, not limited) that holds the set point against the loss and moves it at its slope.

    The figures are the chamber file's: heat capacity in J/K, loss in mW/K, element in W, room in m°C.
    """
    loss_w = heater.loss_mw_per_k / 1000.0 * ((setpoint_mc - heater.room_mc) / 1000.0)
    ramp_w = heater.heat_capacity_j_per_k * (slope_mc_per_h / 1000.0) / SECONDS_PER_H
    return (loss_w + ramp_w) / heater.element_w
