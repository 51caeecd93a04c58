"""The survey of the empty chamber: how even and how steady its air is, from one sensor that travels from place to place.

Each place is a run of its own, and no two runs come to quite the same level. So every place is related to what the control
sensor read at the same time: mean of (travelling - control) there, plus the control sensor's mean over all runs. What is
constant in either sensor's error then drops out of every difference between places. What stays is that a place need not
follow a shift of level fully; a tenth of the largest shift is allowed for that, and for putting the sensor into place again.

Definitions: IEC 60068-3-5 (fluctuation, gradient, variation in space; from memory) and DKD-R 5-7 (inhomogeneity and
instability, half-widths of rectangular distributions). Designed with reference to them; no compliance is claimed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from controller.commissioning.budget import Budget, Share, add_up, expanded, steps, within

CENTRE = "centre"
WALL_SHARE, WALL_MIN_MM = 0.1, 50.0
"""IEC 60068-3-5: a tenth of the dimension, at least 50 mm from the wall."""
READINGS_MIN = 3
FOLLOWS = 0.1
AGAIN_MC = 200
"""What putting the sensor a finger's breadth beside its place may change (assumed, no source)."""
LOADED_SHARE = 0.2
"""DKD-R 5-7: a fifth of the difference between loaded and empty."""
RADIATION_MC = 300
"""Sensor and part exchange heat with walls that are hotter or colder than the air (assumed, no source)."""
CLASSES_MC = ((3_000, 1), (6_000, 2), (8_000, 3), (10_000, 4), (14_000, 5), (28_000, 6))
"""AMS 2750: the furnace classes' half-widths, in Celsius as printed there."""


class Spot(NamedTuple):
    """One place of the travelling sensor."""

    id: str
    words: str


_MIDDLE = Spot(CENTRE, "in the middle")
_CORNERS = tuple(
    Spot(f"{height}_{depth}_{side}", f"{height} {depth}, {side}")
    for height in ("lower", "upper") for depth in ("front", "back") for side in ("left", "right")
)
NINE: tuple[Spot, ...] = (_MIDDLE, *_CORNERS)
FIVE: tuple[Spot, ...] = tuple(spot for spot in NINE if spot.id in {
    CENTRE, "lower_front_left", "lower_back_right", "upper_front_right", "upper_back_left"})
"""Four corners alternately low and high, so that every wall has two."""
SPOTS: Mapping[int, tuple[Spot, ...]] = {5: FIVE, 9: NINE}


class Pair(NamedTuple):
    """Travelling and control sensor at one time, both as corrected."""

    seen_mc: int
    control_mc: int


class At(NamedTuple):
    """One place, all at the common level."""

    spot: str
    mean_mc: int
    least_mc: int
    most_mc: int
    fluctuation_mc: int
    """Largest minus smallest over the interval."""
    from_centre_mc: int
    """Its mean minus the centre's."""
    shift_mc: int
    """By so much its run was moved to the common level."""


class Survey(NamedTuple):
    """What the survey found."""

    set_mc: int
    level_mc: int
    """The control sensor's mean over all runs: what places are related to."""
    spots: tuple[At, ...]
    uniformity_mc: int
    """Largest difference of a place's mean from the centre's (variation in space, inhomogeneity)."""
    gradient_mc: int
    """Largest difference of means between two places."""
    stability_mc: int
    """Largest deviation from its own mean at the centre (instability)."""
    fluctuation_mc: int
    """The largest of the places'."""
    coldest: str
    hottest: str
    above_mc: int
    below_mc: int
    """How far the hottest and the coldest reading anywhere lie over and under the set temperature; below is negative."""
    budget: Budget

    @property
    def expanded_mc(self) -> int:
        """k = 2: how far the air at any of the places may be from what is shown."""
        return self.budget.expanded_mc


def wall_mm(dimension_mm: float) -> float:
    """How far a corner's sensor hangs from the wall, for the chamber's inner dimension in that direction."""
    if not dimension_mm > 2.0 * WALL_MIN_MM:
        raise ValueError(f"dimension is {dimension_mm:g} mm, more than {2.0 * WALL_MIN_MM:g} mm are needed for places "
                         f"{WALL_MIN_MM:g} mm from either wall; survey the centre alone")
    return max(WALL_SHARE * dimension_mm, WALL_MIN_MM)


