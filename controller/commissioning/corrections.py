"""What the ice and boiling points that were shown say of each sensor. It follows the probe's id, whatever socket it is in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NamedTuple

from controller.commissioning import fixed_points
from controller.commissioning.fixed_points import Point, TooFarOff
from controller.commissioning.proofs import Proof
from controller.commissioning.store import Kept, is_given, touches
from controller.core.setup import Chamber, SensorSetup

ICE, BOIL = "ice_point", "boiling_point"
SPAN_MC = 60_000
"""No value of a good sensor is farther from its bath than this; a row that says otherwise is none."""


class Found(NamedTuple):
    """As `core.state.Commissioned` carries it."""

    offset_mc: int
    slope_ppm: int
    uncertainty_mc: int


def found(kept: Kept, chamber: Chamber, typed: Sequence[SensorSetup]) -> tuple[Found, ...]:
    """One a sensor of the chamber, in its order. `typed` are the sensors as the chamber file has them: what is typed counts
    only while nothing was shown of that sensor."""
    return tuple(_of(kept, chamber, sensor) for sensor in typed)


def corrected(kept: Kept, chamber: Chamber) -> Chamber:
    """The chamber of the file with what was shown in place of what was typed."""
    rows = found(kept, chamber, chamber.sensors)
    sensors = tuple(sensor._replace(correction_mc=row.offset_mc, slope_ppm=row.slope_ppm, uncertainty_mc=row.uncertainty_mc)
                    for sensor, row in zip(chamber.sensors, rows, strict=True))
    return replace(chamber, sensors=sensors)


def values_of(point: Point) -> dict[str, Any]:
    """How a point is kept in its proof."""
    return {"true_mc": point.true_mc, "seen_mc": point.seen_mc, "u_mc": point.u_mc}


def point_of(row: Proof | None) -> Point | None:
    """The point of a proof that passed; None where there is none."""
    if row is None or not row.passed or is_given(row):
        return None
    numbers = [row.values.get(name) for name in ("true_mc", "seen_mc", "u_mc")]
    if not all(type(one) is int for one in numbers):
        return None
    true_mc, seen_mc, u_mc = (int(one) for one in numbers if one is not None)
    return Point(row.sensor, true_mc, seen_mc, u_mc) if abs(seen_mc - true_mc) < SPAN_MC and 0 <= u_mc < SPAN_MC else None


def points(kept: Kept, sensor: str) -> tuple[Point | None, Point | None]:
    """Ice and boiling point of a sensor: each the newest that no change has voided, however old it is."""
    return _point(kept, ICE, sensor), _point(kept, BOIL, sensor)


def _point(kept: Kept, step: str, sensor: str) -> Point | None:
    rows = [row for row in kept.proofs if row.step == step and row.sensor == sensor and row.passed]
    good = [row for row in rows if not any(mark.utc_us >= row.utc_us and touches(mark, row) for mark in kept.voided)]
    return point_of(good[-1]) if good else None


def _of(kept: Kept, chamber: Chamber, sensor: SensorSetup) -> Found:
    typed = Found(sensor.correction_mc, sensor.slope_ppm, sensor.uncertainty_mc)
    if kept.board != chamber.board or (kept.invented and not chamber.simulated):
        return typed
    ice, boil = points(kept, sensor.id)
    if ice is None and boil is None:
        return typed
    try:
        made = fixed_points.correction(ice, boil, chamber.limits.ceiling_mc)
    except (TooFarOff, ValueError):
        return typed
    return Found(made.offset_mc, made.slope_ppm, made.uncertainty_mc)
