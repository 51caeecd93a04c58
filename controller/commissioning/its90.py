"""Thermocouples by the ITS-90 reference functions: millivolts of a junction against a reference junction, and back.

Coefficients of types K, J and T: NIST Monograph 175 (SRD 60), the same functions as in IEC 60584-1. The way back is the
exact inverse (the function itself is solved), not the tables' inverse polynomials, which are up to 0.05 °C off.

A converter measures EMF(hot) - EMF(cold), adds the EMF of the cold junction as *it* measures it, and looks up the sum.
So reversed leads, a wire of the wrong type and a cold junction that is measured wrongly come out as they do in life.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

TYPICAL_C_PER_MV = 24.0
SLOPE_OVER_C = 0.01
EXACT_C = 1e-9
STEPS_MAX = 80
"""Newton's step where it stays within what is known, a halving where it does not; five are usual."""


class Kind(NamedTuple):
    """One letter's reference function: polynomials in °C that give mV, each below its limit, and their range."""

    pieces: tuple[tuple[float, tuple[float, ...]], ...]
    """(upper limit in °C, coefficients from the constant up), in rising order."""
    low_c: float
    bump: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Type K above 0 °C: a0, a1, a2 of a0 exp(a1 (t - a2)^2)."""

    @property
    def high_c(self) -> float:
        return self.pieces[-1][0]


KINDS: dict[str, Kind] = {
    "K": Kind(((0.0, (
        0.0, 3.9450128025e-2, 2.3622373598e-5, -3.2858906784e-7, -4.9904828777e-9, -6.7509059173e-11,
        -5.7410327428e-13, -3.1088872894e-15, -1.0451609365e-17, -1.9889266878e-20, -1.6322697486e-23,
    )), (1372.0, (
        -1.7600413686e-2, 3.8921204975e-2, 1.8558770032e-5, -9.9457592874e-8, 3.1840945719e-10, -5.6072844889e-13,
        5.6075059059e-16, -3.2020720003e-19, 9.7151147152e-23, -1.2104721275e-26,
    ))), -270.0, (0.1185976, -1.183432e-4, 126.9686)),
    "J": Kind(((760.0, (
        0.0, 5.0381187815e-2, 3.0475836930e-5, -8.5681065720e-8, 1.3228195295e-10, -1.7052958337e-13,
        2.0948090697e-16, -1.2538395336e-19, 1.5631725697e-23,
    )),), -210.0),
    "T": Kind(((0.0, (
        0.0, 3.8748106364e-2, 4.4194434347e-5, 1.1844323105e-7, 2.0032973554e-8, 9.0138019559e-10, 2.2651156593e-11,
        3.6071154205e-13, 3.8493939883e-15, 2.8213521925e-17, 1.4251594779e-19, 4.8768662286e-22, 1.0795539270e-24,
        1.3945027062e-27, 7.9795153927e-31,
    )), (400.0, (
        0.0, 3.8748106364e-2, 3.3292227880e-5, 2.0618243404e-7, -2.1882256846e-9, 1.0996880928e-11,
        -3.0815758772e-14, 4.5479135290e-17, -2.7512901673e-20,
    ))), -270.0),
}


def _polynomial(coefficients: Sequence[float], at: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * at + coefficient
    return total


def emf_mv(kind: str, hot_c: float) -> float:
    """mV of a junction at `hot_c` against one at 0 °C. Raises ValueError outside the function's range."""
    row = KINDS[kind]
    if not row.low_c <= hot_c <= row.high_c:
        raise ValueError(f"type {kind} junction is {hot_c:g} °C; its reference function goes from {row.low_c:g} to "
                         f"{row.high_c:g} °C")
    coefficients = next(coefficients for limit_c, coefficients in row.pieces if hot_c <= limit_c)
    total = _polynomial(coefficients, hot_c)
    if hot_c > 0.0:
        a0, a1, a2 = row.bump
        total += a0 * math.exp(a1 * (hot_c - a2) * (hot_c - a2))
    return total


def temperature_c(kind: str, mv: float) -> float:
    """The junction's °C from its mV against 0 °C: exact to rounding. What lies outside comes out at the nearer end."""
    low_c, high_c = KINDS[kind].low_c, KINDS[kind].high_c
    guess_c = min(max(mv * TYPICAL_C_PER_MV, low_c), high_c)
    for _ in range(STEPS_MAX):
        missing_mv = mv - emf_mv(kind, guess_c)
        if missing_mv > 0.0:
            low_c = guess_c
        else:
            high_c = guess_c
        near_c = guess_c + SLOPE_OVER_C if guess_c + SLOPE_OVER_C < high_c else guess_c - SLOPE_OVER_C
        per_mv = (near_c - guess_c) / (emf_mv(kind, near_c) - mv + missing_mv) if near_c > KINDS[kind].low_c else 0.0
        better_c = guess_c + missing_mv * per_mv
        if not low_c < better_c < high_c:
            better_c = 0.5 * (low_c + high_c)
        if abs(better_c - guess_c) < EXACT_C:
            return better_c
        guess_c = better_c
    return guess_c


def converted_c(hot_c: float, cold_c: float, *, wire: str = "K", table: str = "K", cold_read_c: float | None = None,
                reversed_leads: bool = False) -> float:
    """What a converter makes of a junction at `hot_c` with its terminals at `cold_c`, in °C.

    `wire` is what is fitted, `table` what the converter is set to, `cold_read_c` what it takes its terminals for."""
    mv = emf_mv(wire, hot_c) - emf_mv(wire, cold_c)
    if reversed_leads:
        mv = -mv
    return temperature_c(table, mv + emf_mv(table, cold_c if cold_read_c is None else cold_read_c))
