"""An uncertainty as a table that can be read: what contributes, how much, by which distribution, and what it comes to.

By the "Guide to the expression of uncertainty in measurement" (JCGM 100): independent standard uncertainties add in
squares; the expanded one is twice that, about 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

COVERAGE = 2.0
"""k of the expanded uncertainty."""


class Share(NamedTuple):
    """One contribution. `value_mc` is what is known of it, `divisor` what makes a standard uncertainty of that."""

    name: str
    value_mc: float
    distribution: str
    divisor: float

    @property
    def standard_mc(self) -> float:
        return abs(self.value_mc) / self.divisor


class Budget(NamedTuple):
    """All contributions and what they come to."""

    shares: tuple[Share, ...]
    combined_mc: float
    expanded_mc: int
    """k = 2, rounded up: an uncertainty is never made smaller by writing it down."""


def within(name: str, half_width_mc: float) -> Share:
    """Known to lie within plus or minus this, anywhere alike: divided by the root of 3."""
    return Share(name, half_width_mc, "rectangular", math.sqrt(3.0))


def steps(name: str, step_mc: float) -> Share:
    """A value given in steps of this: divided by the root of 12."""
    return Share(name, step_mc, "rectangular, whole step", math.sqrt(12.0))


def spread(name: str, standard_mc: float) -> Share:
    """A standard uncertainty already, from repeated readings."""
    return Share(name, standard_mc, "normal", 1.0)


def expanded(name: str, expanded_mc: float) -> Share:
    """An expanded uncertainty (k = 2), such as a calibration's."""
    return Share(name, expanded_mc, "normal, k = 2", COVERAGE)


def add_up(shares: Iterable[Share]) -> Budget:
    """The table with its sum."""
    rows = tuple(shares)
    combined_mc = math.sqrt(sum(row.standard_mc * row.standard_mc for row in rows))
    return Budget(rows, combined_mc, math.ceil(COVERAGE * combined_mc - 1e-9))
