"""How soon full heat shows in a simulated chamber, as somebody would know it who has not been given the truth.

The chamber is heated from rest, its truth disturbed by seed: power, loss and lags by 20 %, dead time by 30 %. What that
chamber needs for the start proof's rise, and half as much again, is the bound. A fitted model will take this one's place.
"""

from __future__ import annotations

from collections.abc import Mapping
from random import Random

from controller.chamber.plant import at_rest, step
from controller.chamber.shapes import DISTURBED, SHAPES, Shape
from controller.core.proof import OVER_RISE_MC, RISE_MC

DEAD_DISTURBED = 0.3
MARGIN = 1.5
LONGEST_S = 300
LOSSES = ("outer_room", "leak")


def disturbed(shape: Shape, seed: int) -> Shape:
    """The chamber as somebody believes it to be."""
    draw = Random(f"response {shape.name} {seed}")

    def off(value: float, by: float = DISTURBED) -> float:
        return value * (1.0 + by * (2.0 * draw.random() - 1.0))

    loss, lag = off(1.0), off(1.0)
    losses = {name: getattr(shape.build, name) * loss for name in LOSSES}
    sensors = tuple((share, lag_s * lag) for share, lag_s in shape.build.sensors)
    build = shape.build._replace(sensors=sensors, **losses)
    return shape._replace(build=build, element_w=round(off(shape.element_w)), delay_s=off(shape.delay_s, DEAD_DISTURBED))


def seconds_to_rise(shape: Shape) -> int:
    """Full heat from rest: when control and over-temperature sensor have both risen as a proof asks."""
    plant = at_rest(shape.build, shape.room_c, shape.delay_s)
    for second in range(1, LONGEST_S):
        plant = step(plant, shape.build, float(shape.element_w), 1.0, shape.room_c)
        control, over = (1000.0 * (sensor - shape.room_c) for sensor in plant.sensors[:2])
        if control >= RISE_MC and over >= OVER_RISE_MC:
            return second
    raise ValueError(f"{shape.name} does not rise by {RISE_MC} m°C within {LONGEST_S} s")


def bounds(name: str, seed: int = 1) -> Mapping[str, float]:
    """`dead_s` and `rise_s` of the chamber file, with a margin."""
    believed = disturbed(SHAPES[name], seed)
    dead_s = believed.delay_s * MARGIN
    rise_s = max(10.0, (seconds_to_rise(believed) - believed.delay_s) * MARGIN)
    return {"dead_s": float(round(dead_s)), "rise_s": float(round(rise_s))}
