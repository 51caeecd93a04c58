"""The invented chamber the bench measures on, and a soak of it in this process."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from controller import config, new_chamber
from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.core.commands import Ask, Command, PersonRole
from controller.core.messages import LimitsRead, Refusal, Report, Welcome
from controller.core.schedule import US_PER_H, Kind, Of, Resume, Schedule, Segment
from controller.core.setup import Chamber, Level
from controller.core.start import first_state
from controller.core.state import Inputs, LineOpened, Messages, Notice, State
from controller.core.tick import advance
from controller.link.session import Session
from tests.answered import ANSWERED

TICK_US = 1_000_000
SETTLED_TICKS = 600
"""Past arming, enable and the first minutes of the ramp: what follows is an ordinary heating tick."""


def write_chamber(folder: Path) -> None:
    """A new simulated chamber folder."""
    text = new_chamber.text("Bench chamber", simulated=True, board=new_chamber.SIMULATED_BOARD)
    new_chamber.write(folder, text, new_chamber.SIMULATED_BOARD, True, time.time_ns() // 1000)


def chamber() -> Chamber:
    """The same chamber as the tick knows it."""
    with tempfile.TemporaryDirectory() as above:
        folder = Path(above) / "chamber"
        write_chamber(folder)
        return config.load(folder, time.time_ns() // 1000).chamber


def segment(kind: Kind, target_c: int, rate_c_per_h: int, soak_h: int, longest_h: int) -> Segment:
    return Segment(kind, target_c * 1000, rate_c_per_h * 1000, soak_h * US_PER_H, 2_000, longest_h * US_PER_H)


def slow_schedule() -> Schedule:
    """About 4 h up, 8 h held, 4 h down: common practice, no source."""
    return Schedule(name="bench, slow", of=Of.AIR, resume=Resume.NEVER, segments=(
        segment(Kind.RAMP, 105, 20, 0, 6), segment(Kind.SOAK, 105, 0, 8, 12), segment(Kind.COOL, 40, 20, 0, 10)))


def start(schedule: Schedule) -> Command:
    return Command(Ask.START, "bench", PersonRole.MAINTAINER, "1", schedule, "1", Level.UNATTENDED, leaving=ANSWERED)


class InProcess:
    """Controller and board in this process, over the real frames, in virtual time."""

    def __init__(self, reports_a_tick: int) -> None:
        self.board = Board(SHAPES["bench"], seed=1, board_id=new_chamber.SIMULATED_BOARD, auto_arm=True,
                           report_us=TICK_US // reports_a_tick)
        self.session = Session()
        self.state: State = first_state(chamber(), 0)
        self.notices: list[Notice] = [Messages(""), LineOpened(session=1)]
        self.reports: list[Report] = []
        self.now_us = 0

    def ticks(self, schedule: Schedule, count: int) -> Iterator[tuple[State, Inputs]]:
        """(state before, inputs) of every tick; the schedule is asked for as soon as the board has been welcomed."""
        waiting = True
        for _ in range(count):
            commands = ()
            if waiting and self.state.board.accepted and self.state.readings:
                commands, waiting = (start(schedule),), False
            inputs = Inputs(self.now_us, tuple(self.reports), tuple(self.notices), commands)
            yield self.state, inputs
            self._apply(inputs)

    def _apply(self, inputs: Inputs) -> None:
        tick = advance(self.state, inputs)
        self.state = tick.state
        for frame in tick.outputs.frames:
            self.board.receive(self.session.send(frame))
        heard = self.session.receive(self.board.run(TICK_US))
        self.reports = [message for message in heard if isinstance(message, Report)]
        self.notices = [message for message in heard if isinstance(message, Welcome | LimitsRead | Refusal)]
        self.now_us += TICK_US


def heating_ticks(reports_a_tick: int, count: int) -> list[tuple[State, Inputs]]:
    """`count` ordinary ticks of a heating run: (state before, inputs). Fails when the run does not heat."""
    world = InProcess(reports_a_tick)
    kept = list(world.ticks(slow_schedule(), SETTLED_TICKS + count))[SETTLED_TICKS:]
    heating = sum(state.permit for state, _ in kept)
    assert heating > count * 0.9, f"only {heating} of {count} ticks had the permit: this is no ordinary run"
    assert all(len(inputs.reports) == reports_a_tick for _, inputs in kept), "reports a tick"
    return kept
