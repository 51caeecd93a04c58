"""The start proof: planted faults found, good starts refused, how long it takes; in simulated chambers and on the firmware."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from controller.chamber.shapes import SHAPES
from controller.core.guards import INDEX
from controller.core.proof_findings import FINDINGS
from tests.bench.figure import QUICK, Figure, at_most, unmeasured
from tests.board import machine
from tests.board.proven import CHIP_PLANTED, on_chip, started
from tests.chamber.planted import LATE, PLANTED, WARM, good, is_found, planted, refused
from tests.chamber.proving import proven

STARTS = 14 if QUICK else 100
SHAPES_TRIED = ("bench", LATE) if QUICK else tuple(SHAPES)
BEFORE_HEAT = {*FINDINGS, *INDEX}
LONGEST_S, LONGEST_LATE_S, LONGEST_SENSED_S = 300, 720, 60


def found() -> Sequence[Figure]:
    """planted wrong wirings and faults, in every simulated chamber, without and with a current sensor"""
    tried, missed, left = 0, [], Counter[str]()
    for name, row in PLANTED.items():
        for shape in SHAPES_TRIED:
            for sensed in (False, True):
                finder = row.found_by(shape, sensed)
                if not finder:
                    continue  # what is not fitted cannot be dead
                if finder not in BEFORE_HEAT:
                    left[f"{name}: {finder}"] += 1
                    continue
                tried += 1
                said = planted(row, shape, 11, sensed)[1]
                if not is_found(row, shape, sensed, said):
                    missed.append(f"{name}, {shape}, {sensed}: {said.finding or said.grade} {said.trips}")
    for line in (*missed, *(f"not for a proof, {count} times {what}" for what, count in left.items())):
        print(f"  {line}")
    return [at_most("proofs", f"start proof, cold: planted and not found, of {tried}", len(missed), "", 0)]


def found_warm() -> Sequence[Figure]:
    """the same in chambers just unloaded: a finding, a trip, or a start that is refused"""
    tried, missed = 0, []
    for name in sorted(WARM):
        for shape in SHAPES_TRIED:
            for sensed in (False, True):
                row = PLANTED[name]
                bench, said = planted(row, shape, 11, sensed, hot=True)
                if said.grade == "passed" and row.found_by(shape, sensed) not in BEFORE_HEAT:
                    continue
                tried += 1
                if said.grade not in ("failed", "void") and not said.trips and not refused(bench):
                    missed.append(f"{name}, {shape}, {sensed}")
    print(*(f"  {line}" for line in missed), sep="\n", end="")
    return [at_most("proofs", f"start proof, warm: planted and not found, of {tried}", len(missed), "", 0)]


def found_on_chips() -> Sequence[Figure]:
    """planted faults on the emulated firmware, in both chips"""
    if machine.missing():
        print(f"  {machine.missing()}")
        return [unmeasured("proofs", "start proof, emulated firmware: planted and not found", "", 0)]
    tried, missed = 0, []
    for chip in machine.CHIPS:
        for name, row in CHIP_PLANTED.items():
            if not row.seen_by(chip):
                continue
            tried += 1
            with on_chip(chip, row.sensed) as (bench, board):
                row.plant(board)
                said = started(bench)
            if not row.found & {said.finding, *said.trips}:
                missed.append(f"{name}, {chip}: {said[:4]}")
    print(*(f"  {line}" for line in missed), sep="\n", end="")
    return [at_most("proofs", f"start proof, emulated firmware: planted and not found, of {tried}", len(missed), "", 0)]


def good_starts() -> Sequence[Figure]:
    """good starts, cold and just unloaded, loads from empty to double: refused, and how long each took at the longest"""
    figures, longest = [], Counter[tuple[bool, bool, bool]]()
    for hot in (False, True):
        no = []
        for number in range(STARTS):
            bench, sensed = good(number, hot)
            said = proven(bench)
            if said.grade != "passed" or said.trips:
                no.append(f"{bench.board.shape.name}, {number}: {said.finding} {said.trips}")
            kind = (hot, sensed, bench.board.shape.name == LATE)
            longest[kind] = max(longest[kind], said.took_s)
        print(*(f"  {line}" for line in no), sep="\n", end="")
        figures.append(at_most("proofs", f"good {'warm' if hot else 'cold'} starts refused, of {STARTS}", len(no), "", 0))
    for (hot, sensed, late), took_s in sorted(longest.items()):
        words = f"{'warm' if hot else 'cold'}{', 60 s dead time' if late else ''}{', current sensor' if sensed else ''}"
        goal_s = LONGEST_SENSED_S if sensed else LONGEST_LATE_S if late else LONGEST_S
        figures.append(at_most("proofs", f"longest start proof, {words}", took_s, "s", goal_s))
    return figures


ROWS = (found, found_warm, found_on_chips, good_starts)
