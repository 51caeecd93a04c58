"""What a second computer makes of the heartbeat: what it knows of each chamber, and when it alarms. Pure; time is passed in.

Only a signed beat with a higher number than the last one counts, so nobody without the key can keep it quiet, neither with
invented beats nor with old ones. It alarms on silence while a run is on or waits, on a controller that does not answer,
on a trip, and on a run that is late by what it promised.
"""

from __future__ import annotations

import json
from typing import Any, NamedTuple

from controller.core.guards import GUARDS, INDEX
from controller.core.run_states import S
from controller.messenger import beats
from controller.messenger.notices import PAGE_AGAIN, PAGE_DO, PAGE_DONE, PAGE_SILENT, SAID
from controller.messenger.words import CALM_AGAIN, NEED_OF, S1, Need, Notice, Sender, clock, duration

WITHIN_S = (1, 900)
"""A beat may ask for no more patience than this."""
LATE_US = 600 * S1
"""How late a run may be by a beat that carries no promise, past the end that it expects."""
LATE_LEAST_US, LATE_PART = 1800 * S1, 10
"""Past its promise a run may be late by half an hour, or by a tenth of its planned length where that is more: a soak's clock
waits while the air is out of its band."""
GRACE_US = 150 * S1
"""A listener that has just started waits at least for one beat before it speaks of silence."""
CHAMBERS_MAX = 16
BODY_MAX_BYTES = 16_384
TEXT_MAX = 300
Json = dict[str, Any]
GO = ("Go and look at the chamber. Unplug it when you reach it: off is not isolated. "
      "You smell burning: keep out, call the fire service.")
BY_ITSELF = "A board that hears no controller switches the heat off by itself within 5 s. That was not seen here."


TRIPPED = "tripped "
LATCHED = "The trip is latched: no heat is permitted until a person has cleared it."


class Unheard(Exception):
    """A beat that does not count. `status` is an HTTP status (RFC 9110)."""

    def __init__(self, status: int, reason: str) -> None:
        self.status, self.reason = status, reason
        super().__init__(reason)


class Beat(NamedTuple):
    """What a beat says."""

    chamber: str
    board: str
    simulated: bool
    sequence: int
    utc_us: int
    run: str
    state: str
    ends_utc_us: int
    """As expected now; it moves on with a run that waits."""
    within_us: int
    sentence: str
    tripped: bool
    standing: tuple[str, ...]
    page: str
    started_utc_us: int = 0
    promised_utc_us: int = 0
    """As it was expected when the run began; 0 in the beats of an older messenger."""
    page_silent: bool = False
    """Absent from the beats of an older messenger."""


class Watch(NamedTuple):
    """One chamber as it was last heard. Monotonic times are of this computer, `told` of the run that is on."""

    beat: Beat
    heard_us: int
    heard_utc_us: int
    told: tuple[str, ...] = ()

    @property
    def sender(self) -> Sender:
        return Sender("", self.beat.chamber, self.beat.board, self.beat.simulated)


class Told(NamedTuple):
    """Something to tell about a chamber."""

    sender: Sender
    notice: Notice
    page: str
    utc_us: int
    """When it happened, on the chamber's clock."""


def read(body: bytes, given: str, key: str) -> Beat:
    """A beat from its bytes. Raises Unheard for one that is not signed, or cannot be read."""
    if not beats.signed(body, key, given):
        raise Unheard(403, f"the signature in {beats.SIGNATURE} is missing or does not fit the key of this listener")
    try:
        said = json.loads(body)
        return Beat(_text(said["chamber"]), _text(said["board"]), said["simulated"] is True, int(said["sequence"]),
                    int(said["utc_us"]), _text(said["run"] or ""), _text(said["state"]), int(said["expects_end_utc_us"] or 0),
                    min(max(int(said["next_within_s"]), WITHIN_S[0]), WITHIN_S[1]) * S1, _text(said["sentence"]),
                    said["tripped"] is True, tuple(_text(one) for one in said["standing"][:len(GUARDS) * 2]),
                    _page(said.get("page", "")), int(said.get("started_utc_us") or 0),
                    int(said.get("promised_end_utc_us") or 0), said.get("page_silent") is True)
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise Unheard(400, f"this is no heartbeat of version 1: {type(error).__name__} {error}"[:TEXT_MAX]) from None


