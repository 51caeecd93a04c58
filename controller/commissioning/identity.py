"""Which sensor is which: one is warmed by hand, and it must be the one that moves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from controller.commissioning.shown import US, Ended, Looked, degrees, failed, labels, passed

BASE_US = 5 * US
WITHIN_US = 60 * US
ROSE_MC = 3_000
STAYED_MC = 1_000
TOGETHER = ("Their tips touch, or one probe is declared twice. Part them, or correct the chamber file; let both cool, then "
            "begin again.")
EXCHANGED = ("They are exchanged: exchange the plugs of {one} and {other}, or their channels in the chamber file, then begin "
             "again.")
HANDS_OFF = "Do not touch anything yet."
LAST = 3
"""Means of so many readings are compared: one alone may be noise."""


class Memory(NamedTuple):
    """The readings since the base was taken."""

    sensor: str
    since_us: int
    base: dict[str, list[int]]
    last: dict[str, list[int]]


Step = tuple[Memory, str, float | None, Ended | None]
"""Memory, words, share, end."""


def begin(sensor: str, now_us: int) -> Memory:
    """Begin with this sensor."""
    return Memory(sensor, now_us, {}, {})


def see(memory: Memory, looked: Looked) -> Step:
    """One tick: the named one must rise by 3 °C, and no other by more than 1 °C, within a minute."""
    raw, called = looked.raw_mc(), labels(looked.state.chamber)
    if raw.get(memory.sensor) is None:
        words = f"{called[memory.sensor]} has no good reading. Look at its plug and cable."
        return begin(memory.sensor, looked.now_us), words, 0.0, None
    spent_us = looked.now_us - memory.since_us
    base, last = memory.base, memory.last
    if spent_us < BASE_US:
        base = {name: [*base.get(name, ()), mc] for name, mc in raw.items() if mc is not None}
        return memory._replace(base=base), HANDS_OFF, 0.0, None
    last = {name: [*last.get(name, ())[1 - LAST:], mc] for name, mc in raw.items() if mc is not None}
    rises = {name: sum(values) // len(values) - sum(base[name]) // len(base[name])
             for name, values in last.items() if name in base and len(values) >= LAST}
    memory = memory._replace(last=last)
    ended = _ended(memory.sensor, rises, called)
    if ended is None and spent_us >= WITHIN_US:
        return begin(memory.sensor, looked.now_us), "Nothing moved within a minute. Let go; it begins anew.", 0.0, None
    share = min(1.0, max(0.0, rises.get(memory.sensor, 0) / ROSE_MC))
    return memory, f"Now warm the tip of {called[memory.sensor]} between two fingers.", share, ended


def _ended(sensor: str, rises: dict[str, int], called: Mapping[str, str]) -> Ended | None:
    """`called`: what people call each sensor, by its id."""
    own = rises.get(sensor, 0)
    others = {name: mc for name, mc in rises.items() if name != sensor}
    most = max(others, key=lambda name: others[name], default="")
    moved = others.get(most, 0)
    values = {"rises_mc": rises}
    if own >= ROSE_MC and moved <= STAYED_MC:
        found = f"rose by {degrees(own)}, no other by more than {degrees(max(0, moved))}"
        return passed(f"It is {called[sensor]}.", found, values, sensor)
    if own >= ROSE_MC:
        return failed(f"{called[most]} rose with {called[sensor]}.", TOGETHER, values=values, sensor=sensor)
    if moved >= ROSE_MC and own <= STAYED_MC:
        advice = EXCHANGED.format(one=called[sensor], other=called[most])
        return failed(f"{called[most]} moved in the place of {called[sensor]}.", advice, values=values, sensor=sensor)
    return None
