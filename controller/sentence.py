"""The sentence at the top of the page: what is true and what is next; and a second one: does it need anybody?

The first row whose condition holds speaks. No clock time stands in it: the page knows the reader's own.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller.core.alarms import AlarmState
from controller.core.guards import GUARDS, INDEX, Action
from controller.core.run_states import ACTIVE, S
from controller.core.schedule import Kind
from controller.core.setup import Level
from controller.core.state import Run, State

Json = dict[str, Any]
Said = tuple[str, str]
CALM = "All as planned. Nothing needs you."
NO_BOARD = "what is on the port does not answer as a board"
GONE = "What was wrong has gone by itself; acknowledge that you have seen it."
EARLY = "It cools at the schedule's rate, which may still heat. Stop heating ends that too."
DOING = {Kind.RAMP: "Heating up", Kind.SOAK: "Soaking", Kind.COOL: "Cooling as planned"}
ENDS = {S.ABORTED: "The run was aborted.", S.STOPPED: "The run ended early.", S.COMPLETE: "The run is complete."}


def sentence(state: State, now: Json) -> Said:
    """(what is true and what is next, whether it needs anybody)."""
    return next(said for row in ROWS if (said := row(state, now)) is not None)


def duration(us: int) -> str:
    """A time span in words of one or two units."""
    minutes = max(0, us) // 60_000_000
    if minutes == 0:
        return "less than a minute"
    hours, minutes = divmod(minutes, 60)
    if hours == 0:
        return f"{minutes} min"
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def _tripped(state: State, now: Json) -> Said | None:
    if not state.latches:
        return None
    first = next((latch for latch in now["latches"] if latch["first_out"]), now["latches"][0])
    if now["still_on"]:
        return "The heat is still on. Cut the power now.", " ".join(GUARDS[INDEX["heat_stays_on"]].do[:2])
    tripped = first["cause"] if first["stands"] is not False else f"What it tripped on has gone by now: “{first['cause']}”"
    return f"{_heat_off(now)} {tripped}", f"{first['do'][0]} No heat until a maintainer clears it."


def _heat_off(now: Json) -> str:
    """Off is said of what is seen off now, and of nothing else: switches may weld while nobody hears the board."""
    if now["heat_off"] is not None:
        return "Heat is off." if now["heat_off"] else "Heat was told to go off."
    if not now["stop"]["accepted_utc_us"]:
        return f"Whether the heat is off is not known: {NO_BOARD if now['board']['stranger'] else 'the board is not heard'}."
    if now["stop"]["off_seen_utc_us"]:
        return "Heat was seen off, and the board has not been heard since."
    return "Heat was told to go off; nobody has seen it off."


def _no_board(state: State, now: Json) -> Said | None:
    if now["board"]["present"]:
        return None
    if state.board.welcome is not None and not state.board.accepted and state.board.open:
        return "This is another chamber's board. No heat.", "Compare the board's id with the chamber file."
    if state.board.strange:
        return f"{NO_BOARD[0].upper()}{NO_BOARD[1:]}.", "Look which port the chamber file names; nothing else was sent there."
    return ("The board is not heard.",
            "A board that still runs switches off by itself. Check its cable and supply; in doubt, unplug the chamber.")


def _waiting(state: State, now: Json) -> Said | None:
    pending = state.pending
    if pending is None:
        return None
    if pending.armed:
        return "Starting: the board takes this run's limits.", "It begins in a few seconds."
    return ("Press the arm button at the chamber.",
            f"It waits {now['pending']['seconds_left']} s more; then the start is taken back.")


def _idle(state: State, now: Json) -> Said | None:
    if state.run is not None:
        return None
    if state.chamber.may_do is Level.MEASURE_ONLY:
        return f"Measuring only. {_heat_off(now)}", now["chamber"]["next_thing"]
    return f"Nothing runs. {_heat_off(now)}", _alarm_words(now) or "Choose a schedule to start one."


def _ended(state: State, now: Json) -> Said | None:
    run = state.run
    if run is None or run.state in ACTIVE:
        return None
    if run.state is S.ABORTING:
        return "Stopping the heat. It is not yet seen off.", "Both switches were told to open."
    return f"{_heat_off(now)} {ENDS[run.state]}", run.end or _alarm_words(now) or CALM


def _held(state: State, now: Json) -> Said | None:
    run = state.run
    if run is None or run.state not in (S.HELD, S.HOLDING):
        return None
    if run.heat_withheld:
        stands = next((one["cause"] for one in now["alarms"] if _stands(one)), "What held it has gone.")
        return f"Held with the heat off. {stands}", "The heat comes back only when you say go on."
    return "Held. The set point stays where it is, heated as needed.", _alarm_words(now) or "Go on when you are ready."


def _stands(alarm: Json) -> bool:
    """An interlock's alarm whose cause has not gone."""
    return GUARDS[INDEX[alarm["guard"]]].action is Action.INTERLOCK and alarm["state"] != AlarmState.RETURNED


def _going(state: State, now: Json) -> Said | None:
    run = state.run
    assert run is not None, "every other case has been told"
    doing = "Cooling down early" if run.state is S.STOPPING else _doing(run)
    step = now["run"]["next"]
    if step is None or not step["in_us"]:
        ahead = f"{doing}."
    else:
        what = step["what"]
        when = f"{duration(step['in_us'])} after that" if step["waits"] else f"in {duration(step['in_us'])}"
        ahead = f"{doing}. {what[0].upper()}{what[1:]} {when}."
    calm = EARLY if run.state is S.STOPPING else CALM
    return ahead, _alarm_words(now) or _withheld(state, now) or calm


def _doing(run: Run) -> str:
    treatment = run.treatment
    if treatment.now.kind is Kind.SOAK and not treatment.counting:
        return "Waiting until it is in its band"
    return DOING[treatment.now.kind]


def _withheld(state: State, now: Json) -> str:
    if state.permit:
        return ""
    open_ones = [contact["why"] for contact in now["permit"]["contacts"] if not contact["closed"]]
    return f"No heat for the moment. {open_ones[0]}" if open_ones else ""


def _alarm_words(now: Json) -> str:
    """What stands; what has returned asks only to be acknowledged."""
    stands = next((alarm for alarm in now["alarms"] if alarm["state"] != AlarmState.RETURNED), None)
    if stands:
        return f"{stands['cause']} {stands['do'][0]}"
    return GONE if now["alarms"] else ""


ROWS: tuple[Callable[[State, Json], Said | None], ...] = (_tripped, _no_board, _waiting, _idle, _ended, _held, _going)
