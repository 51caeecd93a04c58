"""Programs: what a run does, step by step. A program asks; it never heats.

`step(program, view)` gives the program after this tick, what it asks for, and whether it goes on. A run is a list of
programs. The treatment of a schedule and cooling down are two; the start proof (`core.proof`) and the trials of commissioning
(`core.trials`) are others: a new program is a frozen named tuple and a row in `STEPS`. A new kind of segment is a row in
`schedule.FIELDS` and one in `SEGMENT_STEPS`.
Integers only: 20 °C/h is exact over sixteen hours because the remainder of every second is carried.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import Any, NamedTuple

from controller.core.messages import OffReason, Report
from controller.core.proof import Look, Pair, Phase, StartProof, begun_anew, look
from controller.core.quick import new
from controller.core.schedule import US_PER_H, Kind, Of, Schedule, Segment

TRIM_MAX_MC = 3_000
COOL_PAST_MC = 5_000
TRIM_TIME_US = 3_600 * 1_000_000
"""A part an hour in band and one degree low asks for one degree more air."""


class SetPoint(NamedTuple):
    """Ask the regulator for an air temperature, and say how it moves."""

    mc: int
    slope_mc_per_h: int


class Duty(NamedTuple):
    """Ask for a fixed duty: identification will."""

    e4: int


class Switches(NamedTuple):
    """Ask for the two switches by themselves, as a proof does."""

    modulator: bool
    contactor: bool


class Quiet(NamedTuple):
    """Ask that nothing drives the board, so that it must switch off by itself."""


class Stand(NamedTuple):
    """Ask the board to stand still, so that its watchdog must end it."""


Request = SetPoint | Duty | Switches | Quiet | Stand


class Going(StrEnum):
    """How a program stands after a step."""

    GOING = "going"
    DONE = "done"
    FAILED = "failed"


class Verdict(NamedTuple):
    """`reason` is a sentence when it failed."""

    going: Going
    reason: str = ""


GOING = Verdict(Going.GOING)
DONE = Verdict(Going.DONE)


class View(NamedTuple):
    """What a program may see. Temperatures are None when no Good reading exists."""

    dt_us: int
    control_mc: int | None
    part_mc: int | None
    held: bool
    """The schedule is paused: nothing moves and nothing is counted."""
    overs_mc: tuple[int | None, ...] = ()
    """Over-temperature sensors; this and the next two are told to proofs only."""
    cold_mc: int | None = None
    """The board's own temperature, at the control sensor's converter."""
    report: Report | None = None


class Treatment(NamedTuple):
    """A schedule and where it is."""

    schedule: Schedule
    segment: int = 0
    segment_us: int = 0
    """Time spent in this segment, holds included."""
    setpoint_mc: int = -1
    """What the air is asked to be before the trim; -1 until the first good reading."""
    remainder: int = 0
    """Of the slope, in m°C·µs/h."""
    counted_us: int = 0
    counting: bool = False
    steady_us: int = 0
    """How long `counting` has been as it is."""
    said: bool = False
    """`counting` as last told: noise at the band's edge must not fill the record."""
    trim_mc: int = 0
    """Added to the air's set point because a part sensor says that the part differs from the air."""
    trim_remainder: int = 0

    @property
    def now(self) -> Segment:
        return self.schedule.segments[self.segment]

    def moved(self, segment_us: int, setpoint_mc: int, remainder: int) -> Treatment:
        """With its set point moved. A tick's most frequent step: see `quick`."""
        return new(Treatment, (*self[:2], segment_us, setpoint_mc, remainder, *self[5:]))


class CoolDown(NamedTuple):
    """End early: from where it is, down at the schedule's own rate. It may still heat to keep that rate."""

    target_mc: int
    rate_mc_per_h: int
    longest_us: int
    of: Of
    setpoint_mc: int = -1
    remainder: int = 0
    spent_us: int = 0


class Silence(NamedTuple):
    """The board alone must end the heat: on for a moment, then nothing is said until both switches read open."""

    limit_us: int
    spent_us: int = 0
    quiet_us: int = -1
    """For how long nothing has been said, counted from the last drive; -1: not yet."""
    setpoint_mc: int = -1


class Standstill(NamedTuple):
    """The board's watchdog must end a standstill: modulator on, contactor open, so that nothing can heat."""

    spent_us: int = 0
    setpoint_mc: int = -1


Program = Treatment | CoolDown | StartProof | Silence | Standstill


class Stepped(NamedTuple):
    """After one step."""

    program: Program
    request: Request | None
    """None: there is nothing to ask yet."""
    verdict: Verdict


def step(program: Program, view: View) -> Stepped:
    """One step of whichever program it is."""
    return STEPS[type(program)](program, view)


