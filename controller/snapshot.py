"""What is true now, as the socket and the page tell it: one JSON object made from the tick's state. See `socket.md`.

Made outside the tick's thread, from a frozen state; nothing here decides about heat. Numbers stay integers, an unknown
number is null. The only memory is where the plan has been, so that the curve of a run begins where the run began.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

from controller.attendance import attendance
from controller.chamber_told import chamber_head
from controller.circuit import circuit
from controller.commissioning.proving import run_proof
from controller.config import ChamberFolder
from controller.core.alarms import AlarmState
from controller.core.board import age_us, heat_seen_off, module_wrong, off_words
from controller.core.commands import Ask
from controller.core.guards import GUARDS, INDEX, Action, Guard, Urgency
from controller.core.messages import OffReason, Report
from controller.core.module import NOT_FITTED, Module, silence_words
from controller.core.orders import SCHEDULED, holds_back
from controller.core.program import CoolDown
from controller.core.readings import Faulted, Good, Missing, Reading, Role
from controller.core.run_states import ACTIVE, MOVES, C, S
from controller.core.schedule import Of
from controller.core.setup import Level
from controller.core.state import Alarm, Run, State
from controller.core.supervisor import Latch, contacts
from controller.core.watch import UNKNOWN, known
from controller.levels import MayDo
from controller.run_plan import Planned, segments_of
from controller.sentence import sentence

Json = dict[str, Any]
"""Core marks unknown and unlimited numbers far above this."""
DONE = {
    Action.TRIP: "Every heater switch was told to open, and the trip is latched.",
    Action.ABORT: "Every heater switch was told to open.",
    Action.INTERLOCK: "Heat is off and held until you say go on.",
    Action.HOLD: "The schedule is held.",
    Action.ALARM: "Nothing was switched: it asks for a person.",
}
FOUND_AT_START = "No heat is permitted, and the trip is latched."
PRESSING = {
    AlarmState.UNACKNOWLEDGED: 0, AlarmState.LATCHED: 0, AlarmState.ACKNOWLEDGED: 1, AlarmState.LATCHED_ACKNOWLEDGED: 1,
    AlarmState.RETURNED: 2,
}


@dataclass(frozen=True, slots=True)
class Facts:
    """What does not change while the controller runs."""

    version: str
    boot: int
    folder: ChamberFolder
    clock: str
    speed: float


class Proving(NamedTuple):
    """What commissioning says of now."""

    level: MayDo
    doing: Json | None


class Snapshots:
    """Makes snapshots of one controller. `see` every tick, `now` when somebody asks."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._planned = Planned()

    def see(self, state: State) -> None:
        """Follow where the plan goes; a few comparisons."""
        self._planned.see(state)

    def now(self, state: State, utc_us: int, record: tuple[str, int], synced: bool = True,
            proving: Proving | None = None) -> Json:
        """The whole object. `record` is (why it fails, rows lost); `synced`, whether the clock is known to be right. Without
        `proving` the level is that of the start, and nothing is proven now."""
        clock = _Clock(state, utc_us)
        heard_us = age_us(state.board, state.mono_us)
        fresh = heard_us is not None and heard_us < state.chamber.limits.reading_age_us
        report = state.board.report if fresh else None
        run = self._run(state, clock)
        more: Json = {
            "run": run, **attendance(state, clock.utc, synced), "stop": _stop(state, clock),
            "latches": [_latch(latch, state, clock) for latch in state.latches], "alarms": _alarms(state, clock, record[0]),
            "heat_off": None if report is None else heat_seen_off(report),
            "still_on": state.standing[INDEX["heat_stays_on"]].stands,
            "record": {"failing": record[0], "lost": record[1]}, "commissioning": proving.doing if proving else None,
            "possible": possible(state),
        }
        more["gravest"] = gravest(more)
        whole = {
            "v": 1, "version": self._facts.version, "id": f"{self._facts.boot}-{state.tick}", "boot": self._facts.boot,
            "tick": state.tick, "utc_us": utc_us, "speed": self._facts.speed, "clock": self._facts.clock,
            "chamber": chamber_head(self._facts.folder, state.chamber, proving.level if proving else None),
            "board": _board(state, heard_us, fresh),
            "readings": [_reading(state, number, heard_us) for number in range(len(state.readings))],
            **_temperatures(state), **_permit(state),
            "request": {"duty_e4": state.regulator.duty_e4 if state.permit else 0},
            "seen": {"duty_e4": state.trail.achieved_e4}, "circuit": _circuit(state, report),
            **_around(state, report), **more,
        }
        whole["sentence"], whole["sentence_more"] = sentence(state, whole)
        return whole

    def _run(self, state: State, clock: _Clock) -> Json | None:
        run = state.run
        if run is None:
            return None
        treatment, segments, program = run.treatment, segments_of(run), run.program
        at, spent_us = treatment.segment, treatment.segment_us
        if isinstance(program, CoolDown):
            at, spent_us = len(segments) - 1, program.spent_us
        ahead = self._planned.ahead(state)
        started = clock.utc(run.started_us)
        return {
            "id": run.id, "trial": run.trial, "proof": run_proof(run), "name": run.schedule.name,
            "state": run.state.value, "level": run.level.name.lower(),
            "by": run.by, "started_utc_us": started, "elapsed_us": ahead.elapsed_us,
            "run_ceiling_mc": run.run_ceiling_mc, "run_max_us": run.run_max_us,
            "segments": [asdict(segment) for segment in segments],
            "segment": at, "segment_us": spent_us,
            "counted_us": treatment.counted_us, "counting": treatment.counting,
            "of": run.schedule.of.value, "heat_withheld": run.heat_withheld, "end": run.end,
            "plan": [list(point) for point in ahead.plan],
            "next": None if ahead.next is None else {
                **ahead.next._asdict(), "utc_us": None if ahead.next.after else clock.now_us + ahead.next.in_us},
            "ends_utc_us": started + ahead.plan[-1][0] if ahead.plan else started,
        }


