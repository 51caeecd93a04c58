"""Invented chambers of several sizes, and what a person would type of them. No figure is any real appliance's."""

from __future__ import annotations

from random import Random
from typing import NamedTuple

from controller.chamber.plant import Build, Slab

DISTURBED = 0.2
"""A person's figures are within this share of the truth."""


class Shape(NamedTuple):
    """One chamber: the three figures that tell it apart, its build, and the room it stands in."""

    name: str
    words: str
    heat_capacity: float
    """J/K of everything inside the insulation, without the part."""
    loss: float
    """W/K from the air inside to the room, once all is steady."""
    element_w: int
    build: Build
    delay_s: float
    room_c: float
    limiter_c: float
    board_ceiling_mc: int


class Declared(NamedTuple):
    """What a person types into the chamber file: near the truth, not the truth."""

    element_w: int
    heat_capacity_j_per_k: int
    loss_mw_per_k: int


PLATE = Slab(half_m=0.003, conductivity=0.18, heat_j_per_m3k=1.07e3 * 1.4e3, area_m2=0.045, film=12.0, emissivity=0.9,
             cells=5)
"""A printed plate of 6 mm and about 150 x 150 mm (common practice, no source: styrene plastics conduct about 0.18)."""
BLOCK = PLATE._replace(half_m=0.008, area_m2=0.03)


def _build(heat_capacity: float, loss: float, part: Slab) -> Build:
    """Splits a chamber's heat capacity and loss over its nodes. The shares are invented."""
    air_c = 35.0
    rest = heat_capacity - air_c
    leak = 0.12 * loss
    size = (rest / 1965.0) if rest < 1965.0 else 1.0 + 0.5 * (rest / 1965.0 - 1.0)
    wall_air = 9.0 * size
    # Walls and insulation in series, reached through the walls' film, make up the loss that is no leak.
    series = 1.0 / (1.0 / (loss - leak) - 1.0 / wall_air)
    return Build(
        element_c=0.06 * rest, air_c=air_c, wall_c=0.76 * rest, inner_c=0.12 * rest, outer_c=0.16 * rest,
        pan_c=0.18 * rest, element_air=1.3 * size, wall_air=wall_air, pan_air=1.6 * size, wall_inner=series * 4.0,
        inner_outer=series * 2.0, outer_room=series * 4.0, leak=leak, door=9.0 * size, element_wall=0.018,
        element_pan=0.004, element_part=0.001, slab=part, sensors=((0.9, 9.0), (0.75, 14.0)), part_lag_s=6.0,
        limiter_share=0.06, limiter_lag_s=20.0,
    )


def _shape(name: str, words: str, heat_capacity: float, loss: float, element_w: int, part: Slab = PLATE,
           delay_s: float = 3.0) -> Shape:
    return Shape(name, words, heat_capacity, loss, element_w, _build(heat_capacity, loss, part), delay_s, room_c=21.0,
                 limiter_c=160.0, board_ceiling_mc=140_000)


SHAPES: dict[str, Shape] = {
    shape.name: shape for shape in (
        _shape("bench", "the demo chamber: a lined and insulated bench oven", 2000.0, 1.2, 500),
        _shape("small", "a light box that warms and cools quickly", 700.0, 0.6, 450, delay_s=2.0),
        _shape("heavy", "a thick-walled box with a heavy part", 3600.0, 1.6, 650, BLOCK, delay_s=5.0),
        _shape("leaky", "hardly insulated, gaps at the door", 1500.0, 2.5, 600),
        _shape("weak", "little power for its loss", 2600.0, 2.2, 450, delay_s=4.0),
        _shape("tight", "well insulated: slow to cool", 1800.0, 0.5, 550),
        _shape("delayed", "its air takes a minute to reach the sensors", 2000.0, 1.2, 500, delay_s=60.0),
    )
}


def declared(shape: Shape, seed: int) -> Declared:
    """The three figures as a person would type them: each within 20 % of the truth, by the seed."""
    draw = Random(f"{shape.name} {seed}")

    def off(truth: float) -> float:
        return truth * (1.0 + DISTURBED * (2.0 * draw.random() - 1.0))

    return Declared(int(off(shape.element_w)), int(off(shape.heat_capacity)), int(off(shape.loss * 1000.0)))
