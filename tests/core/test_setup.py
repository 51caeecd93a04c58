"""The wiring that a chamber derives from its sensors."""

from __future__ import annotations

import pytest

from controller.core.readings import Role
from controller.core.setup import SensorSetup, wiring

SENSORS = (SensorSetup(Role.OVER_TEMPERATURE, 2, "wall", 5, 0), SensorSetup(Role.CONTROL, 0, "air", -7, 0, 300),
           SensorSetup(Role.PART, 5, "part", 0, 0))


@pytest.mark.parametrize(("count", "picked"), [(0, ""), (1, "c"), (2, "ca"), (3, "caf")])
def test_a_reports_channels_are_picked_in_the_order_of_the_sensors(count: int, picked: str) -> None:
    made = wiring(SENSORS[:count])
    assert made.pick(tuple("abcdef")) == tuple(picked)
    assert made.corrections == ((5, 0), (-7, 300), (0, 0))[:count]
    assert made.control == (1 if count > 1 else None)
    assert (made.overs, made.parts) == ((0,) if count else (), (2,) if count > 2 else ())


def test_there_may_be_any_number_of_sensors_of_a_role() -> None:
    roles = (Role.PART, Role.OVER_TEMPERATURE, Role.TRAVELLING, Role.CONTROL, Role.OVER_TEMPERATURE, Role.PART)
    made = wiring(tuple(SensorSetup(role, number, role.value, 0, 0) for number, role in enumerate(roles)))
    assert (made.control, made.overs, made.parts) == (3, (1, 4), (0, 5))
