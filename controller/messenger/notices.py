"""Which things of a snapshot may be worth a message. Pure; one function a kind, all of them level-triggered.

A cause has a key. As long as it is true it is found again with every snapshot; `memory` tells it once. So a messenger that
was not there meanwhile, or hears only every tenth snapshot, loses nothing and repeats nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from controller.core.guards import GUARDS, INDEX, Action
from controller.core.run_states import ACTIVE, ENDED, S
from controller.core.schedule import Kind
from controller.messenger.words import NOT_ISOLATED, Need, Notice, clock, counted, duration, need_of, whom

Json = dict[str, Any]
S1 = 1_000_000
STALE_US = 600 * S1
"""A run that began longer ago is no news to somebody who starts to listen only now."""
UNSEEN_US = 5 * S1
SETTLE_US = 5 * S1
"""What can wait and asks for nothing but a person's eye has to stand that long."""
REMIND_PART = 4
"""Of the time between two check-ins, the last part in which the next one is told to be due."""
STILL_ON = "still_on"
TRIP, ALARM, UNSEEN = "trip ", "alarm ", "unseen "
PAGE_AWAY = "page away"
CALM = "Nothing. Look when you like."
UNCHECKED = "Without it the heat goes off and stays off until somebody says go on."
SAID = {
    "check_in_overdue": "The check-in is overdue.",
    "board_unheard": "The board is not heard, so whether the heat is off is not known.",
    "ended_in_a_run": "The controller ended in the middle of a run and has started again.",
}
"""Causes in other words than the page's: a message may be read by anybody."""


class Seen(NamedTuple):
    """What of the chamber's past the rows below need."""

    known: bool = False
    """Has any snapshot been seen before?"""
    run: str = ""
    """The run that was last seen going on; empty once its end was seen."""
    named: str = ""
    """The run id of a start that waits for a named time."""
    named_utc_us: int = 0
    soaks_of: str = ""
    """The run whose soaks are counted below."""
    soaks_us: tuple[int, ...] = ()
    """Time in band, a number a segment: the snapshot only shows the segment that is on."""
    told: frozenset[str] = frozenset()
    """Keys that have been told and are not over."""


class Cause(NamedTuple):
    """Something that is true now and may be worth a message."""

    key: str
    notice: Notice
    quiet: bool = False
    """Take it as told: another message has said it, or it is old news."""
    after_us: int = 0
    """Told once it has been true for so long."""


def causes(now: Json, seen: Seen) -> list[Cause]:
    """Everything that is true in this snapshot, gravest kinds first."""
    return [cause for row in ROWS for cause in row(now, seen)]


def stands(cause: Cause) -> bool:
    """Does it tell of something that stands until a person has done something? A trip does, told or not; an alarm until
    somebody has seen it; and a chamber that waits to be commissioned asks for nothing."""
    if cause.key.startswith(TRIP):
        return cause.key != f"{TRIP}not_commissioned"
    return cause.key == STILL_ON or cause.key.startswith(UNSEEN) or (cause.key.startswith(ALARM) and not cause.quiet)


def look(now: Json, seen: Seen) -> Seen:
    """What to remember of this snapshot for the next."""
    run, pending = now["run"], now.get("pending") or {}
    named_utc_us = pending.get("at_utc_us") or 0
    going = run["id"] if run is not None and run["state"] not in ENDED else ""
    named = str(pending.get("run_id", "")) if named_utc_us else ""
    if run is None:
        return Seen(True, going, named, named_utc_us, told=seen.told)
    return Seen(True, going, named, named_utc_us, run["id"], soaks_us(run, seen), seen.told)


def soaks_us(run: Json, seen: Seen) -> tuple[int, ...]:
    """Time in band of every segment so far, 0 for those that are no soak. A soak ends by its count and by nothing else, so one
    that is over has the whole of it; of one that was cut short, `segments` holds what was counted."""
    at, segments = run["segment"], run["segments"]
    before = seen.soaks_us if seen.soaks_of == run["id"] else ()
    after = list(before) + [0] * (at + 1 - len(before))
    over = at + 1 if run["state"] == S.COMPLETE else at
    for number, segment in enumerate(segments[:at + 1]):
        if segment["kind"] == Kind.SOAK:
            after[number] = segment["soak_us"] if number < over else max(after[number], run["counted_us"])
    return tuple(after)


