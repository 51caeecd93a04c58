"""Whether somebody has to be near: arming, waiting starts, check-ins, and when the chamber may be left alone. For show."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller.core.alarms import AlarmState
from controller.core.guards import GUARDS, INDEX
from controller.core.limits import CHECK_IN_US
from controller.core.run_states import ACTIVE, S
from controller.core.senses import ARM_HOLDS_US, FIRST_US, good_mc, off_plan
from controller.core.setup import Level
from controller.core.starting import ARM_WAIT_US, NAMED_HOLDS_US
from controller.core.state import Pending, Run, State

Json = dict[str, Any]
Utc = Callable[[int], int]
"""From the tick's monotonic time to UTC."""
WAITS = {
    "arm": "Press the arm button at the chamber, door shut.",
    "clock": "The computer's clock is not known to be right yet; the start waits for it.",
    "time": "Armed. It begins by itself at its named time.",
    "board": "The board takes this run's limits.",
}
STAY = "Stay until the first half hour has followed the plan."
MAY_LEAVE = "The first half hour followed the plan. This is advice: nothing here checks who is near."
GONE = frozenset({AlarmState.NORMAL, AlarmState.RETURNED})


def attendance(state: State, utc: Utc, synced: bool) -> Json:
    """The fields of the snapshot that say who has to be near, and until when."""
    run = state.run if state.run is not None and state.run.state in ACTIVE else None
    return {
        "pending": None if state.pending is None else _pending(state, state.pending, utc, synced),
        "armed": state.armed_us >= 0 or run is not None or (state.pending is not None and state.pending.armed),
        "armed_until_utc_us": _armed_until(state, utc),
        "lapsed": state.lapse and {"reason": state.lapse.reason, "utc_us": utc(state.lapse.mono_us),
                                   "at_utc_us": state.lapse.at_utc_us or None},
        "check_in": None if run is None else _check_in(state, run),
        "leave": None if run is None else _leave(state, run),
        "messages": {"state": "failing" if state.messages_why else "working", "words": state.messages_why},
        "clock_synced": synced,
    }


def _pending(state: State, pending: Pending, utc: Utc, synced: bool) -> Json:
    command, schedule = pending.command, pending.command.schedule
    until_us = pending.asked_us + ARM_WAIT_US if pending.due else None
    waits_for = "arm" if not pending.armed else "board" if pending.due else "time" if synced else "clock"
    return {
        "asked_utc_us": utc(pending.said_us), "run_id": command.run_id, "trial": command.trial,
        "armed": pending.armed,
        "schedule": schedule.name if schedule else "", "level": command.level.name.lower(), "by": command.by,
        "at_utc_us": command.at_utc_us or None, "waits_for": waits_for, "words": WAITS[waits_for],
        "seconds_left": None if until_us is None else max(0, until_us - state.mono_us) // 1_000_000,
    }


def _armed_until(state: State, utc: Utc) -> int | None:
    """Until when a press holds: two hours, or half an hour past a start's named time."""
    if state.armed_us >= 0:
        return utc(state.armed_us + ARM_HOLDS_US)
    pending = state.pending
    if pending is None or not pending.armed or not pending.command.at_utc_us:
        return None
    return pending.command.at_utc_us + NAMED_HOLDS_US


def _check_in(state: State, run: Run) -> Json | None:
    every_us = CHECK_IN_US.get(run.level)
    if every_us is None:
        return None
    by = "button" if run.level is Level.AT_THE_CHAMBER else "page or button"
    return {"every_us": every_us, "left_us": max(0, run.checked_in_us + every_us - state.mono_us), "by": by}


def _leave(state: State, run: Run) -> Json | None:
    """Advice to whoever started an unattended run; no gate. None for any other run, and once it cools down early."""
    if run.level is not Level.UNATTENDED or run.state is S.STOPPING:
        return None
    left_us = max(0, run.follows_us + FIRST_US - state.mono_us)
    standing = next((GUARDS[INDEX[alarm.guard]].cause for alarm in state.alarms if alarm.state not in GONE), "")
    if standing:
        return {"may": False, "words": f"Not yet. {standing}", "in_us": None}
    if run.state is not S.RUNNING:
        return {"may": False, "words": "Not while the run is held.", "in_us": None}
    if not left_us and off_plan(good_mc(state.readings, state.chamber.wiring.control), run):
        return {"may": False, "words": "Not while the air is out of its band.", "in_us": None}
    return {"may": not left_us, "words": STAY if left_us else MAY_LEAVE, "in_us": left_us or None}
