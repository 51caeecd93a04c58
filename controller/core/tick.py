"""The tick: `advance(state, inputs) -> (state, outputs, events)`. Pure; it drives live runs, rehearsal, replay and tests.

In this order, always: take in what the line said; judge the readings; supervise; obey commands; advance the program;
regulate; combine; emit. Output is request AND permit, in one place (`_emit`). A `drive` frame goes last, and after a trip it
goes once more, saying off, and then not at all, so that the board's own silence timer ends it too.
"""

from __future__ import annotations

from dataclasses import replace
from operator import itemgetter

from controller.core import board as line
from controller.core.commands import Ask
from controller.core.events import Kind
from controller.core.guards import GUARDS, Urgency
from controller.core.messages import Report
from controller.core.orders import obey, refuse
from controller.core.program import Going, SetPoint, Treatment, View, step
from controller.core.readings import MISSING, Faulted, Good, Missing, Reading, Role, Stale, judge
from controller.core.regulator import regulate
from controller.core.run_states import ACTIVE, C, S
from controller.core.schedule import Kind as SegmentKind
from controller.core.state import REPORTS_MAX, Inputs, Lamps, LineLost, LineOpened, Outputs, Pending, Run, State, Tick
from controller.core.supervisor import (
    BOARD_ROWS,
    HOST_ROWS,
    board_restarted,
    board_row_values,
    board_rows,
    host_row_values,
    host_rows,
    permitted,
)
from controller.core.supervisor import judge as judge_guards
from controller.core.watch import BOARD_WATCHED, QUIET, UNKNOWN, Around, Trail, Wanted, look
from controller.core.work import Work

ARM_HOLDS_US = 2 * 3_600 * 1_000_000
ARM_WAIT_US = 120 * 1_000_000
BOARD_WAIT_US = 15 * 1_000_000
SEEN_OFF_WAIT_US = 60 * 1_000_000
BOARD_UNKNOWN = (UNKNOWN,) * len(BOARD_WATCHED)
in_guard_order = itemgetter(*((*BOARD_ROWS, *HOST_ROWS).index(row) for row in range(len(GUARDS))))
SOUNDER = {Urgency.MORNING: 1, Urgency.GET_UP: 2, Urgency.EVACUATE: 3}


def advance(state: State, inputs: Inputs) -> Tick:
    """One tick. `inputs.mono_us` may go backwards: then no time has passed."""
    work = Work(state, max(state.mono_us, inputs.mono_us))
    _take_in(work, inputs)
    board_values = _supervise_reports(work, inputs)
    _supervise_host(work, inputs, board_values)
    for command in inputs.commands:
        obey(work, command)
    _wait_for_start(work)
    _settle(work)
    regulated_us = state.regulated_us
    if not inputs.extra:
        _follow_program(work, work.now_us - regulated_us)
        regulated_us = work.now_us
    outputs = _emit(work)
    result = work.freeze(regulated_us)
    assert not (result.latches and result.permit), "a tripped chamber never heats"
    return Tick(result, outputs, tuple(work.events))


# -- take in ------------------------------------------------------------------------------------------------------------


def _take_in(work: Work, inputs: Inputs) -> None:
    for note in inputs.notices:
        work.board, events = line.notice(work.board, work.chamber, note, work.now_us)
        work.events += events
        if isinstance(note, LineOpened | LineLost):
            _arm_void(work, "the line to the board changed")
    if inputs.record_lost != work.record_lost:
        if bool(inputs.record_lost) != bool(work.record_lost):
            if inputs.record_lost:
                work.say(Kind.RECORD_FAILING, reason="rows are being lost", lost=inputs.record_lost)
            else:
                work.say(Kind.RECORD_WORKING, lost=work.record_lost)
        work.record_lost = inputs.record_lost
    work.board, events = line.strange(work.board, work.now_us)
    work.events += events


# -- supervise ------------------------------------------------------------------------------------------------------------


