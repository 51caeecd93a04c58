"""The wiring that a chamber derives from its sensors."""

from __future__ import annotations

import pytest

from controller.core.readings import Role
from controller.core.setup import SensorSetup, wiring

SENSORS = (SensorSetup(Role.OVER_TEMPERATURE, 2, "wall", 5, 0), SensorSetup(Role.CONTROL, 0, "air", -7, 0),
           SensorSetup(Role.PART, 5, "part", 0, 0))


@pytest.mark.parametrize(("count", "picked"), [(0, ""), (1, "c"), (2, "ca"), (3, "caf")])
def test_a_reports_channels_are_picked_in_the_order_of_the_sensors(count: int, picked: str) -> None:
    made = wiring(SENSORS[:count])
    assert made.pick(tuple("abcdef")) == tuple(picked)
    assert made.corrections_mc == (5, -7, 0)[:count]
    assert (made.control, made.part) == (1 if count > 1 else None, 2 if count > 2 else None)
