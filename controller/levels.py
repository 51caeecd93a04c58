"""What a chamber may do: from what is fitted and what has been proven, with the reason and the next thing to do.

One table, lowest level first. A level is reached when every need of it and of all levels below is met. What can be proven, how
and for how long stands in `controller.commissioning`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from controller.commissioning.step import BEFORE_HEAT, Way
from controller.commissioning.steps import BY_ID, STEPS
from controller.commissioning.validity import SURVEY, Judged, applies, proven
from controller.core.setup import LEVEL_WORDS, Level

SILENCE = "silence"
"""A module's is shown at the start of every run, by its timer relay; it is no run of its own."""


def _named(title: str) -> str:
    return f"{title[0].lower()}{title[1:]}"


PROOFS = {step.id: _named(step.title) for step in STEPS}
"""Every proof there is, as a sentence names it."""


MODULE_HIGHEST = Level.IN_THE_BUILDING
MODULE_LACKS = ("use a board that speaks protocol v1: a ready-made module says no hello, has no boot id and keeps no limits of "
                "its own, so nothing but this computer would stand between a mistake and the heat")
"""Why heat over a module is not left alone."""
MODULE_SILENCE = ("fit a timer relay to the module that lets the line contactor go and is seen to: its own time-out cannot be "
                  "shown yet, since asking whether the heat has ended keeps it alive")
"""Why a module without a timer relay heats nothing."""


class Need(NamedTuple):
    """One condition of a level: any of `any_of` among the switches that are true, and what to buy otherwise."""

    any_of: tuple[str, ...]
    buy: str


class Row(NamedTuple):
    """One level of the design's table."""

    level: Level
    needs: tuple[Need, ...]
    proofs: tuple[str, ...]


LEVELS = (
    Row(Level.AT_THE_CHAMBER, (
        Need(("control_sensor",), "fit a control sensor"),
        Need(("arm_button",), "fit a push button at the chamber"),
        Need(("drops_on_silence",), "use a board or a timer relay that drops on silence"),
        Need(("thermal_link",), "fit a thermal link"),
        Need(("fuse",), "fit a fuse"),
        Need(("earth",), "connect and measure the earth"),
        Need(("residual_current_device",), "use a residual-current device"),
    ), (*BEFORE_HEAT, "start_proof", "silence")),
    Row(Level.IN_THE_BUILDING, (
        Need(("over_temperature_sensor",), "fit an over-temperature sensor"),
        Need(("own_converters",), "give the over-temperature sensor its own converter"),
        Need(("contactor",), "fit a line contactor"),
        Need(("door",), "fit a door switch"),
    ), ("watchdog", "over_temperature_trip")),
    Row(Level.UNATTENDED, (
        Need(("limiter",), "fit an over-temperature limiter"),
        Need(("limiter_own_contact",), "give the limiter a contact of its own"),
        Need(("fan", "current"), "fit a fan with speed sense or a current sense"),
        Need(("smoke_alarm_in_room", "smoke"), "hang a smoke alarm in the room"),
    ), ("limiter", "burn_off", "terminals", "survey", "smoke_alarm", "message_channels")),
)


@dataclass(frozen=True, slots=True)
class MayDo:
    """The level with its reason and the next step."""

    level: Level
    why: str
    next_thing: str


def may_do(switches: Mapping[str, bool], proofs: frozenset[str], invented: bool, module: bool = False) -> MayDo:
    """The highest level reached. `switches` are all true-or-false facts of the chamber, `proofs` the steps that hold; `module`:
    a ready-made Modbus module stands in place of a board. A proof of what is not fitted is not asked for."""
    have = {**switches, "board": not module}
    reached = Level.MEASURE_ONLY
    for row in LEVELS:
        missing = [MODULE_LACKS] if module and row.level > MODULE_HIGHEST else []
        missing += [MODULE_SILENCE] if _unshown(have) and SILENCE not in proofs else []
        missing += [need.buy for need in row.needs if not _met(need, have)]
        unproven = [PROOFS[proof] for proof in row.proofs if proof not in proofs and applies(BY_ID[proof], have)]
        if missing or unproven:
            proofs_of = f"proof of {'; of '.join(unproven)}" if unproven else ""
            needs = "; ".join([*missing, *filter(None, [proofs_of])])
            return MayDo(reached, f"For {LEVEL_WORDS[row.level]} it still needs: {needs}.",
                         _sentence(missing[0] if missing else f"prove: {unproven[0]}"))
        reached = row.level
    why = "Everything is fitted and proven." if not invented else "Everything is fitted; the proofs are invented."
    return MayDo(reached, why, "")


def trials(switches: Mapping[str, bool], found: Judged) -> tuple[str, ...]:
    """Heated steps that may be done now: everything before them holds, and what "at the chamber" needs is there."""
    if _unshown(switches) or not all(_met(need, switches) for need in LEVELS[0].needs):
        return ()
    ready = (stands.step for stands in found.values() if stands.step.way is Way.HEATED and not stands.blocked_by)
    travels = switches.get("travelling_sensor", False) or switches.get("part_sensor", False)
    module = not switches.get("board", True)
    return tuple(step.id for step in ready if applies(step, switches) and (travels or step.id != SURVEY)
                 and not (module and step.id == SILENCE))


def level_of(switches: Mapping[str, bool], found: Judged, simulated: bool) -> MayDo:
    """The level of a chamber whose steps stand like this."""
    return may_do(switches, proven(found), simulated, not switches.get("board", True))


def _unshown(switches: Mapping[str, bool]) -> bool:
    """A module's own time-out stands alone between silence and the heat, and nothing can show it yet."""
    return not switches.get("board", True) and not switches.get("timer_relay", False)


def _met(need: Need, switches: Mapping[str, bool]) -> bool:
    return any(switches.get(name, False) for name in need.any_of)


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."
