"""People's commands, judged and carried out. Every one leaves an event, refused ones too. One table, one refusal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from controller.core.alarms import AlarmCause
from controller.core.board import again, age_us, module_wrong
from controller.core.commands import LEAST_ROLE, Ask, Command, PersonRole
from controller.core.events import Event, Kind
from controller.core.guards import GUARDS, INDEX, Contact, Guard
from controller.core.leaving import lacking
from controller.core.limits import TIGHTENABLE
from controller.core.program import CoolDown, Treatment
from controller.core.proof import longest_us
from controller.core.run_states import ACTIVE, C, Refused, S, allowed
from controller.core.schedule import Schedule, mistakes, over_ceiling
from controller.core.setup import LEVEL_WORDS, Level
from controller.core.state import NOT_SET, Pending, Run
from controller.core.supervisor import ROWS_OF
from controller.core.trials import TRIALS, Asked, Plan, TooWarm, plan, proofs_of
from controller.core.watch import UNKNOWN
from controller.core.work import Field, Work

NAMED_AHEAD_MAX_US = 24 * 3_600 * 1_000_000
START_BLOCKERS = tuple(contact for contact in Contact if contact is not Contact.ARMED)
"""Contacts of the permit line that must be closed already when somebody asks for a start."""
NOT_THERE = {INDEX[guard]: part for guard, part in (
    ("smoke", "The smoke contact"), ("limiter_open", "The limiter's contact"), ("local_stop", "The local stop"),
    ("door", "The door's contact"))}
"""By row of GUARDS: what the chamber file says is fitted and a report leaves out."""
SCHEDULED = frozenset({Treatment, CoolDown})
CHECK_WIRE = "Check its wire and the board's settings, or the chamber file if the chamber has none."


class NotDone(Exception):
    """A command is refused: a code for programs, a sentence for people."""

    def __init__(self, code: str, reason: str) -> None:
        self.code = code
        self.reason = reason
        super().__init__(reason)


def obey(work: Work, command: Command) -> None:
    """Carry one command out, or refuse it; either way say so."""
    least = LEAST_ROLE[command.ask]
    run_id = work.run.id if work.run else command.run_id or None  # a reset takes the run away
    first = len(work.events)  # the cause is told before what comes of it
    try:
        if command.role < least:
            raise NotDone(
                "not_allowed_role",
                f"{command.ask.value} needs the role {least.name.lower()}; "
                f"{command.by} is {command.role.name.lower()}.",
            )
        detail = ORDERS[command.ask](work, command)
    except NotDone as refusal:
        refuse(work, command, refusal.code, refusal.reason)
    except Refused as refusal:
        refuse(work, command, "not_possible_state", f"{refusal}.")
    else:
        fields: dict[str, Field] = {
            "ask": command.ask.value,
            "by": command.by,
            "role": command.role.name.lower(),
            "ref": command.ref,
            "detail": detail,
            "run_id": run_id,
        }
        work.events.insert(first, Event(Kind.COMMAND_ACCEPTED, fields))


def refuse(work: Work, command: Command, code: str, reason: str) -> None:
    work.say(
        Kind.COMMAND_REFUSED,
        ask=command.ask.value,
        by=command.by,
        role=command.role.name.lower(),
        ref=command.ref,
        code=code,
        reason=reason,
    )


def _start(work: Work, command: Command) -> str:
    if work.pending is not None:
        raise NotDone("busy", "Another start already waits. Stop heating takes it back.")
    if work.state is not S.IDLE:
        raise Refused(work.state, C.START, allowed(work.state))
    command, ceiling_mc, board_mc = _planned(work, command)
    schedule = command.schedule
    assert schedule is not None
    named = command.at_utc_us != 0
    if named:
        check_time(command.at_utc_us, work.wall_us)
    check_ready(work, None if named else ceiling_mc)
    check_leaving(work, command, 0)
    proof_us = sum(longest_us(proof) for proof in proofs_of(work.chamber))
    run_max_us = min(work.known_limits()["run_max_us"], schedule.longest_us + proof_us)
    armed = work.armed_us >= 0 or not work.chamber.fitted.arm_button
    work.pending = Pending(command, work.now_us, ceiling_mc, run_max_us, armed, work.now_us, not named,
                           board_ceiling_mc=board_mc)
    work.armed_us, work.lapse = -1, None
    if named:
        work.say(Kind.START_NAMED, run_id=command.run_id, at_utc_us=command.at_utc_us)
    else:
        work.board = again(work.board, work.now_us)
    if not armed:
        work.say(Kind.ARM_ASKED, run_id=command.run_id)
        return "waits for the arm button at the chamber"
    return "waits for its named time" if named else "waits for the board"


def _planned(work: Work, command: Command) -> tuple[Command, int, int]:
    """The command with its schedule, the limit that its run gets, and that limit for the board (0: the same). Raises NotDone
    for what may not run."""
    if command.trial:
        plan = trial_plan(work, command)
        return replace(command, schedule=plan.schedule), plan.run_ceiling_mc, plan.board_ceiling_mc
    schedule = command.schedule
    if schedule is None:
        raise NotDone("bad_schedule", "A start needs a schedule.")
    check_level(work, command.level)
    wrong = mistakes(schedule)
    if wrong:
        raise NotDone("bad_schedule", " ".join(str(one) for one in wrong))
    return command, run_ceiling(work, schedule), 0


def trial_plan(work: Work, command: Command) -> Plan:
    """What a heated step of commissioning runs now. Raises NotDone where it may not be done, or not yet."""
    if command.trial not in work.chamber.trials:
        what = command.trial if command.trial in TRIALS else f"{command.trial[:40]!r} (no such step)"
        raise NotDone("not_provable", f"{what} cannot be done now: the sheet Proofs says which steps come before it.")
    if command.role < PersonRole.MAINTAINER:
        is_now = command.role.name.lower()
        raise NotDone("not_allowed_role", f"Commissioning needs the role maintainer; {command.by} is {is_now}.")
    highest = max(Level.AT_THE_CHAMBER, min(work.chamber.may_do, Level.IN_THE_BUILDING))
    if not Level.AT_THE_CHAMBER <= command.level <= highest:
        raise NotDone("level_too_high", "A proof is attended: stay at the chamber, and press its button every 15 min.")
    if command.at_utc_us:
        raise NotDone("bad_time", "A proof is attended, so it begins now.")
    known = work.known_limits()
    hottest_mc = work.values[INDEX["ceiling"]]
    if not hottest_mc < UNKNOWN:
        raise NotDone("cause_stands", "No sensor has a good reading.")
    try:
        return plan(command.trial, Asked(work.chamber, hottest_mc, min(known["ceiling_mc"], known["run_ceiling_mc"])))
    except TooWarm as error:
        raise NotDone("cause_stands", str(error)) from None


def run_ceiling(work: Work, schedule: Schedule) -> int:
    """The limit that a run of this schedule gets. Raises NotDone for one that is hotter than what holds now."""
    known, margin_mc = work.known_limits(), work.chamber.limits.run_margin_mc
    too_hot = over_ceiling(schedule, min(known["ceiling_mc"], known["run_ceiling_mc"]), margin_mc)
    if too_hot:
        raise NotDone("over_ceiling", " ".join(str(one) for one in too_hot))
    return min(known["run_ceiling_mc"], schedule.hottest_mc + margin_mc)


def check_time(at_utc_us: int, wall_us: int) -> None:
    """Raises NotDone for a named time that has passed, or is more than a day ahead. While the clock is not known to be
    right nothing can be said; it is judged again once it is."""
    if wall_us == NOT_SET:
        return
    ahead_us = at_utc_us - wall_us
    if ahead_us <= 0:
        raise NotDone("bad_time", f"The named time passed {-ahead_us // 60_000_000} min ago. Name one that is to come.")
    if ahead_us > NAMED_AHEAD_MAX_US:
        raise NotDone(
            "bad_time",
            f"The named time is {ahead_us / 3_600e6:.1f} h ahead; at most 24 h are possible, as an arming holds.",
        )


def check_leaving(work: Work, command: Command, since_us: int) -> None:
    """Raises NotDone where heat would be left alone and something for it is lacking."""
    if command.level is not Level.UNATTENDED:
        return
    missing = lacking(command.leaving, since_us, work.messages_why)
    if missing:
        raise NotDone("not_ready_to_leave", " ".join(f"{one.field}: {one.value}. {one.advice}" for one in missing))


def check_level(work: Work, level: Level) -> None:
    """Raises NotDone for a level that the chamber, as proven now, may not run at."""
    may = work.chamber.may_do
    if may is Level.MEASURE_ONLY:
        raise NotDone("measure_only", "This chamber may only measure. What it needs next stands on the Chamber sheet.")
    if level is Level.MEASURE_ONLY or level > may:
        raise NotDone(
            "level_too_high", f"Asked is {LEVEL_WORDS[level]}; this chamber may run {LEVEL_WORDS[may]} at most."
        )


def check_ready(work: Work, ceiling_mc: int | None) -> None:
    """Raises NotDone for what stands against heating now, said before anybody walks to the chamber. Whether it is still
    hotter than `ceiling_mc` is not asked of a start that waits for a later time: None."""
    if work.latches:
        raise NotDone("latched", f"The trip {work.latches[0].guard} is latched. A maintainer clears it first.")
    age = age_us(work.board, work.now_us)
    if work.board.module is not None and not work.board.accepted:
        raise NotDone("board_absent", f"The module gets no heat: {module_wrong(work.chamber, work.board.module)}.")
    if not work.board.accepted or age is None or age >= work.limits[INDEX["reading_stale"]]:
        raise NotDone("board_absent", "This chamber's board does not answer. Check its cable and supply.")
    if work.record_lost:
        raise NotDone(
            "record_failing", "The record fails, so nothing new starts. The page and soakwarden doctor say why."
        )
    if work.control_mc is None:
        raise NotDone("cause_stands", "The control sensor has no good reading.")
    hottest_mc = work.values[INDEX["ceiling"]]
    if ceiling_mc is not None and ceiling_mc <= hottest_mc < UNKNOWN:
        raise NotDone(
            "cause_stands",
            f"It is too hot still: {hottest_mc / 1000:.1f} °C, and this run's limit is {ceiling_mc / 1000:.1f} °C. "
            "Let it cool first.",
        )
    for contact in START_BLOCKERS:
        for row in ROWS_OF[contact]:
            if work.values[row] == UNKNOWN and row in NOT_THERE:
                raise NotDone("cause_stands", f"{NOT_THERE[row]} is not there: the board reports none. {CHECK_WIRE}")
            if not work.values[row] < work.limits[row]:
                raise NotDone("cause_stands", f"{GUARDS[row].cause} {GUARDS[row].do[0]}")


def _hold(work: Work, command: Command) -> str:
    work.move(C.HOLD, command.by)
    return "the set point stays where it is"


def _restart(work: Work, command: Command) -> str:
    guard = None if work.run is None else holds_back(work.values, work.limits, work.run)
    if guard is not None:
        raise NotDone("cause_stands", f"{guard.cause} {guard.do[0]}")
    work.move(C.RESTART, command.by)
    if work.run is not None:
        seen_us = work.run.checked_in_us if work.run.level is Level.AT_THE_CHAMBER else work.now_us
        work.run = work.run._replace(heat_withheld=False, checked_in_us=seen_us)
    return "the schedule goes on"


def holds_back(values: Sequence[int], limits: Sequence[int], run: Run) -> Guard | None:
    """The interlock that "Go on" cannot end: an open door, or a check-in that must be made at the chamber. To go on is
    itself a check-in where the run's level takes one from the page."""
    if not run.heat_withheld:
        return None
    rows = [INDEX["door"]]
    if run.level is Level.AT_THE_CHAMBER:
        rows.append(INDEX["check_in_overdue"])
    return next((GUARDS[row] for row in rows if not values[row] < limits[row]), None)


