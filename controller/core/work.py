"""The tick's workbench: one mutable copy of the state that lives and dies inside one call of `advance`.

Everything that several steps of a tick change goes through here: moving the run, latching, alarms, events. What comes out is
frozen again.
"""

from __future__ import annotations

from operator import attrgetter

from controller.core.alarms import AlarmCause, AlarmState, alarm_move
from controller.core.board import expected_limits, heat_seen_off
from controller.core.events import Event, Kind
from controller.core.guards import GUARDS, INDEX, Action, Guard
from controller.core.limits import CHECK_IN_US, known_limits, thresholds
from controller.core.messages import LimitsRead
from controller.core.program import CoolDown, SetPoint, Treatment, cooling_of
from controller.core.quick import new
from controller.core.readings import Good
from controller.core.regulator import bumpless
from controller.core.run_states import ACTIVE, ENDED, C, S, move
from controller.core.state import NOT_SET, Alarm, Lamps, Lapse, Run, State, Stop
from controller.core.supervisor import Finding, Latch
from controller.core.watch import UNKNOWN, known

Field = str | int | bool | None
state_fields = attrgetter(*State._fields)
ASKS_AGAIN = frozenset({"heat_stays_on"})
"""Trips that ask for a person again, because they say that an earlier trip had no effect."""
BEGINS = frozenset({AlarmCause.OCCURS, AlarmCause.LATCH})
"""What brings a value with it."""


