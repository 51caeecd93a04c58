"""The start proof's rig on the emulated firmware, and what is planted there: the chamber's faults, as the chip meets them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from controller.chamber.shapes import Shape
from tests.board.emulated import EmulatedBoard
from tests.chamber.proving import Bench, Proven, chamber_of, proven

SETTLE_S = 20
NEVER_READ = {"mains"}
"""What the small chip has no pin for, of that which is planted here."""


class OnChip(NamedTuple):
    """One fault: how it comes about, whether a current sensor is fitted, and the findings or guards that may be the first."""

    plant: Callable[[EmulatedBoard], None]
    sensed: bool
    found: frozenset[str]
    reads: str = ""

    def seen_by(self, chip: str) -> bool:
        """Whether the chip has the pin that it takes to see this."""
        return chip != "atmega328p" or self.reads not in NEVER_READ


def _row(fault: str, *found: str, sensed: bool = True, reads: str = "") -> OnChip:
    return OnChip(lambda board: board.fault(fault), sensed, frozenset(found), reads)


def _reversed(board: EmulatedBoard, at: int) -> None:
    board.sensors[at].reversed_leads = True


def _pinned(board: EmulatedBoard, at: int) -> None:
    """Off its place, or touching at the feed-through: cool, whatever the air does."""
    board.sensors[at].true_c = board.room_c


def _sensor(at: int, wrong: Callable[[EmulatedBoard, int], None], *found: str) -> OnChip:
    return OnChip(lambda board: wrong(board, at), False, frozenset(found))


CHIP_PLANTED: dict[str, OnChip] = {
    "modulator shorted": _row("modulator_stuck_on", "modulator_stuck"),
    "modulator shorted, no current sensor": _row("modulator_stuck_on", "modulator_stuck", sensed=False),
    "modulator passes half waves": _row("modulator_half_on", "modulator_stuck"),
    "contactor wired around": _row("contactor_bridged", "contactor_stuck"),
    "contactor welded": _row("contactor_welded", "switch_stays_closed", "board_switched_off", "switch_reads_closed"),
    "outputs exchanged": _row("outputs_swapped", "switch_reads_closed", "board_switched_off"),
    "element broken": _row("element_broken", "no_current"),
    "element broken, no current sensor": _row("element_broken", "nothing_rose", sensed=False),
    "no mains": _row("mains_gone", "no_mains", reads="mains"),
    "fan stands": _row("fan_stopped", "fan_stands"),
    "control sensor off its place": _sensor(0, _pinned, "control_did_not_rise"),
    "over-temperature sensor off its place": _sensor(1, _pinned, "over_did_not_rise"),
    "control sensor reversed": _sensor(0, _reversed, "disagree_cold"),
    "over-temperature sensor reversed": _sensor(1, _reversed, "disagree_cold"),
}


class OnThisChip:
    """Makes the board that a bench asks for; `board` is the newest."""

    def __init__(self, chip: str) -> None:
        self.chip = chip
        self.board: EmulatedBoard | None = None

    def __call__(self, shape: Shape, seed: int, board_id: str, *, report_us: int, auto_arm: bool) -> EmulatedBoard:
        self.board = EmulatedBoard(shape, seed, board_id, chip=self.chip, auto_arm=auto_arm)
        return self.board


@contextmanager
def on_chip(chip: str, sensed: bool, shape: str = "bench", seed: int = 3) -> Iterator[tuple[Bench, EmulatedBoard]]:
    """A bench whose board is the firmware in that chip, past its boot."""
    absent: dict[str, Any] = dict.fromkeys(("limiter", "mains_sense"), False) if chip == "atmega328p" else {}
    make = OnThisChip(chip)
    bench = Bench(shape, seed, chamber_of(shape, seed, current=sensed, **absent), make)
    assert make.board is not None
    with make.board as board:
        bench.ticks(5)
        yield bench, board


def started(bench: Bench) -> Proven:
    """After a while, start it."""
    bench.ticks(SETTLE_S)
    return proven(bench)
