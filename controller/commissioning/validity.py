"""Which proofs hold now. Pure: what is kept, what the chamber is, and the time go in; how each step stands comes out.

A stamp from the future proves nothing, nor does a count of switchings that has fallen: in doubt it must be shown again.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any, NamedTuple

from controller.commissioning.changes import CHANGE_BY_ID, FACT_WORDS, HANGS_ON
from controller.commissioning.proofs import Proof
from controller.commissioning.step import Bound, Step
from controller.commissioning.steps import BY_ID, STEPS
from controller.commissioning.store import Kept, is_given, touches
from controller.core.setup import Chamber, SensorSetup

DAY_US = 86_400_000_000
WARN_DAYS = 30
WARN_SHARE = 5
"""What holds for a month only is warned of in its last fifth."""
SURVEY = "survey"
EVALUATION = "all"
"""The spot under which the evaluation of a whole survey is kept; it is made once every place of a set is there."""


class Standing(StrEnum):
    """How a step stands."""

    DONE = "done"
    ENDING = "ending"
    ENDED = "ended"
    FAILED = "failed"
    VOID = "void"
    TO_DO = "to_do"
    NOT_HERE = "not_for_this_chamber"


HOLDS = frozenset({Standing.DONE, Standing.ENDING})
WORST_FIRST = (Standing.FAILED, Standing.VOID, Standing.ENDED, Standing.TO_DO, Standing.ENDING, Standing.DONE)


class Facts(NamedTuple):
    """What proofs are judged against."""

    chamber: Chamber
    switches: Mapping[str, bool]
    """Everything of the chamber file that is true or false, with `<role>_sensor` and `board`."""
    utc_us: int
    switchings: int = -1
    """The board's count; -1: not heard yet, then time alone decides."""
    firmware_hash: str = ""
    """Empty: not heard yet."""


class One(NamedTuple):
    """One step, for one sensor where it hangs on sensors."""

    standing: Standing
    words: str
    proof: Proof | None = None
    """The newest row, whatever it says."""
    until_us: int | None = None
    switchings_left: int | None = None


class Stands(NamedTuple):
    """One step as a whole."""

    step: Step
    standing: Standing
    words: str
    each: tuple[tuple[str, One], ...]
    """By sensor id, or under "" for a step that hangs on none."""
    blocked_by: tuple[str, ...]

    @property
    def holds(self) -> bool:
        return self.standing in HOLDS

    @property
    def worst(self) -> One:
        """Of its sensors the one that decides."""
        return min((one for _, one in self.each), key=lambda one: WORST_FIRST.index(one.standing))


Judged = Mapping[str, Stands]
"""By step id, in the table's order."""


def judged(kept: Kept, facts: Facts) -> Judged:
    """How every step stands now."""
    found: dict[str, Stands] = {}
    for step in STEPS:
        found[step.id] = _stands(step, kept, facts, found)
    return found


def held(steps: tuple[str, ...], found: Judged) -> tuple[str, ...]:
    """Of these steps the ones that hold: only they can be lost."""
    return tuple(step for step in steps if found[step].holds)


def agreed(written: Judged, wished: Judged) -> Judged:
    """What holds by what is on the disk and by what is to be written: good news counts once it is written, bad news at once."""
    return {name: _agreed(stands, wished[name]) for name, stands in written.items()}


def _agreed(written: Stands, wished: Stands) -> Stands:
    worse = wished if written.holds and not wished.holds else written
    return worse._replace(blocked_by=tuple(dict.fromkeys((*written.blocked_by, *wished.blocked_by))))


def proven(found: Judged) -> frozenset[str]:
    """The steps that hold."""
    return frozenset(step for step, stands in found.items() if stands.holds)


def applies(step: Step, switches: Mapping[str, bool]) -> bool:
    """Is there anything in this chamber to show?"""
    any_there = not step.fitted or any(switches.get(name, False) for name in step.fitted)
    return any_there and all(switches.get(name, False) for name in step.needs_all)


def sensors_of(step: Step, chamber: Chamber) -> tuple[str, ...]:
    """For which sensors a step is to be shown; ("",) for one that hangs on none."""
    return tuple(sensor.id for sensor in chamber.sensors) if step.bound is Bound.SENSOR else ("",)


def newest(kept: Kept, step: str, sensor: str = "", spot: str = "") -> Proof | None:
    """The newest row of a step, sensor and place; one that was given with the chamber counts for all of them."""
    return next((row for row in reversed(kept.proofs)
                 if row.step == step and (is_given(row) or (row.sensor == sensor and row.spot == spot))), None)


def hangs_on(step: str, facts: Facts, sensor: str = "") -> dict[str, Any]:
    """The facts that a proof of this step keeps with it."""
    return {name: _fact(name, facts, sensor) for name in HANGS_ON.get(step, ())}