def _cool_down(work: Work, command: Command) -> str:
    run = work.run
    if run is not None and run.state in ACTIVE and type(run.program) not in SCHEDULED:  # nothing is proven yet: no heat for it
        work.move(C.STOP_HEATING, command.by, end=f"Ended by {command.by} before its schedule began.")
        return "its schedule has not begun, so the heat is off; there is nothing to cool down from"
    withheld = run is not None and run.heat_withheld
    work.move(C.COOL_DOWN, command.by, end=f"Cooled down early by {command.by}.")
    return "cools without heat" if withheld else "cools at the schedule's rate; this may still heat"


def _stop_heating(work: Work, command: Command) -> str:
    work.move(C.STOP_HEATING, command.by, end=f"Heat stopped by {command.by}.")
    if not work.board.accepted:
        return "no board of this chamber answers, so nothing can be told; in doubt, unplug the chamber"
    return "every heater switch is told to open"


def _reset(work: Work, command: Command) -> str:
    if work.state is S.IDLE:
        raise Refused(S.IDLE, C.RESET, allowed(S.IDLE))
    work.move(C.RESET, command.by)
    return "ready for the next run"


def _acknowledge(work: Work, command: Command) -> str:
    if not any(alarm.guard == command.name for alarm in work.alarms):
        raise NotDone("unknown_name", f"No alarm of {command.name or '(no name)'} stands.")
    work.alarm(command.name, AlarmCause.ACKNOWLEDGE, by=command.by)
    return "acknowledged; a latch stays"


