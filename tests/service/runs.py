"""States with a run in them, reached by the tick itself, for tests that look at what a state becomes."""

from __future__ import annotations

from controller.core.program import Treatment
from controller.core.run_states import S
from controller.core.setup import Chamber
from controller.core.state import State
from controller.rehearse import Rehearsal
from controller.rehearse_world import InProcess
from tests.service.chambers import short


def running(chamber: Chamber, ticks: int = 120) -> State:
    """A run of the short schedule, its start proof passed, after so many seconds."""
    rehearsal = Rehearsal(chamber, short(), InProcess("bench", chamber.board))
    left = ticks
    for _ in rehearsal.ticks():
        run = rehearsal.state.run
        left -= run is None or isinstance(run.program, Treatment)
        if left <= 0:
            break
    assert rehearsal.state.run is not None, rehearsal.refused
    return rehearsal.state


def state_in(chamber: Chamber, run_state: S) -> State:
    """The same with its run put into a state."""
    state = running(chamber, 30)
    assert state.run is not None
    return state._replace(run=state.run._replace(state=run_state))
