"""Combine and emit: output is request AND permit, in this one place. A `drive` frame goes last.

After a trip it goes once more, saying off, and then not at all, so that the board's own silence timer ends it too; lamps,
sounder and ages go on, because `tell` does not feed that timer.
"""

from __future__ import annotations

from controller.core import board as line
from controller.core.alarms import AlarmState
from controller.core.guards import GUARDS, INDEX, Urgency
from controller.core.limits import CHECK_IN_US, check_in_near
from controller.core.modulation import E4, OFF, step
from controller.core.quick import new
from controller.core.setup import Level
from controller.core.state import Alarm, Lamps, Outputs
from controller.core.watch import UNKNOWN
from controller.core.work import Work

HOTTEST = INDEX["ceiling"]
LIMITS_DIFFER = INDEX["limits_differ"]
LOUD = frozenset(state for state in AlarmState if "unacknowledged" in state.value)
SOUNDER = {Urgency.MORNING: 1, Urgency.GET_UP: 2, Urgency.EVACUATE: 3}
ENABLE_WITHIN_US = 10_000_000
NOTHING = Outputs(())


def emit(work: Work, dt_us: int = 0) -> Outputs:
    """Output = request AND permit. The only place that makes a drive frame. `dt_us` is 0 in an extra tick."""
    board, run, active, now_us = work.board, work.run, work.active, work.now_us
    if not active and line.out_of_touch(board) and line.due(board.hello_us, line.HELLO_AGAIN_US, now_us):
        board = line.again(board, now_us)
    was_permitted = work.permit
    work.permit = (
        run is not None
        and active
        and not run.heat_withheld
        and board.accepted
        and work.control_mc is not None
        and work.clear
        and line.silence_ends_heat(board, work.chamber)
    )
    duty_e4 = _modulated(work, dt_us)
    if not board.open:
        work.board = board
        return NOTHING
    sender = line.Sender(board, now_us)
    if not board.known or (board.module is not None and not board.accepted):
        if line.due(board.hello_us, line.HELLO_AGAIN_US, now_us):
            sender.hello()
    elif board.accepted:
        KEEPERS[work.chamber.module is None](work, sender)
        lamps = _lamps(work, active)
        if work.stand:
            sender.stall()
        quiet = run is not None and run.quiet and work.permit
        if lamps != board.tell or work.latches or quiet or line.due(board.told_us, line.TELL_AGAIN_US, now_us):
            sender.tell(lamps)
        if (not work.latches or was_permitted) and not quiet:
            contactor = work.permit and (run is None or run.contactor)
            sender.drive(work.permit, contactor, duty_e4, work.chamber.heater.window_ms)
    work.board = sender.done()
    return new(Outputs, (tuple(sender.frames),))


def _keep_limits(work: Work, sender: line.Sender) -> None:
    """Bring the board's limits to what they must be, and enable it for a run."""
    read, board = work.board.limits, work.board
    if work.values[LIMITS_DIFFER] == 0 and work.pending is None and (board.report is None or board.report.enabled):
        return
    expected = work.expected_limits()
    if read is not None and read[1:] != expected[1:] and line.due(board.limits_us, line.LIMITS_AGAIN_US, work.now_us):
        own = work.pending is not None or work.active
        ceiling_mc = expected.board_ceiling_mc if read.board_ceiling_mc > expected.board_ceiling_mc else None
        if own or ceiling_mc is not None:
            sender.limits(ceiling_mc, expected.run_ceiling_mc if own else None, expected.run_max_s if own else None)
    if (
        _wants_enable(work)
        and board.report is not None
        and not board.report.enabled
        and line.due(board.enable_us, line.ENABLE_AGAIN_US, work.now_us)
    ):
        sender.enable()


def _keep_enabled(work: Work, sender: line.Sender) -> None:
    """A module keeps no limits. It is enabled before a run begins, so that its silence is proven before the first heat; an
    enable that ceases to come ends that proof."""
    pending, report = work.pending, work.board.report
    begins = pending is not None and pending.due and pending.armed and not work.latches
    if report is not None and not report.enabled and (begins or _wants_enable(work)):
        sender.enable()


KEEPERS = {True: _keep_limits, False: _keep_enabled}
"""What is kept in order at a board, and at a module."""


def _modulated(work: Work, dt_us: int) -> int:
    """The duty as it leaves: a module without a duty register is told on or off, from tick to tick."""
    duty_e4, module = work.regulator.duty_e4, work.chamber.module
    if module is None or not module.host_modulates:
        return duty_e4
    if not work.permit:
        work.modulation = OFF
    elif dt_us > 0:
        window_us = work.chamber.heater.window_ms * 1_000
        work.modulation = step(work.modulation, duty_e4, dt_us, window_us, module.shortest_us)
    return E4 if work.modulation.on else 0


def _wants_enable(work: Work) -> bool:
    """With the permit; and while a run begins, so that one lost frame does not end it."""
    run = work.run
    beginning = run is not None and work.active and work.now_us - run.started_us < ENABLE_WITHIN_US
    return work.permit or (beginning and not work.latches)


def _lamps(work: Work, active: bool) -> Lamps:
    pending, hottest_mc = work.pending, work.values[HOTTEST]
    asks = (pending is not None and not pending.armed) or (active and _button_due(work))
    armed = active or work.armed_us >= 0 or pending is not None
    hot = hottest_mc != UNKNOWN and hottest_mc >= work.chamber.limits.hot_mc
    heating = work.permit and work.regulator.duty_e4 > 0
    lamps = new(Lamps, (2 if asks else int(armed), heating, hot, _sounder(work.alarms)))
    if work.show is None or active or pending is not None:
        return lamps
    tried = work.show
    return Lamps(max(tried.armed, lamps.armed), tried.heating or lamps.heating, tried.hot or lamps.hot,
                 max(tried.sounder, lamps.sounder))


def _button_due(work: Work) -> bool:
    """Where only the button counts as a check-in its lamp asks for it in time."""
    run = work.run
    if run is None or run.level is not Level.AT_THE_CHAMBER:
        return False
    every_us = CHECK_IN_US[run.level]
    return check_in_near(every_us, run.checked_in_us + every_us - work.now_us)


def _sounder(alarms: tuple[Alarm, ...]) -> int:
    """The loudest that any alarm asks for."""
    if not alarms:
        return 0
    return max((SOUNDER[GUARDS[INDEX[alarm.guard]].urgency] for alarm in alarms if alarm.state in LOUD), default=0)
