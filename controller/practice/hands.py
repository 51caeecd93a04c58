"""What a person's hands would do at the chamber now: a table from snapshot to hands. Pure; time is the chamber's own.

What only a person does is not in it: typed values, what is seen and heard (lamps, sounder), clearing trips, starting trials.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

from controller.commissioning.identity import HANDS_OFF
from controller.practice.values import STATION_HPA

US = 1_000_000
AFTER_US, FOR_US, EVERY_US = 3 * US, 3 * US, 12 * US
"""A hand comes after so long, stays so long, and comes again if that was not seen."""
STEADY_US = 120 * US
"""So long the air has been held before the limiter is turned down."""
COOLS_US = 15 * US
"""So long a fixed limiter stays open before it is reset."""
Json = dict[str, Any]


class Hand(NamedTuple):
    """Something that is held, or put somewhere: a name of `controller.chamber.faults.FAULTS` with what it takes."""

    name: str
    channel: int = -1
    kind: str = ""
    spot: str = ""

    def datagram(self, on: bool) -> Json:
        """As the simulated board takes it."""
        more = {"channel": self.channel, "kind": self.kind} if self.kind else {}
        if self.kind == BOILING:
            more["hpa"] = STATION_HPA
        return {"fault": self.name, "on": on, **more, **({"spot": self.spot} if self.spot else {})}


BOILING = "in_boil"
PRESSED = {row: Hand(name) for row, name in (("local_stop", "local_stop"), ("arm_button", "arm"), ("door", "door_open"),
                                             ("smoke", "smoke"))}
"""By row of a list of contacts: what is pressed or opened for a moment."""
ARM, LIMITER, DOOR = Hand("arm"), Hand("limiter_opened"), Hand("door_open")
"""Whoever reaches for a tip opens the door: behind a shut one a control sensor that grows warm with the heat off is a trip."""
WORDS: Mapping[str, tuple[str, str]] = {
    "local_stop": ("presses the local stop in", "releases the local stop"),
    "arm": ("presses the arm button", "lets the arm button go"),
    "door_open": ("opens the door", "shuts the door"),
    "smoke": ("presses the smoke alarm's test button", "lets it go, and it is quiet"),
    "limiter_opened": ("makes the limiter act: its contact opens", "puts the limiter back to its mark and resets it"),
    "in_hand": ("warms the tip of {sensor} between two fingers", "lets the tip of {sensor} go"),
    "in_ice": ("puts {sensor} into melting ice", "takes {sensor} out and puts it back into its place"),
    BOILING: ("puts {sensor} into boiling water", "takes {sensor} out and puts it back into its place"),
    "travelling_at": ("hangs the travelling sensor at {spot}", ""),
}
"""By kind or name: what the hand does, and what it does at the end."""


def words(hand: Hand, on: bool, sensors: Mapping[str, int]) -> str:
    """What a hand does, as a line for people; empty where there is nothing to tell."""
    sensor = next((name for name, channel in sensors.items() if channel == hand.channel), "")
    row = WORDS[hand.kind or hand.name][0 if on else 1]
    return row.format(sensor=sensor, spot=hand.spot.replace("_", " "))


class Memory(NamedTuple):
    """What the hands are at, and since when."""

    at: str = ""
    since_us: int = 0
    held: frozenset[Hand] = frozenset()


class Look(NamedTuple):
    """One snapshot, as the table sees it."""

    now: Json
    doing: Json
    sensors: Mapping[str, int]
    """Channel by sensor id, of the chamber file."""
    spent_us: int
    """How long it has been at the same thing."""


def moves(before: frozenset[Hand], after: frozenset[Hand]) -> Iterator[tuple[Hand, bool]]:
    """What hands do between the two, in a person's order: out again and the door shut, then the door open and in."""
    yield from ((hand, False) for hand in sorted(before - after, reverse=True))
    yield from ((hand, True) for hand in sorted(after - before))