def counts_mc(of: Of, view: View) -> int | None:
    """The temperature that counts: the part's where the schedule means the part and a part sensor is Good, else the
    control sensor's."""
    return view.part_mc if of is Of.PART and view.part_mc is not None else view.control_mc


def _treat(program: Treatment, view: View) -> Stepped:
    if program.setpoint_mc < 0:
        if view.control_mc is None:
            return Stepped(program, None, GOING)
        program = program._replace(setpoint_mc=max(0, view.control_mc))
    segment = program.now
    spent_us = program.segment_us + view.dt_us
    if view.held:
        program = program._replace(segment_us=spent_us, counting=False)
        return Stepped(program, SetPoint(program.setpoint_mc + program.trim_mc, 0), GOING)
    if spent_us >= segment.longest_us:
        longest_h = segment.longest_us / US_PER_H
        reason = f"Segment {program.segment + 1} ({segment.kind.value}) took longer than its {longest_h:g} h."
        return Stepped(program._replace(segment_us=spent_us), None, Verdict(Going.FAILED, reason))
    program, slope, ended = SEGMENT_STEPS[segment.kind](program, segment, view)
    request = new(SetPoint, (program.setpoint_mc + program.trim_mc, slope))
    if not ended:
        return new(Stepped, (program, request, GOING))
    if program.segment + 1 == len(program.schedule.segments):
        return Stepped(program, request, DONE)
    return Stepped(
        program._replace(
            segment=program.segment + 1,
            segment_us=0,
            remainder=0,
            counted_us=0,
            counting=False,
            steady_us=0,
            said=False,
            trim_mc=0,
            trim_remainder=0,
        ),
        request,
        GOING,
    )


def toward(setpoint_mc: int, remainder: int, target_mc: int, rate_mc_per_h: int, dt_us: int) -> tuple[int, int]:
    """A set point moved toward its target: (m°C, remainder). Exact: no fraction of a second is lost."""
    moved, remainder = divmod(rate_mc_per_h * dt_us + remainder, US_PER_H)
    if abs(target_mc - setpoint_mc) <= moved:
        return target_mc, 0
    return (setpoint_mc + moved if target_mc > setpoint_mc else setpoint_mc - moved), remainder


def below(target_mc: int) -> int:
    """Where cooling's set point comes to rest: past the target, so that nothing holds the air up just above it."""
    return max(0, target_mc - COOL_PAST_MC)


def _ramp(program: Treatment, segment: Segment, view: View) -> tuple[Treatment, int, bool]:
    """Ends with its set point."""
    setpoint, remainder = toward(
        program.setpoint_mc, program.remainder, segment.target_mc, segment.rate_mc_per_h, view.dt_us
    )
    ended = setpoint == segment.target_mc
    rising = segment.target_mc >= program.setpoint_mc
    slope = 0 if ended else segment.rate_mc_per_h if rising else -segment.rate_mc_per_h
    return (
        program.moved(program.segment_us + view.dt_us, setpoint, remainder),
        slope,
        ended,
    )


def _soak(program: Treatment, segment: Segment, view: View) -> tuple[Treatment, int, bool]:
    """Ends when its time in band has been counted."""
    counts = counts_mc(program.schedule.of, view)
    counting = counts is not None and abs(counts - segment.target_mc) <= segment.band_mc
    counted = program.counted_us + (view.dt_us if counting else 0)
    trim, remainder = program.trim_mc, program.trim_remainder
    if counting and program.schedule.of is Of.PART and view.part_mc is not None:
        moved, remainder = divmod((segment.target_mc - view.part_mc) * view.dt_us + remainder, TRIM_TIME_US)
        trim = max(-TRIM_MAX_MC, min(TRIM_MAX_MC, trim + moved))
    soaked = Treatment(
        program.schedule,
        program.segment,
        program.segment_us + view.dt_us,
        segment.target_mc,
        program.remainder,
        counted,
        counting,
        program.steady_us + view.dt_us if counting is program.counting else 0,
        program.said,
        trim,
        remainder,
    )
    return soaked, 0, counted >= segment.soak_us


def _cool(program: Treatment, segment: Segment, view: View) -> tuple[Treatment, int, bool]:
    """Ends when it is measured at its target. A set point never rises in cooling."""
    setpoint, remainder = toward(
        program.setpoint_mc,
        program.remainder,
        min(below(segment.target_mc), program.setpoint_mc),
        segment.rate_mc_per_h,
        view.dt_us,
    )
    counts = counts_mc(program.schedule.of, view)
    slope = 0 if setpoint <= below(segment.target_mc) else -segment.rate_mc_per_h
    return (
        program.moved(program.segment_us + view.dt_us, setpoint, remainder),
        slope,
        counts is not None and counts <= segment.target_mc,
    )


