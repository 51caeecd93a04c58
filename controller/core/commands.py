"""What a person can ask of the controller, who may, and what comes with it. One closed table."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum

from controller.core.leaving import Leaving
from controller.core.schedule import Schedule
from controller.core.setup import Level


class PersonRole(IntEnum):
    """Who may do what, least first."""

    VIEWER = 0
    OPERATOR = 1
    MAINTAINER = 2


class Ask(StrEnum):
    """The commands."""

    START = "start"
    HOLD = "hold"
    RESTART = "restart"
    COOL_DOWN = "cool_down"
    STOP_HEATING = "stop_heating"
    RESET = "reset"
    ACKNOWLEDGE = "acknowledge"
    CLEAR = "clear"
    TIGHTEN = "tighten"
    CHECK_IN = "check_in"


LEAST_ROLE = {
    Ask.START: PersonRole.OPERATOR,
    Ask.HOLD: PersonRole.OPERATOR,
    Ask.RESTART: PersonRole.OPERATOR,
    Ask.COOL_DOWN: PersonRole.OPERATOR,
    Ask.STOP_HEATING: PersonRole.VIEWER,
    Ask.RESET: PersonRole.OPERATOR,
    Ask.ACKNOWLEDGE: PersonRole.VIEWER,
    Ask.CLEAR: PersonRole.MAINTAINER,
    Ask.TIGHTEN: PersonRole.MAINTAINER,
    Ask.CHECK_IN: PersonRole.OPERATOR,  # it keeps the heat on
}


@dataclass(frozen=True, slots=True)
class Command:
    """One command with who gave it. `ref` is the asker's own number, given back in the answer event."""

    ask: Ask
    by: str
    role: PersonRole
    ref: str
    schedule: Schedule | None = None
    """With start."""
    run_id: str = ""
    """With start: the record's name for the new run."""
    level: Level = Level.UNATTENDED
    """With start: how closely somebody will watch."""
    name: str = ""
    """With acknowledge: the guard; with tighten: the limit."""
    value: int = 0
    """With tighten: the new limit, in the limit's own unit."""
    at_utc_us: int = 0
    """With start: the time it is named for; 0 for now."""
    trial: str = ""
    """With start: a heated step of commissioning in place of a schedule (`trials.TRIALS`)."""
    leaving: Leaving | None = None
    """With an unattended start: what was answered before leaving."""