def _supervise_reports(work: Work, inputs: Inputs) -> tuple[int, ...]:
    """Every fresh report looked at, oldest first. Gives the board-clock values, in the order of `BOARD_ROWS`."""
    reports = inputs.reports
    if len(reports) > REPORTS_MAX:
        work.say(
            Kind.GAP,
            what="reports not looked at",
            count=len(reports) - REPORTS_MAX,
            from_us=work.now_us,
            to_us=work.now_us,
        )
        reports = reports[-REPORTS_MAX:]
    around = _around(work)
    values: tuple[int, ...] | None = None
    limits, clears = board_rows(work.limits), board_rows(work.clears)
    for report in reports:
        if not line.fresh(work.board, report):
            continue
        _notice_restart(work, report)
        work.board, events = line.heard(work.board, report)
        work.events += events
        seen, work.trail = look(report, work.chamber, work.trail, around)
        values = board_row_values(seen)
        work.standing, findings = judge_guards(
            BOARD_ROWS, values, limits, clears, work.standing, report.up_us, work.active
        )
        for finding in findings:
            work.found(finding, _detail(work, report, finding.guard.id))
        _arm_edge(work, report)
    if values is not None:
        return values
    return tuple(work.values[row] for row in BOARD_ROWS)


def _around(work: Work) -> Around:
    run = work.run
    if run is None or run.state not in ACTIVE:
        return Around(None, work.board.limits, work.expected_limits(), QUIET)
    program = run.program
    steady = isinstance(program, Treatment) and program.now.kind is not SegmentKind.COOL and run.slope_mc_per_h >= 0
    return Around(
        run.wanted,
        work.board.limits,
        work.expected_limits(),
        run.air_setpoint_mc if steady and run.air_setpoint_mc else QUIET,
    )


def _notice_restart(work: Work, report: Report) -> None:
    """A board that began anew has a clock that began anew, and voids an arming."""
    last = work.board.report
    if last is not None and (report.boot != last.boot or report.up_us < last.up_us):
        work.trail = Trail()
        work.standing = board_restarted(work.standing)
        _arm_void(work, "the board was reset")


def _arm_edge(work: Work, report: Report) -> None:
    """A press is seen as an edge, with the door shut and the heat off."""
    pressed = report.arm is True
    edge = pressed and not work.arm_pressed
    work.arm_pressed = pressed
    if report.door is False:
        _arm_void(work, "the door was opened")
    if not edge:
        return
    if work.active and work.run is not None:
        work.run = replace(work.run, checked_in_us=work.now_us)
        return
    if report.door is False or report.modulator or report.contactor:
        return
    if work.pending is not None and not work.pending.armed:
        work.pending = replace(work.pending, armed=True, asked_us=work.now_us)
        work.say(Kind.ARMED, run_id=work.pending.command.run_id)
    elif work.pending is None:
        work.armed_us = work.now_us
        work.say(Kind.ARMED, run_id=None)


def _arm_void(work: Work, reason: str) -> None:
    if work.armed_us >= 0:
        work.armed_us = -1
        work.say(Kind.ARM_VOID, reason=reason)
    if work.pending is not None and work.pending.armed and work.chamber.fitted.arm_button:
        work.pending = replace(work.pending, armed=False, asked_us=work.now_us)
        work.say(Kind.ARM_VOID, reason=reason)


def _supervise_host(work: Work, inputs: Inputs, board_values: tuple[int, ...]) -> None:
    """What counts the host's own time; and no board value outlives its report."""
    age_us = line.age_us(work.board, work.now_us)
    stale = age_us is None or age_us >= work.chamber.limits.reading_age_us
    run = work.run if work.active else None
    seen = (
        UNKNOWN if age_us is None else age_us,
        QUIET if run is None else work.now_us - run.started_us,
        inputs.late_us,
        1 if inputs.record_lost else 0,
        QUIET if run is None else work.now_us - run.checked_in_us,
        QUIET,
    )
    values = host_row_values(seen)
    work.standing, findings = judge_guards(
        HOST_ROWS, values, host_rows(work.limits), host_rows(work.clears), work.standing, work.now_us, work.active
    )
    for finding in findings:
        work.found(finding, "")
    work.values = in_guard_order((*(board_row_values(BOARD_UNKNOWN) if stale else board_values), *values))
    _judge_readings(work, age_us, stale)
    if work.armed_us >= 0 and work.now_us - work.armed_us >= ARM_HOLDS_US:
        _arm_void(work, "two hours passed")


def _judge_readings(work: Work, age_us: int | None, stale: bool) -> None:
    report = work.board.report
    readings: list[Reading] = []
    for sensor, before in zip(work.chamber.sensors, work.readings, strict=True):
        now: Reading = MISSING if report is None else judge(report.channels[sensor.channel], sensor.correction_mc)
        if stale and not isinstance(now, Missing):
            now = Stale(age_us or 0)
        if type(now) is not type(before):
            work.say(Kind.READING, role=sensor.role.value, before=_words(before), after=_words(now))
        readings.append(now)
    work.readings = tuple(readings)


