"""The start proof on the reference firmware in an emulated chip: a good start passes, what is planted at the chamber is found.

The ATmega328P has no pins for mains and limiter; its chamber file says so, and a proof there asks for neither.
"""

from __future__ import annotations

import pytest

from tests.board.host import CONTACTOR_US, MS, S1, fell_us, needs_emulator, pins_high
from tests.board.machine import CHIPS
from tests.board.proven import CHIP_PLANTED, on_chip, started
from tests.chamber.proving import proven

pytestmark = [needs_emulator, pytest.mark.slow, pytest.mark.timeout(300)]
SMALL, BIG = CHIPS
BOTH_CHIPS = {"modulator shorted", "outputs exchanged"}
"""Planted in both chips in the ordinary tests; the campaign plants everything in both."""


@pytest.mark.parametrize(("chip", "sensed"), [
    (SMALL, False), (BIG, True), pytest.param(SMALL, True, marks=pytest.mark.campaign),
    pytest.param(BIG, False, marks=pytest.mark.campaign)])
def test_a_good_cold_start_passes_and_heats(chip, sensed):
    with on_chip(chip, sensed) as (bench, board):
        said = proven(bench)
        assert (said.grade, said.finding, said.trips) == ("passed", "", ())
        assert said.took_s <= (60 if sensed else 300)
        since_us = board.now_us
        bench.ticks(60)
        assert any(edge.value for edge in board.edges("modulator", since_us)), "the schedule heats"
        assert not board.differences


PLACES = [
    pytest.param(name, chip, id=f"{name}, {chip}",
                 marks=() if name in BOTH_CHIPS or chip == (SMALL, BIG)[number % 2] else pytest.mark.campaign)
    for number, (name, row) in enumerate(CHIP_PLANTED.items()) for chip in CHIPS if row.seen_by(chip)]
"""A chip without the pin that it takes to see something has no row for it."""


@pytest.mark.parametrize(("name", "chip"), PLACES)
def test_what_is_planted_at_the_chamber_is_found_and_the_pins_fall(name, chip):
    row = CHIP_PLANTED[name]
    with on_chip(chip, row.sensed) as (bench, board):
        row.plant(board)
        said = started(bench)
        found = said.finding or next(iter(said.trips), "")
        assert found in row.found, (said[:4], found)
        since_us = board.now_us
        bench.ticks(5)
        for pin in ("modulator", "contactor"):
            if board.edges(pin, since_us):
                assert fell_us(board, pin, since_us) <= 2 * S1 + CONTACTOR_US + 20 * MS
        assert pins_high(board) == (False, False)
        bench.ticks(20)
        assert pins_high(board) == (False, False), "nothing starts again by itself"
        assert not board.differences
