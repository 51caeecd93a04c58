"""A small world for the core's tests: an invented chamber, a schedule, a board that answers, and a bench to tick them on.

The board here is a few lines of arithmetic, not `chamber.simulated`: it answers frames at once, keeps the silence timer, and
says whatever a test puts into `says`. The bench checks every tick's frames, whatever the test is about.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from controller.core.commands import Ask, Command, PersonRole
from controller.core.events import Event, Kind
from controller.core.leaving import CHECKLIST, Leaving
from controller.core.messages import (
    CHANNELS_MAX,
    Channel,
    Drive,
    Enable,
    Hello,
    LimitsRead,
    OffReason,
    Report,
    SetLimits,
    ToBoard,
    Welcome,
)
from controller.core.readings import Role
from controller.core.run_states import S
from controller.core.schedule import US_PER_H, Of, Resume, Schedule, Segment
from controller.core.schedule import Kind as Segments
from controller.core.setup import Chamber, Fitted, Heater, Level, Limits, SensorSetup
from controller.core.start import first_state
from controller.core.state import Inputs, LineNotice, LineOpened, Messages, Notice, State, Tick
from controller.core.tick import advance

US = 1_000_000
BOARD_ID = "5a17c0"
T = TypeVar("T")


def changed(value: T, **fields: Any) -> T:
    """A copy with some fields replaced, of a dataclass or a named tuple."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.replace(value, **fields)
    return value._replace(**fields)


LIMITS = Limits(
    ceiling_mc=130_000, ceiling_clear_mc=125_000, board_ceiling_mc=135_000, limiter_mc=145_000,
    limiter_tolerance_mc=5_000, thermal_link_mc=152_000, weakest_mc=160_000, run_margin_mc=7_000, disagree_mc=8_000,
    above_band_mc=4_000, rise_mc_per_min=15_000, no_rise_us=300 * US, rise_off_mc=3_000, reading_age_us=3 * US,
    frozen_us=4 * US, silence_us=4_800_000, tick_late_us=2 * US, run_max_us=20 * US_PER_H, hot_mc=45_000,
)
HEATER = Heater(
    element_w=500, window_ms=40_000, gain_e4_per_k=600, integral_s=1_200, heat_capacity_j_per_k=2_000,
    loss_mw_per_k=1_200, room_mc=22_000,
)
CONTROL, OVER, PART = 0, 1, 2
ROLES = (Role.CONTROL, Role.OVER_TEMPERATURE, Role.PART)
CHAMBER = Chamber(
    "Invented chamber", BOARD_ID, True,
    tuple(SensorSetup(role, number, role.value, 0, 2_500) for number, role in enumerate(ROLES)),
    LIMITS, HEATER, Fitted(*[True] * 10), Level.UNATTENDED,
)


def chamber(may_do: Level = Level.UNATTENDED, fitted: dict[str, bool] | None = None, **limits: int) -> Chamber:
    """The invented chamber with some limits or fittings changed."""
    return changed(CHAMBER, may_do=may_do, limits=changed(LIMITS, **limits), fitted=changed(CHAMBER.fitted, **fitted or {}))


def ramp(target_mc: int, rate_mc_per_h: int, longest_h: float = 6, band_mc: int = 2_000) -> Segment:
    return Segment(Segments.RAMP, target_mc, rate_mc_per_h, 0, band_mc, int(longest_h * US_PER_H))


def soak(target_mc: int, hours: float, longest_h: float = 12, band_mc: int = 2_000) -> Segment:
    return Segment(Segments.SOAK, target_mc, 0, int(hours * US_PER_H), band_mc, int(longest_h * US_PER_H))


def cool(target_mc: int, rate_mc_per_h: int, longest_h: float = 12, band_mc: int = 2_000) -> Segment:
    return Segment(Segments.COOL, target_mc, rate_mc_per_h, 0, band_mc, int(longest_h * US_PER_H))


def schedule(*segments: Segment, of: Of = Of.PART, name: str = "invented") -> Schedule:
    return Schedule(name, of, Resume.NEVER, segments)


READY_TO_LEAVE = Leaving(tuple(question.id for question in CHECKLIST), 3_600 * US, "invented channel")
"""Everything answered, and a message arrived an hour ago."""
DEMO = schedule(ramp(105_000, 20_000), soak(105_000, 8), cool(40_000, 20_000))
"""About 4 h up, 8 h held, 4 h down: common practice, no source."""
SOAK_AT_105 = schedule(ramp(105_000, 60_000), soak(105_000, 2), cool(40_000, 20_000))


