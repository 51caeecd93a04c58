"""What was told of one chamber, and what is to be told next. Pure: (memory, causes, time) -> (memory, notices).

One message a cause. A cause that comes and goes is told once, and once more that it does so: at most two messages. Of what
can wait, no more than a few reach a person in ten minutes; the rest comes in one message (EEMUA 191: one alarm in ten
minutes is manageable, ten are a flood; figures as quoted in trade articles).
"""

from __future__ import annotations

from collections.abc import Set
from typing import Any, NamedTuple

from controller.messenger.notices import (
    ALARM,
    PAGE_AGAIN,
    PAGE_AWAY,
    S1,
    TRIP,
    Cause,
    Seen,
    busy,
    causes,
    look,
    page_away,
    stands,
)
from controller.messenger.words import CALM_AGAIN, Need, Notice, clock, duration, shortened, whom

Json = dict[str, Any]
QUIET_US = 600 * S1
"""A cause that has been gone for so long is over; the next time it is news."""
AGAIN_TIMES = 3
AGAIN_STANDS_US = 60 * S1
"""Back for the second time and standing so long, or back for the third time: said once more."""
WINDOW_US = 600 * S1
WINDOW_MAX = 5
PASSING = ("began ", "leave ", "check-in ")
"""Beginnings of keys: information and advice that nobody needs once it is no longer so."""
STANDING = (ALARM, PAGE_AWAY)
"""Of what stands or is over; other things have happened, and stay so."""
GONE_SINCE = " It has gone since."
BUNDLE_DO_MAX = 1_500
HELD_MAX = 20
"""What can wait is held back after so many messages within the window."""
SILENT_US = 15 * S1
FIRST_US = 60 * S1
"""A controller that was never heard since the messenger began gets so long to start."""
SILENT = "silent"
BACK = "back"
BACK_US = 5 * S1
PAGE_SILENT_US = 180 * S1
"""The page says every 30 s that it lives; one that is started anew is there again within a minute."""
PAGE_BACK = "page back"


class Told(NamedTuple):
    """One cause that is or was true lately. Times are monotonic."""

    key: str
    since_us: int
    told: bool = False
    gone_us: int = -1
    """Since when it is not true any more; -1 while it is."""
    times: int = 1
    again: bool = False
    """It has been said that it comes and goes."""


class Memory(NamedTuple):
    """Everything about one chamber."""

    seen: Seen = Seen()
    told: tuple[Told, ...] = ()
    sent_us: tuple[int, ...] = ()
    """When messages about it were made, within the window."""
    held: tuple[Notice, ...] = ()
    name: str = ""
    board: str = ""
    simulated: bool = False
    busy: bool = False
    """A run went on or waited when it was last heard."""


class Step(NamedTuple):
    """The next memory, and what to tell now."""

    memory: Memory
    notices: tuple[Notice, ...]


def heard(memory: Memory, now: Json, now_us: int, page: bool | None = None) -> Step:
    """A snapshot has come. `page`: does it answer? None while that is not known."""
    seen = memory.seen._replace(told=frozenset(one.key for one in memory.told if one.told))
    found = causes(now, seen)
    if any(one.key == SILENT and one.told for one in memory.told):
        found.append(Cause(BACK, _back(now, found), quiet=BACK in seen.told, after_us=BACK_US))
    found += _page(memory, now, page)
    told, notices = _compare(memory.told, found, now_us)
    if any(cause.key == PAGE_AWAY and one.what.startswith(cause.notice.what) for cause in found for one in notices):
        told = tuple(one for one in told if one.key != PAGE_BACK)  # whoever reads it hears of its return too
    chamber = now["chamber"]
    memory = memory._replace(seen=look(now, seen), told=told, name=chamber["name"], board=chamber["board"],
                             simulated=bool(chamber["simulated"]), busy=busy(now))
    return _paced(memory, notices, now_us, int(now["utc_us"]), {one.key for one in found})


def _page(memory: Memory, now: Json, page: bool | None) -> list[Cause]:
    """It is missed while a run is on or waits; once that is told, until it answers."""
    told = [one for one in memory.told if one.key == PAGE_AWAY and one.told]
    if page is not True and (any(one.gone_us < 0 for one in told) or (page is False and busy(now))):
        return [page_away(now)]
    if not told or page is not True:
        return []
    notice = Notice(Need.FOR_INFORMATION, PAGE_AGAIN, whom(str(now["sentence"])), "Nothing. Look when you like.")
    return [Cause(PAGE_BACK, notice, quiet=any(one.key == PAGE_BACK and one.told for one in memory.told), after_us=BACK_US)]


def silent(memory: Memory, silent_us: int, now_us: int, utc_us: int = 0) -> Step:
    """No snapshot for `silent_us`. What else was true stays as it was: nothing is known of it."""
    limit_us = SILENT_US if memory.name else FIRST_US
    if silent_us < limit_us:
        return _paced(memory, (), now_us, utc_us)
    others = tuple(one for one in memory.told if one.key not in (SILENT, BACK))
    own = tuple(one for one in memory.told if one.key in (SILENT, BACK))
    told, notices = _compare(own, [Cause(SILENT, _silence(memory, silent_us))], now_us)
    if notices:
        told = tuple(one for one in told if one.key == SILENT)  # whoever reads it hears of its return too
    return _paced(memory._replace(told=others + told), notices, now_us, utc_us)


