"""The tick: `advance(state, inputs) -> (state, outputs, events)`. Pure; it drives live runs, rehearsal, replay and tests.

In this order, always: take in what the line said and judge the readings (`senses`); supervise (`senses`, by `supervisor`);
obey commands (`orders`); start what waits and settle what passes (`starting`); advance the program and regulate (here);
combine and emit (`emit`). A `drive` frame goes last.
"""

from __future__ import annotations

from controller.core.commands import Ask
from controller.core.emit import emit
from controller.core.events import Kind
from controller.core.orders import obey
from controller.core.program import (
    GOING,
    Duty,
    Going,
    Quiet,
    Request,
    SetPoint,
    Silence,
    Stand,
    Standstill,
    Switches,
    Treatment,
    View,
    step,
)
from controller.core.proof import WORDS, Phase, StartProof
from controller.core.proof_findings import Grade
from controller.core.quick import new
from controller.core.regulator import DUTY_MAX_E4, Regulator, regulate
from controller.core.run_states import ACTIVE, C, S
from controller.core.senses import supervise_host, supervise_reports, take_in
from controller.core.starting import say_segment, settle, wait_for_start
from controller.core.state import Inputs, Run, State, Tick
from controller.core.supervisor import permitted
from controller.core.work import Work

STEADY_US = 60_000_000
PAUSED = frozenset({S.HELD, S.HOLDING, S.RESTARTING})
PROOFS = frozenset({StartProof, Silence, Standstill})
"""Programs that move switches and not the air; they look at more than the control sensor."""
NOTHING_MORE = ((), None, None)
PASSED = (Grade.PASSED, "Each switch opens by itself; both together heat.")
FULL = Regulator(0.0, DUTY_MAX_E4)


def advance(state: State, inputs: Inputs) -> Tick:
    """One tick. `inputs.mono_us` may go backwards: then no time has passed."""
    work = Work(state, max(state.mono_us, inputs.mono_us))
    take_in(work, inputs)
    board_values = supervise_reports(work, inputs)
    supervise_host(work, inputs, board_values)
    for command in inputs.commands:
        obey(work, command)
    if work.pending is not None:
        wait_for_start(work, work.pending)
    settle(work)
    work.clear = permitted(work.values, work.limits, work.standing, work.latches)
    regulated_us = state.regulated_us
    if not inputs.extra:
        _follow_program(work, work.now_us - regulated_us)
        regulated_us = work.now_us
    outputs = emit(work, regulated_us - state.regulated_us)
    result = work.freeze(regulated_us)
    assert not (result.latches and result.permit), "a tripped chamber never heats"
    return new(Tick, (result, outputs, tuple(work.events)))


def _follow_program(work: Work, dt_us: int) -> None:
    """Advance the program and let the regulator ask. Nothing is asked of a chamber whose control reading is not Good."""
    run = work.run
    if run is None or run.state not in ACTIVE or dt_us <= 0:
        return
    control, program = work.control_mc, run.program
    told = (work.overs_mc, work.cold_mc, work.board.report) if type(program) in PROOFS else NOTHING_MORE
    program_after, asked, verdict = step(program, new(View, (dt_us, control, work.part_mc, run.state in PAUSED, *told)))
    programs = run.with_program(program_after)
    if isinstance(asked, SetPoint):
        work.run = run.moved(programs, asked.mc, asked.slope_mc_per_h)
        if control is not None and not run.heat_withheld and work.clear:
            work.regulator = regulate(
                work.regulator, work.chamber.heater, asked, control, work.trail.achieved_e4, dt_us
            )
    else:
        work.run = run.moved(programs, run.air_setpoint_mc, run.slope_mc_per_h)
        _switch(work, work.run, asked)
    if type(program) is StartProof and type(program_after) is StartProof:
        _say_proof(work, program, program_after)
    if type(program) is Treatment and type(program_after) is Treatment:
        _say_progress(work, program, program_after, dt_us)
    if verdict is GOING:
        return
    if verdict.going is Going.DONE:
        _next_program(work)
    elif type(program) in PROOFS:  # what fails here must not cool at a rate that may heat
        work.move(C.STOP_HEATING, "commissioning", end=verdict.reason)
    else:
        work.move(C.FAILED, "schedule", end=verdict.reason)


def _switch(work: Work, run: Run, asked: Request | None) -> None:
    """Carry out what is no set point: the permit decides as ever whether it reaches a switch."""
    if isinstance(asked, Switches):
        work.run = run._replace(contactor=asked.contactor, quiet=False)
        work.regulator = FULL if asked.modulator else Regulator()
    elif isinstance(asked, Duty):
        work.regulator = Regulator(0.0, asked.e4)
    elif isinstance(asked, Quiet):
        work.run = run._replace(quiet=True)
    elif isinstance(asked, Stand):
        work.stand = True


def _next_program(work: Work) -> None:
    run = work.run
    if run is not None and run.at + 1 < len(run.programs):
        work.run = run._replace(at=run.at + 1, contactor=True, quiet=False)
        work.regulator = Regulator()
        say_segment(work)
    else:
        work.move(C.DONE, "schedule")


def _say_proof(work: Work, before: StartProof, after: StartProof) -> None:
    """Each step as it ends, and the proof itself."""
    run = work.run
    assert run is not None
    step_no, after_no = WORDS[before.phase][0], WORDS[after.phase][0]
    if after.phase is not before.phase and (after_no != step_no or after.phase is Phase.OVER):
        excess = after.excess or before.excess
        over_mc = max(excess.overs, default=None) if excess else None
        control_mc = excess.control if excess else None
        work.say(Kind.PROOF_STEP, run_id=run.id, step=step_no, excess_mc=control_mc, over_mc=over_mc, took_us=before.spent_us)
    ended = after.phase is Phase.OVER and before.phase is not Phase.OVER
    if ended or (after.finding and not before.finding):
        found = after.found
        grade, words = (found.grade, found.words) if found else PASSED
        work.say(Kind.START_PROOF, run_id=run.id, grade=grade.value, finding=after.finding, words=words, took_us=after.took_us)


def _say_progress(work: Work, before: Treatment, after: Treatment, dt_us: int) -> None:
    """Segments as they begin, and the soak clock once it has been as it is for a minute."""
    run = work.run
    assert run is not None
    if before.segment != after.segment:
        if before.said:
            _say_counting(work, run.id, False, before.counted_us + dt_us)
        say_segment(work)
    elif after.counting is not after.said and after.steady_us >= STEADY_US:
        _say_counting(work, run.id, after.counting, after.counted_us)
        work.run = run.stepped(after._replace(said=after.counting))


def _say_counting(work: Work, run_id: str, counting: bool, counted_us: int) -> None:
    work.say(Kind.SOAK_COUNTING, run_id=run_id, counting=counting, counted_us=counted_us)


def waits_for_nothing(ask: Ask) -> bool:
    """Commands for which the loop wakes at once instead of waiting for its second to end."""
    return ask is Ask.STOP_HEATING
