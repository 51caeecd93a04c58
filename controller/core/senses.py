"""What the line said becomes readings, standing guards, arming. The part of a tick that looks; it asks for nothing."""

from __future__ import annotations

from dataclasses import replace
from operator import itemgetter

from controller.core import board as line
from controller.core.events import Kind
from controller.core.guards import GUARDS, INDEX
from controller.core.messages import LimitsRead, Report
from controller.core.program import Treatment
from controller.core.proof import StartProof
from controller.core.proof_findings import Grade
from controller.core.readings import Faulted, Good, Missing, Reading, Stale, judge
from controller.core.run_states import S
from controller.core.schedule import Kind as SegmentKind
from controller.core.setup import Level
from controller.core.starting import press
from controller.core.state import (
    REPORTS_MAX,
    Commissioned,
    Handled,
    Inputs,
    LineLost,
    LineOpened,
    Messages,
    Run,
    Show,
    Wall,
)
from controller.core.supervisor import (
    BOARD_ROWS,
    HOST_ROWS,
    board_restarted,
    board_row_values,
    board_rows,
    host_row_values,
    host_rows,
)
from controller.core.supervisor import judge as judge_guards
from controller.core.watch import BOARD_WATCHED, QUIET, UNKNOWN, Trail, Watcher
from controller.core.work import Work

STOOD_STILL_US = 2_000_000
ARM_HOLDS_US = 2 * 3_600 * 1_000_000
COOL = SegmentKind.COOL
READING_STALE, NOT_FOLLOWING = INDEX["reading_stale"], INDEX["not_following"]
FIRST_US = 1_800 * 1_000_000
"""Whoever leaves does so after the first half hour at the earliest."""
ALL_GOOD = frozenset((Good,))
BOARD_UNKNOWN = board_row_values((UNKNOWN,) * len(BOARD_WATCHED))
in_guard_order = itemgetter(*((*BOARD_ROWS, *HOST_ROWS).index(row) for row in range(len(GUARDS))))


def take_in(work: Work, inputs: Inputs) -> None:
    for note in inputs.notices:
        if isinstance(note, Wall):
            work.wall_us = note.utc_us
            continue
        if isinstance(note, Messages):
            _messages(work, note.failing)
            continue
        if isinstance(note, Commissioned):
            _commissioned(work, note)
            continue
        if isinstance(note, Handled):
            work.handled = not work.active
            continue
        if isinstance(note, Show):
            work.show = note.lamps
            continue
        work.board, events = line.notice(work.board, work.chamber, note, work.now_us)
        work.events += events
        if isinstance(note, LineOpened | LineLost):
            _arm_void(work, "the line to the board changed")
    if inputs.record_lost != work.record_lost:
        if bool(inputs.record_lost) != bool(work.record_lost):
            if inputs.record_lost:
                work.say(Kind.RECORD_FAILING, reason="rows may be missing", lost=inputs.record_lost)
            else:
                work.say(Kind.RECORD_WORKING, lost=work.record_lost)
        work.record_lost = inputs.record_lost
    if work.board.garbage or not work.board.known:
        work.board, events = line.strange(work.board, work.now_us, work.chamber.module is not None)
        work.events += events


def _commissioned(work: Work, note: Commissioned) -> None:
    """Proofs were made, ended or voided. A run on its way keeps what it began with."""
    if work.active or len(note.found) != len(work.chamber.sensors):
        return
    sensors = tuple(
        sensor._replace(correction_mc=offset_mc, slope_ppm=slope_ppm, uncertainty_mc=uncertainty_mc)
        for sensor, (offset_mc, slope_ppm, uncertainty_mc) in zip(work.chamber.sensors, note.found, strict=True)
    )
    work.chamber = replace(work.chamber, may_do=note.may_do, trials=note.trials, sensors=sensors)
    work.say(Kind.COMMISSIONED, may_do=note.may_do.name.lower(), trials=" ".join(note.trials))


def _messages(work: Work, why: str) -> None:
    if why != work.messages_why:
        work.messages_why = why
        work.say(Kind.MESSAGES, failing=why)


def supervise_reports(work: Work, inputs: Inputs) -> tuple[int, ...]:
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
    watcher = _watcher(work)
    values: tuple[int, ...] | None = None
    limits, clears = board_rows(work.limits), board_rows(work.clears)
    last, board = work.board.report, work.chamber.board
    for report in reports:
        if report.board != board or not line.fresh(last, report):
            continue
        if last is None or report.boot != last.boot or report.up_us < last.up_us or report.enabled is not last.enabled:
            _notice_change(work, watcher, last, report)
        last = report
        values = board_row_values(watcher.look(report))
        work.standing, findings = judge_guards(
            BOARD_ROWS, values, limits, clears, work.standing, report.up_us, work.active
        )
        for finding in findings:
            work.found(finding, _detail(work, report, finding.guard.id))
        _arm_edge(work, report)
    if last is None or values is None:
        return board_rows(work.values)
    work.board = line.heard(work.board, last)
    work.trail = watcher.trail()
    return values


