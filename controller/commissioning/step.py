"""What a step of commissioning is: the shape of one row, its words and its limits. No rows, no logic."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Part(StrEnum):
    """Core unlocks the attended levels; the rest is for heat that is left alone."""

    CORE = "core"
    REST = "rest"


class Way(StrEnum):
    """How a step is shown."""

    TYPED = "typed"
    """A person looks or measures, and types what was found."""
    WATCHED = "watched"
    """Heat is off; a person does something and the program sees it."""
    HEATED = "heated"
    """A run under the supervisor, attended; the program judges what it saw."""


class Bound(StrEnum):
    """What a proof hangs on: moving the chamber to another room voids what hangs on the place."""

    CHAMBER = "chamber"
    SENSOR = "sensor"
    PLACE = "place"


class Field(NamedTuple):
    """One thing to type. Numbers pass within `low` to `high`; a yes passes as yes; a choice among `choices`."""

    key: str
    ask: str
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    choices: tuple[str, ...] = ()
    """Not empty: one of these; "yes" alone means that only yes passes."""
    wrong: str = ""
    """What is likely wrong, and what to do, when it is not so."""

    @property
    def number(self) -> bool:
        return not self.choices


class Valid(NamedTuple):
    """For how long a proof holds, whichever ends first. `switchings` counts the modulator's, by the board; 0: time alone."""

    days: int
    switchings: int = 0


class Step(NamedTuple):
    """One row."""

    id: str
    title: str
    part: Part
    way: Way
    bound: Bound
    minutes: int
    layer: str
    """Of the five in hardware_notes/hazards.md, and "case" for the enclosure."""
    hazards: str
    valid: Valid
    after: tuple[str, ...]
    """Steps that must hold before this one may be done."""
    fitted: tuple[str, ...]
    """Switches of the chamber file, any of which must be true; empty: for every chamber."""
    why: str
    do: tuple[str, ...]
    caution: str = ""
    fields: tuple[Field, ...] = ()
    needs_all: tuple[str, ...] = ()
    """Switches of the chamber file, all of which must be true besides; empty: none more is needed."""


YES = ("yes", "no")
YEAR, HALF_YEAR = Valid(365), Valid(182)
UNPLUGGED = "Unplug the chamber first and lay the plug where you see it. Off is not isolated."
CORE, REST = Part.CORE, Part.REST
TYPED, WATCHED, HEATED = Way.TYPED, Way.WATCHED, Way.HEATED
CHAMBER, SENSOR, PLACE = Bound.CHAMBER, Bound.SENSOR, Bound.PLACE
BEFORE_HEAT = ("wiring", "place", "contacts", "sensor_identity", "live_parts", "ice_point", "boiling_point")
"""What holds before anything is heated, even for a proof."""


def yes(key: str, ask: str, wrong: str) -> Field:
    return Field(key, ask, choices=YES, wrong=wrong)