class Work:
    """A state being worked on. Attribute names are those of `State`."""

    __slots__ = (
        *State._fields,
        "active",
        "clear",
        "control_mc",
        "events",
        "handled",
        "now_us",
        "part_mc",
        "show",
        "stand",
        "wall_us",
    )

    run: Run | None
    control_mc: int | None
    part_mc: int | None

    def __init__(self, state: State, now_us: int) -> None:
        (
            self.chamber,
            self.tick,
            self.mono_us,
            self.regulated_us,
            self.board,
            self.readings,
            self.trail,
            self.standing,
            self.values,
            self.limits,
            self.clears,
            self.lowered,
            self.latches,
            self.alarms,
            self.run,
            self.pending,
            self.arm_pressed,
            self.armed_us,
            self.permit,
            self.regulator,
            self.stop,
            self.record_lost,
            self.messages_why,
            self.lapse,
            self.modulation,
        ) = state
        self.tick += 1
        self.now_us = now_us
        self.active = self.run is not None and self.run.state in ACTIVE
        """A run that may heat is on."""
        self.control_mc = self.part_mc = None
        """Corrected values of these sensors, once judged; None unless Good."""
        self.wall_us = NOT_SET
        """UTC, in ticks that were told it; `NOT_SET` in all others."""
        self.show: Lamps | None = None
        """Lamps and sounder that are tried in this tick."""
        self.handled = False
        """Sensors are in somebody's hand."""
        self.stand = False
        """The board is asked to stand still, once."""
        self.clear = False
        """No guard stands against heat."""
        self.events: list[Event] = []

    def freeze(self, regulated_us: int) -> State:
        """The next state."""
        self.mono_us, self.regulated_us = self.now_us, regulated_us
        return new(State, state_fields(self))

    def say(self, kind: Kind, /, **fields: Field) -> None:
        self.events.append(Event(kind, fields))

    @property
    def state(self) -> S:
        return S.IDLE if self.run is None else self.run.state

    def move(self, cause: C, by: str, end: str = "") -> None:
        """Move the run, or raise Refused. Entering a state brings its consequences."""
        before = self.state
        after = move(before, cause)
        waits = self.stop.accepted_us >= 0 and self.stop.off_seen_us < 0
        again = waits and (
            before is S.ABORTING or cause is C.TRIP
        )  # the off that was asked for first is still waited for
        if cause in (C.STOP_HEATING, C.TRIP):
            self.take_back("" if cause is C.STOP_HEATING else f"The chamber tripped: {end}")
            self.armed_us = -1
            if not (again or (cause is C.TRIP and self._seen_off())):
                self.stop = Stop(by, self.now_us)
        if self.run is None or after is before:
            return
        run = self.run._replace(state=after, end=end or self.run.end)
        if before is S.RUNNING:
            run = self._stand_still(run)
        self.say(Kind.RUN_STATE, run_id=run.id, before=before.value, after=after.value, cause=cause.value, by=by)
        if after is S.STOPPING:
            run = self._cool_down(run)
        if after in ENDED:
            run = run._replace(heat_withheld=False)  # nothing is left to go on with
        self.run = None if after is S.IDLE else run
        self.active = after in ACTIVE
        if after in ENDED or after is S.IDLE:
            self.retune_limits()

    def take_back(self, reason: str) -> None:
        """A start that waits comes to nothing. An empty reason: a person took it back, and needs no telling."""
        pending, self.pending = self.pending, None
        if pending is None or not reason:
            return
        command = pending.command
        self.lapse = Lapse(reason, self.now_us, command.at_utc_us)
        self.say(Kind.START_LAPSED, run_id=command.run_id, reason=reason, at_utc_us=command.at_utc_us or None)

    def _seen_off(self) -> bool:
        """No run asks, and the heat that was told to go off reads off: nothing has to go off anew."""
        report = self.board.report
        return not self.active and self.stop.off_seen_us >= 0 and report is not None and heat_seen_off(report)

    def _stand_still(self, run: Run) -> Run:
        """A soak's clock stands as soon as its run does something else, and that is told with what it had counted: nobody
        who reads the record may count on."""
        soak = run.program
        if not isinstance(soak, Treatment) or not soak.counted_us:
            return run
        self.say(Kind.SOAK_COUNTING, run_id=run.id, counting=False, counted_us=soak.counted_us)
        soak = soak._replace(counting=False, said=False, steady_us=0)
        return run.stepped(soak)

    def _cool_down(self, run: Run) -> Run:
        """Append cooling to the programs and go on from the duty that is there."""
        cooling = cooling_of(run.schedule)
        control = self.control_mc
        if control is not None:
            self.regulator = bumpless(
                self.regulator.duty_e4, self.chamber.heater, SetPoint(control, -cooling.rate_mc_per_h), control
            )
        before = tuple(one for one in run.programs if not isinstance(one, CoolDown))
        return run._replace(programs=(*before, cooling), at=len(before), contactor=True, quiet=False)

    def known_limits(self) -> dict[str, int]:
        run = self.run
        if run is None or run.state in ENDED:
            return known_limits(self.chamber, self.lowered, {})
        own = {"run_ceiling_mc": run.run_ceiling_mc, "run_max_us": run.run_max_us}
        if run.level in CHECK_IN_US:
            own["check_in_us"] = CHECK_IN_US[run.level]
        return known_limits(self.chamber, self.lowered, own)

    def retune_limits(self) -> None:
        """Limits depend on the run and on what was lowered; call when either changed."""
        self.limits, self.clears = thresholds(self.known_limits())

    def expected_limits(self) -> LimitsRead:
        """What the board must read back now. Without a run its run limits are not compared."""
        if self.run is not None and self.run.state in ACTIVE:
            return self.run.expected
        if self.pending is not None and self.pending.due:  # one that waits for its time opens a session of its own then
            run_mc = self.pending.board_ceiling_mc or self.pending.run_ceiling_mc
            return expected_limits(self.chamber, run_mc, self.pending.run_max_us)
        read = self.board.limits
        if read is None:
            return expected_limits(self.chamber, 0, 0)
        return read._replace(
            board_ceiling_mc=self.chamber.limits.board_ceiling_mc, silence_us=self.chamber.limits.silence_us
        )

    def found(self, finding: Finding, detail: str) -> None:
        """A guard began or ceased to stand: say so, and do what its row says."""
        guard = finding.guard
        self.say(
            Kind.GUARD,
            guard=guard.id,
            standing=finding.stands,
            value=known(finding.value),
            limit=known(finding.limit),
            detail=detail,
        )
        if finding.stands:
            ACTIONS[guard.action](self, finding, detail)
        else:
            self.alarm(guard.id, AlarmCause.RETURNS)

    def latch(self, guard: Guard, value: int, limit: int, detail: str) -> None:
        """Trip: latch, switch off, ask for a person once. Only the first latch is first-out, and only it alarms; but heat
        that comes on again is told again."""
        latched = any(latch.guard == guard.id for latch in self.latches)
        if latched and guard.id not in ASKS_AGAIN:
            return
        first_out = not self.latches
        if not latched:
            self.latches = (*self.latches, Latch(guard.id, self.now_us, value, limit, detail, first_out))
        self.say(
            Kind.TRIPPED,
            guard=guard.id,
            first_out=first_out,
            value=known(value),
            limit=known(limit),
            detail=detail,
            action=guard.action.name.lower(),
        )
        if (
            first_out
            or guard.id in ASKS_AGAIN
            or all(urgency_of(alarm.guard) < guard.urgency.rank for alarm in self.alarms)
        ):
            self.alarm(guard.id, AlarmCause.LATCH, value, limit)
        self.move(C.TRIP, f"trip: {guard.id}", end=guard.cause)

    def alarm(self, guard: str, cause: AlarmCause, value: int = UNKNOWN, limit: int = UNKNOWN, by: str = "") -> None:
        """Move one alarm; a cause that changes nothing is not an event. What was seen stays with it until it is normal."""
        normal = Alarm(guard, AlarmState.NORMAL, self.now_us, value, limit)
        before = next((alarm for alarm in self.alarms if alarm.guard == guard), normal)
        after = alarm_move(before.state, cause)
        if after is None:
            return
        if cause in BEGINS:
            before = before._replace(value=value, limit=limit)
        others = tuple(alarm for alarm in self.alarms if alarm.guard != guard)
        moved = before._replace(state=after, since_us=self.now_us)
        self.alarms = others if after is AlarmState.NORMAL else (*others, moved)
        self.say(Kind.ALARM, guard=guard, before=before.state.value, after=after.value, by=by)

    @property
    def overs_mc(self) -> tuple[int | None, ...]:
        """What each over-temperature sensor says; None unless it is to be believed."""
        good = [self.readings[number] for number in self.chamber.wiring.overs]
        return tuple(one.mc if type(one) is Good else None for one in good)

    @property
    def cold_mc(self) -> int | None:
        """The board's own temperature, where the control sensor's converter sits."""
        report, number = self.board.report, self.chamber.wiring.control
        channel = None if report is None or number is None else report.channels[self.chamber.sensors[number].channel]
        return None if channel is None else channel.cold_mc

    @property
    def treatment(self) -> Treatment | None:
        return None if self.run is None else self.run.treatment


