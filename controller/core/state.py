"""Everything the tick remembers, takes and gives. Frozen; `core.canonical` writes and reads it as JSON.

All times are microseconds: `mono_us` is the host's monotonic clock as passed in, `up_us` the board's own.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.core.alarms import AlarmState
from controller.core.commands import Command
from controller.core.events import Event
from controller.core.leaving import NOT_HEARD
from controller.core.messages import LimitsRead, Refusal, Report, ToBoard, Welcome
from controller.core.modulation import OFF, Modulation
from controller.core.module import ModuleFound, Proving, SilenceProof
from controller.core.program import Program, Treatment
from controller.core.quick import new
from controller.core.readings import Reading
from controller.core.regulator import Regulator
from controller.core.run_states import S
from controller.core.schedule import Schedule
from controller.core.setup import Chamber, Level
from controller.core.supervisor import Latch, Standing
from controller.core.watch import Trail, Wanted


class LineOpened(NamedTuple):
    """The port is open; nothing has been heard yet."""

    session: int
    """The session number to say hello with; the service never uses one twice."""


class LineLost(NamedTuple):
    """The port failed or closed."""

    reason: str


class Garbage(NamedTuple):
    """Lines that were not whole, good frames since the last tick."""

    lines: int
    why: str = ""
    """What was wrong with the last of them: whoever builds a board needs to know."""


class Wall(NamedTuple):
    """What time it is, told in every tick in which a start waits for a time that was named."""

    utc_us: int
    """`NOT_SET` while nobody knows whether the computer's clock is right."""


NOT_SET = -1


class Commissioned(NamedTuple):
    """What proofs that hold now allow, and what they found of each sensor. Not taken while a run is on."""

    may_do: Level
    trials: tuple[str, ...]
    found: tuple[tuple[int, int, int], ...]
    """(offset m°C, slope ppm, uncertainty m°C) of each sensor, in the chamber's order."""


class Messages(NamedTuple):
    """What the messenger says of itself, told when it changes."""

    failing: str
    """Why messages cannot leave; empty while they can."""


class Lamps(NamedTuple):
    """Lamps and sounder, as `messages.Tell` carries them."""

    armed: int
    heating: bool
    hot: bool
    sounder: int


class Show(NamedTuple):
    """Lamps and sounder as a step of commissioning tries them, in this tick. Not taken while a run is on or waits."""

    lamps: Lamps


class Handled(NamedTuple):
    """A person has sensors out of their places, in this tick and by a step of commissioning: a rise of theirs is not the air's.
    Limits go on judging them. Not taken while a run is on."""


LineNotice = LineOpened | LineLost | Garbage | Welcome | LimitsRead | Refusal | ModuleFound | SilenceProof | Proving
"""What comes up from the link beside reports."""
Notice = LineNotice | Wall | Messages | Commissioned | Show | Handled
"""That, and what the computer itself tells."""


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


class Board(NamedTuple):
    """The host's side of the handshake, and the newest that the board said. -1 in a `_us` field: never."""

    open: bool = False
    session: int = 0
    sequence: int = 0
    """Of the last frame sent in this session."""
    sent: tuple[tuple[int, int], ...] = ()
    """(sequence, mono_us) of the last frames, oldest first: a report's age is counted from these."""
    opened_us: int = -1
    hello_us: int = -1
    """When the last hello left; it is repeated until it is answered."""
    told_us: int = -1
    tell: Lamps | None = None
    """As last told."""
    limits_us: int = -1
    """When limits were last sent."""
    enable_us: int = -1
    welcome: Welcome | None = None
    accepted: bool = False
    """The welcome is this chamber's board, simulated or not as the chamber file says."""
    strange: bool = False
    """Nothing that answers speaks the protocol, and that has been said."""
    limits: LimitsRead | None = None
    report: Report | None = None
    heard_us: int = -1
    """When the frame was sent that the newest report had heard."""
    garbage: int = 0
    """Bad lines not yet reported."""
    garbage_us: int = -1
    garbage_why: str = ""
    module: ModuleFound | None = None
    """Of this session, in place of a welcome."""
    proof: SilenceProof | None = None
    """The newest of this session."""
    proving_us: int = -1
    """Since when, by the reports' clock, the line holds the contactor closed for a proof; -1: it does not."""

    @property
    def known(self) -> bool:
        """Somebody has answered in this session."""
        return self.welcome is not None or self.module is not None

    def sent_up_to(self, sequence: int, sent: tuple[tuple[int, int], ...]) -> Board:
        """After a tick's frames."""
        return new(Board, (*self[:2], sequence, sent, *self[4:]))

    def hears(self, report: Report, heard_us: int) -> Board:
        """With a newer report."""
        return new(Board, (*self[:14], report, heard_us, *self[16:]))


