"""Where a run's plan has been and where it goes from here: corners for the curve, and the time to the next step.

What is behind stays as it was; what is ahead is planned anew from the set point there is, as if nothing more will wait.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from controller.core.program import CoolDown, Treatment
from controller.core.proof import StartProof, left_us
from controller.core.run_states import ACTIVE, S
from controller.core.schedule import Kind, Resume, Schedule, Segment
from controller.core.senses import good_mc
from controller.core.state import Run, State
from controller.planning.schedule_file import plan_from

CORNERS_MAX = 400
"""A run that is held more often than this loses its oldest corner but the first."""
IN_BAND, COOL = "it is in its band", "it has cooled to its target"
BEGINS = {Kind.RAMP: "the next ramp starts", Kind.SOAK: "the soak starts", Kind.COOL: "cooling starts"}


class Next(NamedTuple):
    """What happens next, and in how long if nothing waits."""

    what: str
    in_us: int
    after: str
    """What it still waits for, and nobody knows when that comes: `in_us` counts from then. Empty: it goes on by itself."""


class Ahead(NamedTuple):
    """The whole curve (µs since the run began, m°C), how long the run has gone on, and the next step."""

    elapsed_us: int
    plan: list[tuple[int, int]]
    next: Next | None


class Planned:
    """Remembers the corners that the present run has passed."""

    def __init__(self) -> None:
        self._run = ""
        self._at: tuple[S, int, int] | None = None
        self._corners: list[tuple[int, int]] = []
        self._ended_us = 0

    def see(self, state: State) -> None:
        """A corner is kept whenever the run, its segment or its state changes."""
        run = state.run
        if run is None:
            self._run, self._at, self._corners = "", None, []
            return
        at = (run.state, run.at, run.treatment.segment)
        if at == self._at and run.id == self._run:
            return
        if run.id != self._run:
            self._run, self._corners = run.id, []
        setpoint_mc = run.program.setpoint_mc
        if setpoint_mc < 0:
            return
        cooled = self._at is not None and self._at[1] != run.at and isinstance(run.program, CoolDown)
        self._at = at
        self._ended_us = state.mono_us - run.started_us
        if cooled:  # the segment that was cut ends where its own set point was; cooling begins where the air is
            self._corners.append((self._ended_us, run.treatment.setpoint_mc))
        proven = type(run.programs[0]) is StartProof
        self._corners.append((self._ended_us if self._corners or proven else 0, setpoint_mc))
        if len(self._corners) > CORNERS_MAX:
            del self._corners[1]

    def ahead(self, state: State) -> Ahead:
        """The curve of the present run. Raises ValueError when there is none."""
        run = state.run
        if run is None:
            raise ValueError("no run is on")
        elapsed_us = state.mono_us - run.started_us
        if run.state in ACTIVE and type(run.program) is StartProof:
            return _after_proof(state, run, run.program, elapsed_us)
        if run.state not in ACTIVE or run.program.setpoint_mc < 0:
            return Ahead(min(elapsed_us, self._ended_us) if run.state not in ACTIVE else elapsed_us, list(self._corners), None)
        schedule, segment, counted_us = _rest(run)
        setpoint_mc = run.program.setpoint_mc
        rest = plan_from(schedule, elapsed_us, segment, setpoint_mc, counted_us)
        behind = [corner for corner in self._corners if corner[0] < elapsed_us]
        this = replace(schedule, segments=schedule.segments[:segment + 1])
        in_us = plan_from(this, elapsed_us, segment, setpoint_mc, counted_us)[-1][0] - elapsed_us
        step = Next(_what(schedule, segment), in_us, _after(run, schedule.segments[segment], in_us))
        return Ahead(elapsed_us, behind + rest, step)


def _after_proof(state: State, run: Run, proof: StartProof, elapsed_us: int) -> Ahead:
    """While a proof goes on the plan lies ahead, from the air as it is now."""
    air_mc, in_us = good_mc(state.readings, state.chamber.wiring.control), left_us(proof)
    if air_mc is None or run.at + 1 == len(run.programs) or type(run.programs[run.at + 1]) is not Treatment:
        return Ahead(elapsed_us, [], None)
    begins_us = elapsed_us + in_us
    rest = plan_from(run.schedule, begins_us, 0, air_mc, 0)
    return Ahead(elapsed_us, [(0, air_mc), (begins_us, air_mc), *rest], Next("the schedule begins", in_us, ""))


def segments_of(run: Run) -> tuple[Segment, ...]:
    """What the run goes through: its schedule, or, cooled down early, what was done of it and that cooling."""
    program, treatment = run.program, run.treatment
    if not isinstance(program, CoolDown):
        return run.schedule.segments
    *before, cut = run.schedule.segments[:treatment.segment + 1]
    if treatment.setpoint_mc < 0:  # ended before its schedule began: only the cooling is left
        return (replace(_cooling(program).segments[0], band_mc=cut.band_mc),)
    if cut.kind is Kind.SOAK:
        cut = replace(cut, soak_us=treatment.counted_us)
    else:
        cut = replace(cut, target_mc=max(0, treatment.setpoint_mc))
    return (*before, cut, replace(_cooling(program).segments[0], band_mc=cut.band_mc))


def _rest(run: Run) -> tuple[Schedule, int, int]:
    """(schedule, segment, time of it already counted) that is still to be followed."""
    program = run.program
    if isinstance(program, CoolDown):
        return _cooling(program), 0, 0
    treatment = run.treatment
    return run.schedule, treatment.segment, treatment.counted_us


def _cooling(program: CoolDown) -> Schedule:
    step = Segment(Kind.COOL, program.target_mc, program.rate_mc_per_h, 0, 0, program.longest_us)
    return Schedule("cool down", program.of, Resume.NEVER, (step,))


def _after(run: Run, segment: Segment, in_us: int) -> str:
    """A soak's clock counts in band only, and cooling ends when it is measured, however early its set point came down."""
    program = run.program
    if segment.kind is Kind.SOAK and isinstance(program, Treatment) and not program.counting:
        return IN_BAND
    return COOL if segment.kind is Kind.COOL and in_us <= 0 else ""


def _what(schedule: Schedule, segment: int) -> str:
    if segment + 1 == len(schedule.segments):
        return "the run ends"
    return BEGINS[schedule.segments[segment + 1].kind]
