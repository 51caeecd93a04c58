"""Everything the tick remembers, takes and gives. Frozen; `core.canonical` writes and reads it as JSON.

All times are microseconds: `mono_us` is the host's monotonic clock as passed in, `up_us` the board's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from controller.core.alarms import AlarmState
from controller.core.commands import Command
from controller.core.events import Event
from controller.core.messages import LimitsRead, Refusal, Report, ToBoard, Welcome
from controller.core.readings import Reading
from controller.core.run_states import S
from controller.core.schedule import Schedule
from controller.core.setup import Chamber, Level


class LineOpened(NamedTuple):
    """The port is open; nothing has been heard yet."""

    session: int
    """The session number to say hello with; the service never uses one twice."""


class LineLost(NamedTuple):
    """The port failed or closed."""

    reason: str


class Garbage(NamedTuple):
    """Lines that were not whole, good frames since the last tick."""

    count: int


Notice = LineOpened | LineLost | Garbage | Welcome | LimitsRead | Refusal
"""What comes up from the link beside reports."""


class Inputs(NamedTuple):
    """One tick's worth of the world. No arrival times."""

    mono_us: int
    reports: tuple[Report, ...] = ()
    """Oldest first. More than `REPORTS_MAX` is a gap: the newest are kept."""
    notices: tuple[Notice, ...] = ()
    commands: tuple[Command, ...] = ()
    late_us: int = 0
    record_lost: int = 0
    """Rows lost because the record cannot be written; 0 while it can."""
    extra: bool = False
    """Supervise and combine only: "Stop heating" does not wait for the second to end."""


REPORTS_MAX = 20


class Outputs(NamedTuple):
    """What leaves: frames in order, drive last. A tripped tick has no drive."""

    frames: tuple[ToBoard, ...]


@dataclass(frozen=True, slots=True)
class Board:
    """The host's side of the handshake, and the newest that the board said."""

    open: bool = False
    session: int = 0
    sequence: int = 0
    """Of the last frame sent in this session."""
    sent: tuple[tuple[int, int], ...] = ()
    """(sequence, mono_us) of the last drives and tells, oldest first: a report's age is counted from these."""
    hello_us: int = 0
    """When the last hello left, to repeat it after a second without an answer."""
    opened_us: int = 0
    welcome: Welcome | None = None
    accepted: bool = False
    """The welcome is this chamber's board, simulated or not as the chamber file says."""
    limits: LimitsRead | None = None
    limits_set: bool = False
    report: Report | None = None
    heard_us: int = 0
    """When the frame was sent that the newest report had heard."""
    enable_us: int = 0


@dataclass(frozen=True, slots=True)
class Sensor:
    """One fitted sensor's last judgement."""

    reading: Reading
    conversions: int
    changed_us: int
    """Board time of the last new conversion."""


@dataclass(frozen=True, slots=True)
class Trail:
    """What guards need of the past, in board time: coarse, bounded, integer."""

    control: tuple[tuple[int, int], ...] = ()
    """(up_us, m°C) of the control sensor every 5 s, the last minute."""
    off_since_us: int = -1
    """Board time since which the modulator has not been on; -1 while it is."""
    off_low_mc: int = 0
    """Lowest control reading of this bucket of heat-off time."""
    off_low_before_mc: int = 0
    off_bucket_us: int = 0
    full_since_us: int = -1
    """Board time since which the achieved duty is nearly full and the air has not risen; -1 while not."""
    full_from_mc: int = 0
    on_window: tuple[tuple[int, int], ...] = ()
    """(up_us, on_us) of the last modulation window, to say what duty was achieved."""
    on_sum_us: int = 0
    achieved_e4: int = 0


@dataclass(frozen=True, slots=True)
class Standing:
    """One guard: since when its value has been at the limit, and whether it stands. -1: not since."""

    since_us: int = -1
    stands: bool = False


@dataclass(frozen=True, slots=True)
class Latch:
    """One trip, kept until a maintainer clears it."""

    guard: str
    mono_us: int
    value: int
    limit: int
    detail: str
    first_out: bool


@dataclass(frozen=True, slots=True)
class Alarm:
    """One guard's alarm (ISA-18.2 states)."""

    guard: str
    state: AlarmState
    since_us: int


@dataclass(frozen=True, slots=True)
class Progress:
    """Where the schedule is."""

    segment: int
    segment_us: int
    """Time spent in this segment, holds included."""
    setpoint_mc: int
    """What the air is asked to be, before the trim."""
    remainder: int
    """Of the set point's integer slope, in m°C·µs/h, so that 20 °C/h is exact over hours."""
    counted_us: int
    counting: bool
    trim_mc: int
    """Air is asked this much above the target because a part sensor says that the part lags."""


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a schedule. The only states are those of `run_states`."""

    id: str
    state: S
    schedule: Schedule
    level: Level
    started_us: int
    by: str
    run_ceiling_mc: int
    run_max_us: int
    progress: Progress
    heat_withheld: bool
    """After an interlock: heat comes back only by a command."""
    end: str
    """Why it ended, in words; empty while it goes on."""
    checked_in_us: int


@dataclass(frozen=True, slots=True)
class Pending:
    """A start that waits for the arm button."""

    command: Command
    asked_us: int


@dataclass(frozen=True, slots=True)
class Regulator:
    """All the regulator remembers. Floats live here and in the model only."""

    integral: float = 0.0
    """Duty 0..1 contributed by the integral term."""
    duty_e4: int = 0
    """What it asked for last."""
    active: bool = False


@dataclass(frozen=True, slots=True)
class Stop:
    """Progress of the last "Stop heating" or trip: asked, accepted, heat seen off. 0: not yet."""

    by: str = ""
    accepted_us: int = 0
    off_seen_us: int = 0


@dataclass(frozen=True, slots=True)
class State:
    """Everything. `advance(state, inputs)` gives the next one."""

    chamber: Chamber
    tick: int
    mono_us: int
    board: Board
    sensors: tuple[Sensor, ...]
    """In the order of `chamber.sensors`."""
    trail: Trail
    standing: tuple[Standing, ...]
    """In the order of `guards.GUARDS`."""
    values: tuple[int, ...]
    """The watched quantities of the last look, in the same order."""
    limits: tuple[tuple[str, int], ...]
    """Limits lowered at run time, by name."""
    latches: tuple[Latch, ...]
    alarms: tuple[Alarm, ...]
    run: Run | None
    pending: Pending | None
    arm_pressed: bool
    """The arm button at the last report, so that an edge can be seen."""
    armed_us: int
    """When it was pressed; -1: not armed."""
    regulator: Regulator
    stop: Stop
    record_lost: int


class Tick(NamedTuple):
    """What one tick gives."""

    state: State
    outputs: Outputs
    events: tuple[Event, ...]