@dataclass
class FakeBoard:
    """A board as the wire's rules want it, on a lumped chamber: one heat capacity, one loss."""

    board: str = BOARD_ID
    boot: int = 1
    simulated: bool = True
    air_mc: float = 22_000.0
    room_mc: float = 22_000.0
    warming: bool = True
    """False: the air stays where a test puts it."""
    up_us: int = 0
    sequence: int = 0
    session: int = 0
    heard: int = 0
    limits: list[int] = field(default_factory=lambda: [135_000, 135_000, 86_400])
    silence_us: int = 4_800_000
    enabled: bool = False
    permit: bool = False
    duty_e4: int = 0
    driven_us: int = 0
    conversions: int = 0
    frozen: set[int] = field(default_factory=set)
    offset_mc: dict[int, int] = field(default_factory=dict)
    channels: dict[int, Channel | None] = field(default_factory=dict)
    """Channels said instead of the true ones."""
    says: dict[str, Any] = field(default_factory=dict)
    """Report fields said instead of the true ones."""
    mute: bool = False
    """Answers no frame, as if it had heard none."""

    def receive(self, frames: Iterable[ToBoard]) -> list[LineNotice]:
        return [] if self.mute else [answer for frame in frames for answer in self._obey(frame)]

    def _obey(self, frame: ToBoard) -> list[LineNotice]:
        if isinstance(frame, Hello):
            self.session, self.enabled, self.permit = frame.session, False, False
            self.limits[1:] = [self.limits[0], 86_400]
            self.heard = frame.sequence
            return [Welcome(self.board, self.boot, frame.session, "0.1", "0" * 8, 0, self.simulated), self.read()]
        if frame.session != self.session:
            return []
        assert frame.sequence > self.heard, "a sequence must rise within a session"
        self.heard = frame.sequence
        if isinstance(frame, Enable):
            self.enabled, self.driven_us = True, self.up_us
        elif isinstance(frame, Drive):
            self.permit, self.duty_e4, self.driven_us = frame.permit and frame.contactor, frame.duty_e4, self.up_us
        elif isinstance(frame, SetLimits):
            asked = (frame.board_ceiling_mc, frame.run_ceiling_mc, frame.run_max_s)
            self.limits = [was if new is None else min(was, new) for was, new in zip(self.limits, asked, strict=True)]
            return [self.read()]
        return []

    def read(self) -> LimitsRead:
        return LimitsRead(self.session, *self.limits, self.silence_us)

    def reset(self) -> None:
        """Power was lost: a new boot, nothing remembered but the stored ceiling."""
        self.boot, self.up_us, self.sequence = self.boot + 1, 0, 0
        self.session, self.heard, self.enabled, self.permit = 0, 0, False, False

    @property
    def heating(self) -> bool:
        return self.enabled and self.permit

    def off_reason(self) -> OffReason:
        if self.says.get("local_stop"):
            return OffReason.LOCAL_STOP
        if self.says.get("door") is False:
            return OffReason.DOOR
        if not self.enabled:
            return OffReason.NOT_ENABLED
        return OffReason.NONE if self.permit else OffReason.NO_PERMIT

    def report(self, us: int = US) -> Report:
        """Moves clock and air by `us` and says so."""
        self.up_us += us
        self.sequence += 1
        self.conversions = (self.conversions + 1) % 256
        if self.up_us - self.driven_us > self.silence_us:
            self.enabled = False
        off = self.off_reason()
        on_us = self.duty_e4 * us // 10_000 if self.heating and off is OffReason.NONE else 0
        if self.warming:
            watts = 500.0 * on_us / us - 1.2 * (self.air_mc - self.room_mc) / 1000.0
            self.air_mc += watts * us / US / 2_000.0 * 1000.0
        true = Report(
            self.board, self.boot, self.session, self.sequence, self.heard, self.up_us, self._channels(), on_us > 0,
            off is OffReason.NONE, self.enabled, off, on_us, 0, 0, True, True, True, False, False, False,
            2_100 if on_us else 0, 2_400, None,
        )
        return true._replace(**self.says) if self.says else true

    def _channels(self) -> tuple[Channel | None, ...]:
        said: list[Channel | None] = []
        for number in range(CHANNELS_MAX):
            if number in self.channels:
                said.append(self.channels[number])
            elif number < len(ROLES):
                counter = 0 if number in self.frozen else self.conversions
                said.append(Channel(int(self.air_mc) + self.offset_mc.get(number, 0), 30_000, 0, counter))
            else:
                said.append(None)
        return tuple(said)


def check_frames(before: State, tick: Tick) -> None:
    """What must be true of every tick there is, whatever went in."""
    frames, state = tick.outputs.frames, tick.state
    drives = [frame for frame in frames if isinstance(frame, Drive)]
    assert len(drives) <= 1, "one drive a tick"
    assert not drives or frames[-1] is drives[0], "a drive goes last"
    for drive in drives:
        assert 0 <= drive.duty_e4 <= 10_000
        assert drive.permit or (drive.duty_e4 == 0 and not drive.contactor), "no duty without a permit"
        assert drive.permit == state.permit
        assert not (state.latches and (drive.permit or drive.duty_e4)), "a tripped chamber never heats"
    if before.latches and state.latches:
        assert not drives or before.permit is True, "the drive is withheld after a trip"
    numbers = [frame.sequence for frame in frames]
    assert numbers == sorted(set(numbers))
    assert state.mono_us >= before.mono_us
    assert not (state.latches and state.permit)