def busy(now: Json) -> bool:
    """Does a run go on, or wait, or is heat not known to be off?"""
    run = now["run"]
    return bool(now.get("pending")) or (run is not None and run["state"] not in ENDED) or bool(now["still_on"])


def unattended(now: Json) -> bool:
    """Does a run go on or wait that counts on messages?"""
    run = now["run"]
    whole = run if run is not None and run["state"] not in ENDED else now.get("pending") or {}
    return bool(whole.get("level") == "unattended")


def page_away(now: Json) -> Cause:
    """Nothing of the page was heard for long: nobody can see or stop from elsewhere."""
    going = now["run"] is not None and now["run"]["state"] not in ENDED
    return Cause(PAGE_AWAY, Notice(Need.GET_UP if unattended(now) else Need.CAN_WAIT, PAGE_SILENT,
                                   PAGE_DONE if going else "The start goes on waiting under its guards.", PAGE_DO))


PAGE_SILENT = "The page does not answer, so Stop heating works only at the chamber."
PAGE_DONE = "The heat goes on under its guards."
PAGE_DO = ("Restart the service on the chamber's computer. If the heat has to go off before that, press the stop at the "
           f"chamber or unplug it. {NOT_ISOLATED}")
PAGE_AGAIN = "The page answers again."


# -- rows ---------------------------------------------------------------------------------------------------------------


def _still_on(now: Json, _seen: Seen) -> Iterator[Cause]:
    if now["still_on"]:
        guard = GUARDS[INDEX["heat_stays_on"]]
        yield Cause(STILL_ON, Notice(Need.GET_UP, "The heat is still on though it is switched off.",
                                     "Every heater switch was told to open, and one of them did not.", " ".join(guard.do)))


def _trips(now: Json, seen: Seen) -> Iterator[Cause]:
    """First-out tells for all that follow from it; only a more urgent trip is told beside it."""
    latches = sorted(now["latches"], key=lambda latch: not latch["first_out"])
    loudest = max((need_of(one["urgency"]).rank for one in latches if _trip_key(one) in seen.told), default=-1)
    for latch in latches:
        need = need_of(latch["urgency"])
        old = latch["guard"] == "not_commissioned" or (latch["guard"] == "heat_stays_on" and now["still_on"])
        yield Cause(_trip_key(latch), _trip(latch, need, now), quiet=old or need.rank <= loudest)
        loudest = max(loudest, -1 if old else need.rank)


def _trip_key(latch: Json) -> str:
    return f"{TRIP}{latch['guard']}"


def _trip(latch: Json, need: Need, now: Json) -> Notice:
    run = now["run"]
    ended = f" The run {run['name']} ended by it." if run is not None and run["state"] in (S.ABORTING, S.ABORTED) else ""
    off = " The heat is seen off." if now["heat_off"] else ""
    return Notice(need, f"Tripped: {_cause(latch)}{_detail(latch)}", f"{latch['done']}{off}{ended}",
                  f"{' '.join(latch['do'])} Worry if: {latch['worry']}")


def _alarms(now: Json, _seen: Seen) -> Iterator[Cause]:
    latched = {latch["guard"] for latch in now["latches"]}
    for alarm in now["alarms"]:
        if alarm["guard"] in latched or "returned" in alarm["state"] or "latched" in alarm["state"]:
            continue
        need = need_of(alarm["urgency"])
        notice = Notice(need, f"{_cause(alarm)}{_detail(alarm)}", alarm["done"],
                        f"{' '.join(alarm['do'])} Worry if: {alarm['worry']}")
        slow = need is Need.CAN_WAIT and _action(alarm["guard"]) is Action.ALARM
        yield Cause(f"{ALARM}{alarm['guard']}", notice, alarm["state"] == "acknowledged", SETTLE_US if slow else 0)


def _action(guard: str) -> Action:
    """What a guard does; one that this program does not know yet is an alarm."""
    return GUARDS[INDEX[guard]].action if guard in INDEX else Action.ALARM


