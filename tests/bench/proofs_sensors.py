"""Proofs of sensors: is a correction recovered from simulated baths inside its stated uncertainty, and is a mistake named?

The truth is made here and knows nothing of the budget: a class 2 wire whose error is a random smooth curve within its
tolerance (IEC 60584-1), a converter with an offset and a cold junction that errs with its temperature, noise of 0.12 °C,
steps of 0.25 °C, an ice bath a little too warm, water that boils a little above its boiling point, and a pressure from a
weather report, an hour old, reduced to sea level in one of the two usual ways, with an altitude read from a map.
"""

from __future__ import annotations

import math
from random import Random
from typing import NamedTuple

from controller.commissioning.couples import InBath, diagnose
from controller.commissioning.fixed_points import (
    Correction,
    TooFarOff,
    boiling_mc,
    boiling_point,
    class_2_mc,
    correction,
    ice_point,
    may_say_within,
    station_hpa,
)
from controller.commissioning.its90 import converted_c
from controller.commissioning.steady import Seen, State, Steady
from tests.bench.figure import QUICK, Figure, at_most, median

SEEDS = 60 if QUICK else 400
CEILING_C, EVERY_C = 130, 10
NOISE_C, STEP_C = 0.12, 0.25
SECOND_US = 1_000_000
PATIENCE_S = 600
CLAIM_MC = 2_000
INSIDE_GOAL, USEFUL_C = 95.0, 1.5


class Wire(NamedTuple):
    """Error of a wire in °C against a junction at 0 °C: nothing there, and a smooth curve within class 2 up to the ceiling."""

    per_c: float
    bend: float
    wave: float
    phase: float

    def error_c(self, at_c: float) -> float:
        x = at_c / 100.0
        return self.per_c * x + self.bend * x * x + self.wave * (math.sin(2.5 * x + self.phase) - math.sin(self.phase))


class Sensor(NamedTuple):
    """A wire and its converter."""

    wire: Wire
    offset_c: float
    cold_c: float
    cold_per_k: float
    random: Random

    def reads_mc(self, true_c: float, terminals_c: float) -> int:
        """One reading in 0.001 °C."""
        wire_c = self.wire.error_c(true_c) - self.wire.error_c(terminals_c)
        cold_c = self.cold_c + self.cold_per_k * (terminals_c - 25.0)
        shown_c = true_c + wire_c + self.offset_c + cold_c + self.random.gauss(0.0, NOISE_C)
        return round(1000 * STEP_C * round(shown_c / STEP_C))


def sensor(random: Random) -> Sensor:
    """A sensor as it is bought: the wire drawn until it keeps its class."""
    while True:
        wire = Wire(random.uniform(-3.0, 3.0), random.uniform(-0.8, 0.8), random.uniform(0.0, 0.15), random.uniform(0.0, 6.3))
        if all(abs(wire.error_c(c)) <= class_2_mc("K", 1000 * c) / 1000 for c in range(0, CEILING_C + 1, 5)):
            return Sensor(wire, random.uniform(-0.4, 0.4), random.uniform(-0.7, 0.7), random.uniform(-0.02, 0.02), random)


class Kitchen(NamedTuple):
    """Where it boils: what is true, and what is typed."""

    hpa: float
    typed_hpa: float
    typed_m: float
    air_c: float | None


def kitchen(random: Random) -> Kitchen:
    altitude_m = random.choice((0.0, random.uniform(0, 600), random.uniform(0, 2_500)))
    air_c = random.uniform(-10, 32) - 0.0065 * altitude_m
    hpa = 1013.25 * (1 - 0.0065 * altitude_m / 288.15) ** 5.2559 + random.gauss(0.0, 9.0)
    real_k = air_c + 273.15 + 0.00325 * altitude_m
    column_k = random.choice((real_k, 288.15 - 0.00325 * altitude_m))
    reduced_hpa = hpa * math.exp(9.80665 * altitude_m / 287.05 / column_k)
    typed_c = air_c + random.uniform(-6, 6) if random.random() < 0.5 else None
    return Kitchen(hpa, round(reduced_hpa + random.uniform(-1.5, 1.5)), round(altitude_m + random.uniform(-15, 15)), typed_c)


def steady(one: Sensor, bath_c: float, near_c: float, terminals_c: float) -> Seen:
    """The sensor put into the bath from the room, watched until it is steady. The bath wanders by some hundredths."""
    watch, tip_c, wander_c = Steady(round(near_c * 1000)), terminals_c, 0.0
    for second in range(PATIENCE_S):
        tip_c += (bath_c - tip_c) / 6.0
        wander_c += -0.05 * wander_c + one.random.gauss(0.0, 0.01)
        seen = watch.feed(second * SECOND_US, one.reads_mc(tip_c + wander_c, terminals_c), round(terminals_c * 1000))
        if seen.state is State.STEADY:
            return seen
    raise RuntimeError(f"not steady in {PATIENCE_S} s: {seen}")


class Made(NamedTuple):
    """A sensor with what was made of its baths."""

    one: Sensor
    both: Correction
    ice_alone: Correction