def see(memory: Memory, now: Json, sensors: Mapping[str, int]) -> Memory:
    """One snapshot: what is to be held now. `held` of the answer against `held` of the question is what hands do."""
    doing = now["commissioning"] or {}
    if doing.get("outcome"):
        doing = {}
    at, since_us = _at(now, doing), memory.since_us
    if at != memory.at or not since_us <= now["utc_us"]:
        since_us = now["utc_us"]
    look = Look(now, doing, sensors, now["utc_us"] - since_us)
    held = frozenset((*_button(look), *TABLE.get(doing.get("step", ""), _nothing)(look)))
    return Memory(at, since_us, held)


def _at(now: Json, doing: Json) -> str:
    """What is being done, so that time is counted from its beginning."""
    run, pending = now["run"] or {}, now["pending"] or {}
    held = f"segment {run.get('segment')} {'held' if _held(run) else 'moving'}" if run else ""
    return " ".join(filter(None, (doing.get("step", ""), doing.get("sensor", ""), doing.get("spot", ""), _row(doing),
                                  held, pending.get("waits_for", ""), "check in" if _check_in_near(now) else "")))


def _row(doing: Json) -> str:
    """The row of a list that is to be done next."""
    return next((str(row["id"]) for row in doing.get("list", ()) if row["state"] == "waiting"), "")


def _held(run: Json) -> bool:
    """Is a soak in its band?"""
    segment = run["segments"][run["segment"]] if run.get("segments") else {}
    return run.get("state") == "running" and segment.get("kind") == "soak" and bool(run.get("counting"))


def _check_in_near(now: Json) -> bool:
    check_in = now["check_in"]
    return bool(check_in) and check_in["by"] == "button" and check_in["left_us"] * 4 <= check_in["every_us"]


def _pulse(look: Look) -> bool:
    """Comes, goes, and comes again."""
    return 0 <= look.spent_us % EVERY_US - AFTER_US < FOR_US


def _nothing(_look: Look) -> Iterator[Hand]:
    yield from ()


def _button(look: Look) -> Iterator[Hand]:
    """The arm button, when a start waits for it or a check-in by it is near."""
    waits = (look.now["pending"] or {}).get("waits_for") == "arm"
    if (waits or _check_in_near(look.now)) and _pulse(look):
        yield ARM


def _contacts(look: Look) -> Iterator[Hand]:
    hand = PRESSED.get(_row(look.doing))
    if hand is not None and _pulse(look):
        yield hand


def _identity(look: Look) -> Iterator[Hand]:
    """Not before the list says so: what is touched too early is no news."""
    yield DOOR
    if look.spent_us >= AFTER_US and look.doing["words"] != HANDS_OFF and look.doing["sensor"] in look.sensors:
        yield Hand("sensor_sees", look.sensors[look.doing["sensor"]], "in_hand")


def _bath(kind: str) -> Callable[[Look], Iterator[Hand]]:
    """All sensors together, or the one that is named; they stay in until all is seen."""
    def bath(look: Look) -> Iterator[Hand]:
        yield DOOR
        for sensor, channel in look.sensors.items():
            if look.doing["sensor"] in ("", sensor):
                yield Hand("sensor_sees", channel, kind)

    return bath


def _limiter(look: Look) -> Iterator[Hand]:
    """An adjustable one is turned down at a steady air until all is seen; a fixed one is warmed, cools, is reset."""
    row = _row(look.doing)
    if look.doing["list"]:
        opens = row == "limiter_opens" and look.spent_us >= AFTER_US
        if opens or (row == "limiter_closes" and look.spent_us < COOLS_US):
            yield LIMITER
    elif _tripped(look.now) or (_held(look.now["run"] or {}) and look.spent_us >= STEADY_US):
        yield LIMITER


def _tripped(now: Json) -> bool:
    return any(latch["guard"] == "limiter_open" for latch in now["latches"])


def _survey(look: Look) -> Iterator[Hand]:
    if look.doing["spot"]:
        yield Hand("travelling_at", spot=look.doing["spot"])


TABLE: Mapping[str, Callable[[Look], Iterator[Hand]]] = {
    "contacts": _contacts,
    "sensor_identity": _identity,
    "ice_point": _bath("in_ice"),
    "boiling_point": _bath(BOILING),
    "limiter": _limiter,
    "survey": _survey,
}
"""By step that goes on. No other step asks for a hand."""