@dataclass(frozen=True, slots=True)
class _Clock:
    """Turns the tick's monotonic times into UTC, for show."""

    state: State
    now_us: int

    def utc(self, mono_us: int) -> int:
        return self.now_us - (self.state.mono_us - mono_us)


def guard_rows(state: State) -> list[Json]:
    """The guard table with how each row stands now."""
    latched = {latch.guard for latch in state.latches}
    return [{
        "id": guard.id, "watch": guard.watch, "limit": guard.limit, "clear": guard.clear, "persist_us": guard.persist_us,
        "action": guard.action.name.lower(), "during": guard.during.value, "clock": guard.clock.value,
        "contact": guard.contact.value, "urgency": guard.urgency.value, "hazards": guard.hazards, "unit": guard.unit,
        "cause": guard.cause, "why": guard.why, "do": list(guard.do), "worry": guard.worry,
        "stands": standing.stands, "latched": guard.id in latched, "value": known(value), "limit_value": known(limit),
        "unknown": value == UNKNOWN,
    } for guard, standing, value, limit in zip(GUARDS, state.standing, state.values, state.limits, strict=True)]


def possible(state: State) -> list[str]:
    """The asks that have a chance now, whoever may."""
    at = S.IDLE if state.run is None else state.run.state
    asks = {ask for ask in Ask if ask.value in {cause.value for cause in C} and (at, C(ask.value)) in MOVES}
    views = contacts(state.values, state.limits, state.standing, state.latches, True)
    if state.pending is not None or state.chamber.may_do is Level.MEASURE_ONLY or not all(view.closed for view in views):
        asks.discard(Ask.START)
    asks |= {ask for ask, there in ((Ask.ACKNOWLEDGE, state.alarms), (Ask.CLEAR, state.latches)) if there}
    if state.run is not None and holds_back(state.values, state.limits, state.run) is not None:
        asks.discard(Ask.RESTART)
    if state.run is not None and at in ACTIVE and type(state.run.program) not in SCHEDULED:
        asks.discard(Ask.COOL_DOWN)
    if state.run is not None and at in ACTIVE and state.run.level is not Level.AT_THE_CHAMBER:
        asks.add(Ask.CHECK_IN)
    return sorted(ask.value for ask in asks)


def row(state: State, utc_us: int) -> list[int | None]:
    """[tick, utc_us, setpoint, control, over-temperature, part, asked duty, achieved duty]: one line of the curve."""
    by_role = {sensor.role: reading for sensor, reading in zip(state.chamber.sensors, state.readings, strict=True)}
    return [state.tick, utc_us, setpoint_mc(state.run), _good(by_role.get(Role.CONTROL)),
            _good(by_role.get(Role.OVER_TEMPERATURE)), _good(by_role.get(Role.PART)),
            state.regulator.duty_e4 if state.permit else 0, state.trail.achieved_e4]


def setpoint_mc(run: Run | None) -> int | None:
    """Where the plan is now, before the trim that helps the part; None when nothing is followed."""
    if run is None or run.state not in ACTIVE or run.program.setpoint_mc < 0:
        return None
    return run.program.setpoint_mc


def _good(reading: Reading | None) -> int | None:
    return reading.mc if isinstance(reading, Good) else None