def made(seed: int) -> Made:
    """A correction made as a person makes it. Raises TooFarOff as the product does."""
    random = Random(seed)
    one, place, careful = sensor(random), kitchen(random), random.random() < 0.5
    terminals_c = random.uniform(18.0, 28.0)
    immersion = random.uniform(0.0, 0.002)
    ice_c = random.uniform(-0.02, 0.1 if careful else 0.2)
    boil_c = boiling_mc(place.hpa) / 1000 + random.uniform(-0.1, 0.4)
    ice_seen = steady(one, ice_c + immersion * (terminals_c - ice_c), 0.0, terminals_c)
    boil_seen = steady(one, boil_c + immersion * (terminals_c - boil_c), 100.0, terminals_c)
    ice = ice_point("air", ice_seen.mean_mc, ice_seen.u_mc, careful)
    boil = boiling_point("air", boil_seen.mean_mc, boil_seen.u_mc, station_hpa(place.typed_hpa, place.typed_m, place.air_c))
    return Made(one, correction(ice, boil, CEILING_C * 1000), correction(ice, None, CEILING_C * 1000))


def off_mc(one: Sensor, how: Correction, terminals_c: float) -> list[float]:
    """By how much single corrected readings miss the truth, at every ten degrees up to the ceiling."""
    return [abs(how.corrected_mc(one.reads_mc(c, terminals_c)) - 1000 * c) for c in range(0, CEILING_C + 1, EVERY_C)]


def recovered() -> list[Figure]:
    """sensor correction recovered from simulated ice and boiling points"""
    held = {"both": 0, "ice_alone": 0}
    stated, share, refused, near, counted = [], [], 0, 0, 0
    for seed in range(SEEDS):
        try:
            case = made(seed)
        except TooFarOff:
            refused += 1
            continue
        later_c = Random(-1 - seed).uniform(20.0, 42.0)
        for name in held:
            how: Correction = getattr(case, name)
            missed = off_mc(case.one, how, later_c)
            held[name] += max(missed) <= how.uncertainty_mc
            if name == "both":
                near += sum(each <= how.uncertainty_mc for each in missed)
                counted += len(missed)
                share.append(max(missed) / how.uncertainty_mc)
                stated.append(how)
    good = len(stated)
    stated_c = median([how.uncertainty_mc / 1000 for how in stated])
    said = sum(may_say_within(how.uncertainty_mc, CLAIM_MC) for how in stated)
    return [
        _at_least(f"correction inside its uncertainty, all of 0..130 °C, {good} seeds", 100 * held["both"] / good, INSIDE_GOAL),
        _at_least("  the same, of single readings", 100 * near / counted, INSIDE_GOAL),
        at_most("proofs", "  stated uncertainty (k = 2), median", stated_c, "°C", USEFUL_C),
        at_most("proofs", "  largest miss over stated uncertainty, median", median(share), "", 1.0),
        _at_least("  of which 2 °C may be said", 100 * said / good, INSIDE_GOAL),
        _at_least("ice point alone: inside its uncertainty at all", 100 * held["ice_alone"] / good, INSIDE_GOAL),
        at_most("proofs", "good sensors sent to diagnosis instead", 100 * refused / SEEDS, "%", 5.0),
    ]


MISTAKES = (
    {"reversed_leads": True}, {"wire": "J"}, {"wire": "T"}, {"wire": "J", "table": "T"}, {"wire": "T", "table": "J"},
    {"table": "J"}, {"table": "T"}, {"cold_read_c": 0.0},
)


def cause_of(mistake: dict[str, object]) -> str:
    named = {"reversed_leads": "reversed", "cold_read_c": "no_cold_junction"}
    return next((named[key] for key in mistake if key in named), f"wire_{str(mistake.get('wire', 'K')).lower()}")


def named() -> list[Figure]:
    """a mistake of the wiring is named among the causes"""
    first = among = hidden = count = 0
    for seed in range(SEEDS):
        random = Random(seed)
        one = sensor(random)
        for mistake in MISTAKES:
            cold_c, count = random.uniform(18.0, 32.0), count + 1
            baths = [InBath(round(1000 * true_c), round(1000 * converted_c(true_c, cold_c, **mistake))
                            + one.reads_mc(true_c, cold_c) - round(1000 * true_c), round(1000 * cold_c))
                     for true_c in (0.0, random.uniform(92.0, 100.5))]
            causes = [finding.cause for finding in diagnose(str(mistake.get("table", "K")), baths)]
            first += causes[0] == cause_of(mistake)
            among += cause_of(mistake) in causes
            hidden += causes == ["fine"]
    return [
        _at_least(f"planted wiring mistake named first, {count} cases", 100 * first / count, 90.0),
        _at_least("  named at all", 100 * among / count, INSIDE_GOAL),
        at_most("proofs", "  called fine (K and T differ by 4 °C, class 2 by 2.5)", 100 * hidden / count, "%", 5.0),
    ]


def _at_least(name: str, percent: float, goal: float) -> Figure:
    return Figure("proofs", name, float(f"{percent:.4g}"), "%", goal, percent >= goal)


ROWS = (recovered, named)
