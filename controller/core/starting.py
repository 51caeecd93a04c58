"""Starts that wait, and transient states that end when what they wait for is seen."""

from __future__ import annotations

from controller.core import board as line
from controller.core.events import Kind
from controller.core.guards import INDEX
from controller.core.orders import (
    NAMED_AHEAD_MAX_US,
    NotDone,
    check_leaving,
    check_level,
    check_ready,
    refuse,
    run_ceiling,
)
from controller.core.program import Program, Treatment
from controller.core.regulator import Regulator
from controller.core.run_states import C, S
from controller.core.setup import Level
from controller.core.state import Pending, Run, Stop
from controller.core.trials import Asked, plan, proofs_of
from controller.core.watch import Wanted
from controller.core.work import Work

ARM_WAIT_US = 120 * 1_000_000
BOARD_WAIT_US = 15 * 1_000_000
BOARD_NOT_READY = "The board did not take this run's limits within 15 s."
MODULE_WAIT_US = 30 * 1_000_000
"""A timer relay takes its time to be proven."""
MODULE_NOT_READY = "The module was not ready within 30 s: it must answer, with its outputs off and its time-out held."
NAMED_HOLDS_US = 30 * 60 * 1_000_000
"""So long past its named time a start may still begin; then its arming is void."""
SEEN_OFF_WAIT_US = 60 * 1_000_000
HEAT_STAYS_ON = INDEX["heat_stays_on"]
ABORTING, PASSING = S.ABORTING, frozenset({S.HOLDING, S.RESTARTING})


def wait_for_start(work: Work, pending: Pending) -> None:
    """A start begins once its time has come, it is armed, the session is fresh and the board reads back this run's limits;
    never after a trip."""
    waited_us = work.now_us - pending.asked_us
    if work.latches:
        work.take_back("A trip is latched.")  # this holds whatever state the tick was given
    elif not pending.due:
        _wait_for_time(work, pending)
    elif not pending.armed:
        if waited_us >= ARM_WAIT_US:
            _lapse(work, pending, "not_armed", f"{_unpressed(pending)} at the chamber within 120 s.")
    elif _board_ready(work):
        _begin(work, pending)
    elif _proof_failed(work):
        assert work.board.proof is not None
        _lapse(work, pending, "silence_not_proven", f"The timer relay was not proven: {work.board.proof.words}.")
    elif waited_us >= (BOARD_WAIT_US if work.chamber.module is None else MODULE_WAIT_US):
        _lapse(work, pending, "board_absent", BOARD_NOT_READY if work.chamber.module is None else MODULE_NOT_READY)


def _unpressed(pending: Pending) -> str:
    """Nobody pressed, or nobody pressed again after what made the first press void."""
    if not pending.void:
        return "Nobody pressed the arm button"
    return f"A press of the arm button was void ({pending.void}), and nobody pressed it again"


def _lapse(work: Work, pending: Pending, code: str, reason: str) -> None:
    work.take_back(reason)
    refuse(work, pending.command, code, reason)


def _wait_for_time(work: Work, pending: Pending) -> None:
    """A named start waits for the clock to be right, and then for its time. No duration is counted from the clock: a
    step of it can only make a start earlier or later, never longer, and a late one lapses."""
    command, wall_us = pending.command, work.wall_us
    if work.now_us - pending.said_us >= NAMED_AHEAD_MAX_US + NAMED_HOLDS_US:
        _lapse(
            work, pending, "bad_time", "The computer's clock was not set within a day, so nobody knew when to begin."
        )
    if wall_us < command.at_utc_us or work.pending is None:
        return
    if wall_us - command.at_utc_us >= NAMED_HOLDS_US:
        late = f"{_unpressed(pending)} until" if not pending.armed else "The computer's clock was not right until"
        _lapse(work, pending, "not_armed", f"{late} 30 min past the named time.")
    elif pending.armed:
        assert command.schedule is not None
        try:
            check_level(work, command.level)  # a proof may have ended meanwhile
            ceiling_mc = run_ceiling(work, command.schedule)  # it may have been lowered meanwhile
            check_ready(work, ceiling_mc)
        except NotDone as refusal:
            _lapse(work, pending, refusal.code, f"When its time came it could not begin: {refusal.reason}")
            return
        if command.level is Level.UNATTENDED and work.messages_why:
            told = f"When its time came it could not begin: messages cannot leave ({work.messages_why})."
            _lapse(work, pending, "not_ready_to_leave", told)
            return
        work.pending = pending._replace(due=True, asked_us=work.now_us, run_ceiling_mc=ceiling_mc)
        work.board = line.again(work.board, work.now_us)


def press(work: Work, pending: Pending) -> None:
    """The arm button was pressed for a start that waits: one press, one start. What must be known before heat is left
    alone is judged once more, because the walk to the chamber may have taken hours."""
    if pending.armed:
        return
    try:
        check_leaving(work, pending.command, work.now_us - pending.said_us)
    except NotDone as refusal:
        _lapse(work, pending, refusal.code, refusal.reason)
        return
    work.pending = pending._replace(armed=True, asked_us=work.now_us, void="")
    work.say(Kind.ARMED, run_id=pending.command.run_id)


def _board_ready(work: Work) -> bool:
    """Ours, in this session, heard in it, and holding this run's limits."""
    board = work.board
    if not board.accepted or board.report is None:
        return False
    if work.chamber.module is not None:  # it keeps no limits; it is enabled once its silence has been proven in this session
        ready = board.report.session == board.session and board.report.enabled
        return ready and line.silence_ends_heat(board, work.chamber)
    if board.limits is None:
        return False
    return board.report.session == board.session and board.limits[1:] == work.expected_limits()[1:]


def _proof_failed(work: Work) -> bool:
    proof = work.board.proof
    return proof is not None and not proof.passed


def _begin(work: Work, pending: Pending) -> None:
    command, report = pending.command, work.board.report
    schedule = command.schedule
    assert schedule is not None and report is not None and work.board.known
    programs, at = _programs(work, pending)
    work.run = Run(
        command.run_id,
        S.IDLE,
        schedule,
        command.level,
        command.by,
        work.now_us,
        pending.run_ceiling_mc,
        pending.run_max_us,
        Wanted(line.boot_of(work.board), work.board.session),
        work.expected_limits(),
        programs,
        at,
        0,
        0,
        False,
        "",
        work.now_us,
        work.now_us,
        trial=command.trial,
    )
    work.pending = None
    if command.leaving is not None and command.level is Level.UNATTENDED:
        said = command.leaving
        age_us = said.arrived_age_us + work.now_us - pending.said_us
        answers = " ".join(said.answers)
        work.say(Kind.LEAVING, run_id=command.run_id, answers=answers, channel=said.channel, arrived_age_us=age_us)
    work.regulator = Regulator()
    work.stop = Stop()
    work.move(C.START, command.by)
    work.retune_limits()
    say_segment(work)


def _programs(work: Work, pending: Pending) -> tuple[tuple[Program, ...], int]:
    """What the run goes through, and where it begins: every treatment begins with a start proof."""
    command = pending.command
    assert command.schedule is not None
    if not command.trial:
        return (*proofs_of(work.chamber), Treatment(command.schedule)), 0
    planned = plan(command.trial, Asked(work.chamber, 0, work.chamber.limits.ceiling_mc))  # its schedule came with the start
    programs = tuple(Treatment(command.schedule) if type(one) is Treatment else one for one in planned.programs)
    return programs, planned.at


def say_segment(work: Work) -> None:
    run, treatment = work.run, work.treatment
    if run is not None and treatment is not None and run.program is treatment:
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