def _board(state: State, heard_us: int | None, fresh: bool) -> Json:
    board, report = state.board, state.board.report
    said: Json = {
        "boot": report.boot if report else None, "firmware": board.welcome.firmware if board.welcome else "",
        "run_s": report.run_s if report else 0, "switches": report.switches if report else 0, "module": None,
    }
    if state.chamber.module is not None:
        said = _module(state, state.chamber.module)
    present = board.open and report is not None and fresh
    return {
        **said, "present": present, "accepted": board.accepted, "age_us": heard_us,
        "line": "" if present and (board.module is None or board.accepted) else _line(state),
        "session": board.session, "enabled": bool(report and report.enabled and fresh),
        "off": off_words(report.off).replace(" ", "_") if report else "unknown",
        "off_words": "" if report is None or report.off == OffReason.NONE else off_words(report.off),
    }


def _module(state: State, module: Module) -> Json:
    """What stands in place of a board's own word where the chamber has a module: nothing is made up."""
    found = state.board.module
    silence = "not known: it has not answered yet"
    if found is not None and state.board.accepted:
        silence = silence_words(found, module)
    lost = dict.fromkeys(("boot", "run_s", "switches"))
    return {**lost, "firmware": "not fitted", "module": {"silence": silence, "not_fitted": list(NOT_FITTED)}}


def _line(state: State) -> str:
    """What is on the port instead of this chamber's board, as far as anybody knows."""
    welcome, chamber = state.board.welcome, state.chamber
    if chamber.module is not None:
        return _module_line(state)
    if state.board.strange:
        return "what is on the port does not answer as a board"
    if welcome is None or state.board.accepted or not state.board.open:
        return "the board is not heard"
    if welcome.board != chamber.board:
        return f"board {welcome.board} is on the port, and this chamber's is {chamber.board}"
    board, file = ("simulated", "real") if welcome.simulated else ("real", "simulated")
    return f"the board on the port says that it is {board}, the chamber file that it is {file}"


def _module_line(state: State) -> str:
    """Why the module is not heard, or not taken."""
    found, wrong = state.board.module, ""
    if found is not None and state.board.open:
        wrong = module_wrong(state.chamber, found)
    if wrong:
        return f"the module gets no heat: {wrong}"
    return "the module does not answer as its register map says" if state.board.strange else "the board is not heard"


def _reading(state: State, number: int, heard_us: int | None) -> Json:
    sensor, reading = state.chamber.sensors[number], state.readings[number]
    good = reading if isinstance(reading, Good) else None
    return {
        "role": sensor.role.value, "label": sensor.label, "quality": type(reading).__name__.lower(),
        "reason": _why(reading), "mc": good.mc if good else None, "raw_mc": good.raw_mc if good else None,
        "age_us": None if isinstance(reading, Missing) else heard_us, "uncertainty_mc": sensor.uncertainty_mc,
    }


def _why(reading: Reading) -> str:
    if isinstance(reading, Faulted):
        return reading.reason
    return {"Good": "", "Stale": "too old to be used", "Missing": "never heard"}[type(reading).__name__]


def _temperatures(state: State) -> Json:
    """Air and part, which of them counts, and how far it is from the plan."""
    by_role = {sensor.role: reading for sensor, reading in zip(state.chamber.sensors, state.readings, strict=True)}
    air, part = _good(by_role.get(Role.CONTROL)), _good(by_role.get(Role.PART))
    run = state.run
    of_part = part is not None and (run is None or run.schedule.of is Of.PART)
    plan = setpoint_mc(run)
    counted = part if of_part else air
    return {
        "air_mc": air, "part_mc": part, "counts": "part" if of_part else "control",
        "counts_words": "part sensor" if of_part else _why_control(run, fitted=Role.PART in by_role),
        "setpoint_mc": plan, "air_setpoint_mc": run.air_setpoint_mc if run is not None and plan is not None else None,
        "deviation_mc": None if plan is None or counted is None else counted - plan, "band_mc": _band(run),
    }


def _why_control(run: Run | None, *, fitted: bool) -> str:
    if run is not None and run.schedule.of is Of.AIR:
        return "control sensor: the schedule means the air"
    return f"control sensor: no part sensor is {'good' if fitted else 'fitted'}"


def _band(run: Run | None) -> int | None:
    if run is None or run.state not in ACTIVE:
        return None
    return run.treatment.now.band_mc


def _permit(state: State) -> Json:
    run, pending = state.run, state.pending
    armed = (run is not None and run.state in ACTIVE and not run.heat_withheld) or (pending is not None and pending.armed)
    views = contacts(state.values, state.limits, state.standing, state.latches, armed)
    return {"permit": {"given": state.permit, "contacts": [{
        "name": view.contact.value, "closed": view.closed, "known": view.known,
        "why": "" if view.closed else _contact_words(view.guard, view.known, state)} for view in views]}}


