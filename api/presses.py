"""A press of "Stop heating" on a plain page: sent until it is accepted, and what became of it. Memory only, no thread.

Three steps, each with its time: asked (here), accepted (by the controller's tick), heat seen off (both switches read back
open). Nothing counts as done because it was sent.
"""

from __future__ import annotations

import asyncio
import time
import uuid
from collections import OrderedDict, defaultdict
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from api.errors import Problem
from api.parts import Parts
from api.people import Person
from api.plain import age, clock
from controller.core.commands import Ask

KEPT_MAX = 64
SEND_FOR_S, GAP_S = 60.0, 0.5
WAIT_S = 2.0
"""So long the form's answer waits for the controller; then the page says how far it came."""
LOOK_S = 1.0
LATE_US = 3_000_000
SEEN_US = 5_000_000
"""Heat is seen off half a second after the stop; after so long something is wrong."""
SAME_US = 20_000
UNHEARD = "heat not seen off: the board is not heard"
FINAL = frozenset({"not_allowed_role", "bad_command", "controller_error"})
"""Refusals that another try would only repeat."""

Json = dict[str, Any]


@dataclass(slots=True)
class Press:
    """One press. Times are UTC µs on the controller's clock."""

    ref: str
    at: str
    by: str
    asked_utc_us: int
    began_s: float
    before: Json
    """`stop` of the snapshot before: as long as the controller still shows that one, it does not tell of this press."""
    accepted_utc_us: int | None = None
    off_seen_utc_us: int | None = None
    trouble: str = ""
    given_up: bool = False
    """Refused, or sent for a minute in vain."""
    task: asyncio.Task[None] | None = field(default=None, repr=False)

    def waited_us(self) -> int:
        """Wall time since the press."""
        return round((time.monotonic() - self.began_s) * 1e6)


class Station(NamedTuple):
    """One of the three steps as it is shown."""

    word: str
    time: str = ""
    solid: bool = False
    bad: bool = False


class Presses:
    """The newest presses of each chamber: many of one push none out of another."""

    def __init__(self) -> None:
        self._kept: dict[str, OrderedDict[str, Press]] = defaultdict(OrderedDict)

    def find(self, ref: str, at: str) -> Press | None:
        return self._kept[at].get(ref)

    async def close(self) -> None:
        """The service ends: nothing is sent any more."""
        sending = [press.task for kept in self._kept.values() for press in kept.values() if press.task is not None]
        for task in sending:
            task.cancel()
        await asyncio.gather(*sending, return_exceptions=True)

    async def make(self, service: Parts, person: Person) -> Press:
        """Press, and wait a little for what comes of it; sending goes on behind."""
        hub = service.hub
        now = hub.now or {}
        quick = now.get("speed", 1) != 1  # a simulation's own time goes on meanwhile
        asked = int(now["utc_us"] + (hub.age_us() or 0) * now["speed"]) if quick else time.time_ns() // 1000
        press = Press(uuid.uuid4().hex[:16], service.at, person.name, asked, time.monotonic(), dict(now.get("stop") or {}))
        kept = self._kept[press.at]
        kept[press.ref] = press
        while len(kept) > KEPT_MAX:
            _, oldest = kept.popitem(last=False)
            if oldest.task is not None:
                oldest.task.cancel()  # the newer ones ask for the same
        press.task = asyncio.create_task(_send(service, person, press))
        await asyncio.wait({press.task}, timeout=WAIT_S)
        return press


async def _send(service: Parts, person: Person, press: Press) -> None:
    command = {"ask": Ask.STOP_HEATING.value, "by": person.name, "role": person.role_name, "ref": f"page-{press.ref}",
               "schedule": None, "level": "unattended", "name": "", "value": 0}
    until_s = press.began_s + SEND_FOR_S
    while time.monotonic() < until_s:
        try:
            await service.upstream.ask("command", command=command)
        except Problem as problem:
            press.trouble = told(problem)
            if problem.code in FINAL:
                break
            await asyncio.sleep(GAP_S)
        else:
            press.trouble, press.accepted_utc_us = "", press.asked_utc_us + press.waited_us()
            return
    press.given_up = True