class Bench:
    """A state, a board, and the wire between them; one `tick` moves all three."""

    def __init__(
        self, chamber: Chamber = CHAMBER, board: FakeBoard | None = None, per_tick: int = 1,
        latches: tuple[str, ...] = (), opened: bool = True,
    ) -> None:
        self.board = board or FakeBoard()
        self.per_tick = per_tick
        self.state = first_state(chamber, 0, latches)
        self.notices: list[Notice] = [Messages(""), *([LineOpened(7)] if opened else [])]
        self.now_us = 0
        self.events: list[Event] = []
        self.frames: tuple[ToBoard, ...] = ()
        self.last: Tick | None = None
        self.cut = False
        """The cable is out: neither way does anything pass."""
        self.late_us = 0
        self.record_lost = 0
        self.asked = 0

    def tick(self, *commands: Command, us: int = US, notices: Iterable[Notice] = (), extra: bool = False) -> Tick:
        self.now_us += us
        reports = tuple(self.board.report(us // self.per_tick) for _ in range(self.per_tick)) if us else ()
        came = () if self.cut else reports
        return self.give(Inputs(
            self.now_us, came, (*self.notices, *notices), commands, self.late_us, self.record_lost, extra,
        ))

    def give(self, inputs: Inputs) -> Tick:
        """One tick of exactly these inputs."""
        before = self.state
        result = advance(before, inputs)
        check_frames(before, result)
        self.last, self.state, self.frames = result, result.state, result.outputs.frames
        self.events += result.events
        self.notices = [] if self.cut else list(self.board.receive(self.frames))
        return result

    def run(self, seconds: float, us: int = US) -> None:
        for _ in range(round(seconds * US / us)):
            self.tick(us=us)

    def until(self, true: Callable[[Bench], bool], seconds: float) -> float:
        """Ticks until something is true and says how many seconds that took; fails when it takes longer."""
        for passed in range(int(seconds) + 1):
            if true(self):
                return passed
            self.tick()
        raise AssertionError(f"not within {seconds} s; {self.run_state}, latched {self.latched}, {self.events[-4:]}")

    def command(self, ask: Ask, role: PersonRole = PersonRole.MAINTAINER, **fields: Any) -> Command:
        self.asked += 1
        return Command(ask, "Kim", role, str(self.asked), **fields)

    def ask(self, ask: Ask, role: PersonRole = PersonRole.MAINTAINER, **fields: Any) -> Event:
        """Asks in one tick and gives the answer."""
        tick = self.tick(self.command(ask, role, **fields))
        return next(one for one in tick.events if one.kind in (Kind.COMMAND_ACCEPTED, Kind.COMMAND_REFUSED))

    def ask_start(self, what: Schedule = DEMO, level: Level = Level.UNATTENDED, **more: Any) -> Event:
        return self.ask(Ask.START, PersonRole.OPERATOR, **{
            "schedule": what, "run_id": "27", "level": level, "leaving": READY_TO_LEAVE, **more})

    def press_arm(self) -> None:
        """One press of the button at the chamber: a second in, a second out."""
        self.board.says["arm"] = True
        self.tick()
        del self.board.says["arm"]
        self.tick()

    def begin(self, what: Schedule = DEMO, level: Level = Level.UNATTENDED) -> Bench:
        """From power-on to a run that heats or would."""
        self.run(4)
        answer = self.ask_start(what, level)
        assert answer.kind is Kind.COMMAND_ACCEPTED, answer
        self.press_arm()
        self.until(lambda bench: bench.run_state is S.RUNNING and bench.board.enabled, 10)
        return self

    @property
    def run_state(self) -> S:
        return S.IDLE if self.state.run is None else self.state.run.state

    @property
    def latched(self) -> tuple[str, ...]:
        return tuple(latch.guard for latch in self.state.latches)

    @property
    def drive(self) -> Drive | None:
        """The drive frame of the newest tick."""
        return self.frames[-1] if self.frames and isinstance(self.frames[-1], Drive) else None

    @property
    def heats(self) -> bool:
        return self.drive is not None and self.drive.permit

    def said(self, kind: Kind) -> list[dict[str, Any]]:
        return [event.fields for event in self.events if event.kind is kind]

    def alarm(self, guard: str) -> str:
        return next((alarm.state.value for alarm in self.state.alarms if alarm.guard == guard), "normal")


def running(what: Schedule = DEMO, level: Level = Level.UNATTENDED, air_mc: float = 22_000.0, **bench: Any) -> Bench:
    """A bench with a run that goes on."""
    return Bench(board=FakeBoard(air_mc=air_mc), **bench).begin(what, level)


def soaking(**bench: Any) -> Bench:
    """A bench soaking at 105 °C, the heat on and steady."""
    ready = Bench(board=FakeBoard(air_mc=105_000.0, warming=False), **bench).begin(SOAK_AT_105)
    ready.board.warming = True
    ready.until(lambda one: one.state.run is not None and one.state.run.treatment.segment == 1 and one.heats, 10)
    return ready
