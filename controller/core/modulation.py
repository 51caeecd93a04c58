"""Modulation for a module that has a relay and no duty register: which ticks the modulator is on. Pure; edges on ticks.

A window is at least 20 s, so that an edge that waits for its tick is a small error; and the error is carried: what a window
gave too much or too little is asked of the next one. At most one pulse a window. A pulse shorter than the
shortest is left out, a gap shorter than the shortest is closed; either way the error is carried. Duty 0 is off at once and
forgets what was asked, and so does a lost permit. The board of protocol v1 does the same by itself, with finer edges.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.core.quick import new

WINDOW_LEAST_MS = 20_000
TICK_US = 1_000_000
E4 = 10_000


class Modulation(NamedTuple):
    """Where the window is. Asked and given are kept apart, so that no division loses anything."""

    on: bool = False
    """From this tick to the next."""
    duty_e4: int = 0
    """What was asked from this tick to the next."""
    spent_us: int = -1
    """Of the window; -1: none has begun."""
    held_us: int = 0
    """How long `on` has been as it is."""
    pulsed: bool = False
    """This window has had its pulse."""
    asked: int = 0
    """Since the window began, and what was carried into it, in duty_e4 x µs."""
    given_us: int = 0


OFF = Modulation()


def step(before: Modulation, duty_e4: int, dt_us: int, window_us: int, shortest_us: int) -> Modulation:
    """After `dt_us` with things as they were, what holds until the next tick."""
    on, duty_before, spent_us, held_us, pulsed, asked, given_us = before
    held_us += dt_us
    if spent_us >= 0:
        spent_us += dt_us
        asked += duty_before * dt_us
        given_us += dt_us if on else 0
    if spent_us < 0 or spent_us >= window_us:
        most = window_us * E4
        asked = max(-most, min(most, asked - given_us * E4))
        spent_us, given_us, pulsed = 0, 0, False
    if not duty_e4:
        return new(Modulation, (False, 0, spent_us, 0 if on else held_us, pulsed, given_us * E4, given_us))
    left_us = window_us - spent_us
    after = _on(on, pulsed, (asked + duty_e4 * left_us) // E4 - given_us, left_us, held_us, shortest_us)
    return new(Modulation, (after, duty_e4, spent_us, held_us if after is on else 0, pulsed or after, asked, given_us))


def _on(on: bool, pulsed: bool, owed_us: int, left_us: int, held_us: int, shortest_us: int) -> bool:
    """On until the next tick? `owed_us` is what this window is still to give, `left_us` what is left of it."""
    if on:
        if held_us < shortest_us:
            return True
        return 2 * owed_us >= TICK_US or left_us < shortest_us
    return not pulsed and held_us >= shortest_us and owed_us >= shortest_us