def _watcher(work: Work) -> Watcher:
    """Somebody to look at this tick's reports, told what the run expects of them."""
    run = work.run if work.active else None
    if run is None:
        proof_until_us = line.proof_until_us(work.board, work.chamber)
        differ = _differ(work, work.expected_limits())
        return Watcher(work.chamber, work.trail, differ, None, QUIET, proof_until_us, work.handled)
    program = run.program
    steady = type(program) is Treatment and program.now.kind is not COOL and run.slope_mc_per_h >= 0
    setpoint_mc = run.air_setpoint_mc if steady and run.air_setpoint_mc else QUIET
    return Watcher(work.chamber, work.trail, _differ(work, run.expected), run.wanted, setpoint_mc)


def _differ(work: Work, expected: LimitsRead) -> int:
    """1 where the board holds other limits than it must; the session they were read in is not compared. A module has none."""
    if work.chamber.module is not None:
        return QUIET
    read = work.board.limits
    return UNKNOWN if read is None else int(read[1:] != expected[1:])


def _notice_change(work: Work, watcher: Watcher, last: Report | None, report: Report) -> None:
    """A board that began anew has a clock that began anew, and voids an arming; a taken enable is worth a word."""
    if last is None:
        return
    if report.boot != last.boot:
        work.say(Kind.BOARD_BOOTED, boot=report.boot, before=last.boot)
    elif report.enabled and not last.enabled:
        work.say(Kind.BOARD_ENABLED, session=report.session)
    if report.boot != last.boot or report.up_us < last.up_us:
        watcher.begin(Trail())
        work.standing = board_restarted(work.standing)
        _arm_void(work, "the board was reset")


def _arm_edge(work: Work, report: Report) -> None:
    """A press is seen as an edge, with the door shut and the heat off."""
    if not report.arm and not work.arm_pressed and report.door and report.arm is not None:
        return
    edge = report.arm is True and not work.arm_pressed
    work.arm_pressed = report.arm is not False
    if report.door is False:
        _arm_void(work, "the door was opened")
    if not edge:
        return
    if work.active and work.run is not None:
        work.run = work.run._replace(checked_in_us=work.now_us)
        return
    if (report.door is not True and work.chamber.fitted.door) or report.modulator or report.contactor:
        return
    if work.pending is not None:
        press(work, work.pending)
    else:
        work.armed_us = work.now_us
        work.say(Kind.ARMED, run_id=None)


def _arm_void(work: Work, reason: str) -> None:
    if work.armed_us >= 0:
        work.armed_us = -1
        work.say(Kind.ARM_VOID, reason=reason)
    if work.pending is not None and work.pending.armed and work.chamber.fitted.arm_button:
        work.pending = work.pending._replace(armed=False, asked_us=work.now_us, void=reason)
        work.say(Kind.ARM_VOID, reason=reason)


def supervise_host(work: Work, inputs: Inputs, board_values: tuple[int, ...]) -> None:
    """What counts the host's own time; and no board value outlives its report."""
    age_us = line.age_us(work.board, work.now_us)
    stale = age_us is None or age_us >= work.limits[READING_STALE]
    _judge_readings(work, age_us, stale)
    run = work.run if work.active else None
    if run is not None and run.level is Level.UNATTENDED and (run.heat_withheld or work.now_us - run.follows_us < FIRST_US):
        run = work.run = _counted_anew(work, run)
    seen = (
        UNKNOWN if age_us is None else age_us,
        QUIET if run is None else work.now_us - run.started_us,
        inputs.late_us,
        1 if inputs.record_lost else 0,
        QUIET if run is None else work.now_us - run.checked_in_us,
        age_us if run is None and age_us is not None and stale and _matters(work) else QUIET,
        1 if run is not None and run.level is Level.UNATTENDED and work.messages_why else QUIET,
        QUIET if run is None else _astray(work, run),
        *_proof_found(run),
        QUIET,
    )
    values = host_row_values(seen)
    work.standing, findings = judge_guards(
        HOST_ROWS, values, host_rows(work.limits), host_rows(work.clears), work.standing, work.now_us, work.active
    )
    for finding in findings:
        work.found(finding, _host_detail(work, inputs, finding.guard.id))
    work.values = in_guard_order((*(BOARD_UNKNOWN if stale else board_values), *values))
    if work.armed_us >= 0 and work.now_us - work.armed_us >= ARM_HOLDS_US:
        _arm_void(work, "two hours passed")


def _proof_found(run: Run | None) -> tuple[int, int]:
    """1 where the start proof of this run failed, and 1 where it is void."""
    program = None if run is None else run.program
    if type(program) is not StartProof or program.found is None:
        return QUIET, QUIET
    return int(program.found.grade is Grade.FAILED), int(program.found.grade is Grade.VOID)


