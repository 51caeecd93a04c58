"""A schedule as the tick runs it, in integers, and everything that can be wrong with one.

People write °C and hours (`planning.schedule_file`); here stand m°C and microseconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

US_PER_S = 1_000_000
US_PER_H = 3_600 * US_PER_S
SEGMENTS_MAX = 40
TARGET_MIN_MC = 0
TARGET_MAX_MC = 400_000
RATE_MAX_MC_PER_H = 300_000
BAND_MIN_MC = 100
BAND_MAX_MC = 20_000


class Kind(StrEnum):
    """A ramp ends with its set point, a soak when its time in band is counted, cooling when it is measured."""

    RAMP = "ramp"
    SOAK = "soak"
    COOL = "cool"


class Of(StrEnum):
    """What the schedule's temperatures mean."""

    PART = "part"
    AIR = "air"


class Resume(StrEnum):
    """May a run go on by itself after a power cut?"""

    NEVER = "never"
    SHORT_OUTAGE = "short outage"


@dataclass(frozen=True, slots=True)
class Segment:
    """One step. `rate_mc_per_h` is 0 in a soak; `soak_us` is 0 elsewhere."""

    kind: Kind
    target_mc: int
    rate_mc_per_h: int
    soak_us: int
    band_mc: int
    longest_us: int
    """The segment may take no longer, whatever ends it; passing this ends the run early, cooling."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """A named list of segments."""

    name: str
    of: Of
    resume: Resume
    segments: tuple[Segment, ...]

    @property
    def hottest_mc(self) -> int:
        return max(segment.target_mc for segment in self.segments)

    @property
    def longest_us(self) -> int:
        return sum(segment.longest_us for segment in self.segments)


class Mistake(NamedTuple):
    """One thing wrong with what somebody wrote: where, what stood there, what is allowed, in which unit."""

    field: str
    value: str
    allowed: str
    advice: str

    def __str__(self) -> str:
        return f"{self.field} is {self.value}; allowed is {self.allowed}. {self.advice}"


class Bound(NamedTuple):
    """A closed range with its unit."""

    low: int
    high: int
    scale: int
    unit: str

    def words(self) -> str:
        return f"{self.low / self.scale:.3g} to {self.high / self.scale:g} {self.unit}"


TARGET = Bound(TARGET_MIN_MC, TARGET_MAX_MC, 1000, "°C")
RATE = Bound(1_000, RATE_MAX_MC_PER_H, 1000, "°C/h")
BAND = Bound(BAND_MIN_MC, BAND_MAX_MC, 1000, "°C")
SOAK = Bound(60 * US_PER_S, 72 * US_PER_H, US_PER_H, "h")
LONGEST = Bound(60 * US_PER_S, 96 * US_PER_H, US_PER_H, "h")
ZERO = Bound(0, 0, 1, "(not used in this kind of segment)")

FIELDS: dict[Kind, dict[str, Bound]] = {
    Kind.RAMP: {"target_mc": TARGET, "rate_mc_per_h": RATE, "soak_us": ZERO, "band_mc": BAND, "longest_us": LONGEST},
    Kind.SOAK: {"target_mc": TARGET, "rate_mc_per_h": ZERO, "soak_us": SOAK, "band_mc": BAND, "longest_us": LONGEST},
    Kind.COOL: {"target_mc": TARGET, "rate_mc_per_h": RATE, "soak_us": ZERO, "band_mc": BAND, "longest_us": LONGEST},
}
"""What each field of each kind of segment may be. A new kind is a new row here and one in `program.STEPS`."""

WRITTEN = {
    "target_mc": "target_c",
    "rate_mc_per_h": "rate_c_per_h",
    "soak_us": "soak_h",
    "band_mc": "band_c",
    "longest_us": "longest_h",
}
"""The name a person knows each field by."""


def mistakes(schedule: Schedule) -> list[Mistake]:
    """Everything wrong with a schedule by itself, all at once; an empty list means it can be stored."""
    found = list(_shape(schedule))
    for number, segment in enumerate(schedule.segments, 1):
        found += _segment(number, segment)
    return found


def over_ceiling(schedule: Schedule, ceiling_mc: int, margin_mc: int) -> list[Mistake]:
    """Every target too near a chamber's ceiling: a run's own ceiling must still fit beneath it."""
    most_mc = ceiling_mc - margin_mc
    return [
        Mistake(
            f"segment {number} target_c",
            f"{segment.target_mc / 1000:g} °C",
            f"at most {most_mc / 1000:g} °C",
            f"This chamber's ceiling is {ceiling_mc / 1000:g} °C and a run keeps {margin_mc / 1000:g} °C below it.",
        )
        for number, segment in enumerate(schedule.segments, 1)
        if segment.target_mc > most_mc
    ]


def _shape(schedule: Schedule) -> Iterator[Mistake]:
    if not 1 <= len(schedule.name) <= 80:
        yield Mistake("name", f"{len(schedule.name)} characters", "1 to 80 characters", "Give it a short name.")
    if not 1 <= len(schedule.segments) <= SEGMENTS_MAX:
        yield Mistake(
            "segments",
            f"{len(schedule.segments)} segments",
            f"1 to {SEGMENTS_MAX} segments",
            "Add a segment, or join some.",
        )


def _segment(number: int, segment: Segment) -> Iterator[Mistake]:
    for field, bound in FIELDS[segment.kind].items():
        value = getattr(segment, field)
        if not bound.low <= value <= bound.high:
            yield Mistake(
                f"segment {number} {WRITTEN[field]}",
                f"{value / bound.scale:g} {bound.unit}",
                bound.words(),
                f"Change it in this {segment.kind.value}.",
            )
    if segment.soak_us and segment.longest_us < segment.soak_us:
        yield Mistake(
            f"segment {number} longest_h",
            f"{segment.longest_us / US_PER_H:g} h",
            f"at least soak_h, {segment.soak_us / US_PER_H:g} h",
            "Time in band is counted, so allow more.",
        )
