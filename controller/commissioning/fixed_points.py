"""Two temperatures that nature gives: melting ice, and water that boils at a known pressure; and what they correct.

A correction is linear: `corrected = raw + offset_mc + raw * slope_ppm // 1_000_000`, with its expanded uncertainty (k = 2,
JCGM 100) over 0 °C to the ceiling. The half-widths below without a named source are assumptions, common practice, no source;
`tests/bench/proofs_sensors.py` measures whether what they come to is kept.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from controller.commissioning.budget import Budget, Share, add_up, spread, steps, within

BOIL_N = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)
"""IAPWS-IF97, region 4, backward equation T(p): its ten coefficients."""
BOIL_LOW_HPA, BOIL_HIGH_HPA = 100.0, 1_200.0
"""Wider than the air on land; the equation itself goes on."""

G_OVER_R = 9.80665 / 287.05287
"""K/m: standard gravity over the gas constant of dry air (ICAO Doc 7488, ISO 2533)."""
LAPSE_K_PER_M = 0.0065
ISA_SEA_LEVEL_K = 288.15
KELVIN = 273.15
ALTITUDE_LOW_M, ALTITUDE_HIGH_M = -430.0, 5_500.0
AIR_OFF_K, AIR_UNKNOWN_K = 10.0, 20.0
"""How far the air that the weather service reduced with may be from the air typed in, or from the standard air."""
ALTITUDE_OFF_M = 20.0
REPORT_OFF_HPA = 2.0
"""An hour's age and some 50 km of distance."""
BAROMETER_OFF_HPA = 3.0

ROUND_MC = 250
"""The converter's step when nothing else is known."""
ICE_CAREFUL_MC, ICE_CARELESS_MC = 100, 200
BOIL_ABOVE_MC, BOIL_OFF_MC = 150, 300
"""An open, hard boil is a little above the boiling point of its surface: depth and overheating."""
IMMERSION = 0.002
"""Share of the way to the room's temperature that a thin tip 6 cm deep may be off by heat along its sheath."""
ROOM_MC = 22_000

CLASS_2 = {"K": (2_500, 0.0075), "J": (2_500, 0.0075), "T": (1_000, 0.0075)}
"""IEC 60584-1, class 2: the greater of this and this share of the temperature."""
CONVERTER_MC = 1_000
COLD_JUNCTION_MC = 2_000
"""What simple converter chips promise of themselves (from memory of their data sheets): conversion, cold junction."""
TERMINALS_K = 20.0
"""Terminals may be so much warmer or colder later than they were at the ice."""
COLD_JUNCTION_PER_K = 0.02
"""By so much may a cold junction's error move with its temperature."""
NOISE_MC = 120
REPEAT_MC = 300
"""The same wire bent, heated and put back."""
CURVE_MC = 250
"""Half-way between ice and boiling the error of a class 2 wire may leave the straight line by so much: a tenth of its class."""
SPAN_MC = 100_000
APART_MC = 50_000
CHECK_EVERY_MC = 5_000
MILLION = 1_000_000


class Pressure(NamedTuple):
    """Air pressure where the water boils, with its standard uncertainty."""

    hpa: float
    u_hpa: float


class Point(NamedTuple):
    """One sensor at one known temperature: what was true, what it showed, and the standard uncertainty of the difference."""

    sensor: str
    true_mc: int
    seen_mc: int
    u_mc: int

    @property
    def error_mc(self) -> int:
        return self.seen_mc - self.true_mc


class Correction(NamedTuple):
    """What is added to a raw value, and how well that is known."""

    offset_mc: int
    slope_ppm: int
    uncertainty_mc: int
    """Expanded, k = 2, the greatest between 0 °C and `ceiling_mc`."""
    at_mc: int
    """Where it is greatest."""
    ceiling_mc: int
    points: int
    """How many fixed points it rests on: 0, 1 or 2."""
    budget: Budget
    """At `at_mc`."""

    def corrected_mc(self, raw_mc: int) -> int:
        """The corrected value of a raw one, in integers."""
        return raw_mc + self.offset_mc + raw_mc * self.slope_ppm // MILLION


class TooFarOff(ValueError):
    """No correction is made of what a good sensor cannot show: it goes to diagnosis (`couples.diagnose`)."""

    def __init__(self, point: Point, limit_mc: int) -> None:
        self.point, self.limit_mc = point, limit_mc
        super().__init__(
            f"sensor {point.sensor} shows {point.seen_mc / 1000:.1f} °C at {point.true_mc / 1000:.1f} °C: "
            f"{point.error_mc / 1000:+.1f} °C, and a good one is within {limit_mc / 1000:.1f} °C. "
            "Look for what is wired wrongly; a correction would only hide it."
        )