def one(kept: Kept, step: Step, facts: Facts, sensor: str = "", spot: str = "") -> One:
    """One row of the guide, without what it rests on."""
    row = newest(kept, step.id, sensor, spot)
    if row is None:
        return One(Standing.TO_DO, "not shown yet")
    if row.invented and not facts.chamber.simulated:
        return One(Standing.TO_DO, "invented, and this chamber is real")
    if not row.passed:
        return One(Standing.FAILED, "failed", row)
    void = _void(kept, row, facts)
    if void:
        return One(Standing.VOID, void, row)
    if is_given(row):
        return One(Standing.DONE, "holds; invented", row)
    return _aged(step, row, facts)


def _stands(step: Step, kept: Kept, facts: Facts, before: Mapping[str, Stands]) -> Stands:
    if not applies(step, facts.switches):
        return Stands(step, Standing.NOT_HERE, "this chamber has none", (("", One(Standing.NOT_HERE, "")),), ())
    blocked = tuple(name for name in step.after if not (before[name].holds or before[name].standing is Standing.NOT_HERE))
    if kept.board != facts.chamber.board:
        words = f"the proofs are of board {kept.board}" if kept.board else "not shown yet"
        each = tuple((sensor, One(Standing.VOID if kept.board else Standing.TO_DO, words))
                     for sensor in sensors_of(step, facts.chamber))
    else:
        spot = EVALUATION if step.id == SURVEY else ""
        each = tuple((sensor, one(kept, step, facts, sensor, spot)) for sensor in sensors_of(step, facts.chamber))
    worst = min((row for _, row in each), key=lambda row: WORST_FIRST.index(row.standing))
    if worst.standing in HOLDS and blocked:
        words = f"counts again once this holds: {', '.join(BY_ID[name].title for name in blocked)}"
        return Stands(step, Standing.VOID, words, each, blocked)
    return Stands(step, worst.standing, worst.words, each, blocked)


def _void(kept: Kept, row: Proof, facts: Facts) -> str:
    """Why a row that passed holds no more, whatever its age; empty: it may."""
    if row.utc_us > facts.utc_us and not is_given(row):
        return "its stamp lies in the future: set the computer's clock, then show it again"
    for mark in reversed(kept.voided):
        if mark.utc_us >= row.utc_us and touches(mark, row):
            known = CHANGE_BY_ID.get(mark.change)
            return f"something changed: {known.words if known else mark.change}"
    then = row.values.get("hangs_on")
    for name, value in (then.items() if isinstance(then, dict) else ()):
        now = _fact(name, facts, row.sensor)
        if now not in ("", value):
            return FACT_WORDS.get(name, f"{name} is another")
    return ""


def _aged(step: Step, row: Proof, facts: Facts) -> One:
    """Whichever ends first: its days, or its switchings."""
    until_us = row.utc_us + step.valid.days * DAY_US
    left_us = until_us - facts.utc_us
    left = None
    if step.valid.switchings and facts.switchings >= 0:
        used = facts.switchings - row.switchings
        if used < 0 and not facts.chamber.simulated:  # a simulated board counts from nought at each of its starts
            return One(Standing.VOID, "the board's count of switchings has fallen: another board, or its memory is lost", row)
        left = step.valid.switchings - max(0, used)
    if not left_us > 0:
        return One(Standing.ENDED, "ended: its time is over", row, until_us, left)
    if left is not None and not left > 0:
        return One(Standing.ENDED, "ended: the modulator has switched often enough to be worn", row, until_us, left)
    soon_us = min(WARN_DAYS, step.valid.days // WARN_SHARE) * DAY_US
    ends = left_us <= soon_us or (left is not None and left * 10 <= step.valid.switchings)
    return One(Standing.ENDING if ends else Standing.DONE, "ends soon" if ends else "holds", row, until_us, left)


def _fact(name: str, facts: Facts, sensor: str) -> Any:
    """A fact as it is now; "" where nobody knows."""
    if name == "channel":
        there = sensor_called(facts.chamber, sensor)
        return "" if there is None else there.channel
    if name == "firmware_hash":
        return facts.firmware_hash
    return facts.chamber.heater.element_w if name == "element_w" else getattr(facts.chamber.limits, name, "")


def sensor_called(chamber: Chamber, sensor: str) -> SensorSetup | None:
    """The sensor with this id."""
    return next((row for row in chamber.sensors if row.id == sensor), None)


def switches_of(fitted: Mapping[str, bool], wired: Mapping[str, bool], chamber_sensors: tuple[SensorSetup, ...],
                module: bool, timer_relay: bool = False) -> dict[str, bool]:
    """Every fact that a need or a step may ask for. `timer_relay`: one lets a module's contactor go on silence."""
    roles = {f"{sensor.role.value}_sensor": True for sensor in chamber_sensors}
    return {**fitted, **wired, **roles, "board": not module, "timer_relay": timer_relay}
