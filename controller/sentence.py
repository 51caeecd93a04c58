"""The sentence at the top of the page: what is true and what is next; and a second one: does it need anybody?

The first row whose condition holds speaks. No clock time stands in it: the page knows the reader's own.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller.core.alarms import AlarmState
from controller.core.guards import GUARDS, INDEX, Action, Urgency
from controller.core.limits import check_in_near
from controller.core.program import Silence, Standstill
from controller.core.proof import WORDS, StartProof
from controller.core.run_states import ACTIVE, S
from controller.core.schedule import Kind
from controller.core.setup import Level
from controller.core.state import Run, State
from controller.run_plan import IN_BAND

Json = dict[str, Any]
Said = tuple[str, str]
CALM = "All as planned. Nothing needs you."
GONE = "What was wrong has gone by itself; acknowledge that you have seen it."
EARLY = "It cools at the schedule's rate, which may still heat. Stop heating ends that too."
LATER = "The air is out of its band, so this takes longer than planned. Look at it if that stays so."
ENDS = {S.ABORTED: "The run was aborted.", S.STOPPED: "The run ended early.", S.COMPLETE: "The run is complete."}
MODULE_UNHEARD = ("What ends its heat on silence does so by itself. Check the adapter, the line and the module's supply; in "
                  "doubt, unplug the chamber.")
MODULE_STAYS = "Nothing ends the heat of such a module by itself: unplug the chamber. Then check the line and its supply."
STARTING_MODULE = "Starting: the module is looked at once more."
SOON = "It begins in a few seconds."


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
    first = next(latch for latch in now["latches"] if latch["guard"] == now["gravest"])
    if now["still_on"] and first["urgency"] == Urgency.EVACUATE:
        return f"The heat is still on. {first['cause']}", " ".join(first["do"])
    if now["still_on"]:
        return "The heat is still on. Cut the power now.", " ".join(GUARDS[INDEX["heat_stays_on"]].do[:2])
    tripped = first["cause"] if first["stands"] is not False else f"What it tripped on has gone by now: “{first['cause']}”"
    found = first["guard"] == "not_commissioned" and not now["chamber"]["simulated"]
    until = "it is commissioned" if found else "a maintainer clears it"
    return f"{_heat_off(now)} {tripped}", f"{first['do'][0]} No heat until {until}."


def _heat_off(now: Json) -> str:
    """Off is said of what is seen off now, and of nothing else: switches may weld while nobody hears the board."""
    if now["heat_off"] is not None:
        return "Heat is off." if now["heat_off"] else "Heat was told to go off."
    if not now["stop"]["accepted_utc_us"] or not (now["board"]["accepted"] or now["stop"]["off_seen_utc_us"]):
        return f"Whether the heat is off is not known: {now['board']['line']}."
    if now["stop"]["off_seen_utc_us"]:
        return "Heat was seen off, and the board has not been heard since."
    return "Heat was told to go off; nobody has seen it off."


def _no_board(state: State, now: Json) -> Said | None:
    refused = state.board.module is not None and not state.board.accepted and state.chamber.may_do > Level.MEASURE_ONLY
    if now["board"]["present"] and not refused:
        return None
    line = now["board"]["line"]
    said = f"{line[0].upper()}{line[1:]}."
    if now["board"]["present"]:
        return said, f"{_heat_off(now)} It is looked at again every few seconds; no start until that is mended."
    if state.chamber.module is not None:
        return said, MODULE_UNHEARD if state.chamber.module.ends_on_silence else MODULE_STAYS
    if state.board.strange:
        return said, "Look which port the chamber file names; nothing but a greeting was sent there."
    if state.board.welcome is not None and not state.board.accepted and state.board.open:
        return f"{said} No heat.", "Compare the board with the chamber file."
    return said, "A board that still runs switches off by itself. Check its cable and supply; in doubt, unplug the chamber."


def _waiting(state: State, now: Json) -> Said | None:
    pending = state.pending
    if pending is None:
        return None
    if pending.armed and pending.due:
        if state.chamber.module is not None and state.chamber.module.timer_relay_us:
            return "Starting: the timer relay is proven, without heat.", "It begins in a few seconds."
        return "Starting: the board takes this run's limits." if state.chamber.module is None else STARTING_MODULE, SOON
    if not pending.due:
        return _named(now)
    left = f"It waits {now['pending']['seconds_left']} s more; then the start is taken back."
    if now["door"] == "open":
        return "Shut the door, then press the arm button at the chamber.", left
    return "Press the arm button at the chamber.", left


def _named(now: Json) -> Said:
    """A start that waits for a time: the page shows that time beside the sentence, in the reader's own clock."""
    words = {"arm": "A start waits for its time and for the arm button.", "clock": "A start waits for the computer's clock.",
             "time": "A start waits for its time. It is armed."}
    failing = now["messages"]["words"]
    if failing and now["pending"]["level"] == Level.UNATTENDED.name.lower():
        return "A start waits for its time, but as things stand it will not begin.", f"Messages fail: {failing}."
    return words[now["pending"]["waits_for"]], now["pending"]["words"]