def _cool_down(program: CoolDown, view: View) -> Stepped:
    if program.setpoint_mc < 0:
        if view.control_mc is None:
            return Stepped(program, None, GOING)
        program = program._replace(setpoint_mc=max(0, view.control_mc))
    setpoint, remainder = toward(
        program.setpoint_mc,
        program.remainder,
        min(below(program.target_mc), program.setpoint_mc),
        program.rate_mc_per_h,
        view.dt_us,
    )
    spent = program.spent_us + view.dt_us
    program = program._replace(setpoint_mc=setpoint, remainder=remainder, spent_us=spent)
    counts = counts_mc(program.of, view)
    cool = (counts is not None and counts <= program.target_mc) or spent >= program.longest_us
    slope = 0 if setpoint <= below(program.target_mc) else -program.rate_mc_per_h
    return Stepped(program, SetPoint(setpoint, slope), DONE if cool else GOING)


def cooling_of(schedule: Schedule) -> CoolDown:
    """How this schedule cools: its last cooling segment, or the trade's slow default (20 °C/h to 40 °C: common practice,
    no source)."""
    last = next((segment for segment in reversed(schedule.segments) if segment.kind is Kind.COOL), None)
    if last is None:
        return CoolDown(40_000, 20_000, 12 * US_PER_H, schedule.of)
    return CoolDown(last.target_mc, last.rate_mc_per_h, last.longest_us, schedule.of)


def _prove(program: StartProof, view: View) -> Stepped:
    """A proof that found something asks for both switches open and goes on until the supervisor has ended the run."""
    if view.held:
        return Stepped(begun_anew(program), BOTH_OPEN, GOING)
    control, overs = view.control_mc, tuple(one for one in view.overs_mc if one is not None)
    whole = control is not None and len(overs) == len(view.overs_mc)
    now = Pair(control, overs) if control is not None and whole else None
    program, (modulator, contactor) = look(program, Look(view.dt_us, now, view.cold_mc, view.report))
    return Stepped(program, Switches(modulator, contactor), DONE if program.phase is Phase.OVER else GOING)


def _fall_silent(program: Silence, view: View) -> Stepped:
    if view.held:
        return Stepped(Silence(program.limit_us), BOTH_OPEN, GOING)
    report, spent_us = view.report, program.spent_us + view.dt_us
    closed = report is not None and report.modulator and report.contactor is not False
    program = program._replace(spent_us=spent_us)
    if program.quiet_us < 0:
        if spent_us < SWITCHED_US:
            return Stepped(program, Switches(True, True), GOING)
        silent = program._replace(quiet_us=view.dt_us)  # the last drive is a tick old
        return Stepped(silent, Quiet(), GOING) if closed else Stepped(program, BOTH_OPEN, NOT_CLOSED)
    program = program._replace(quiet_us=program.quiet_us + view.dt_us)
    if report is not None and not report.modulator and not report.contactor:
        return Stepped(program, BOTH_OPEN, DONE if report.off == OffReason.HOST_SILENT else OTHERWISE_OFF)
    late = program.quiet_us > program.limit_us + SILENCE_MORE_US
    return Stepped(program, BOTH_OPEN, STAYED_ON) if late else Stepped(program, Quiet(), GOING)


def _stand_still(program: Standstill, view: View) -> Stepped:
    if view.held:
        return Stepped(Standstill(), BOTH_OPEN, GOING)
    report, program = view.report, Standstill(program.spent_us + view.dt_us)
    if program.spent_us < SWITCHED_US:
        return Stepped(program, Switches(True, False), GOING)
    ready = report is not None and report.modulator and not report.contactor
    return Stepped(program, Stand(), DONE) if ready else Stepped(program, BOTH_OPEN, NOT_CLOSED)


BOTH_OPEN = Switches(False, False)
SWITCHED_US = 6_000_000
"""By then a switch reads as it was asked."""
SILENCE_MORE_US = 2_000_000
"""A tick and a report: so much later than the board's limit it may be seen."""
NOT_CLOSED = Verdict(Going.FAILED, "The switches did not read back as they were asked. Read the board's reason on the page.")
OTHERWISE_OFF = Verdict(Going.FAILED, "The board switched off, but not because nothing was said. Read its reason on the page.")
STAYED_ON = Verdict(Going.FAILED, "The board did not switch off by itself when nothing was said. Unplug it: it may not heat.")

SEGMENT_STEPS: dict[Kind, Callable[[Treatment, Segment, View], tuple[Treatment, int, bool]]] = {
    Kind.RAMP: _ramp,
    Kind.SOAK: _soak,
    Kind.COOL: _cool,
}
"""Each gives the treatment after this tick, the set point's slope in m°C/h, and whether the segment has ended."""

STEPS: dict[type, Callable[[Any, View], Stepped]] = {
    Treatment: _treat,
    CoolDown: _cool_down,
    StartProof: _prove,
    Silence: _fall_silent,
    Standstill: _stand_still,
}
