"""What a sensor says, judged: Good, Stale, Faulted or Missing. Only Good carries a number that may steer heat."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from controller.core.messages import Channel, Fault
from controller.core.quick import new

COLD_JUNCTION_MIN_MC = 0
COLD_JUNCTION_MAX_MC = 70_000


class Role(StrEnum):
    """What a sensor is for. The chamber file says which channel plays which role."""

    CONTROL = "control"
    OVER_TEMPERATURE = "over_temperature"
    PART = "part"
    SURVEY = "survey"
    """One of several that stay at a place."""
    TRAVELLING = "travelling"
    """Carried from place to place; no run needs it."""


class Good(NamedTuple):
    """A value that may be used: as the converter gave it, and corrected by commissioning."""

    raw_mc: int
    mc: int

    @property
    def judged_mc(self) -> int:
        """The higher of raw and corrected: what over-temperature guards look at."""
        return self.raw_mc if self.raw_mc > self.mc else self.mc


class Stale(NamedTuple):
    """There was a value; it is too old to be used."""

    age_us: int


class Faulted(NamedTuple):
    """The converter answers, but not with a temperature."""

    reason: str


@dataclass(frozen=True, slots=True)
class Missing:
    """Nothing has been heard of this sensor."""


Reading = Good | Stale | Faulted | Missing
MISSING = Missing()

FAULT_WORDS = {
    Fault.OPEN: "wire broken",
    Fault.SHORT_TO_GROUND: "wire touches earth",
    Fault.SHORT_TO_SUPPLY: "wire touches the supply",
    Fault.OUT_OF_RANGE: "out of the converter's range",
    Fault.COLD_JUNCTION: "cold junction out of range",
    Fault.CONVERTER_SILENT: "converter does not answer",
}


def judge(channel: Channel | None, correction: tuple[int, int]) -> Reading:
    """Good or Faulted from one channel of one report; a channel the board does not have is Missing.

    All-zero words (an absent converter reads so) and a cold junction outside 0..70 °C are faults, whatever the fault
    bits say.
    """
    if channel is None:
        return MISSING
    raw_mc, cold_mc, fault, _ = channel
    if not fault and COLD_JUNCTION_MIN_MC <= cold_mc <= COLD_JUNCTION_MAX_MC and (raw_mc or cold_mc):
        offset_mc, slope_ppm = correction
        return new(Good, (raw_mc, raw_mc + offset_mc + raw_mc * slope_ppm // 1_000_000))
    if fault:
        return Faulted(fault_words(fault))
    if raw_mc == 0 and cold_mc == 0:
        return Faulted("converter reads all zero")
    return Faulted(FAULT_WORDS[Fault.COLD_JUNCTION])


def raw_of(mc: int, correction: tuple[int, int]) -> int:
    """What a converter gave, from the corrected value: the largest where rounding leaves more than one."""
    offset_mc, slope_ppm = correction
    near_mc = (mc - offset_mc) * 1_000_000 // (1_000_000 + slope_ppm)
    around = range(near_mc - 1, near_mc + 2)
    return max(raw_mc for raw_mc in around if raw_mc + offset_mc + raw_mc * slope_ppm // 1_000_000 <= mc)


def fault_words(fault: int) -> str:
    """Every set bit in words, most telling first; bits nobody defined are named by number."""
    words = [text for bit, text in FAULT_WORDS.items() if fault & bit]
    unknown = fault & ~sum(FAULT_WORDS)
    if unknown:
        words.append(f"unknown fault bits {unknown:#04x}")
    return ", ".join(words)