def urgency_of(guard: str) -> int:
    return GUARDS[INDEX[guard]].urgency.rank


def _trip(work: Work, finding: Finding, detail: str) -> None:
    work.latch(finding.guard, finding.value, finding.limit, detail)


def _abort(work: Work, finding: Finding, detail: str) -> None:
    work.move(C.STOP_HEATING, finding.guard.id, end=f"{finding.guard.cause} {detail}".rstrip())


def _interlock(work: Work, finding: Finding, detail: str) -> None:
    work.alarm(finding.guard.id, AlarmCause.OCCURS, finding.value, finding.limit)
    if work.run is not None and work.active:  # a trip of the same pass may have ended it
        work.run = work.run._replace(heat_withheld=True)
        work.move(C.INTERLOCK, finding.guard.id)


def _hold(work: Work, finding: Finding, detail: str) -> None:
    work.alarm(finding.guard.id, AlarmCause.OCCURS, finding.value, finding.limit)
    if work.state in (S.RUNNING, S.RESTARTING):
        work.move(C.HOLD, finding.guard.id)


def _alarm(work: Work, finding: Finding, detail: str) -> None:
    work.alarm(finding.guard.id, AlarmCause.OCCURS, finding.value, finding.limit)


ACTIONS = {
    Action.TRIP: _trip,
    Action.ABORT: _abort,
    Action.INTERLOCK: _interlock,
    Action.HOLD: _hold,
    Action.ALARM: _alarm,
}
"""What each action of the guard table does."""
