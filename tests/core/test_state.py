"""What every tick makes from slices is what replacing the fields by name gives."""

from __future__ import annotations

from controller.core.state import Board, Run
from tests.core.ready import ramping


def test_slices_give_what_names_give():
    state = ramping().state
    run, board, report = state.run, state.board, state.board.report
    assert run is not None and report is not None
    assert run.moved((), 1, 2) == run._replace(programs=(), air_setpoint_mc=1, slope_mc_per_h=2)
    assert board.sent_up_to(7, ((7, 8),)) == board._replace(sequence=7, sent=((7, 8),))
    newer = report._replace(sequence=report.sequence + 1)
    assert board.hears(newer, 9) == board._replace(report=newer, heard_us=9)
    assert type(run.moved((), 1, 2)) is Run and type(board.hears(newer, 9)) is type(board.sent_up_to(7, ())) is Board