def boiling_mc(station_hpa: float) -> int:
    """0.001 °C at which water boils at this pressure where it stands (IAPWS-IF97, region 4, equation 31).

    Raises ValueError outside 100 to 1,200 hPa: that is no air pressure on land.
    """
    if not BOIL_LOW_HPA <= station_hpa <= BOIL_HIGH_HPA:
        raise ValueError(f"pressure {station_hpa:g} hPa is not within {BOIL_LOW_HPA:g} to {BOIL_HIGH_HPA:g} hPa; "
                         "type the air pressure in hPa (760 mmHg are 1,013 hPa)")
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = BOIL_N
    beta = math.sqrt(math.sqrt(station_hpa * 1e-4))
    e = (beta + n3) * beta + n6
    f = (n1 * beta + n4) * beta + n7
    g = (n2 * beta + n5) * beta + n8
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    kelvin = 0.5 * (n10 + d - math.sqrt((n10 + d) ** 2 - 4.0 * (n9 + n10 * d)))
    return round((kelvin - KELVIN) * 1000.0)


def station_hpa(reduced_hpa: float, altitude_m: float, air_c: float | None = None) -> Pressure:
    """Pressure at `altitude_m` from one reduced to sea level, with what the reduction leaves open.

    Hypsometric equation over an air column of 6.5 K/km (ISO 2533; the reduction of WMO-No. 8 without its humidity term).
    `air_c` is the outdoor air there; None takes the standard air's. Weather services reduce either with the air as it is or
    with the standard air, and do not say which: that, the report's age, and 20 m of altitude make the uncertainty.
    Raises ValueError outside -430 to 5,500 m.
    """
    if not ALTITUDE_LOW_M <= altitude_m <= ALTITUDE_HIGH_M:
        raise ValueError(f"altitude {altitude_m:g} m is not within {ALTITUDE_LOW_M:g} to {ALTITUDE_HIGH_M:g} m; "
                         "type metres above sea level")
    standard_k = ISA_SEA_LEVEL_K - 0.5 * LAPSE_K_PER_M * altitude_m
    column_k = standard_k if air_c is None else air_c + KELVIN + 0.5 * LAPSE_K_PER_M * altitude_m
    off_k = AIR_UNKNOWN_K if air_c is None else AIR_OFF_K + abs(column_k - standard_k)
    hpa = reduced_hpa * math.exp(-G_OVER_R * altitude_m / column_k)
    parts_hpa = (
        hpa * G_OVER_R * abs(altitude_m) / (column_k * column_k) * off_k,
        hpa * G_OVER_R / column_k * ALTITUDE_OFF_M,
        REPORT_OFF_HPA,
    )
    return Pressure(hpa, math.sqrt(sum(part * part for part in parts_hpa) / 3.0))


def barometer_hpa(hpa: float) -> Pressure:
    """Station pressure read from a barometer beside the pan."""
    return Pressure(hpa, BAROMETER_OFF_HPA / math.sqrt(3.0))


def ice_point(sensor: str, seen_mc: int, seen_u_mc: int, careful: bool = True) -> Point:
    """The point that a flask of melting ice gives. `careful`: crushed, packed and stirred; else ice cubes in water."""
    bath_mc = ICE_CAREFUL_MC if careful else ICE_CARELESS_MC
    shares = (within("bath", bath_mc), within("heat along the sheath", ROOM_MC * IMMERSION), spread("readings", seen_u_mc))
    return Point(sensor, 0, seen_mc, math.ceil(add_up(shares).combined_mc))


def boiling_point(sensor: str, seen_mc: int, seen_u_mc: int, pressure: Pressure) -> Point:
    """The point that hard boiling water gives at this pressure. Raises ValueError as `boiling_mc`."""
    at_mc = boiling_mc(pressure.hpa)
    per_hpa_mc = boiling_mc(min(pressure.hpa + 0.5, BOIL_HIGH_HPA)) - boiling_mc(max(pressure.hpa - 0.5, BOIL_LOW_HPA))
    shares = (within("bath", BOIL_OFF_MC), within("heat along the sheath", (at_mc - ROOM_MC) * IMMERSION),
              spread("pressure", per_hpa_mc * pressure.u_hpa), spread("readings", seen_u_mc))
    return Point(sensor, at_mc + BOIL_ABOVE_MC, seen_mc, math.ceil(add_up(shares).combined_mc))


def class_2_mc(kind: str, at_mc: float) -> float:
    """What a new class 2 wire may be off at this temperature (IEC 60584-1)."""
    least_mc, share = CLASS_2[kind]
    return max(least_mc, share * abs(at_mc))


