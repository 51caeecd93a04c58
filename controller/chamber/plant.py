"""The physics of a heating chamber: one pure step, picklable values, nothing but + - x / so that results repeat.

Nodes: element, air, walls (the inner liner), two layers of insulation, pan, and the part as a slab cut into cells over
half its thickness. The element convects to the air and radiates (T to the fourth) to walls, pan and part; the part also
radiates with the walls. Every exchange is computed once and given to one side and taken from the other, so the energy
balance closes to rounding. The air is light and is stepped implicitly (with its neighbours held for one step); the
slab is solved implicitly; the rest is heavy enough to be stepped explicitly, at most `STEP_MAX_S` at a time.

Sensors hang between air and walls behind a first-order lag; the air reaches them after a dead time. Temperatures are
in °C, energies in J, powers in W, conductances in W/K, heat capacities in J/K.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

new_tuple = tuple.__new__
"""Builds a plant from values known to fit: half the time of its own constructor."""
STEP_MAX_S = 1.0
"""A step is as long as nothing switches, but at most this: an eighth of what the quickest explicit node of any shape needs
to settle (a test holds them to it; explicit steps become unstable at twice that time). A tick of one second is one step."""
KELVIN = 273.15
SIGMA_E8 = 5.670374
"""Stefan-Boltzmann constant in 1e-8 W/(m2 K4), CODATA 2018 (from memory)."""
STILL_AIR = 0.3
"""Share of the convection that is left when nothing mixes the air (common practice, no source)."""
DELAY_STEP_S = 0.5
"""The dead time is a queue of air temperatures that moves on this often."""


class Slab(NamedTuple):
    """A part: a plate, seen from its middle plane to one face."""

    half_m: float
    conductivity: float
    """W/(m K)."""
    heat_j_per_m3k: float
    """Density times specific heat."""
    area_m2: float
    """Both faces together."""
    film: float
    """Convection to the air, W/(m2 K), with the air mixed."""
    emissivity: float
    cells: int


class Build(NamedTuple):
    """What a chamber is made of."""

    element_c: float
    """Heat capacity of the element; likewise the next five."""
    air_c: float
    wall_c: float
    inner_c: float
    outer_c: float
    pan_c: float
    element_air: float
    """Conductance between the two, with the air mixed; likewise the next two."""
    wall_air: float
    pan_air: float
    wall_inner: float
    inner_outer: float
    outer_room: float
    leak: float
    """Air to room through gaps."""
    door: float
    """Air to room with the door open."""
    element_wall: float
    """Radiating area times emissivity towards the walls, m2; likewise the next two."""
    element_pan: float
    element_part: float
    slab: Slab
    sensors: tuple[tuple[float, float], ...]
    """(share of air, lag in s) of each air sensor; the rest of the share is walls."""
    part_lag_s: float
    limiter_share: float
    """The limiter's sensor sits in air warmed by this share of the element's excess."""
    limiter_lag_s: float


class Plant(NamedTuple):
    """All temperatures, and the energy account since the start."""

    element: float
    air: float
    wall: float
    inner: float
    outer: float
    pan: float
    cells: tuple[float, ...]
    """The part, middle first."""
    sensors: tuple[float, ...]
    part_sensor: float
    limiter_sensor: float
    late: tuple[float, ...]
    """Air on its way to the sensors, oldest first."""
    late_s: float
    in_j: float
    lost_j: float


def at_rest(build: Build, start_c: float, delay_s: float) -> Plant:
    """Everything at one temperature."""
    late = (start_c,) * (1 + int(delay_s / DELAY_STEP_S + 0.5))
    cells = (start_c,) * build.slab.cells
    return Plant(start_c, start_c, start_c, start_c, start_c, start_c, cells, (start_c,) * len(build.sensors), start_c,
                 start_c, late, 0.0, 0.0, 0.0)


def stored_j(build: Build, plant: Plant) -> float:
    """Energy held, counted from 0 °C."""
    slab = build.slab
    cell_c = slab.area_m2 * slab.half_m / slab.cells * slab.heat_j_per_m3k
    return (build.element_c * plant.element + build.air_c * plant.air + build.wall_c * plant.wall
            + build.inner_c * plant.inner + build.outer_c * plant.outer + build.pan_c * plant.pan
            + cell_c * sum(plant.cells))


def step(plant: Plant, build: Build, watts: float, dt_s: float, room_c: float = 21.0, mixing: float = 1.0,
         door_open: bool = False) -> Plant:
    """The chamber `dt_s` later, with `watts` in the element. `mixing` is 1 with the fan on and 0 in still air."""
    while dt_s > STEP_MAX_S:
        plant = _step(plant, build, watts, STEP_MAX_S, room_c, mixing, door_open)
        dt_s -= STEP_MAX_S
    return _step(plant, build, watts, dt_s, room_c, mixing, door_open)


def _step(plant: Plant, build: Build, watts: float, dt_s: float, room_c: float, mixing: float, door: bool) -> Plant:
    """One step. Long because it is one set of equations, and because local names are quick."""
    (element, air, wall, inner, outer, pan, cells, sensors, part_sensor, limiter_sensor, late, late_s, in_j,
     lost_j) = plant
    (element_c, air_c, wall_c, inner_c, outer_c, pan_c, element_air, wall_air, pan_air, wall_inner, inner_outer,
     outer_room, leak, door_g, element_wall, element_pan, element_part, slab, spots, part_lag, limiter_share,
     limiter_lag) = build
    half_m, conductivity, _, area, film, emissivity, count = slab
    moved = STILL_AIR + (1.0 - STILL_AIR) * mixing
    element_air *= moved
    wall_air *= moved
    pan_air *= moved
    out = leak + door_g if door else leak
    half_cell = 0.5 * half_m / (count * conductivity)
    part_air = area / (1.0 / (film * moved) + half_cell)
    surface = cells[-1]

    air_gain = dt_s / air_c
    all_air = element_air + wall_air + pan_air + part_air + out
    pull = element_air * element + wall_air * wall + pan_air * pan + part_air * surface + out * room_c
    new_air = (air + air_gain * pull) / (1.0 + air_gain * all_air)

    hot = (element + KELVIN) * (element + KELVIN) * 1e-4
    mid = (wall + KELVIN) * (wall + KELVIN) * 1e-4
    low = (pan + KELVIN) * (pan + KELVIN) * 1e-4
    cool = (surface + KELVIN) * (surface + KELVIN) * 1e-4
    hot *= SIGMA_E8 * hot
    mid *= SIGMA_E8 * mid
    cool *= SIGMA_E8 * cool
    to_wall = element_wall * (hot - mid)
    to_pan = element_pan * (hot - SIGMA_E8 * low * low)
    to_part = element_part * (hot - cool)
    wall_part = emissivity * area * (mid - cool)

    from_element = element_air * (element - new_air)
    from_wall = wall_air * (wall - new_air)
    from_pan = pan_air * (pan - new_air)
    from_part = part_air * (surface - new_air)
    through = wall_inner * (wall - inner)
    between = inner_outer * (inner - outer)
    outside = outer_room * (outer - room_c)

    late_s += dt_s
    while late_s >= DELAY_STEP_S:
        late = (*late[1:], new_air)
        late_s -= DELAY_STEP_S
    near = new_air + limiter_share / moved * (element - new_air)
    mixed_s = dt_s * moved
    return new_tuple(Plant, (
        element + dt_s / element_c * (watts - from_element - to_wall - to_pan - to_part),
        new_air,
        wall + dt_s / wall_c * (to_wall - from_wall - wall_part - through),
        inner + dt_s / inner_c * (through - between),
        outer + dt_s / outer_c * (between - outside),
        pan + dt_s / pan_c * (to_pan - from_pan),
        conduct(cells, slab, (to_part + wall_part - from_part) / area, dt_s),
        tuple([was + mixed_s / (lag + mixed_s) * (share * late[0] + (1.0 - share) * wall - was)
               for was, (share, lag) in zip(sensors, spots, strict=True)]),
        part_sensor + dt_s / (part_lag + dt_s) * (cells[0] - part_sensor),
        limiter_sensor + dt_s / (limiter_lag + dt_s) * (near - limiter_sensor),
        late,
        late_s,
        in_j + watts * dt_s,
        lost_j + dt_s * (outside + out * (new_air - room_c)),
    ))


def conduct(cells: tuple[float, ...], slab: Slab, watts_per_m2: float, dt_s: float) -> tuple[float, ...]:
    """The slab's cells `dt_s` later, with a flux into its face and none through its middle. Implicit in time, so any
    number of cells is stable; what goes in is exactly what the cells gain."""
    ratio, per_flux, factors, divisors = _sweep(slab, len(cells), dt_s)
    carried = 0.0
    solved = []
    for cell, divisor in zip(cells, divisors, strict=True):
        carried = (cell + ratio * carried) * divisor
        solved.append(carried)
    # The flux enters the outermost cell only, which the sweep reaches last: it is added there.
    after = solved[-1] = carried + per_flux * watts_per_m2 * divisors[-1]
    for index, factor in factors:
        after = solved[index] = solved[index] + factor * after
    return tuple(solved)


@lru_cache(maxsize=256)
def _sweep(slab: Slab, count: int, dt_s: float) -> tuple[float, float, tuple[tuple[int, float], ...], tuple[float, ...]]:
    """The elimination of the slab's tridiagonal matrix, the same for every step of one length: what a cell takes of its
    neighbour, K per W/m2 of flux, and the factors of the way back (second outermost cell first) and the way out."""
    cell_m = slab.half_m / count
    ratio = dt_s * slab.conductivity / (slab.heat_j_per_m3k * cell_m * cell_m)
    factors: list[float] = []
    divisors: list[float] = []
    factor = 0.0
    for index in range(count):
        neighbours = (index > 0) + (index < count - 1)
        divisor = 1.0 / (1.0 + neighbours * ratio - ratio * factor)
        factor = ratio * divisor
        factors.append(factor)
        divisors.append(divisor)
    back = tuple(reversed(tuple(enumerate(factors[:-1]))))
    return ratio, dt_s / (slab.heat_j_per_m3k * cell_m), back, tuple(divisors)


def convected(cells: tuple[float, ...], slab: Slab, air_c: float) -> float:
    """Flux into a face from air at `air_c` through the slab's film, W/m2."""
    half_cell = 0.5 * slab.half_m / (len(cells) * slab.conductivity)
    return (air_c - cells[-1]) / (1.0 / slab.film + half_cell)


def face_c(cells: tuple[float, ...], slab: Slab, watts_per_m2: float) -> float:
    """Temperature of the face itself, from the outermost cell and the flux through it."""
    return cells[-1] + watts_per_m2 * 0.5 * slab.half_m / (len(cells) * slab.conductivity)


def middle_c(cells: tuple[float, ...]) -> float:
    """Temperature of the middle plane: the parabola through the two innermost cells (flux is zero there)."""
    if len(cells) == 1:
        return cells[0]
    return cells[0] - (cells[1] - cells[0]) * 0.125
