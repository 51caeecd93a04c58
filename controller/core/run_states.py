"""The states of a run and every move between them (ISA-88 names). Two rules for this file:

1. A move that is not in `MOVES` does not exist; there is one place that refuses, and it says what would be allowed.
2. Nothing here knows about heat. `HEATING` says in which states the regulator may ask; whether it gets anything is the
   supervisor's business.

"Stop heating" is Abort: both switches off now. "Cool down" is ISA-88 Stop: end early at the schedule's rate, which may
still heat. Hold pauses the schedule; its set point freezes and control goes on. The door's interlock also leads to
`held`, with the heat off. Complete, stopped and aborted are ends: reset leads back to idle.

What was resolved here: the standard's table lets every non-final state abort; idle is not final there, and an abort in
idle is accepted and changes nothing but the record, because "Stop heating" must never be refused. For the same reason
the three ends accept it. Pausing is not offered: hold is the only pause a heat treatment needs.
"""

from __future__ import annotations

from enum import StrEnum


class S(StrEnum):
    """State of the run."""

    IDLE = "idle"
    RUNNING = "running"
    HOLDING = "holding"
    HELD = "held"
    RESTARTING = "restarting"
    STOPPING = "stopping"
    STOPPED = "stopped"
    ABORTING = "aborting"
    ABORTED = "aborted"
    COMPLETE = "complete"


class C(StrEnum):
    """Cause of a move: a person's command, or what the machine found."""

    START = "start"
    HOLD = "hold"
    RESTART = "restart"
    COOL_DOWN = "cool_down"
    STOP_HEATING = "stop_heating"
    RESET = "reset"
    SETTLED = "settled"
    DONE = "done"
    FAILED = "failed"
    INTERLOCK = "interlock"
    TRIP = "trip"


ASKED = frozenset({C.START, C.HOLD, C.RESTART, C.COOL_DOWN, C.STOP_HEATING, C.RESET})
"""Causes that are a person's command."""
ACTIVE = frozenset({S.RUNNING, S.HOLDING, S.HELD, S.RESTARTING, S.STOPPING})
HEATING = ACTIVE
ENDED = frozenset({S.STOPPED, S.ABORTED, S.COMPLETE})

MOVES: dict[tuple[S, C], S] = {
    (S.IDLE, C.START): S.RUNNING,
    (S.RUNNING, C.HOLD): S.HOLDING,
    (S.RUNNING, C.COOL_DOWN): S.STOPPING,
    (S.RUNNING, C.DONE): S.COMPLETE,
    (S.RUNNING, C.FAILED): S.STOPPING,
    (S.HOLDING, C.SETTLED): S.HELD,
    (S.HOLDING, C.COOL_DOWN): S.STOPPING,
    (S.HELD, C.RESTART): S.RESTARTING,
    (S.HELD, C.COOL_DOWN): S.STOPPING,
    (S.RESTARTING, C.SETTLED): S.RUNNING,
    (S.RESTARTING, C.HOLD): S.HOLDING,
    (S.RESTARTING, C.COOL_DOWN): S.STOPPING,
    (S.STOPPING, C.DONE): S.STOPPED,
    (S.ABORTING, C.SETTLED): S.ABORTED,
    **{(state, C.INTERLOCK): S.HOLDING for state in (S.RUNNING, S.RESTARTING)},
    (S.HOLDING, C.INTERLOCK): S.HOLDING,
    (S.HELD, C.INTERLOCK): S.HELD,
    (S.STOPPING, C.INTERLOCK): S.STOPPED,
    **{(state, cause): S.ABORTING for state in ACTIVE for cause in (C.TRIP, C.STOP_HEATING)},
    **{(state, C.STOP_HEATING): state for state in (S.IDLE, S.ABORTING, *sorted(ENDED))},
    **{(state, C.TRIP): state for state in (S.IDLE, S.ABORTING, *sorted(ENDED))},
    **{(state, C.RESET): S.IDLE for state in sorted(ENDED)},
}


class Refused(Exception):
    """The move does not exist. Names state, cause and what a person could ask for instead."""

    def __init__(self, state: S, cause: C, allowed: frozenset[C]) -> None:
        self.state = state
        self.cause = cause
        self.allowed = allowed
        words = ", ".join(_words(one) for one in sorted(allowed & ASKED)) or "nothing"
        super().__init__(
            f"{_words(cause).capitalize()} is not possible while the run is {state.value}; possible: {words}"
        )


def _words(cause: C) -> str:
    return cause.value.replace("_", " ")


def move(state: S, cause: C) -> S:
    """The next state, or Refused."""
    try:
        return MOVES[state, cause]
    except KeyError:
        raise Refused(state, cause, allowed(state)) from None


def allowed(state: S) -> frozenset[C]:
    """Every cause that has a move from `state`."""
    return frozenset(cause for at, cause in MOVES if at is state)
