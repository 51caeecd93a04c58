"""On a computer without the chip's compiler or the emulator's library: one clear reason, and nothing fails."""

from __future__ import annotations

import shutil

import pytest

from tests.bench import __main__ as bench
from tests.bench import board, board_core, board_modbus
from tests.board import machine


@pytest.fixture
def bare(monkeypatch):
    """No program is found on this computer."""
    monkeypatch.setattr(shutil, "which", lambda name: None)
    machine.built.cache_clear()
    yield
    machine.built.cache_clear()


def test_what_is_missing_is_named_as_packages(bare):
    assert machine.missing().startswith("the emulated board is not tested: gcc-avr")
    assert machine.missing().endswith("missing")
    with pytest.raises(machine.Missing, match="gcc-avr"):
        machine.built()


NEEDS_NO_EMULATOR = (board_core.frames, board_core.proof, board_modbus.row)


@pytest.mark.parametrize("row", [row for row in board.ROWS if row not in NEEDS_NO_EMULATOR], ids=lambda row: row.__name__)
def test_a_figure_that_cannot_be_measured_there_says_so(bare, row, capsys):
    figures = bench.measured(row, "board")
    assert [figure.value for figure in figures] == [None] and not figures[0].holds
    assert "Missing" in figures[0].name