def restarted(memory: Memory, now_us: int) -> Memory:
    """After a start of this program: monotonic times of the last one mean nothing."""
    told = tuple(one._replace(since_us=now_us, gone_us=-1 if one.gone_us < 0 else now_us) for one in memory.told)
    return memory._replace(told=told, sent_us=())


def _silence(memory: Memory, silent_us: int) -> Notice:
    if memory.busy:
        return Notice(Need.GET_UP, f"The controller has not been heard for {duration(silent_us)}, in the middle of a run.",
                      "A board that hears no controller switches the heat off by itself within 5 s. That was not seen here.",
                      "Go and look at the chamber. Unplug it when you reach it: off is not isolated.")
    return Notice(Need.FOR_INFORMATION, f"The controller has not been heard for {duration(silent_us)}.",
                  "No run was on when it was last heard.", "Look at the computer when you need the chamber.")


def _back(now: Json, found: list[Cause]) -> Notice:
    """What it asks of a person is what stands now, told before or not."""
    grave = max((one.notice for one in found if stands(one)), key=lambda one: one.need.rank, default=None)
    what, done = "The controller is heard again.", whom(str(now["sentence"]))
    if grave is None:
        return Notice(Need.FOR_INFORMATION, what, done, str(now["sentence_more"]) or CALM_AGAIN)
    return Notice(grave.need, f"{what} {grave.what}", done, grave.do)


def _compare(before: tuple[Told, ...], found: list[Cause], now_us: int) -> tuple[tuple[Told, ...], tuple[Notice, ...]]:
    """Follow every key, and pick what has to be told. A trip is over when a person has cleared it, and news the next time."""
    known = {one.key: one for one in before}
    after: list[Told] = []
    notices: list[Notice] = []
    for cause in found:
        one, notice = _true(known.pop(cause.key, Told(cause.key, now_us)), cause, now_us)
        after.append(one)
        notices += [notice] if notice else []
    for one in known.values():
        gone_us = now_us if one.gone_us < 0 else one.gone_us
        if one.told and not one.key.startswith(TRIP) and now_us - gone_us < QUIET_US:
            after.append(one._replace(gone_us=gone_us))
    return tuple(after), tuple(notices)


def _true(one: Told, cause: Cause, now_us: int) -> tuple[Told, Notice | None]:
    """A cause that is true now: its memory, and what to say of it."""
    if one.gone_us >= 0:
        one = one._replace(gone_us=-1, since_us=now_us, times=one.times + 1)
    stands_us = now_us - one.since_us
    if not one.told:
        if cause.quiet:
            return one._replace(told=True), None
        return (one._replace(told=True), cause.notice._replace(key=cause.key)) if stands_us >= cause.after_us else (one, None)
    if one.again or cause.quiet or one.times == 1 or (one.times < AGAIN_TIMES and stands_us < AGAIN_STANDS_US):
        return one, None
    return one._replace(again=True), cause.notice._replace(
        key=cause.key,
        what=f"{cause.notice.what} It has come back: {one.times} times now.",
        do=f"{cause.notice.do} This is the last message about it until it has been gone for {duration(QUIET_US)}.")


def _paced(memory: Memory, notices: tuple[Notice, ...], now_us: int, utc_us: int, true: Set[str] | None = None) -> Step:
    """Hold back what can wait while many messages go out; what says "get up" or "get out" is never held. `true`: the keys of
    what is so now; None where nothing is known of it."""
    sent = [one for one in memory.sent_us if now_us - one < WINDOW_US]
    out = [one for one in notices if one.need.rank >= Need.GET_UP.rank]
    late = [one for one in memory.held if true is None or one.key in true or not one.key.startswith(PASSING)]
    rest = [*late, *(one._replace(utc_us=utc_us) for one in notices if one.need.rank < Need.GET_UP.rank)]
    room = WINDOW_MAX - len(sent) - len(out)
    if rest and room > 0:
        rest = [*(_gone(one, true) for one in late), *rest[len(late):]]
        out += rest if len(rest) <= room and not late else [_bundle(rest, utc_us)]
        rest = []
    sent = (sent + [now_us] * len(out))[-WINDOW_MAX * 2:]
    return Step(memory._replace(sent_us=tuple(sent), held=tuple(rest[-HELD_MAX:])), tuple(out))


def _bundle(held: list[Notice], utc_us: int) -> Notice:
    """Several in one; each with its own time, and what to do about it."""
    if len(held) == 1:
        return held[0]
    need = max((one.need for one in held), key=lambda one: one.rank)
    happened = " ".join(f"{clock(one.utc_us, utc_us)}: {one.what}" if one.utc_us else one.what for one in held)
    todo = " ".join(dict.fromkeys(one.do for one in held if not one.what.endswith(GONE_SINCE)))
    return Notice(need, f"{len(held)} more things happened. {happened}",
                  "They were held back because many messages had gone out already.",
                  shortened(f"{todo} The page tells the rest.".strip(), BUNDLE_DO_MAX))


def _gone(one: Notice, true: Set[str] | None) -> Notice:
    """What needs a person is told also when it is over; it says so then."""
    trip = f"{TRIP}{one.key.removeprefix(ALARM)}"  # an alarm that has become a trip stands as that one
    if true is None or one.key in true or trip in true or not one.key.startswith(STANDING):
        return one
    return one._replace(what=f"{one.what}{GONE_SINCE}")
