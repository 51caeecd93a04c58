"""Something changed: one row each says which proofs it voids. No logic but adding up the minutes of redoing.

What hangs on the place (socket, residual-current device, clearance, smoke alarm, who hears a message) stands apart from what
hangs on the chamber. What the program can see by itself is in `HANGS_ON`: a proof keeps those facts with it, and holds no more
once they are others.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from controller.commissioning.step import Bound
from controller.commissioning.steps import BY_ID, STEPS


class Change(NamedTuple):
    """One thing that may change."""

    id: str
    words: str
    why: str
    steps: tuple[str, ...]
    of_sensor: bool = False
    """It is one sensor that changed: only its own proofs are voided, where the step hangs on sensors."""


OF_PLACE = tuple(step.id for step in STEPS if step.bound is Bound.PLACE)
OF_SENSOR = tuple(step.id for step in STEPS if step.bound is Bound.SENSOR)

CHANGES: tuple[Change, ...] = (
    Change("moved", "The chamber stands in another place.", "Socket, earth and surroundings are others, and a carried chamber "
           "shakes its screws and clips loose.", (*OF_PLACE, "wiring", "contacts")),
    Change("room", "The room changed: furniture, socket, who sleeps where.", "What burns may stand nearer, and an alarm may "
           "not be heard.", OF_PLACE),
    Change("sensor", "A sensor was replaced.", "Another probe has another error and another place.",
           (*OF_SENSOR, "start_proof", "over_temperature_trip", "survey"), True),
    Change("socket", "A sensor was plugged into another socket of the board.", "Its corrections follow it; which one it is "
           "must be seen anew.", ("sensor_identity",), True),
    Change("cable", "A cable, plug, fuse or joint of the heater circuit was changed.", "A new joint may be loose, and a new "
           "cable weaker than the fuse.", ("wiring", "live_parts", "terminals", "start_proof")),
    Change("element", "The element was replaced or moved.", "Other power, other place, new smells.",
           ("wiring", "live_parts", "start_proof", "over_temperature_trip", "limiter", "burn_off", "terminals", "survey")),
    Change("switch", "The modulator or the line contactor was replaced.", "A new one may be wired around or exchanged.",
           ("wiring", "contacts", "start_proof", "silence", "watchdog", "over_temperature_trip", "terminals")),
    Change("limiter", "The limiter was replaced, set anew or its sensor moved.", "It has not been seen to open as it is now.",
           ("wiring", "limiter")),
    Change("firmware", "The board's program was replaced.", "Its silence time-out, watchdog and limits are that program, and "
           "so is how it reads and numbers its sensors.",
           ("contacts", "sensor_identity", "ice_point", "boiling_point", "silence", "watchdog", "over_temperature_trip")),
    Change("board", "The board was replaced.", "Inputs, outputs and program are others.",
           ("contacts", "sensor_identity", "live_parts", "ice_point", "boiling_point", "start_proof", "silence", "watchdog",
            "over_temperature_trip", "limiter")),
    Change("computer", "The controller runs on another computer.", "Whether the board ends the heat without it, and whether "
           "its messages arrive, must be seen anew.", ("silence", "message_channels")),
    Change("case", "Door, seal or insulation was changed.", "Air flows otherwise, and new material may smoke.",
           ("wiring", "contacts", "burn_off", "survey")),
    Change("fan", "The fan was replaced or moved.", "The air flows otherwise.", ("contacts", "start_proof", "survey")),
)
STOP_FIRST = frozenset({"sensor", "socket", "cable", "element", "switch", "limiter", "board", "firmware"})
"""Changes of what a run is measured, switched or ended by: one that is on its way is to be stopped before anything else."""
CHANGE_BY_ID: Mapping[str, Change] = {change.id: change for change in CHANGES}

HANGS_ON: Mapping[str, tuple[str, ...]] = {
    "wiring": ("element_w",),
    "sensor_identity": ("channel",),
    "silence": ("firmware_hash", "silence_us"),
    "watchdog": ("firmware_hash",),
    "over_temperature_trip": ("firmware_hash", "ceiling_mc", "board_ceiling_mc"),
    "limiter": ("board_ceiling_mc", "limiter_mc", "limiter_tolerance_mc"),
}
"""Facts that a proof keeps with it (`values["hangs_on"]`), by step."""
FACT_WORDS: Mapping[str, str] = {
    "element_w": "the element's power in the chamber file is another",
    "channel": "this sensor is plugged into another socket",
    "firmware_hash": "the board runs another program",
    "silence_us": "the silence limit in the chamber file is another",
    "ceiling_mc": "the ceiling in the chamber file is another",
    "board_ceiling_mc": "the board's ceiling in the chamber file is another",
    "limiter_mc": "the limiter's temperature in the chamber file is another",
    "limiter_tolerance_mc": "the limiter's tolerance in the chamber file is another",
}
"""What to say when a fact is another than when it was proven."""


def minutes_of(steps: tuple[str, ...]) -> int:
    """How long redoing these takes a person, by the guide's own count."""
    return sum(BY_ID[step].minutes for step in steps)
