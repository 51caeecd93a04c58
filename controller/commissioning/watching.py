"""Steps with the heat off: a person does something, and the program sees it. Pure reducers, fed once a tick.

A watch ends by itself when all is seen, or when something speaks against it; it is broken off by a run, a lost board or ten
minutes in which nothing happened. Broken off it has proven nothing and must begin again: that is said.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from controller.commissioning import baths, identity
from controller.commissioning.shown import (
    ASKS,
    ENDS,
    FAILED,
    SEEN,
    US,
    WAITING,
    Ended,
    Looked,
    Row,
    failed,
    labels,
    passed,
)
from controller.core.board import age_us
from controller.core.messages import Report
from controller.core.run_states import ACTIVE, S
from controller.core.setup import Chamber
from controller.core.state import Lamps

NOTHING_US = 600 * US
BOARD_LOST_US = 10 * US
AGAIN = "Nothing was stored, and heat is off: begin this step again."


class Contact(NamedTuple):
    """Something that must be seen to move: each of `sees` in its order."""

    id: str
    words: str
    fitted: str
    sees: tuple[Callable[[Report], bool], ...]


CONTACTS: tuple[Contact, ...] = (
    Contact("local_stop", "Press the local stop in, then release it.", "local_stop",
            (lambda report: report.local_stop is True, lambda report: report.local_stop is False)),
    Contact("arm_button", "Press the arm button for a second.", "arm_button",
            (lambda report: report.arm is False, lambda report: report.arm is True)),
    Contact("door", "Open the door, then shut it.", "door",
            (lambda report: report.door is False, lambda report: report.door is True)),
    Contact("fan", "The fan turns.", "fan", (lambda report: (report.fan_rpm or 0) > 0,)),
    Contact("limiter", "The limiter's contact is closed.", "limiter", (lambda report: report.limiter is True,)),
    Contact("smoke", "Press the smoke alarm's test button until it sounds, then wait until it is quiet. This trips: clear it "
            "afterwards.", "smoke", (lambda report: report.smoke is True, lambda report: report.smoke is False)),
    Contact("mains", "Mains is seen. It is read ahead of the heater fuse, so it shows with the fuse out.", "mains_sense",
            (lambda report: report.mains is True,)),
)
LIMITER: tuple[Contact, ...] = (
    Contact("limiter_opens", "Warm the limiter's sensor outside the chamber until its contact opens. This trips.", "limiter",
            (lambda report: report.limiter is False,)),
    Contact("limiter_closes", "Let it cool: it must stay open until you reset it by hand. Then reset it.", "limiter",
            (lambda report: report.limiter is False, lambda report: report.limiter is True)),
)
ASKED: Mapping[str, tuple[str, Lamps]] = {
    "lamp_armed": ("Is the armed lamp lit?", Lamps(1, False, False, 0)),
    "lamp_heating": ("Is the heating lamp lit? (The heat is off: this only tries the lamp.)", Lamps(0, True, False, 0)),
    "lamp_hot": ("Is the hot lamp lit?", Lamps(0, False, True, 0)),
    "sounder": ("Do you hear the sounder?", Lamps(0, False, False, 2)),
}
"""What only a person can know: the question, and what the board is told meanwhile. One after the other."""
LOOK = "Unplug it. Compare its wires with the pin sheet and the chamber file's [fitted], then begin again."


class Watch(NamedTuple):
    """A step that is being watched."""

    step: str
    sensor: str
    by: str
    began_us: int
    moved_us: int
    """When something was last seen to happen."""
    rows: tuple[Row, ...]
    memory: Any = None
    at: tuple[int, ...] = ()
    """Of each contact: how many of its `sees` have come."""
    share: float | None = None
    ended: Ended | None = None
    values: Mapping[str, Any] = {}
    """What was typed for it: it is judged by these to its end."""

    @property
    def seen(self) -> int:
        return sum(row.state == SEEN for row in self.rows)


class Begin(NamedTuple):
    """What a watch begins with."""

    step: str
    sensor: str
    by: str
    chamber: Chamber
    now_us: int
    values: Mapping[str, Any]
    """Typed for this step before."""
    ice: Mapping[str, Any] = {}
    """By sensor: its ice point, for the boiling point's diagnosis."""


def begin(asked: Begin) -> Watch:
    """Begin to watch. Raises KeyError for a step that is not watched."""
    return BEGINS[asked.step](asked)._replace(values=asked.values)


def see(watch: Watch, looked: Looked) -> Watch:
    """One tick of it."""
    broken = _broken(watch, looked)
    if broken:
        return watch._replace(ended=Ended(ENDS, f"{broken} {AGAIN}"))
    before = watch.rows, watch.share
    watch = SEES[watch.step](watch, looked)
    return watch._replace(moved_us=looked.now_us) if (watch.rows, watch.share) != before else watch


def confirm(watch: Watch, row_id: str, yes: bool, now_us: int) -> Watch:
    """A person's word on a row that asks. Raises KeyError for a row that does not ask."""
    row = next(row for row in watch.rows if row.id == row_id and row.state == ASKS) if any(
        row.id == row_id and row.state == ASKS for row in watch.rows) else None
    if row is None:
        raise KeyError(row_id)
    watch = watch._replace(rows=_with(watch.rows, row_id, SEEN if yes else FAILED), moved_us=now_us)
    if not yes:
        return watch._replace(ended=failed(f"Not so: {row.words}", LOOK, values={"not_so": row_id}))
    return _all_seen(watch)


