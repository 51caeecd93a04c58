"""Wrong wirings and faults of the hazards list, planted before a start, and what must find each: one row a fault.

Where a proof cannot see a fault the row says who does: a guard that stands before any start, the run that follows, or a step
of commissioning. Temperatures of a reversed or wrong couple are those of the ITS-90 functions in `chamber.thermocouple`.
"""

from __future__ import annotations

from functools import partial
from random import Random
from typing import Any, NamedTuple

from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.commissioning.steps import BY_ID
from controller.core.events import Kind
from controller.core.guards import INDEX
from controller.core.proof_findings import FINDINGS
from tests.chamber.proving import Bench, MakeBoard, Proven, chamber_of, proven, warm

IN_THE_RUN = "in the run"
"""The proof passes; a guard ends the run that follows."""
LATE = "delayed"
"""Its dead time is longer than a proof by current may take: there the current alone is shown."""
SETTLE_S = 240
"""So long the chamber stands as it is before somebody starts it."""
NO_CURRENT: MakeBoard = partial(Board, absent=frozenset({"current_ma"}))
MAKES: dict[bool, MakeBoard] = {False: NO_CURRENT, True: Board}
"""By whether a current sensor is fitted."""


class Planted(NamedTuple):
    """One fault: what finds it without a current sensor, with one, and with one where the dead time is long."""

    hazards: str
    fault: str
    args: dict[str, Any]
    plain: str
    sensed: str
    late: str

    def found_by(self, shape: str, sensed: bool) -> str:
        """A key of `FINDINGS`, a guard, `IN_THE_RUN`, or a step of commissioning."""
        return self.plain if not sensed else self.late if shape == LATE else self.sensed


def _row(hazards: str, fault: str, plain: str, sensed: str = "", late: str = "", **args: Any) -> Planted:
    return Planted(hazards, fault, args, plain, sensed or plain, late or sensed or plain)


def _sees(hazards: str, kind: str, channel: int, plain: str, late: str = "") -> Planted:
    return _row(hazards, "sensor_sees", plain, late=late, kind=kind, channel=channel)


NO_CONTROL, NO_OVER = "control_did_not_rise", "over_did_not_rise"
IDENTITY, LIMITER = "sensor_identity", "limiter"
PLANTED: dict[str, Planted] = {
    "modulator shorted": _row("H-11", "modulator_stuck_on", "modulator_stuck"),
    "modulator passes half waves": _row("H-11", "modulator_half_on", "modulator_stuck"),
    "contactor welded": _row("H-12", "contactor_welded", "switch_stays_closed"),
    "contactor wired around": _row("H-12", "contactor_bridged", "contactor_stuck"),
    "limiter wired around": _row("H-15", "limiter_bypassed", LIMITER),
    "outputs exchanged": _row("H-12", "outputs_swapped", "switch_reads_closed"),
    "element broken": _row("H-14 H-47", "element_broken", "nothing_rose", "no_current"),
    "current sensor dead": _row("H-47", "current_dead", "", "no_current"),
    "no mains": _row("H-14", "mains_gone", "no_mains"),
    "fan fed with the heat": _row("H-48", "fan_with_heat", "fan_stands"),
    "fan stands": _row("H-28", "fan_stopped", "fan_stands"),
    "control sensor off its place": _sees("H-01 H-47", "off_place", 0, NO_CONTROL, IN_THE_RUN),
    "over-temperature sensor off its place": _sees("H-01", "off_place", 1, NO_OVER, IN_THE_RUN),
    "control sensor shorted": _sees("H-03", "shorted", 0, NO_CONTROL, IN_THE_RUN),
    "over-temperature sensor shorted": _sees("H-03", "shorted", 1, NO_OVER, IN_THE_RUN),
    "control sensor reversed": _sees("H-04", "reversed", 0, "disagree_cold"),
    "over-temperature sensor reversed": _sees("H-04", "reversed", 1, "disagree_cold"),
    "control sensor drifted": _sees("H-07", "drifted", 0, "disagree_cold"),
    "over-temperature sensor drifted": _sees("H-07", "drifted", 1, "disagree_cold"),
    "control sensor read as J": _sees("H-05", "read_as_j", 0, IN_THE_RUN),
    "control sensor of wire J": _sees("H-05", "wire_of_j", 0, IN_THE_RUN),
    "over-temperature sensor read as J": _sees("H-05", "read_as_j", 1, IN_THE_RUN),
    "control sensor in the part": _sees("H-01", "in_part", 0, IDENTITY),
    "control sensor exchanged": _sees("H-09", "of_next", 0, IDENTITY),
}
"""Whole names of what is wrong, as a person would say it."""
WARM = {
    "modulator shorted", "modulator passes half waves", "contactor wired around", "element broken", "no mains",
    "control sensor off its place", "over-temperature sensor off its place", "control sensor reversed",
    "over-temperature sensor reversed",
}
"""Those planted in a warm chamber too, just unloaded. There sensors differ honestly, so other words may be the first."""


def planted(row: Planted, shape: str, seed: int, sensed: bool, hot: bool = False) -> tuple[Bench, Proven]:
    """Plant it, wait, start, and follow the proof."""
    draw = Random(f"{shape} {seed} {sensed}")
    bench = Bench(shape, seed, chamber_of(shape, seed, current=sensed), MAKES[sensed], load=draw.uniform(0.5, 2.0))
    if hot:
        warm(bench, draw)
    else:
        bench.ticks(5)
    bench.board.fault(row.fault, **row.args)
    bench.ticks(40 if hot else SETTLE_S)
    return bench, proven(bench)


def good(number: int, hot: bool) -> tuple[Bench, bool]:
    """One good chamber of many, and whether it has a current sensor: shapes in turn, loads from empty to double."""
    shape, sensed = list(SHAPES)[number % len(SHAPES)], number % 3 == 2
    draw = Random(f"good {number} {hot}")
    bench = Bench(shape, number, chamber_of(shape, number, current=sensed), MAKES[sensed], load=2.0 * draw.random())
    if hot:
        warm(bench, draw)
    else:
        bench.ticks(5)
    return bench, sensed


def is_found(row: Planted, shape: str, sensed: bool, said: Proven) -> bool:
    """Whether what must find it found it; where that is no proof, whether the proof at least went on to it."""
    wanted = row.found_by(shape, sensed)
    if wanted in FINDINGS:
        return said.finding == wanted
    if wanted in INDEX:
        return wanted in said.trips and not said.grade
    if wanted in BY_ID:  # one that follows the heat after all passes; in a heavy part it does not
        return said.grade == "passed" or said.finding == NO_CONTROL
    return said.grade == "passed"


def refused(bench: Bench) -> list[str]:
    """Codes of the commands that were refused."""
    return [str(one.fields["code"]) for one in bench.events if one.kind is Kind.COMMAND_REFUSED]