def _contact_words(guard: Guard | None, certain: bool, state: State) -> str:
    if guard is None and state.pending is not None:
        return "A start waits for the arm button."
    if guard is None and state.run is not None and state.run.heat_withheld:
        return "The heat waits until you say go on."
    if guard is None:
        return "No run asks for heat."
    return guard.cause if certain else "Nobody can know now."


def _around(state: State, report: Report | None) -> Json:
    """Door, stop, smoke, fan and current as the board says."""
    fitted = state.chamber.fitted
    if report is None:
        return {"door": "unknown" if fitted.door else "not fitted", "local_stop": None,
                "smoke": "unknown" if fitted.smoke else "not fitted", "fan_rpm": None, "current_ma": None}
    return {
        "door": {True: "shut", False: "open", None: "unknown"}[report.door] if fitted.door else "not fitted",
        "local_stop": report.local_stop,
        "smoke": {True: "smoke", False: "clear", None: "unknown"}[report.smoke] if fitted.smoke else "not fitted",
        "fan_rpm": report.fan_rpm, "current_ma": report.current_ma,
    }


def _stop(state: State, clock: _Clock) -> Json:
    stop = state.stop
    return {"by": stop.by, "accepted_utc_us": clock.utc(stop.accepted_us) if stop.accepted_us >= 0 else None,
            "off_seen_utc_us": clock.utc(stop.off_seen_us) if stop.off_seen_us >= 0 else None}


def _texts(guard: Guard) -> Json:
    return {"cause": guard.cause, "why": guard.why, "done": DONE[guard.action], "do": list(guard.do),
            "worry": guard.worry, "urgency": guard.urgency.value, "unit": guard.unit}


def _stands(state: State, guard: str) -> bool | None:
    """Does the cause still stand? None where nobody can know, and for what a start found: that was, and is not watched."""
    row, value = GUARDS[INDEX[guard]], state.values[INDEX[guard]]
    return None if value == UNKNOWN or row.watch == "never" else not value < state.clears[INDEX[guard]]


def gravest(now: Json) -> str | None:
    """The latch that a person must read first: what stands and asks to get out, then heat that stays on, then what stands
    before what has gone, the more urgent before the less, and what tripped first before the rest."""
    def weight(latch: Json) -> tuple[bool, bool, bool, int, bool]:
        guard, stands = GUARDS[INDEX[latch["guard"]]], latch["stands"] is not False
        out = stands and guard.urgency is Urgency.EVACUATE
        on = bool(now["still_on"]) and guard.id == "heat_stays_on"
        return out, on, stands, guard.urgency.rank, latch["first_out"]

    return max(now["latches"], key=weight)["guard"] if now["latches"] else None


def _circuit(state: State, report: Report | None) -> Json:
    closed = state.standing[INDEX["switch_stays_closed"]].stands
    return circuit(report, state.chamber, state.trail.achieved_e4, closed)


def _latch(latch: Latch, state: State, clock: _Clock) -> Json:
    guard = GUARDS[INDEX[latch.guard]]
    texts = _texts(guard)
    if guard.watch == "never":
        texts["done"] = FOUND_AT_START
    if latch.guard == "not_commissioned" and state.chamber.simulated:
        texts["do"].append("This chamber is simulated: it may be cleared at once.")
    return {"guard": latch.guard, "utc_us": clock.utc(latch.mono_us), "value": known(latch.value),
            "limit": known(latch.limit), "detail": latch.detail, "first_out": latch.first_out,
            "stands": _stands(state, latch.guard), **texts}


def _alarms(state: State, clock: _Clock, failing: str) -> list[Json]:
    """What asks most for a person first. `failing` says why the record fails, which no quantity of the tick can tell."""
    details = {"record_failing": failing, "messages_failing": state.messages_why}
    return [{"guard": alarm.guard, "state": alarm.state.value, "utc_us": clock.utc(alarm.since_us),
             "value": known(alarm.value), "limit": known(alarm.limit),
             "detail": details.get(alarm.guard, ""),
             **_texts(GUARDS[INDEX[alarm.guard]])} for alarm in sorted(state.alarms, key=_presses)]


def _presses(alarm: Alarm) -> tuple[int, int, int, int]:
    """Standing and unseen before seen, both before what has returned; then stronger action, greater urgency, the newer."""
    guard = GUARDS[INDEX[alarm.guard]]
    return PRESSING[alarm.state], -guard.action, -guard.urgency.rank, -alarm.since_us


