"""What the ice and boiling points that were shown say of each sensor. It follows the probe's id, whatever socket it is in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NamedTuple

from controller.commissioning import fixed_points
from controller.commissioning.fixed_points import Point, TooFarOff
from controller.commissioning.proofs import Proof
from controller.commissioning.shown import degrees
from controller.commissioning.steps import BY_ID
from controller.commissioning.store import Kept, is_given, touches
from controller.core.setup import Chamber, SensorSetup

ICE, BOIL = "ice_point", "boiling_point"
DAY_US = 86_400_000_000
CLAIM_MC = 2_000
SPAN_MC = 60_000
"""No value of a good sensor is farther from its bath than this; a row that says otherwise is none."""


class Found(NamedTuple):
    """As `core.state.Commissioned` carries it."""

    offset_mc: int
    slope_ppm: int
    uncertainty_mc: int


def found(kept: Kept, chamber: Chamber, typed: Sequence[SensorSetup], utc_us: int) -> tuple[Found, ...]:
    """One a sensor of the chamber, in its order. `typed` are the sensors as the chamber file has them: what is typed counts
    only while nothing was shown of that sensor.

    A correction outlives the time of its proof, its small uncertainty does not: that is then the one of a sensor of which
    nothing was shown, as it is where nothing was. A larger one that was typed stands; a smaller one is nobody's knowledge."""
    return tuple(_of(kept, chamber, sensor, utc_us) for sensor in typed)


def corrected(kept: Kept, chamber: Chamber, utc_us: int) -> Chamber:
    """The chamber of the file with what was shown in place of what was typed."""
    rows = found(kept, chamber, chamber.sensors, utc_us)
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
    return point_of(_row(kept, ICE, sensor)), point_of(_row(kept, BOIL, sensor))


def known_words(ice: Point | None, boil: Point | None, ceiling_mc: int) -> str:
    """How well a sensor is known by these points, for a table; empty where they are no good sensor's."""
    try:
        return f"known to ±{degrees(fixed_points.correction(ice, boil, ceiling_mc).uncertainty_mc)}"
    except (TooFarOff, ValueError):
        return ""


def claim_words(uncertainty_mc: int) -> str:
    """Whether "within 2 °C" may be said of the control sensor."""
    may = fixed_points.may_say_within(uncertainty_mc, CLAIM_MC)
    return (f"\"Within {CLAIM_MC // 1000} °C\" may {'' if may else 'not '}be said of the control sensor: "
            f"it is known to ±{degrees(uncertainty_mc)}.")


def _row(kept: Kept, step: str, sensor: str) -> Proof | None:
    rows = [row for row in kept.proofs if row.step == step and row.sensor == sensor and row.passed]
    good = [row for row in rows if not any(mark.utc_us >= row.utc_us and touches(mark, row) for mark in kept.voided)]
    return good[-1] if good else None


def _of(kept: Kept, chamber: Chamber, sensor: SensorSetup, utc_us: int) -> Found:
    ceiling_mc = chamber.limits.ceiling_mc
    nothing_mc = max(sensor.uncertainty_mc, fixed_points.correction(None, None, ceiling_mc).uncertainty_mc)
    typed = Found(sensor.correction_mc, sensor.slope_ppm, nothing_mc)
    if kept.board != chamber.board or (kept.invented and not chamber.simulated):
        return typed
    rows = [row for step in (ICE, BOIL) if point_of(row := _row(kept, step, sensor.id)) is not None and row is not None]
    if not rows:
        return typed
    try:
        made = fixed_points.correction(*points(kept, sensor.id), ceiling_mc)
    except (TooFarOff, ValueError):
        return typed
    ended = any(not 0 <= utc_us - row.utc_us < BY_ID[row.step].valid.days * DAY_US for row in rows)
    return Found(made.offset_mc, made.slope_ppm, nothing_mc if ended else made.uncertainty_mc)
