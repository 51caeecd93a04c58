"""Is a sensor steady in its bath? A reducer: fed one reading after the other, it says after each what it thinks.

It holds one window of readings and nothing else, and asks no clock. A sensor that is steady far from the bath is steady all
the same: whether it is wired wrongly is `couples.diagnose`'s to say. Only what reads like the room is sent back.
"""

from __future__ import annotations

import math
from collections import deque
from enum import StrEnum
from typing import NamedTuple

WINDOW_US = 60_000_000
GAP_US = 5_000_000
"""A longer silence begins the window anew: nobody knows what happened in it."""
LEAST_APART_US = 400_000
"""Readings that come faster are not kept; so the window is bounded whatever comes."""
READINGS_MAX = WINDOW_US // LEAST_APART_US + 2
READINGS_MIN = 30
SPREAD_MC = 1_500
SLOPE_MC_PER_MIN = 250
"""Four times what noise of 0.12 °C makes of a level in 60 readings."""
ROOM_MC = 4_000
FAR_MC = 12_000
ALIKE_S = 6.0
"""Neighbouring readings of a stirred bath are alike for about so long, so 60 of them count as ten (assumed, no source)."""


class State(StrEnum):
    """What a sensor in a bath is doing."""

    WAITING = "waiting"
    """Not yet a minute of readings."""
    DRIFTING = "drifting"
    RESTLESS = "restless"
    """Spread too wide: moved, splashed, touching the wall."""
    ELSEWHERE = "elsewhere"
    """Steady, far from the bath, and as warm as the board's terminals: not in the bath, or shorted on the way."""
    STEADY = "steady"


WORDS = {
    State.WAITING: "Keep it in the bath: a minute of readings is needed.",
    State.DRIFTING: "Still moving. Leave it in; stir the ice, or let the water boil harder.",
    State.RESTLESS: "It jumps. Hold the tip still in the middle, away from the walls.",
    State.ELSEWHERE: "It reads like the room. Is this sensor in the bath? If it is, its wires touch each other on the way.",
    State.STEADY: "Steady.",
}


class Seen(NamedTuple):
    """What the window says. Numbers are those of the readings so far; they count only when `state` is STEADY."""

    state: State
    mean_mc: int
    u_mc: int
    """Standard uncertainty of the mean."""
    spread_mc: int
    """Largest minus smallest."""
    slope_mc_per_min: int
    covered_us: int
    """Of the 60 s."""


class Steady:
    """The last minute of one sensor in a bath of `bath_mc`; `step_mc` is the converter's step."""

    def __init__(self, bath_mc: int, step_mc: int = 250) -> None:
        self._bath_mc, self._step_mc = bath_mc, step_mc
        self._kept: deque[tuple[int, int]] = deque(maxlen=READINGS_MAX)

    def feed(self, mono_us: int, raw_mc: int, room_mc: int | None = None) -> Seen:
        """Take one good reading. `room_mc` is the cold junction's; without it ELSEWHERE is never said."""
        if self._kept and not 0 <= mono_us - self._kept[-1][0] <= GAP_US:
            self._kept.clear()
        if not self._kept or mono_us - self._kept[-1][0] >= LEAST_APART_US:
            self._kept.append((mono_us, raw_mc))
        while self._kept[-1][0] - self._kept[0][0] > WINDOW_US:
            self._kept.popleft()
        return self._seen(room_mc)

    def _seen(self, room_mc: int | None) -> Seen:
        values = [raw_mc for _, raw_mc in self._kept]
        mean_mc = sum(values) / len(values)
        covered_us = self._kept[-1][0] - self._kept[0][0]
        spread_mc = max(values) - min(values)
        slope = _slope_mc_per_min([(mono_us - self._kept[0][0]) / 1e6 for mono_us, _ in self._kept], values)
        state = State.STEADY
        if covered_us < WINDOW_US - GAP_US // 2 or len(values) < READINGS_MIN:
            state = State.WAITING
        elif abs(slope) > SLOPE_MC_PER_MIN:
            state = State.DRIFTING
        elif spread_mc > SPREAD_MC:
            state = State.RESTLESS
        elif room_mc is not None and abs(mean_mc - room_mc) <= ROOM_MC and abs(mean_mc - self._bath_mc) > FAR_MC:
            state = State.ELSEWHERE
        return Seen(state, round(mean_mc), self._u_mc(values, mean_mc), spread_mc, round(slope), covered_us)

    def _u_mc(self, values: list[int], mean_mc: float) -> int:
        """Type A of what counts as independent, and the step: a quiet converter repeats one step for ever."""
        count = len(values)
        if count < 2:
            return self._step_mc
        variance = sum((value - mean_mc) ** 2 for value in values) / (count - 1)
        apart = max(2.0, WINDOW_US / 1e6 / ALIKE_S)
        return math.ceil(math.sqrt(variance / min(float(count), apart) + self._step_mc**2 / 12.0))


def _slope_mc_per_min(at_s: list[float], values: list[int]) -> float:
    """Slope of the straight line of least squares."""
    middle_s = sum(at_s) / len(at_s)
    square = sum((s - middle_s) ** 2 for s in at_s)
    if square == 0.0:
        return 0.0
    return 60.0 * sum((s - middle_s) * value for s, value in zip(at_s, values, strict=True)) / square
