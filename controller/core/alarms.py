"""Alarm states and every move between them (ISA-18.2 / IEC 62682, letters from memory: A normal, B unacknowledged,
C acknowledged, D returned-to-normal unacknowledged, E latched unacknowledged, F latched acknowledged, G shelved,
H suppressed by design, I out of service).

An alarm asks for a person; a trip is what the machine did by itself. Acknowledge never clears a latch: E goes to F, and
only a reset (the maintainer's clear) leaves F. A trip's alarm is latched and cannot be shelved.
"""

from __future__ import annotations

from enum import StrEnum


class AlarmState(StrEnum):
    """State of one alarm."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-to-normal unacknowledged"
    LATCHED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class AlarmCause(StrEnum):
    """What moves an alarm."""

    OCCURS = "occurs"
    RETURNS = "returns"
    ACKNOWLEDGE = "acknowledge"
    LATCH = "latch"
    CLEAR = "clear"


A, X = AlarmState, AlarmCause

ALARM_MOVES: dict[tuple[AlarmState, AlarmCause], AlarmState] = {
    (A.NORMAL, X.OCCURS): A.UNACKNOWLEDGED,
    (A.NORMAL, X.LATCH): A.LATCHED,
    (A.UNACKNOWLEDGED, X.ACKNOWLEDGE): A.ACKNOWLEDGED,
    (A.UNACKNOWLEDGED, X.RETURNS): A.RETURNED,
    (A.ACKNOWLEDGED, X.RETURNS): A.NORMAL,
    (A.RETURNED, X.ACKNOWLEDGE): A.NORMAL,
    (A.RETURNED, X.OCCURS): A.UNACKNOWLEDGED,
    (A.LATCHED_ACKNOWLEDGED, X.LATCH): A.LATCHED,
    (A.LATCHED, X.ACKNOWLEDGE): A.LATCHED_ACKNOWLEDGED,
    (A.LATCHED, X.CLEAR): A.NORMAL,
    (A.LATCHED_ACKNOWLEDGED, X.CLEAR): A.NORMAL,
}
"""Shelving, suppression and taking out of service are states the standard has and no move leads to yet."""


def alarm_move(state: AlarmState, cause: AlarmCause) -> AlarmState | None:
    """The next state, or None where the cause changes nothing."""
    return ALARM_MOVES.get((state, cause))
