"""Ice and boiling point: every sensor until it is steady, then what it showed against what is known. Heat is off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from controller.commissioning import couples, fixed_points
from controller.commissioning.corrections import known_words, values_of
from controller.commissioning.couples import InBath
from controller.commissioning.fixed_points import Point, Pressure
from controller.commissioning.shown import (
    ENDS,
    FAILS,
    PASSED,
    SEEN,
    US,
    WAITING,
    Ended,
    Looked,
    Row,
    Shown,
    degrees,
    labels,
)
from controller.commissioning.steady import WINDOW_US, WORDS, Seen, State, Steady
from controller.core.setup import Chamber

KIND = "K"
"""What the converters of every board are set to (hardware_notes/protocol.md)."""
ELSEWHERE_US = 180 * US
"""So long may a sensor read like the room while it is said to be in the bath."""
INTO_IT = "Put its tip into the middle of the bath."
REDUCED = "reduced to sea level"


class Memory(NamedTuple):
    """One bath with its sensors. `steady` keeps the last minute of each."""

    step: str
    true_mc: int
    pressure: Pressure | None
    sensors: tuple[str, ...]
    steady: dict[str, Steady]
    ice: Mapping[str, Point]
    done: dict[str, tuple[Seen, int]]
    """By sensor: the window that counts, and the cold junction then."""
    elsewhere_us: dict[str, int]
    at_us: int = -1
    ceiling_mc: int = 0
    """Up to there a correction is to hold."""
    called: Mapping[str, str] = {}
    """What people call each sensor, by its id."""


def pressure_of(values: Mapping[str, Any]) -> Pressure:
    """The station pressure from what was typed. Raises ValueError."""
    if values["pressure_is"] == REDUCED:
        return fixed_points.station_hpa(values["pressure_hpa"], values["altitude_m"])
    return fixed_points.barometer_hpa(values["pressure_hpa"])


def begin(step: str, sensor: str, chamber: Chamber, values: Mapping[str, Any], ice: Mapping[str, Point]) -> Memory:
    """All sensors together, or one. Raises ValueError for a pressure that none is."""
    pressure = pressure_of(values) if step == "boiling_point" else None
    true_mc = 0 if pressure is None else fixed_points.boiling_mc(pressure.hpa)
    sensors = (sensor,) if sensor else tuple(row.id for row in chamber.sensors)
    return Memory(step, true_mc, pressure, sensors, {name: Steady(true_mc) for name in sensors}, ice, {},
                  dict.fromkeys(sensors, 0), ceiling_mc=chamber.limits.ceiling_mc, called=labels(chamber))


def see(memory: Memory, looked: Looked) -> tuple[Memory, tuple[Row, ...], float, Ended | None]:
    """One tick of all of them. What was steady once is kept: tips may come out one after the other."""
    raw, report = looked.raw_mc(), looked.state.board.report
    cold = {row.id: report.channels[row.channel] for row in looked.state.chamber.sensors} if report is not None else {}
    dt_us = 0 if memory.at_us < 0 else looked.now_us - memory.at_us
    rows, shares = [], []
    for name in memory.sensors:
        row, share = _one(memory, name, raw.get(name), cold.get(name), looked.now_us, dt_us)
        rows.append(row)
        shares.append(share)
    memory = memory._replace(at_us=looked.now_us)
    lost = [name for name in memory.sensors if memory.elsewhere_us[name] >= ELSEWHERE_US]
    over = all(name in memory.done or name in lost for name in memory.sensors) and memory.done
    gone = len(lost) == len(memory.sensors)
    return memory, tuple(rows), sum(shares) / len(shares), _judged(memory) if over or gone else None


def _one(memory: Memory, name: str, raw_mc: int | None, channel: Any, now_us: int, dt_us: int) -> tuple[Row, float]:
    label = memory.called.get(name, name)
    if name in memory.done:
        return Row(name, f"{label}: steady at {degrees(memory.done[name][0].mean_mc)}.", SEEN), 1.0
    if raw_mc is None:
        return Row(name, f"{label} has no good reading. Look at its plug and cable."), 0.0
    cold_mc = channel.cold_mc if channel is not None else None
    seen = memory.steady[name].feed(now_us, raw_mc, cold_mc)
    memory.elsewhere_us[name] = memory.elsewhere_us[name] + dt_us if seen.state is State.ELSEWHERE else 0
    if seen.state is State.STEADY or memory.elsewhere_us[name] >= ELSEWHERE_US:
        memory.done[name] = (seen, cold_mc or 0)
        return Row(name, f"{label}: steady at {degrees(seen.mean_mc)}.", SEEN), 1.0
    return Row(name, f"{label}: {degrees(raw_mc)}. {WORDS[seen.state]}", WAITING), min(0.95, seen.covered_us / WINDOW_US)


def _judged(memory: Memory) -> Ended:
    shown = tuple(_shown(memory, name) for name in memory.sensors if name in memory.done)
    if not shown:
        return Ended(ENDS, "No sensor was in the bath.")
    bad = [one for one in shown if not one.passed]
    if not bad:
        all_of_them = f"All {len(shown)} sensors show what good ones show."
        return Ended(PASSED, all_of_them if len(shown) > 1 else "It shows what a good sensor shows.", shown)
    return Ended(FAILS, " ".join(f"{memory.called.get(one.sensor, one.sensor)}: {one.advice}" for one in bad), shown)


def _shown(memory: Memory, name: str) -> Shown:
    seen, cold_mc = memory.done[name]
    point = _point(memory, name, seen)
    values = {**values_of(point), "cold_mc": cold_mc}
    if memory.pressure is not None:
        values |= {"station_hpa": round(memory.pressure.hpa, 2), "station_u_hpa": round(memory.pressure.u_hpa, 2)}
    found = f"{degrees(seen.mean_mc)} at {degrees(point.true_mc)} ({round(point.error_mc / 1000, 1) + 0.0:+.1f} °C)"
    others = tuple(other.mean_mc for key, (other, _) in memory.done.items() if key != name)
    here = InBath(point.true_mc, point.seen_mc, cold_mc, u_mc=point.u_mc,
                  others_mc=() if seen.state is State.STEADY else others)
    ice = memory.ice.get(name)
    tried = [here] if ice is None else [InBath(ice.true_mc, ice.seen_mc, cold_mc, u_mc=ice.u_mc), here]
    findings = couples.diagnose(KIND, tried)
    if findings[0].cause == couples.FINE.id:
        known = known_words(ice, point, memory.ceiling_mc) if memory.pressure is not None else ""
        found = f"{found[:-1]}, {known})" if known else found
        return Shown(True, found, values, "", name)
    return Shown(False, found, {**values, "likely": [one.cause for one in findings]}, couples.sentence(findings), name)


def _point(memory: Memory, name: str, seen: Seen) -> Point:
    if memory.pressure is None:
        return fixed_points.ice_point(name, seen.mean_mc, seen.u_mc)
    return fixed_points.boiling_point(name, seen.mean_mc, seen.u_mc, memory.pressure)