def _cause(one: Json) -> str:
    return SAID.get(one["guard"], str(one["cause"]))


def _detail(one: Json) -> str:
    return f" ({one['detail']})" if one.get("detail") else ""


def _unseen(now: Json, _seen: Seen) -> Iterator[Cause]:
    run = now["run"]
    if run is not None and run["state"] == S.ABORTING and not now["still_on"]:
        yield Cause(f"{UNSEEN}{run['id']}", Notice(
            Need.GET_UP, f"Stopping {run['name']}: the heat has not been seen off yet.",
            "Every heater switch was told to open.",
            f"Go and look. {NOT_ISOLATED} You smell burning: cut the power from outside the room and keep out."),
            after_us=UNSEEN_US)


def _began(now: Json, seen: Seen) -> Iterator[Cause]:
    run = now["run"]
    if run is None or run["state"] not in ACTIVE:
        return
    named, at_us = seen.named == run["id"], now["utc_us"]
    what = f"The start named for {clock(seen.named_utc_us, at_us)} has begun" if named else "A run has begun"
    notice = Notice(Need.FOR_INFORMATION, f"{what}: {run['name']}.",
                    f"The heat is on under the plan. It should end at {clock(run['ends_utc_us'], at_us)}.", _after_begin(now))
    yield Cause(f"began {run['id']}", notice, quiet=run["elapsed_us"] > STALE_US and seen.run != run["id"])


def _after_begin(now: Json) -> str:
    """What the level of the run asks of whoever started it."""
    check_in = now.get("check_in")
    if now["run"]["level"] == "unattended":
        return "Stay until the first half hour has followed the plan; a message says when."
    if not check_in:
        return CALM
    by = clock(now["utc_us"] + check_in["left_us"], now["utc_us"])
    return f"Check in by {by}, and every {duration(check_in['every_us'])} from then on, {_how(check_in)}."


def _how(check_in: Json) -> str:
    return "with the button at the chamber" if check_in["by"] == "button" else "on the page or with the button at the chamber"


def _check_in(now: Json, _seen: Seen) -> Iterator[Cause]:
    """A reminder, where a check-in can be given from elsewhere; after each check-in the next is a new one."""
    run, check_in = now["run"], now.get("check_in")
    if run is None or run["state"] not in ACTIVE or not check_in or check_in["by"] == "button":
        return
    if 0 < check_in["left_us"] <= check_in["every_us"] // REMIND_PART:
        by = clock(now["utc_us"] + check_in["left_us"], now["utc_us"])
        yield Cause(f"check-in {run['id']}", Notice(
            Need.CAN_WAIT, f"The next check-in of {run['name']} is due by {by}.", "The run goes on under its plan.",
            f"Check in {_how(check_in)}. {UNCHECKED}", f"by {by}"))


def _leave(now: Json, seen: Seen) -> Iterator[Cause]:
    run, leave = now["run"], now.get("leave") or {}
    if run is not None and run["state"] in ACTIVE and leave.get("may"):
        yield Cause(f"leave {run['id']}", Notice(
            Need.FOR_INFORMATION, f"{run['name']}: the first part has followed the plan. You may leave the room.",
            "It watches itself and switches the heat off when anything looks wrong.",
            "Nothing. Messages come when something needs a person."), quiet=not seen.known)


def _ended(now: Json, seen: Seen) -> Iterator[Cause]:
    run = now["run"]
    if run is None or run["state"] not in ENDED:
        return
    told_by_another = run["state"] == S.ABORTED and (bool(now["latches"]) or any(
        _action(alarm["guard"]) is Action.ABORT for alarm in now["alarms"]))
    needed = Need.CAN_WAIT if run["state"] == S.ABORTED else Need.FOR_INFORMATION
    what = f"{END_WORDS[S(run['state'])].format(run['name'])} {whom(run['end'])}".strip()
    done = f"{_off_words(now)} {_in_band(run, seen)}".strip()
    yield Cause(f"ended {run['id']}", Notice(needed, what, done, f"Read the record. {NOT_ISOLATED}"),
                quiet=not seen.known or told_by_another, after_us=0 if now["heat_off"] else UNSEEN_US)


