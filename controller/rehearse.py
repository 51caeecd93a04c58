"""A whole run in virtual time: the same tick and the same bytes on the line as in a real one, as fast as it goes.

What is on the other end is `World`: a simulated board in this process (one report a tick), or a child process that
speaks protocol v1 in lock-step on its standard input and output (`controller.peer_process`).

Figures of `Result`, all from what the controller itself read (sensors, corrected), in °C:
- soak errors: what counts (the part sensor where the schedule means the part and there is one, else the control sensor)
  minus the soak's target, in every tick from when the soak clock has counted for a minute without a break (before that
  the part still comes into its band) to the soak's end;
- ramp error: control sensor minus set point, in every tick of ramps, the first 15 min of each left out, since any chamber
  needs a moment to begin to move;
- overshoot: how far what counts rose above the target, in soaks.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, NamedTuple, Protocol

from controller.core.commands import Ask, Command, PersonRole
from controller.core.events import Event, Kind
from controller.core.leaving import CHECKLIST, Leaving
from controller.core.messages import Report
from controller.core.readings import Good, Role
from controller.core.run_states import ENDED
from controller.core.schedule import Kind as Segment
from controller.core.schedule import Of, Schedule
from controller.core.setup import Chamber, Level
from controller.core.start import first_state
from controller.core.state import Garbage, Inputs, LineOpened, Messages, Notice, State, Tick
from controller.core.tick import advance
from controller.link.session import BadLine, Ran, Session

TICK_US = 1_000_000
START_US = 1_000_000_000
"""The virtual monotonic clock begins here."""
READY_TICKS = 30
"""The board must answer and the start be accepted within so many seconds."""
RAMP_BEGINS_US = 15 * 60 * TICK_US
SOAK, RAMP = Segment.SOAK, Segment.RAMP
"""An enumeration looks its members up slowly; these are asked for in every tick."""
BY = "rehearsal"
ANSWERED = Leaving(tuple(question.id for question in CHECKLIST), 0, BY)
"""A rehearsal heats nothing: what a person would answer before leaving is taken as answered."""


class World(Protocol):
    """The other end of the line."""

    lock_step: bool

    def exchange(self, data: bytes, us: int) -> bytes:
        """Give `data` to the board, let `us` pass there, and give what it said."""


class Made(NamedTuple):
    """One tick, for whoever looks on."""

    tick: int
    inputs: Inputs
    result: Tick


@dataclass(slots=True)
class Result:
    """What a rehearsal showed. Temperatures in °C; see the module for what each error means."""

    ended: str
    soak_abs_max_c: float
    soak_abs_p95_c: float
    ramp_abs_max_c: float
    overshoot_c: float
    switch_operations: int
    ticks: int
    wall_s: float
    trips: list[str]
    alarms: list[str]
    refused: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain JSON."""
        return asdict(self)