def believable_mc(point: Point, kind: str = "K") -> int:
    """How far off a good sensor may be here: wire and cold junction in squares, and twice the point's own uncertainty."""
    wire_mc = class_2_mc(kind, point.true_mc)
    return round(math.hypot(wire_mc, COLD_JUNCTION_MC)) + 2 * point.u_mc


def correction(ice: Point | None, boil: Point | None, ceiling_mc: int = 130_000, kind: str = "K",
               step_mc: int = ROUND_MC) -> Correction:
    """The correction that these points give, with its uncertainty from 0 °C to the ceiling.

    Two points give offset and slope, one an offset alone, none nothing but the class of the wire. `kind` is the wire's
    letter. Raises TooFarOff for what no good sensor shows, ValueError for points of two sensors or too near each other.
    """
    points = [point for point in (ice, boil) if point is not None]
    for point in points:
        if abs(point.error_mc) > believable_mc(point, kind):
            raise TooFarOff(point, believable_mc(point, kind))
    slope, offset_mc = _line(points)
    places = (*range(0, ceiling_mc, CHECK_EVERY_MC), ceiling_mc)
    budgets = {at_mc: add_up(_shares(points, slope, at_mc, kind, step_mc)) for at_mc in places}
    worst_mc = max(budgets, key=lambda at_mc: budgets[at_mc].expanded_mc)
    worst = budgets[worst_mc]
    return Correction(round(offset_mc), round(slope * MILLION), worst.expanded_mc, worst_mc, ceiling_mc, len(points), worst)


def uncertainty_at(ice: Point | None, boil: Point | None, at_mc: int, kind: str = "K", step_mc: int = ROUND_MC) -> Budget:
    """The budget of one corrected reading at this temperature."""
    points = [point for point in (ice, boil) if point is not None]
    return add_up(_shares(points, _line(points)[0], at_mc, kind, step_mc))


def may_say_within(uncertainty_mc: int, claim_mc: int) -> bool:
    """Whether "within so much" may be said: only when the expanded uncertainty is no larger."""
    return 0 < uncertainty_mc <= claim_mc


def _line(points: list[Point]) -> tuple[float, float]:
    """(slope, offset in 0.001 °C) to be added, as functions of the raw value."""
    if len(points) < 2:
        return 0.0, -float(points[0].error_mc) if points else 0.0
    ice, boil = points
    if ice.sensor != boil.sensor:
        raise ValueError(f"ice point of {ice.sensor}, boiling point of {boil.sensor}: take both with the same sensor")
    apart_mc = boil.true_mc - ice.true_mc
    if apart_mc < APART_MC:
        raise ValueError(f"points are {apart_mc / 1000:g} °C apart, at least {APART_MC / 1000:g} °C are needed; "
                         "take one in melting ice and one in boiling water")
    slope = (ice.error_mc - boil.error_mc) / (boil.seen_mc - ice.seen_mc)
    return slope, -ice.error_mc - slope * ice.seen_mc


def _shares(points: list[Point], slope: float, at_mc: int, kind: str, step_mc: int) -> Iterator[Share]:
    if len(points) == 2:
        yield from _between(points[0], points[1], slope, at_mc)
    elif points:
        yield from _from_one(points[0], at_mc, kind)
    else:
        yield within("wire, class 2", class_2_mc(kind, at_mc))
        yield within("converter", CONVERTER_MC)
        yield within("cold junction", COLD_JUNCTION_MC)
    yield within("terminals at another temperature: cold junction", 1000.0 * TERMINALS_K * COLD_JUNCTION_PER_K)
    yield within("wire bent, heated, put back", REPEAT_MC)
    yield spread("noise of one reading", NOISE_MC)
    yield steps("step of one reading", step_mc)


def _between(ice: Point, boil: Point, slope: float, at_mc: int) -> Iterator[Share]:
    share = (at_mc - ice.true_mc) / (boil.true_mc - ice.true_mc)
    yield spread("ice point", (1.0 - share) * ice.u_mc)
    yield spread("boiling point", share * boil.u_mc)
    yield within("error not on the straight line", 4.0 * share * (1.0 - share) * CURVE_MC)
    yield within("terminals at another temperature: wire", 1000.0 * TERMINALS_K * abs(slope))


def _from_one(point: Point, at_mc: int, kind: str) -> Iterator[Share]:
    """A wire's error grows with the temperature along it, so it is known beside the point and unknown far from it."""
    away = min(1.0, abs(at_mc - point.true_mc) / SPAN_MC)
    yield spread("the fixed point", point.u_mc)
    yield within("wire, class 2, away from the point", away * class_2_mc(kind, at_mc))
    yield within("converter, away from the point", away * CONVERTER_MC)
    yield within("terminals at another temperature: wire", TERMINALS_K * class_2_mc(kind, SPAN_MC) / (SPAN_MC / 1000.0))