def cancelled(watch: Watch, why: str) -> Watch:
    """Broken off by somebody."""
    return watch._replace(ended=Ended(ENDS, f"{why} {AGAIN}"))


def lamps(watch: Watch | None) -> Lamps | None:
    """What the board is to show meanwhile; None: what it always does."""
    asks = next((row.id for row in watch.rows if row.state == ASKS), "") if watch is not None and watch.ended is None else ""
    return ASKED[asks][1] if asks in ASKED else None


def _broken(watch: Watch, looked: Looked) -> str:
    """Why it cannot go on; empty while it can."""
    state = looked.state
    if (state.run is not None and (state.run.state in ACTIVE or state.run.state is S.ABORTING)) or state.pending is not None:
        return "A run began."
    heard_us = age_us(state.board, state.mono_us)
    if not state.board.accepted or heard_us is None or heard_us >= BOARD_LOST_US:
        return "The board is not heard."
    if looked.now_us - watch.moved_us >= NOTHING_US:
        return "Nothing was seen for 10 min, so it ended."
    return ""


def _begin_contacts(asked: Begin, contacts: tuple[Contact, ...], questions: bool) -> Watch:
    there = tuple(one for one in contacts if getattr(asked.chamber.fitted, one.fitted))
    rows = [Row(one.id, one.words) for one in there]
    if questions and asked.chamber.module is None:
        rows += [Row(key, words) for key, (words, _) in ASKED.items()]
    return Watch(asked.step, "", asked.by, asked.now_us, asked.now_us, tuple(rows), there, (0,) * len(there))


def _see_contacts(watch: Watch, looked: Looked) -> Watch:
    """Every report is looked at, so that a short press is not missed."""
    at = list(watch.at)
    for report in looked.reports:
        for number, contact in enumerate(watch.memory):
            if at[number] < len(contact.sees) and contact.sees[at[number]](report):
                at[number] += 1
    rows = watch.rows
    for number, contact in enumerate(watch.memory):
        if at[number] == len(contact.sees):
            rows = _with(rows, contact.id, SEEN)
    waits = next((row for row in rows if row.id in ASKED and row.state in (WAITING, ASKS)), None)
    if waits is not None:
        rows = _with(rows, waits.id, ASKS)
    # A move within a row is something that happens too, though the row does not change.
    moved_us = looked.now_us if tuple(at) != watch.at else watch.moved_us
    return _all_seen(watch._replace(at=tuple(at), rows=rows, moved_us=moved_us, share=_share(rows)))


def _all_seen(watch: Watch) -> Watch:
    if not all(row.state == SEEN for row in watch.rows):
        return watch
    return watch._replace(ended=passed("All of it was seen.", f"{len(watch.rows)} seen to move",
                                       {"seen": [row.id for row in watch.rows]}))


def _share(rows: tuple[Row, ...]) -> float:
    return sum(row.state == SEEN for row in rows) / max(1, len(rows))


def _with(rows: tuple[Row, ...], row_id: str, state: str) -> tuple[Row, ...]:
    return tuple(row._replace(state=state) if row.id == row_id else row for row in rows)


def _begin_identity(asked: Begin) -> Watch:
    memory = identity.begin(asked.sensor, asked.now_us)
    row = Row(asked.sensor, f"Warm the tip of {labels(asked.chamber)[asked.sensor]} between two fingers.")
    return Watch(asked.step, asked.sensor, asked.by, asked.now_us, asked.now_us, (row,), memory)


def _see_identity(watch: Watch, looked: Looked) -> Watch:
    memory, words, share, ended = identity.see(watch.memory, looked)
    state = WAITING if ended is None else FAILED if ended.outcome != "passed" else SEEN
    row = watch.rows[0]._replace(words=words or watch.rows[0].words, state=state)
    return watch._replace(memory=memory, rows=(row,), share=share, ended=ended)


def _begin_bath(asked: Begin) -> Watch:
    memory = baths.begin(asked.step, asked.sensor, asked.chamber, asked.values, asked.ice)
    rows = tuple(Row(sensor, baths.INTO_IT) for sensor in memory.sensors)
    return Watch(asked.step, asked.sensor, asked.by, asked.now_us, asked.now_us, rows, memory)


def _see_bath(watch: Watch, looked: Looked) -> Watch:
    memory, rows, share, ended = baths.see(watch.memory, looked)
    return watch._replace(memory=memory, rows=rows, share=share, ended=ended)


BEGINS: Mapping[str, Callable[[Begin], Watch]] = {
    "contacts": lambda asked: _begin_contacts(asked, CONTACTS, True),
    "limiter": lambda asked: _begin_contacts(asked, LIMITER, False),
    "sensor_identity": _begin_identity,
    "ice_point": _begin_bath,
    "boiling_point": _begin_bath,
}
SEES: Mapping[str, Callable[[Watch, Looked], Watch]] = {
    "contacts": _see_contacts, "limiter": _see_contacts, "sensor_identity": _see_identity,
    "ice_point": _see_bath, "boiling_point": _see_bath,
}