def survey(runs: Mapping[str, Sequence[Pair]], set_mc: int, calibration_mc: int, step_mc: int = 250,
           loaded_mc: int | None = None) -> Survey:
    """Figures of a survey. `runs` holds for each spot's id the pairs of its interval, half an hour of them where it is one.

    `calibration_mc` is the travelling sensor's expanded uncertainty, `loaded_mc` the difference that a load made, if known.
    Raises ValueError when the centre, a second place or readings are missing, and for a place that has no name.
    """
    _check(runs)
    means = {spot: _mean([pair.seen_mc for pair in pairs]) for spot, pairs in runs.items()}
    controls = {spot: _mean([pair.control_mc for pair in pairs]) for spot, pairs in runs.items()}
    level_mc = _mean(list(controls.values()))
    centre_mc = means[CENTRE] - controls[CENTRE] + level_mc
    spots = tuple(_at(spot, [pair.seen_mc for pair in pairs], level_mc - controls[spot], centre_mc)
                  for spot, pairs in runs.items())
    by_mean = sorted(spots, key=lambda at: at.mean_mc)
    uniformity_mc = max(abs(at.from_centre_mc) for at in spots)
    stability_mc = round(max(abs(pair.seen_mc - means[CENTRE]) for pair in runs[CENTRE]))
    return Survey(
        set_mc, round(level_mc), spots, uniformity_mc, by_mean[-1].mean_mc - by_mean[0].mean_mc, stability_mc,
        max(at.fluctuation_mc for at in spots), by_mean[0].spot, by_mean[-1].spot,
        max(at.most_mc for at in spots) - set_mc, min(at.least_mc for at in spots) - set_mc,
        add_up((*core_shares(calibration_mc, uniformity_mc, stability_mc, step_mc),
                *travel_shares(max(abs(at.shift_mc) for at in spots), loaded_mc))),
    )


def core_shares(calibration_mc: float, uniformity_mc: float, stability_mc: float, step_mc: float) -> tuple[Share, ...]:
    """The four rows every such budget has: expanded calibration, inhomogeneity, instability, step of the reading."""
    return (expanded("calibration of the sensor", calibration_mc), within("inhomogeneity", uniformity_mc),
            within("instability", stability_mc), steps("step of a reading", step_mc))


def travel_shares(shift_mc: float, loaded_mc: float | None = None) -> tuple[Share, ...]:
    """What one travelling sensor in an empty chamber leaves open besides."""
    shares = (within("runs at other levels", FOLLOWS * shift_mc), within("put into place again", AGAIN_MC),
              within("radiation", RADIATION_MC))
    return shares if loaded_mc is None else (*shares, within("load", LOADED_SHARE * loaded_mc))


def comparison(found: Survey) -> str:
    """The spread in words beside the furnace classes of AMS 2750: a comparison of sizes and nothing else."""
    words = f"{found.above_mc / 1000:+.1f} and {found.below_mc / 1000:+.1f} °C about the set temperature"
    worst_mc = max(abs(found.above_mc), abs(found.below_mc))
    size = next((f"the size of class {number} (±{half_mc / 1000:g} °C)" for half_mc, number in CLASSES_MC
                 if worst_mc <= half_mc), "wider than every class")
    return (f"{words}: {size} in AMS 2750. The survey is designed with reference to that standard; "
            "no class and no compliance is claimed.")


def _at(spot: str, values: Sequence[int], shift_mc: float, centre_mc: float) -> At:
    mean_mc = _mean(values) + shift_mc
    return At(spot, round(mean_mc), round(min(values) + shift_mc), round(max(values) + shift_mc), max(values) - min(values),
              round(mean_mc - centre_mc), round(shift_mc))


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _check(runs: Mapping[str, Sequence[Pair]]) -> None:
    strange = sorted(set(runs) - {spot.id for spot in NINE})
    if strange:
        raise ValueError(f"place {strange[0]!r} has no name here; places are {', '.join(spot.id for spot in NINE)}")
    if CENTRE not in runs or len(runs) < 2:
        raise ValueError(f"a survey needs the centre and at least one other place, there is: {', '.join(runs) or 'none'}; "
                         "run the missing places")
    short = [spot for spot, pairs in runs.items() if len(pairs) < READINGS_MIN]
    if short:
        raise ValueError(f"{short[0]} has {len(runs[short[0]])} readings, at least {READINGS_MIN} are needed; run it again")
