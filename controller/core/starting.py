"""Starts that wait, and transient states that end when what they wait for is seen."""

from __future__ import annotations

from controller.core import board as line
from controller.core.events import Kind
from controller.core.guards import INDEX
from controller.core.orders import refuse
from controller.core.program import Treatment
from controller.core.regulator import Regulator
from controller.core.run_states import C, S
from controller.core.state import Pending, Run, Stop
from controller.core.watch import Wanted
from controller.core.work import Work

ARM_WAIT_US = 120 * 1_000_000
BOARD_WAIT_US = 15 * 1_000_000
SEEN_OFF_WAIT_US = 60 * 1_000_000
HEAT_STAYS_ON = INDEX["heat_stays_on"]
ABORTING, PASSING = S.ABORTING, frozenset({S.HOLDING, S.RESTARTING})


def wait_for_start(work: Work, pending: Pending) -> None:
    """A start begins once it is armed, the session is fresh and the board reads back this run's limits; never after a trip."""
    waited_us = work.now_us - pending.asked_us
    if work.latches:
        work.pending = None  # a trip takes it back; this holds whatever state the tick was given
    elif not pending.armed:
        if waited_us >= ARM_WAIT_US:
            work.pending = None
            refuse(work, pending.command, "not_armed", "Nobody pressed the arm button at the chamber within 120 s.")
    elif _board_ready(work):
        _begin(work, pending)
    elif waited_us >= BOARD_WAIT_US:
        work.pending = None
        refuse(work, pending.command, "board_absent", "The board did not take this run's limits within 15 s.")


def _board_ready(work: Work) -> bool:
    """Ours, in this session, heard in it, and holding this run's limits."""
    board = work.board
    if not board.accepted or board.report is None or board.limits is None:
        return False
    return board.report.session == board.session and board.limits[1:] == work.expected_limits()[1:]


def _begin(work: Work, pending: Pending) -> None:
    command, report = pending.command, work.board.report
    assert command.schedule is not None and report is not None and work.board.welcome is not None
    work.run = Run(
        command.run_id,
        S.IDLE,
        command.schedule,
        command.level,
        command.by,
        work.now_us,
        pending.run_ceiling_mc,
        pending.run_max_us,
        Wanted(work.board.welcome.boot, work.board.session),
        work.expected_limits(),
        (Treatment(command.schedule),),
        0,
        0,
        0,
        False,
        "",
        work.now_us,
    )
    work.pending = None
    work.regulator = Regulator()
    work.stop = Stop()
    work.move(C.START, command.by)
    work.retune_limits()
    say_segment(work)


def say_segment(work: Work) -> None:
    run, treatment = work.run, work.treatment
    if run is not None and treatment is not None:
        work.say(
            Kind.SEGMENT,
            run_id=run.id,
            segment=treatment.segment,
            kind=treatment.now.kind.value,
            target_mc=treatment.now.target_mc,
        )


def settle(work: Work) -> None:
    """Transient states end when what they wait for is seen."""
    state = work.state
    if state in PASSING:
        work.move(C.SETTLED, "controller")
    report, stop = work.board.report, work.stop
    if (
        stop.accepted_us >= 0
        and stop.off_seen_us < 0
        and report is not None
        and work.board.heard_us >= stop.accepted_us
        and line.heat_seen_off(report)
    ):
        work.stop = stop._replace(off_seen_us=work.now_us)
        fitted = work.chamber.fitted
        switches = "both switches read" if fitted.contactor else "the modulator reads"
        sensed = fitted.current and report.current_ma is not None
        how = f"{switches} back open" + (", no current seen" if sensed else "")
        work.say(Kind.HEAT_SEEN_OFF, after_us=work.now_us - stop.accepted_us, how=how)
    waited = work.now_us - work.stop.accepted_us >= SEEN_OFF_WAIT_US and not work.standing[HEAT_STAYS_ON].stands
    if state is ABORTING and (work.stop.off_seen_us >= 0 or waited):  # a run is not over while its heat is seen on
        work.move(C.SETTLED, "controller")