def _text(given: Any) -> str:
    """Text of a bounded length without control characters: it is printed on a terminal."""
    if not isinstance(given, str):
        raise TypeError(f"{str(given)[:40]} is no text")
    return "".join(letter if letter.isprintable() else " " for letter in given[:TEXT_MAX])


def _page(given: Any) -> str:
    page = _text(given)
    return page if page.startswith(("http://", "https://")) and " " not in page else ""


def take(before: dict[str, Watch], beat: Beat, now_us: int, utc_us: int) -> tuple[dict[str, Watch], list[Told]]:
    """A beat has come. Raises Unheard when its number does not rise, or there are too many chambers."""
    old = before.get(beat.board)
    if old is not None and beat.sequence <= old.beat.sequence:
        raise Unheard(409, f"beat {beat.sequence} of board {beat.board} is not newer than {old.beat.sequence}")
    if old is None and len(before) >= CHAMBERS_MAX:
        raise Unheard(507, f"this listener watches {CHAMBERS_MAX} chambers already")
    same = old is not None and old.beat.run == beat.run and beats.watched(beat.state)
    trips = tuple(one for one in old.told if one.startswith(TRIPPED)) if old is not None and beat.tripped else ()
    told = tuple(dict.fromkeys((*(old.told if old is not None and same else ()), *trips)))
    watch = Watch(beat, now_us, utc_us, told)
    notices: list[Notice] = []
    tripped = _tripped(beat)
    trip = f"{TRIPPED}{tripped.need}" if tripped else TRIPPED
    if old is not None and "silent" in old.told:
        notices.append(_again(beat))
        told = (*told, *(["controller"] if _controller(beat) else [trip] if tripped else []))  # that is said with it
    if tripped and any(_rank(one) >= tripped.need.rank for one in trips):
        told = (*told, trip)
    found = {"controller": _controller(beat), trip: tripped, "overdue": _overdue(beat), "page": _page_silent(beat)}
    if old is not None and "page" in old.told and not beat.page_silent:
        notices.append(Notice(Need.FOR_INFORMATION, PAGE_AGAIN, beat.sentence, CALM_AGAIN))
    kept = [*trips, *(one for one in told if one not in trips and found.get(one) is not None)]
    notices += [notice for name, notice in found.items() if notice is not None and name not in told]
    kept += [name for name, notice in found.items() if notice is not None and name not in told]
    watch = watch._replace(told=tuple(dict.fromkeys(kept)))
    return {**before, beat.board: watch}, [Told(watch.sender, notice, beat.page, beat.utc_us) for notice in notices]


def _rank(told: str) -> int:
    """How urgent the trip was that was told; a graver one is news."""
    known = told.removeprefix(TRIPPED)
    return Need(known).rank if known in list(Need) else -1


def look(before: dict[str, Watch], now_us: int) -> tuple[dict[str, Watch], list[Told]]:
    """Time has passed: who is silent, whose end is past?"""
    after: dict[str, Watch] = {}
    told: list[Told] = []
    for board, watch in before.items():
        quiet_us = now_us - watch.heard_us
        if beats.watched(watch.beat.state) and "silent" not in watch.told and quiet_us >= watch.beat.within_us:
            told.append(Told(watch.sender, _silence(watch, quiet_us), watch.beat.page, watch.beat.utc_us + quiet_us))
            watch = watch._replace(told=(*watch.told, "silent"))
        after[board] = watch
    return after, told


def restarted(before: dict[str, Watch], now_us: int, utc_us: int) -> dict[str, Watch]:
    """After a start of this program: ages come from the stamps, with time left for a beat to come."""
    def aged(watch: Watch) -> Watch:
        age_us = min(max(0, utc_us - watch.heard_utc_us), max(0, watch.beat.within_us - GRACE_US))
        return watch._replace(heard_us=now_us - age_us)

    return {board: aged(watch) for board, watch in before.items()}