def _words(reading: Reading) -> str:
    kind = type(reading).__name__.lower()
    return f"{kind}: {reading.reason}" if isinstance(reading, Faulted) else kind


def _detail(work: Work, report: Report, guard: str) -> str:
    """Which sensor, or which reason of the board's, made a guard stand."""
    if guard in ("ceiling", "run_ceiling", "sensor_faulted", "sensor_frozen", "sensors_disagree"):
        said = [
            f"{sensor.label}: {_said(judge(report.channels[sensor.channel], sensor.correction_mc))}"
            for sensor in work.chamber.sensors
        ]
        return "; ".join(said)
    if guard == "board_switched_off":
        return line.off_words(report.off)
    return ""


def _said(reading: Reading) -> str:
    return f"{reading.judged_mc / 1000:.1f} °C" if isinstance(reading, Good) else _words(reading)


# -- the run ----------------------------------------------------------------------------------------------------------------


def _wait_for_start(work: Work) -> None:
    """A start begins once it is armed, the session is fresh and the board reads back this run's limits."""
    pending = work.pending
    if pending is None:
        return
    waited_us = work.now_us - pending.asked_us
    if not pending.armed:
        if waited_us >= ARM_WAIT_US:
            work.pending = None
            refuse(work, pending.command, "not_armed", "Nobody pressed the arm button at the chamber within 120 s.")
    elif work.board.accepted and work.board.limits is not None and work.board.limits[1:] == work.expected_limits()[1:]:
        _begin(work, pending)
    elif waited_us >= BOARD_WAIT_US:
        work.pending = None
        refuse(work, pending.command, "board_absent", "The board did not take this run's limits within 15 s.")


def _begin(work: Work, pending: Pending) -> None:
    command, report = pending.command, work.board.report
    assert command.schedule is not None and report is not None and work.board.welcome is not None
    work.pending = None
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
        (Treatment(command.schedule),),
        0,
        0,
        0,
        False,
        "",
        work.now_us,
    )
    work.regulator = type(work.regulator)()
    work.stop = type(work.stop)()
    work.move(C.START, command.by)
    work.retune_limits()
    _say_segment(work)


def _say_segment(work: Work) -> None:
    run, treatment = work.run, work.treatment
    if run is not None and treatment is not None:
        work.say(
            Kind.SEGMENT,
            run_id=run.id,
            segment=treatment.segment,
            kind=treatment.now.kind.value,
            target_mc=treatment.now.target_mc,
        )


def _settle(work: Work) -> None:
    """Transient states end when what they wait for is seen."""
    if work.state in (S.HOLDING, S.RESTARTING):
        work.move(C.SETTLED, "controller")
    report, stop = work.board.report, work.stop
    if (
        stop.accepted_us >= 0
        and stop.off_seen_us < 0
        and report is not None
        and work.board.heard_us >= stop.accepted_us
        and line.heat_seen_off(report)
    ):
        work.stop = replace(stop, off_seen_us=work.now_us)
        how = "both switches read back open" + ("" if report.current_ma is None else ", no current seen")
        work.say(Kind.HEAT_SEEN_OFF, after_us=work.now_us - stop.accepted_us, how=how)
    if work.state is S.ABORTING and (
        work.stop.off_seen_us >= 0 or work.now_us - work.stop.accepted_us >= SEEN_OFF_WAIT_US
    ):
        work.move(C.SETTLED, "controller")


def _follow_program(work: Work, dt_us: int) -> None:
    """Advance the program and let the regulator ask. Nothing is asked of a chamber whose control reading is not Good."""
    run = work.run
    if run is None or run.state not in ACTIVE or dt_us <= 0:
        return
    control = work.good_mc(Role.CONTROL)
    held = run.state in (S.HELD, S.HOLDING, S.RESTARTING)
    after = step(run.program, View(dt_us, control, work.good_mc(Role.PART), held))
    before = run.program
    programs = (*run.programs[: run.at], after.program, *run.programs[run.at + 1 :])
    asked = after.request if isinstance(after.request, SetPoint) else None
    work.run = (
        replace(run, programs=programs)
        if asked is None
        else replace(run, programs=programs, air_setpoint_mc=asked.mc, slope_mc_per_h=asked.slope_mc_per_h)
    )
    _say_progress(work, before, after.program)
    if (
        asked is not None
        and control is not None
        and permitted(work.values, work.limits, work.standing, work.latches)
        and not run.heat_withheld
    ):
        work.regulator = regulate(work.regulator, work.chamber.heater, asked, control, work.trail.achieved_e4, dt_us)
    if after.verdict.going is Going.DONE:
        _next_program(work)
    elif after.verdict.going is Going.FAILED:
        work.move(C.FAILED, "schedule", end=after.verdict.reason)


