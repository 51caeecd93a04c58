"""What a measurement gives: one figure with its unit and goal, and the small statistics all of them use."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from typing import NamedTuple

QUICK = bool(os.environ.get("BENCH_QUICK"))
"""Shorter runs, said beside the figures that are shortened."""


class Figure(NamedTuple):
    """One row of `bench.json`. `value` is None when it could not be measured, and then it does not hold."""

    area: str
    name: str
    value: float | None
    unit: str
    goal: float
    holds: bool


def at_most(area: str, name: str, value: float, unit: str, goal: float) -> Figure:
    """A figure that should not pass its goal. The value is rounded to four digits for the table."""
    return Figure(area, name, float(f"{value:.4g}"), unit, goal, value <= goal)


def unmeasured(area: str, name: str, unit: str, goal: float) -> Figure:
    """A figure that could not be measured this time; the reason is printed by whoever found it."""
    return Figure(area, name, None, unit, goal, False)


def percentile(values: Sequence[float], share: float) -> float:
    """The smallest value that at least `share` (0..1) of all values do not pass."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(len(ordered) * share) - 1)]


def median(values: Sequence[float]) -> float:
    return percentile(values, 0.5)