@dataclass(slots=True)
class Errors:
    """Collects the errors of a run, in m°C."""

    soak_mc: list[int] = field(default_factory=list)
    ramp_mc: int = 0
    over_mc: int = 0
    _counted: int = -1
    """The soak that has begun to count."""

    def look(self, state: State, roles: dict[Role, int]) -> None:
        """One tick."""
        run = state.run
        if run is None or run.state in ENDED:
            return
        treatment = run.treatment
        segment = treatment.now
        if segment.kind is SOAK:
            mc = _counts(state, roles, run.schedule.of)
            if treatment.said:
                self._counted = treatment.segment
            if mc is not None and self._counted == treatment.segment:
                self.soak_mc.append(abs(mc - segment.target_mc))
            if mc is not None:
                self.over_mc = max(self.over_mc, mc - segment.target_mc)
        elif segment.kind is RAMP and treatment.segment_us > RAMP_BEGINS_US:
            mc = _good(state, roles.get(Role.CONTROL))
            if mc is not None:
                self.ramp_mc = max(self.ramp_mc, abs(mc - treatment.setpoint_mc))

    def p95_mc(self) -> int:
        """95 of 100 soak ticks were within this."""
        ordered = sorted(self.soak_mc)
        return ordered[min(len(ordered) - 1, len(ordered) * 95 // 100)] if ordered else 0


class Rehearsal:
    """One rehearsal. `ticks()` goes through it; `result()` afterwards says how it went."""

    def __init__(self, chamber: Chamber, schedule: Schedule, world: World, level: Level = Level.UNATTENDED,
                 run_id: str = "1") -> None:
        self._world = world
        self._session = Session(world.lock_step)
        self._start = Command(Ask.START, BY, PersonRole.MAINTAINER, "rehearsal", schedule, run_id, level, leaving=ANSWERED)
        self._roles = {sensor.role: number for number, sensor in enumerate(chamber.sensors)}
        self._longest_ticks = (schedule.longest_us + chamber.limits.run_max_us) // TICK_US
        self.state = first_state(chamber, START_US)
        self.errors = Errors()
        self.trips: list[str] = []
        self.alarms: list[str] = []
        self.refused = ""
        self._begun = False
        self._switches = [-1, -1]
        self._began_s = time.perf_counter()

    def ticks(self) -> Iterator[Made]:
        """Every tick, to the end of the run, a refusal, or the longest time it may take."""
        data = b""
        notices: list[Notice] = [LineOpened(1), Messages("")]
        state, exchange, receive, send = self.state, self._world.exchange, self._session.receive, self._session.send
        look, longest = self.errors.look, self._longest_ticks
        for tick in range(1, longest + READY_TICKS):
            heard = receive(exchange(data, TICK_US)) if data else []
            inputs = self._inputs(START_US + tick * TICK_US, heard, notices, state)
            notices = []
            result = advance(state, inputs)
            self.state = state = result.state
            data = b"".join([send(frame) for frame in result.outputs.frames]) or b"\n"
            if result.events:
                self._note(result.events)
            look(state, self._roles)
            yield Made(tick, inputs, result)
            if self._over(state, tick):
                return

    def result(self) -> Result:
        """How it went."""
        run, errors = self.state.run, self.errors
        ended = run.state.value if run is not None else "not started"
        return Result(ended, max(errors.soak_mc, default=0) / 1000, errors.p95_mc() / 1000, errors.ramp_mc / 1000,
                      errors.over_mc / 1000, max(0, self._switches[1] - self._switches[0]), self.state.tick,
                      round(time.perf_counter() - self._began_s, 3), self.trips, self.alarms, self.refused)

    def share(self) -> float:
        """How much of the run is behind, 0 to 1, by its segments' own length."""
        run = self.state.run
        if run is None:
            return 0.0
        treatment = run.treatment
        return min(1.0, (treatment.segment + 0.5) / len(run.schedule.segments))

    def _inputs(self, mono_us: int, heard: list[Any], notices: list[Notice], state: State) -> Inputs:
        if len(heard) == 1 and type(heard[0]) is Report:
            reports: tuple[Report, ...] = (heard[0],)
            found: tuple[Notice, ...] = ()
        else:
            reports = tuple(one for one in heard if type(one) is Report)
            found = tuple(notices) + _notices(heard)
        if reports:
            self._switches[1] = reports[-1].switches
            if self._switches[0] < 0:
                self._switches[0] = reports[0].switches
        commands: tuple[Command, ...] = ()
        if not self._begun and state.board.accepted and state.permit is False and state.board.heard_us >= 0:
            self._begun = True
            commands = (self._start,)
        return Inputs(mono_us, reports, found, commands)

    def _note(self, events: tuple[Event, ...]) -> None:
        for event in events:
            if event.kind is Kind.TRIPPED:
                self.trips.append(str(event.fields["guard"]))
            elif event.kind is Kind.ALARM and event.fields["before"] == "normal":
                self.alarms.append(str(event.fields["guard"]))
            elif event.kind is Kind.COMMAND_REFUSED:
                self.refused = str(event.fields["reason"])
            elif event.kind is Kind.NOT_A_BOARD:
                self.refused = f"The peer does not answer as a board. {event.fields['reason']}"
            elif event.kind is Kind.BOARD_REFUSED:
                self.refused = _refused_words(event.fields)

    def _over(self, state: State, tick: int) -> bool:
        if state.run is not None:
            return state.run.state in ENDED
        return bool(self.refused) or (tick > READY_TICKS and state.pending is None)


def run(rehearsal: Rehearsal, each: Callable[[Made], None] | None = None) -> Result:
    """Go through all of it."""
    for made in rehearsal.ticks():
        if each is not None:
            each(made)
    return rehearsal.result()


def _refused_words(fields: Mapping[str, Any]) -> str:
    if fields["board"] != fields["expected"]:
        return f"The peer says that it is board {fields['board']}; this chamber's is {fields['expected']}."
    if fields["simulated"]:
        return "The peer says that it is simulated, the chamber file that it is real."
    return "The peer says that it is a real board (z=0); a rehearsal talks to simulated ones only, which say z=1."


def _notices(heard: list[Any]) -> tuple[Notice, ...]:
    bad = [one.reason for one in heard if isinstance(one, BadLine)]
    rest = tuple(one for one in heard if not isinstance(one, Report | BadLine | Ran))
    return (*rest, Garbage(len(bad), bad[-1])) if bad else rest


def _good(state: State, number: int | None) -> int | None:
    if number is None:
        return None
    reading = state.readings[number]
    return reading.mc if isinstance(reading, Good) else None


def _counts(state: State, roles: dict[Role, int], of: Of) -> int | None:
    part = _good(state, roles.get(Role.PART)) if of is Of.PART else None
    return part if part is not None else _good(state, roles.get(Role.CONTROL))