def _idle(state: State, now: Json) -> Said | None:
    if state.run is not None:
        return None
    if state.chamber.may_do is Level.MEASURE_ONLY:
        return f"Measuring only. {_heat_off(now)}", now["chamber"]["next_thing"]
    return f"Nothing runs. {_heat_off(now)}", _alarm_words(now) or _blocked(now) or "Choose a schedule to start one."


def _blocked(now: Json) -> str:
    """What a start would be refused for now."""
    why = next((one["why"] for one in now["permit"]["contacts"] if not one["closed"] and one["name"] != "armed"), "")
    return f"Nothing can start now. {why}" if why else ""


def _ended(state: State, now: Json) -> Said | None:
    run = state.run
    if run is None or run.state in ACTIVE:
        return None
    if run.state is S.ABORTING:
        return "Stopping the heat. It is not yet seen off.", "Every heater switch was told to open."
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
    doing = "Cooling down early" if run.state is S.STOPPING else _doing(run, now)
    step = now["run"]["next"]
    ahead = f"{doing}." if step is None else f"{doing}. {step['what'][0].upper()}{step['what'][1:]} {_when(step)}."
    calm = EARLY if run.state is S.STOPPING else LATER if _behind(now) else _stay(now) or CALM
    return ahead, _alarm_words(now) or _withheld(state, now) or _check_in(now) or calm


def _check_in(now: Json) -> str:
    """In its last quarter a check-in needs somebody."""
    due = now["check_in"]
    if due is None or not check_in_near(due["every_us"], due["left_us"]):
        return ""
    where = "at the chamber" if due["by"] == "button" else "here or at the chamber"
    return f"Say that you watch, {where}: {duration(due['left_us'])} left, then the heat goes off."


def _stay(now: Json) -> str:
    """For the first half hour of an unattended run somebody is asked to stay."""
    leave = now["leave"]
    return f"All as planned. {leave['words']}" if leave is not None and leave["in_us"] else ""


def _when(step: Json) -> str:
    if not step["after"]:
        return f"in {duration(step['in_us'])}"
    if step["after"] == IN_BAND:
        return f"{duration(step['in_us'])} after that"
    return f"once {step['after']}"


def _doing(run: Run, now: Json) -> str:
    if type(run.program) in PROVING:
        return PROVING[type(run.program)](run.program)
    treatment = run.treatment
    if treatment.now.kind is Kind.SOAK:
        return "Soaking" if treatment.counting else "Waiting until it is in its band"
    late = _behind(now)
    if treatment.now.kind is Kind.COOL:
        return "Cooling, later than planned" if late else "Cooling as planned"
    return "Heating up, not as planned" if late else "Heating up"


def _proof_words(proof: StartProof) -> str:
    number, words = WORDS[proof.phase]
    which = f", step {number} of 3" if number else ""
    return f"Proving the switches{which}. {words.rstrip('.')}"


PROVING: dict[type, Callable[[Any], str]] = {
    StartProof: _proof_words,
    Silence: lambda program: "Falling silent: the board must switch the heat off by itself",
    Standstill: lambda program: "The board is about to stand still; its watchdog must end that",
}
"""What a run is said to do while it follows no schedule."""


def _behind(now: Json) -> bool:
    """The air is well out of its band about a moving set point, which is what rates mean; a soak says itself when it waits."""
    run, air, wanted, band = now["run"], now["air_mc"], now["air_setpoint_mc"], now["band_mc"]
    if run["segments"][run["segment"]]["kind"] is Kind.SOAK or air is None or wanted is None or band is None:
        return False
    return bool(abs(air - wanted) * 2 > 3 * band)


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