def _counted_anew(work: Work, run: Run) -> Run:
    """The first half hour begins anew with every tick in which the run is held, its heat is withheld (later than that,
    too), or the air is not where the plan wants it."""
    if run.state is S.RUNNING and not run.heat_withheld and run.air_setpoint_mc and not off_plan(work.control_mc, run):
        return run
    return run._replace(follows_us=work.now_us)


def off_plan(control_mc: int | None, run: Run) -> bool:
    """Well out of the band about the set point; also where the air is not known."""
    return control_mc is None or 2 * abs(control_mc - run.air_setpoint_mc) > 3 * run.treatment.now.band_mc


def _astray(work: Work, run: Run) -> int:
    """1 while an unattended run does not follow its plan and has not yet done so for half an hour, or has not found back to
    it since. What withholds its heat has an alarm of its own, and a sensor that says nothing too."""
    if run.level is not Level.UNATTENDED or not run.air_setpoint_mc or work.control_mc is None or run.heat_withheld:
        return QUIET
    early = work.now_us - run.follows_us < FIRST_US
    if not (early or work.standing[NOT_FOLLOWING].stands):
        return QUIET
    return int(off_plan(work.control_mc, run))


def _own_silence(inputs: Inputs) -> str:
    """The board may have talked all the time to a controller that stood still."""
    if inputs.late_us < STOOD_STILL_US:
        return ""
    return (
        f"this controller itself stood still for {inputs.late_us / 1e6:.1f} s: look at the computer, not at the board"
    )


def _matters(work: Work) -> bool:
    """Without a run a silent board matters where something tripped, or where it was hot when it was last heard."""
    report, hot_mc = work.board.report, work.chamber.limits.hot_mc
    heard = () if report is None else work.chamber.wiring.pick(report.channels)
    tripped = any(latch.guard != "not_commissioned" for latch in work.latches)
    return tripped or any(channel is not None and channel.value_mc >= hot_mc for channel in heard)


def _judge_readings(work: Work, age_us: int | None, stale: bool) -> None:
    """Each sensor's reading, and what the control and the part sensor say."""
    report, before, wiring = work.board.report, work.readings, work.chamber.wiring
    channels = (None,) * len(before) if report is None else wiring.pick(report.channels)
    now = tuple(map(judge, channels, wiring.corrections))
    if stale:
        now = tuple(one if isinstance(one, Missing) else Stale(age_us or 0) for one in now)
    if not ALL_GOOD.issuperset(map(type, (*before, *now))):
        _say_changes(work, before, now)
    work.readings = now
    work.control_mc = good_mc(now, wiring.control)
    work.part_mc = coldest_mc(now, wiring.parts)


def _say_changes(work: Work, before: tuple[Reading, ...], now: tuple[Reading, ...]) -> None:
    for sensor, then, after in zip(work.chamber.sensors, before, now, strict=True):
        if type(after) is not type(then):
            work.say(Kind.READING, role=sensor.role.value, before=_words(then), after=_words(after))


def good_mc(readings: tuple[Reading, ...], number: int | None) -> int | None:
    """What a sensor says, if it is to be believed."""
    reading = None if number is None else readings[number]
    return reading.mc if type(reading) is Good else None


def coldest_mc(readings: tuple[Reading, ...], numbers: tuple[int, ...]) -> int | None:
    """What the coldest of these sensors says; None unless every one is to be believed."""
    if len(numbers) == 1:
        return good_mc(readings, numbers[0])
    values = [good_mc(readings, number) for number in numbers]
    known = [value for value in values if value is not None]
    return min(known) if known and len(known) == len(values) else None


def _words(reading: Reading) -> str:
    kind = type(reading).__name__.lower()
    return f"{kind}: {reading.reason}" if isinstance(reading, Faulted) else kind


def _host_detail(work: Work, inputs: Inputs, guard: str) -> str:
    """What more is known here of a guard that counts the host's own time."""
    if guard == "board_silent":
        return _own_silence(inputs)
    program = work.run.program if work.run is not None else None
    if guard.startswith("start_proof") and type(program) is StartProof and program.found is not None:
        return program.found.words
    return work.messages_why if guard == "messages_failing" else ""


def _detail(work: Work, report: Report, guard: str) -> str:
    """Which sensor, or which reason of the board's, made a guard stand."""
    if guard in ("ceiling", "run_ceiling", "sensor_faulted", "sensor_frozen", "sensors_disagree"):
        said = [
            f"{sensor.label}: {_said(judge(report.channels[sensor.channel], (sensor.correction_mc, sensor.slope_ppm)))}"
            for sensor in work.chamber.sensors
        ]
        return "; ".join(said)
    if guard == "limits_differ" and work.board.limits is not None and work.run is not None:
        return line.limits_words(work.board.limits, work.run.expected)
    if guard == "board_switched_off":
        return line.off_words(report.off)
    return ""


def _said(reading: Reading) -> str:
    return f"{reading.judged_mc / 1000:.1f} °C" if isinstance(reading, Good) else _words(reading)