def _clear(work: Work, command: Command) -> str:
    latch = next((one for one in work.latches if one.guard == command.name), None)
    if latch is None:
        raise NotDone("unknown_name", f"No trip of {command.name or '(no name)'} is latched.")
    if work.state in ACTIVE or work.state is S.ABORTING:
        raise NotDone("cause_stands", f"The run is {work.state.value}. Wait until the heat is seen off.")
    may_heat = work.chamber.trials or work.chamber.may_do > Level.MEASURE_ONLY
    if command.name == "not_commissioned" and not (work.chamber.simulated or may_heat):
        raise NotDone("cause_stands", "Only commissioning clears this: do its unheated steps first (sheet Proofs).")
    row = INDEX[command.name]
    value = work.values[row]
    if value == UNKNOWN:
        raise NotDone("cause_stands", f"Nobody can know now whether its cause still stands. {GUARDS[row].do[0]}")
    if not value < work.clears[row]:
        raise NotDone("cause_stands", f"{GUARDS[row].cause} That still stands. {GUARDS[row].do[0]}")
    work.latches = tuple(one for one in work.latches if one is not latch)
    work.alarm(command.name, AlarmCause.CLEAR, by=command.by)
    work.say(Kind.CLEARED, guard=command.name, by=command.by)
    return "cleared; nothing starts by itself"