def _next_program(work: Work) -> None:
    run = work.run
    if run is not None and run.at + 1 < len(run.programs):
        work.run = replace(run, at=run.at + 1)
    else:
        work.move(C.DONE, "schedule")


def _say_progress(work: Work, before: object, after: object) -> None:
    if not isinstance(before, Treatment) or not isinstance(after, Treatment) or work.run is None:
        return
    if before.segment != after.segment:
        _say_segment(work)
    if before.counting != after.counting:
        work.say(
            Kind.SOAK_COUNTING,
            run_id=work.run.id,
            counting=after.counting,
            counted_us=max(before.counted_us, after.counted_us),
        )


# -- combine and emit ---------------------------------------------------------------------------------------------------------


def _emit(work: Work) -> Outputs:
    """Output = request AND permit. The only place that makes a drive frame."""
    board = work.board
    if (
        board.open
        and not work.active
        and board.welcome is not None
        and line.lost_touch(board)
        and line.due(board.hello_us, line.HELLO_AGAIN_US, work.now_us)
    ):
        board = line.again(board)
    run = work.run
    was_permitted = work.permit
    work.permit = (
        run is not None
        and run.state in ACTIVE
        and not run.heat_withheld
        and board.accepted
        and work.good_mc(Role.CONTROL) is not None
        and permitted(work.values, work.limits, work.standing, work.latches)
    )
    if not board.open:
        work.board = board
        return Outputs(())
    sender = line.Sender(board, work.now_us)
    if board.welcome is None:
        if line.due(board.hello_us, line.HELLO_AGAIN_US, work.now_us):
            sender.hello()
    elif board.accepted:
        _keep_limits(work, sender)
        lamps = _lamps(work)
        if lamps != board.tell or work.latches or line.due(board.told_us, line.TELL_AGAIN_US, work.now_us):
            sender.tell(lamps)
        if not work.latches or was_permitted:
            sender.drive(work.permit, work.regulator.duty_e4, work.chamber.heater.window_ms)
    work.board = sender.done()
    return Outputs(tuple(sender.frames))


def _keep_limits(work: Work, sender: line.Sender) -> None:
    """Bring the board's limits to what they must be, and enable it for a run."""
    read, board = work.board.limits, work.board
    expected = work.expected_limits()
    if read is not None and read[1:] != expected[1:] and line.due(board.limits_us, line.LIMITS_AGAIN_US, work.now_us):
        own = work.pending is not None or work.active
        ceiling_mc = expected.board_ceiling_mc if read.board_ceiling_mc > expected.board_ceiling_mc else None
        if own or ceiling_mc is not None:
            sender.limits(ceiling_mc, expected.run_ceiling_mc if own else None, expected.run_max_s if own else None)
    if (
        work.permit
        and board.report is not None
        and not board.report.enabled
        and line.due(board.enable_us, line.ENABLE_AGAIN_US, work.now_us)
    ):
        sender.enable()


def _lamps(work: Work) -> Lamps:
    armed = (
        2
        if work.pending is not None and not work.pending.armed
        else int(work.active or work.armed_us >= 0 or work.pending is not None)
    )
    hot = any(
        isinstance(reading, Good) and reading.judged_mc >= work.chamber.limits.hot_mc for reading in work.readings
    )
    loud = [
        SOUNDER[guard.urgency]
        for guard in GUARDS
        for alarm in work.alarms
        if alarm.guard == guard.id and "unacknowledged" in alarm.state.value
    ]
    return Lamps(armed, work.permit and work.regulator.duty_e4 > 0, hot, max(loud, default=0))


def waits_for_nothing(ask: Ask) -> bool:
    """Commands for which the loop wakes at once instead of waiting for its second to end."""
    return ask is Ask.STOP_HEATING