END_WORDS = {S.COMPLETE: "{} is complete.", S.STOPPED: "{} ended early.", S.ABORTED: "{} was stopped before its end."}


def _off_words(now: Json) -> str:
    """Accepted when, seen off when: never "off" on a sent request."""
    stop, at_us = now["stop"], now["utc_us"]
    if stop["off_seen_utc_us"] and stop["accepted_utc_us"] and now["run"]["state"] == S.ABORTED:
        return (f"The stop was accepted at {clock(stop['accepted_utc_us'], at_us)}, and the heat was seen off at "
                f"{clock(stop['off_seen_utc_us'], at_us)}.")
    if now["heat_off"]:
        return "The heat is seen off."
    return "The heat was told to go off; that it is off has not been seen."


def _in_band(run: Json, seen: Seen) -> str:
    """How long the run's soaks were in band, by the clock that counts only that."""
    total_us = sum(soaks_us(run, seen))
    if not any(segment["kind"] == Kind.SOAK for segment in run["segments"]):
        return ""
    if run["state"] == S.STOPPED:  # its segments say what was done, and no longer what was planned
        return f"It was in band for {counted(total_us)}."
    planned_us = sum(segment["soak_us"] for segment in run["segments"])
    return f"It was in band for {counted(total_us)} of the {duration(planned_us)} that its soaks should last."


def _gone(now: Json, seen: Seen) -> Iterator[Cause]:
    run = now["run"]
    if seen.run and (run is None or run["id"] != seen.run):
        yield Cause(f"gone {seen.run}", Notice(
            Need.CAN_WAIT, f"Run {seen.run} is over; its end was not watched by the messenger.",
            "The record holds how it ended." if not now["heat_off"] else "The record holds how it ended. The heat is seen off.",
            f"Read the record. {NOT_ISOLATED}"), quiet=f"ended {seen.run}" in seen.told)


def _lapsed(now: Json, seen: Seen) -> Iterator[Cause]:
    """A named start that waits no more, and no run came of it. The memory of it goes with this snapshot."""
    run, pending = now["run"], now.get("pending") or {}
    waits = bool(pending.get("at_utc_us")) and str(pending.get("run_id")) == seen.named
    if seen.named and not waits and not (run is not None and run["id"] == seen.named):
        stop, reason = now["stop"], (now.get("lapsed") or {}).get("reason", "")
        start = f"The start named for {clock(seen.named_utc_us, now['utc_us'])}"
        again = "A new start needs a new press of the arm button."
        if stop["by"] and stop["accepted_utc_us"] and not reason:
            notice = Notice(Need.FOR_INFORMATION, f"{start} was taken back by {whom(stop['by'])}.", NOT_HEATED,
                            f"Nothing. {again}")
        else:
            what = f"{start} came to nothing. {reason}".rstrip()
            notice = Notice(Need.CAN_WAIT, what, NOT_HEATED, f"Remove the cause. {again}")
        yield Cause(f"lapsed {seen.named}", notice)


NOT_HEATED = "No heat was given for it."


def _will_not_begin(now: Json, _seen: Seen) -> Iterator[Cause]:
    """Said while there is still time to do something; at its time the start would only be found to have come to nothing."""
    pending, messages = now.get("pending") or {}, now.get("messages") or {}
    if pending.get("at_utc_us") and pending.get("level") == "unattended" and messages.get("state") == "failing":
        at = clock(pending["at_utc_us"], now["utc_us"])
        what = f"The start named for {at} will not begin as things stand: {messages['words'].rstrip('.')}."
        do = "Take the start back, mend the channel, let a test message arrive, and ask for the start anew."
        yield Cause(f"will not begin {pending['run_id']}", Notice(Need.CAN_WAIT, what, NOT_HEATED, do), after_us=SETTLE_US)


ROWS: tuple[Callable[[Json, Seen], Iterator[Cause]], ...] = (
    _still_on, _trips, _alarms, _unseen, _gone, _ended, _lapsed, _will_not_begin, _began, _check_in, _leave)