class Alarm(NamedTuple):
    """One guard's alarm (ISA-18.2 states)."""

    guard: str
    state: AlarmState
    since_us: int
    value: int
    """What the guard saw when it began to stand, and its limit then; UNKNOWN where nobody knew."""
    limit: int


class Run(NamedTuple):
    """One run: a list of programs, and which of them goes on. Its states are those of `run_states`."""

    id: str
    state: S
    schedule: Schedule
    level: Level
    by: str
    started_us: int
    run_ceiling_mc: int
    run_max_us: int
    wanted: Wanted
    """The board and session it was started with; any other ends it."""
    expected: LimitsRead
    """What the board must read back; `session` is not compared."""
    programs: tuple[Program, ...]
    at: int
    air_setpoint_mc: int
    """What the regulator was asked for last; 0 before the first request."""
    slope_mc_per_h: int
    heat_withheld: bool
    """After an interlock: heat comes back only by a command."""
    end: str
    """Why it ended, in words; empty while it goes on."""
    checked_in_us: int
    follows_us: int = 0
    """Since when it has followed its plan without a break; no longer moved once that was half an hour."""
    contactor: bool = True
    """Wanted closed while there is a permit; a proof moves the two switches apart."""
    quiet: bool = False
    """Nothing drives the board, so that it must switch off by itself."""
    trial: str = ""
    """Which heated step of commissioning this is; empty: a treatment."""

    @property
    def program(self) -> Program:
        return self.programs[self.at]

    def stepped(self, program: Program) -> Run:
        """With this program in the place of the one that goes on."""
        return self._replace(programs=self.with_program(program))

    def with_program(self, program: Program) -> tuple[Program, ...]:
        """The list with this program in the place of the one that goes on."""
        return (*self.programs[: self.at], program, *self.programs[self.at + 1 :])

    def moved(self, programs: tuple[Program, ...], air_setpoint_mc: int, slope_mc_per_h: int) -> Run:
        """After one step of its program."""
        return new(Run, (*self[:10], programs, self.at, air_setpoint_mc, slope_mc_per_h, *self[14:]))

    @property
    def treatment(self) -> Treatment:
        """Where the schedule is, or was when cooling down began."""
        return next(program for program in self.programs if isinstance(program, Treatment))


class Pending(NamedTuple):
    """A start that waits: for the arm button, for its named time, for a fresh session, for the limits to be read back."""

    command: Command
    asked_us: int
    """When what it waits for now was asked for."""
    run_ceiling_mc: int
    run_max_us: int
    armed: bool
    said_us: int = 0
    """When the command came."""
    due: bool = True
    """Its named time has come, or none was named."""
    void: str = ""
    """Why the press before counts no more; empty while none was lost."""
    board_ceiling_mc: int = 0
    """The run's limit as the board gets it; 0: the same."""


class Lapse(NamedTuple):
    """A start that came to nothing, kept until the next one is asked for."""

    reason: str
    mono_us: int
    at_utc_us: int
    """The time it was named for; 0: none."""


class Stop(NamedTuple):
    """The last "Stop heating" or trip: accepted when, heat seen off when. -1: not yet, or none."""

    by: str = ""
    accepted_us: int = -1
    off_seen_us: int = -1


class State(NamedTuple):
    """Everything. `advance(state, inputs)` gives the next one."""

    chamber: Chamber
    tick: int
    mono_us: int
    """Of the newest tick; never falls."""
    regulated_us: int
    """Of the newest tick that was not an extra one."""
    board: Board
    readings: tuple[Reading, ...]
    """In the order of `chamber.sensors`."""
    trail: Trail
    standing: tuple[Standing, ...]
    """In the order of `guards.GUARDS`, as are `values`, `limits` and `clears`."""
    values: tuple[int, ...]
    limits: tuple[int, ...]
    clears: tuple[int, ...]
    lowered: tuple[tuple[str, int], ...]
    """Limits lowered at run time, by name."""
    latches: tuple[Latch, ...]
    alarms: tuple[Alarm, ...]
    """Those that are not normal."""
    run: Run | None
    pending: Pending | None
    arm_pressed: bool
    """The arm button at the last report was not seen released, so no press now is an edge."""
    armed_us: int
    """When it was pressed with nothing waiting; -1: not armed."""
    permit: bool
    """Given in the newest tick."""
    regulator: Regulator
    stop: Stop
    record_lost: int
    messages_why: str = NOT_HEARD
    """Why messages cannot leave; empty while they can."""
    lapse: Lapse | None = None
    modulation: Modulation = OFF
    """Of a module that has no duty register."""


class Tick(NamedTuple):
    """What one tick gives."""

    state: State
    outputs: Outputs
    events: tuple[Event, ...]
