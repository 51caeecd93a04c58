"""Names of limits become numbers: the chamber file's, the run's own, those lowered at run time, those derived."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields

from controller.core.guards import GUARDS
from controller.core.setup import Chamber, Level, Limits

NO_LIMIT = 1 << 61
"""Above every value, UNKNOWN too: a limit that a chamber at rest does not have."""
RUN_CEILING_CLEAR_MC = 5_000
CHECK_IN_US = {Level.AT_THE_CHAMBER: 15 * 60_000_000, Level.IN_THE_BUILDING: 60 * 60_000_000}
"""How long heat goes on without a sign of life from the person who promised to stay near."""


def check_in_near(every_us: int, left_us: int) -> bool:
    """In its last quarter a check-in is what somebody must do now."""
    return left_us * 4 <= every_us


DERIVED: Mapping[str, Callable[[Mapping[str, int]], int]] = {
    "one": lambda known: 1,
    "run_ceiling_clear_mc": lambda known: known["run_ceiling_mc"] - RUN_CEILING_CLEAR_MC,
    "rise_off_clear_mc": lambda known: known["rise_off_mc"] * 2 // 3,
    "rise_clear_mc_per_min": lambda known: known["rise_mc_per_min"] * 4 // 5,
    "disagree_clear_mc": lambda known: known["disagree_mc"] * 4 // 5,
    "above_band_clear_mc": lambda known: known["above_band_mc"] * 4 // 5,
}
CHAMBER_LIMITS = tuple(field.name for field in fields(Limits))
TIGHTENABLE = frozenset(
    {
        "ceiling_mc",
        "run_ceiling_mc",
        "disagree_mc",
        "above_band_mc",
        "rise_mc_per_min",
        "no_rise_us",
        "rise_off_mc",
        "frozen_us",
        "run_max_us",
        "reading_age_us",
    }
)
"""Limits a maintainer may lower at run time. None can be raised."""


def known_limits(chamber: Chamber, lowered: tuple[tuple[str, int], ...], run: Mapping[str, int]) -> dict[str, int]:
    """Every limit by name: the lowest of chamber file, run and what was lowered."""
    known = {name: getattr(chamber.limits, name) for name in CHAMBER_LIMITS}
    known["run_ceiling_mc"] = known["check_in_us"] = NO_LIMIT
    for name, value in (*run.items(), *lowered):
        known[name] = min(known[name], value)
    known["ceiling_clear_mc"] = min(known["ceiling_clear_mc"], known["ceiling_mc"])
    for name, derive in DERIVED.items():
        known[name] = derive(known)
    return known


def thresholds(known: Mapping[str, int]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """(limits, clear limits) in guard order."""
    return tuple(known[guard.limit] for guard in GUARDS), tuple(known[guard.clear] for guard in GUARDS)
