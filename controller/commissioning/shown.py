"""What watching a step comes to: rows that a person sees filling, and an end with what was found."""

from __future__ import annotations

from typing import Any, NamedTuple

from controller.core.events import Event
from controller.core.messages import Report
from controller.core.readings import Good
from controller.core.setup import Chamber
from controller.core.state import State

US = 1_000_000
WAITING, SEEN, ASKS, FAILED = "waiting", "seen", "asks", "failed"
"""States of a row."""
PASSED, FAILS, ENDS = "passed", "failed", "ended"
"""How watching ends; `ENDS` proves nothing and stores nothing."""


class Row(NamedTuple):
    """One line of the live list."""

    id: str
    words: str
    state: str = WAITING


class Shown(NamedTuple):
    """What was found, for one sensor or place; it becomes one proof."""

    passed: bool
    found: str
    values: dict[str, Any]
    advice: str = ""
    sensor: str = ""


class Ended(NamedTuple):
    """The end of a watch or trial."""

    outcome: str
    words: str
    shown: tuple[Shown, ...] = ()


class Over(NamedTuple):
    """What ended last, for people to read."""

    step: str
    sensor: str
    spot: str
    ended: Ended
    at_us: int
    """0: before this start."""


class Looked(NamedTuple):
    """One tick, as watching sees it."""

    state: State
    utc_us: int
    events: tuple[Event, ...] = ()
    reports: tuple[Report, ...] = ()
    """All that came in it: a press may be shorter than a tick."""

    @property
    def now_us(self) -> int:
        return self.state.mono_us

    def raw_mc(self) -> dict[str, int | None]:
        """By sensor id, as the converters give it; None unless Good."""
        state = self.state
        return {sensor.id: reading.raw_mc if isinstance(reading, Good) else None
                for sensor, reading in zip(state.chamber.sensors, state.readings, strict=True)}

    def hottest_mc(self) -> int:
        """Of the good ones, as over-temperature guards judge them; -1 where none is good."""
        return max((reading.judged_mc for reading in self.state.readings if isinstance(reading, Good)), default=-1)

    def mc(self) -> dict[str, int | None]:
        """The same, corrected."""
        state = self.state
        return {sensor.id: reading.mc if isinstance(reading, Good) else None
                for sensor, reading in zip(state.chamber.sensors, state.readings, strict=True)}


def failed(words: str, advice: str, found: str = "", values: dict[str, Any] | None = None, sensor: str = "") -> Ended:
    """An end that is stored as failed."""
    return Ended(FAILS, f"{words} {advice}".strip(), (Shown(False, found or words, values or {}, advice, sensor),))


def passed(words: str, found: str, values: dict[str, Any], sensor: str = "") -> Ended:
    """An end that is stored as passed."""
    return Ended(PASSED, words, (Shown(True, found, values, "", sensor),))


def degrees(mc: int | float) -> str:
    """To 0.1 °C; nought has no sign."""
    return f"{round(mc / 1000, 1) + 0.0:.1f} °C"


def labels(chamber: Chamber) -> dict[str, str]:
    """What people call each sensor, as it stands in a sentence: its label, or its id where another has the same or none."""
    given = [sensor.label for sensor in chamber.sensors]
    return {sensor.id: f"“{sensor.label if sensor.label and given.count(sensor.label) == 1 else sensor.id}”"
            for sensor in chamber.sensors}
