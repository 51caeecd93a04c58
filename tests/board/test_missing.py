"""On a computer without the chip's compiler or the emulator's library: one clear reason, and nothing fails."""

from __future__ import annotations

import shutil

import pytest

from tests.bench import __main__ as bench
from tests.bench import board
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


@pytest.mark.parametrize("row", board.ROWS, ids=lambda row: row.__name__)
def test_a_figure_that_cannot_be_measured_there_says_so(bare, row, capsys):
    figures = bench.measured(row, "board")
    assert [figure.value for figure in figures] == [None] and not figures[0].holds
    assert "Missing" in figures[0].name