def _tighten(work: Work, command: Command) -> str:
    if command.name not in TIGHTENABLE:
        raise NotDone("unknown_name", f"{command.name or '(no name)'} is not one of {', '.join(sorted(TIGHTENABLE))}.")
    before = work.known_limits()[command.name]
    if not 0 < command.value < before:
        raise NotDone(
            "loosens", f"{command.name} is {before}; {command.value} would not tighten it. Limits are only lowered."
        )
    work.lowered = (*(pair for pair in work.lowered if pair[0] != command.name), (command.name, command.value))
    if command.name == "run_ceiling_mc" and work.run is not None:
        expected = work.run.expected._replace(run_ceiling_mc=command.value)
        work.run = work.run._replace(run_ceiling_mc=command.value, expected=expected)
    work.retune_limits()
    work.say(Kind.LIMIT_TIGHTENED, limit=command.name, before=before, after=command.value, by=command.by)
    return f"{command.name} is now {command.value}"


def _check_in(work: Work, command: Command) -> str:
    if work.run is None or work.state not in ACTIVE:
        raise NotDone("not_possible_state", "There is no run to check in to.")
    if work.run.level is Level.AT_THE_CHAMBER:
        raise NotDone("button_only", "At this level only the button at the chamber counts: press it there.")
    work.run = work.run._replace(checked_in_us=work.now_us)
    return "checked in"


ORDERS: dict[Ask, Callable[[Work, Command], str]] = {
    Ask.START: _start,
    Ask.HOLD: _hold,
    Ask.RESTART: _restart,
    Ask.COOL_DOWN: _cool_down,
    Ask.STOP_HEATING: _stop_heating,
    Ask.RESET: _reset,
    Ask.ACKNOWLEDGE: _acknowledge,
    Ask.CLEAR: _clear,
    Ask.TIGHTEN: _tighten,
    Ask.CHECK_IN: _check_in,
}
"""Each carries a command out and says in words what that means, or raises NotDone or Refused."""