def _silence(watch: Watch, quiet_us: int) -> Notice:
    beat = watch.beat
    what = "in the middle of a run" if beat.state != beats.WAITING else "while a start waits"
    return Notice(Need.GET_UP, f"No sign of life for {duration(quiet_us)}, {what}. Last heard: {beat.sentence}",
                  BY_ITSELF, f"{GO} Then look at its computer and its network.")


def _again(beat: Beat) -> Notice:
    """What it asks of a person is what stands now: a trip that came meanwhile, or an alarm."""
    rows = [GUARDS[INDEX[one]] for one in beat.standing if one in INDEX]
    grave = max(rows, key=lambda row: row.urgency.rank, default=None)
    alarm = Notice(NEED_OF[grave.urgency], SAID.get(grave.id, grave.cause), "", " ".join(grave.do)) if grave else None
    unknown = Notice(Need.GET_UP, f"{', '.join(beat.standing)} stands.", "", GO) if beat.standing else None
    stands = _controller(beat) or _tripped(beat) or alarm or unknown
    if stands is None:
        return Notice(Need.FOR_INFORMATION, "It is heard again.", beat.sentence, CALM_AGAIN)
    return Notice(stands.need, f"It is heard again. {stands.what}", beat.sentence, stands.do)


def _controller(beat: Beat) -> Notice | None:
    if beat.state != beats.SILENT:
        return None
    return Notice(Need.GET_UP, "The controller does not answer, in the middle of a run.", BY_ITSELF, GO)


def _tripped(beat: Beat) -> Notice | None:
    if not beat.tripped:
        return None
    rows = [GUARDS[INDEX[one]] for one in beat.standing if one in INDEX]
    need = max((NEED_OF[row.urgency] for row in rows), key=lambda one: one.rank, default=Need.GET_UP)
    first = rows[0] if rows else None
    what = f"Tripped: {first.cause}" if first else f"Tripped: {', '.join(beat.standing) or 'the cause is not known here'}."
    grave = next((row for row in rows if NEED_OF[row.urgency] is need), first)
    return Notice(need, what if grave in (None, first) else f"{what} {grave.cause}",
                  LATCHED, " ".join(grave.do) if grave else GO)


def _page_silent(beat: Beat) -> Notice | None:
    """Whether somebody watches the run stands in no beat, so it is told as for one that nobody can stop in time."""
    if not beat.page_silent or not beats.watched(beat.state):
        return None
    done = "The start goes on waiting under its guards." if beat.state == beats.WAITING else PAGE_DONE
    return Notice(Need.GET_UP, PAGE_SILENT, done, PAGE_DO)


def _overdue(beat: Beat) -> Notice | None:
    """Judged against the promise: the end that is expected is always still to come, however long the run stands."""
    due_utc_us, grace_us = beat.promised_utc_us, LATE_LEAST_US
    if due_utc_us:
        grace_us = max(LATE_LEAST_US, (due_utc_us - beat.started_utc_us) // LATE_PART if beat.started_utc_us else 0)
    else:
        due_utc_us, grace_us = beat.ends_utc_us, LATE_US
    late_us = beat.utc_us - due_utc_us
    if not due_utc_us or not beats.watched(beat.state) or late_us < grace_us:
        return None
    held = " It is held." if beat.state == S.HELD else ""
    ahead = beat.ends_utc_us > beat.utc_us
    expected = f" It is expected to end at {clock(beat.ends_utc_us, beat.utc_us)} now." if ahead else ""
    return Notice(Need.CAN_WAIT, f"The run is late: it should have ended at {clock(due_utc_us, beat.utc_us)} and has not."
                  f"{held}{expected} {beat.sentence}".rstrip(), "The controller ends a run by itself at its longest time.",
                  "Look at the page: which segment waits?")