async def look(service: Parts, press: Press) -> Json | None:
    """The newest snapshot, asked for by itself: the stream may be dead. Keeps in `press` what it tells of it."""
    try:
        now: Json = (await service.upstream.ask("now", timeout_s=LOOK_S))["now"]
    except Problem as problem:
        press.trouble = press.trouble or told(problem)
        return None
    stop = now.get("stop") or {}
    if press.accepted_utc_us is not None and press.off_seen_utc_us is None and tells_of(press, stop):
        press.accepted_utc_us = stop["accepted_utc_us"]
        press.asked_utc_us = min(press.asked_utc_us, stop["accepted_utc_us"])
        press.off_seen_utc_us = stop["off_seen_utc_us"]
    return now


def told(problem: Problem) -> str:
    """Why, as a sentence of its own; what was asked is known."""
    words = problem.detail.removeprefix("command: ").removeprefix("now: ")
    return f"{words[:1].upper()}{words[1:]}"


def tells_of(press: Press, stop: Json) -> bool:
    """Whether this is the stop that the press made, or one that was still waiting to be seen off."""
    accepted, before = stop.get("accepted_utc_us"), press.before
    if accepted is None:
        return False
    is_old = abs(accepted - (before.get("accepted_utc_us") or 0)) <= SAME_US and before.get("off_seen_utc_us") is not None
    return not is_old


def stations(press: Press, now: Json | None) -> list[Station]:
    """The three steps, truly."""
    asked = Station("asked", clock(press.asked_utc_us), solid=True)
    if press.accepted_utc_us is None:
        if press.given_up:
            return [asked, Station("not accepted", bad=True), Station("heat not seen off")]
        if press.waited_us() >= LATE_US:
            return [asked, Station("not confirmed", f"for {age(press.waited_us())}", bad=True), Station("heat not seen off")]
        return [asked, Station("accepted", "waiting"), Station("heat seen off")]
    accepted = Station("accepted", clock(press.accepted_utc_us), solid=True)
    if now is not None and now.get("still_on"):
        return [asked, accepted, Station("heat still on", bad=True)]
    if now is not None and now["heat_off"] is None and press.off_seen_utc_us is None:
        return [asked, accepted, Station(UNHEARD, bad=True)]
    if press.off_seen_utc_us is not None:
        return [asked, accepted, Station("heat seen off", clock(press.off_seen_utc_us), solid=True)]
    if press.waited_us() > SEEN_US:
        return [asked, accepted, Station("not seen off", f"for {age(press.waited_us())}", bad=True)]
    return [asked, accepted, Station("heat seen off", "waiting")]


def said(press: Press, steps: list[Station]) -> tuple[str, str]:
    """The sentence above the steps, and what to do."""
    if steps[2].word == "heat still on":
        return "The heat is still on.", "Cut the power at the chamber: pull the plug, or switch it off at the wall."
    if steps[2].word == UNHEARD:
        return ("Accepted, but the board is not heard, so nothing can be told to it.",
                "Pull the plug if you can, or switch it off at the wall. A board that still runs switches off by itself "
                "within 5 s.")
    if steps[2].solid:
        return "The heat was seen off.", "Off is not isolated: unplug before you reach in. Hot parts stay hot for a while."
    if press.given_up:
        return "Nobody knows whether the heat is off.", ("Pull the plug if you can, or press again. The controller did not "
                                                         f"take it: {press.trouble}")
    if steps[1].bad:
        return "Not confirmed.", f"It is sent again and again. Pull the plug if you can. {press.trouble}"
    if steps[2].bad:
        return "Accepted, but the heat is not seen off.", "Go there and pull the plug if you can."
    return "Asked for.", "This page looks again by itself."
