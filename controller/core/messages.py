"""What board and host say to each other, as values. The bytes are `link.protocol`'s business.

Every number is an integer and its name ends in its unit. `None` means that the board has no such thing
(`-` on the wire); it never means zero. Ranges stand in `hardware_notes/protocol.md` and in `link.protocol`.
Named tuples, not dataclasses: a report is built four times a second for weeks, and this is four times cheaper.
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

CHANNELS_MAX = 6


class Channel(NamedTuple):
    """One temperature channel as its converter gives it."""

    value_mc: int
    cold_mc: int
    fault: int
    """Bit set of `Fault`; 0 is none."""
    conversions: int
    """Counts finished conversions, modulo 256."""


class Fault(IntEnum):
    """Fault bits of one temperature channel."""

    OPEN = 0x01
    SHORT_TO_GROUND = 0x02
    SHORT_TO_SUPPLY = 0x04
    OUT_OF_RANGE = 0x08
    COLD_JUNCTION = 0x10
    CONVERTER_SILENT = 0x20


class OffReason(IntEnum):
    """Why the board itself keeps its outputs off. The first that stands is reported."""

    NONE = 0
    RESET = 1
    NOT_ENABLED = 2
    NO_PERMIT = 3
    HOST_SILENT = 4
    LOCAL_STOP = 5
    DOOR = 6
    CEILING = 7
    RUN_CEILING = 8
    RUN_TIME = 9
    SENSOR = 10
    SETTINGS = 11
    SMOKE = 12
    OUTPUT = 13
    SELF_TEST = 14


class ResetCause(IntEnum):
    """Why the board last started."""

    POWER_ON = 0
    BROWN_OUT = 1
    EXTERNAL = 2
    WATCHDOG = 3
    UNKNOWN = 4


class RefusalCode(IntEnum):
    """Why the board did not do what a frame asked."""

    VERSION = 1
    SESSION = 2
    SEQUENCE = 3
    RANGE = 4
    LOOSENS = 5
    NOT_HELD = 6
    OUTPUTS_ON = 7
    UNKNOWN_FRAME = 8


class Report(NamedTuple):
    """All the board knows, sent every 250 ms."""

    board: str
    """Six hex digits, lower case; never changes."""
    boot: int
    session: int
    """0 until a hello has been heard since the last reset."""
    sequence: int
    heard: int
    """Sequence of the last good host frame of this session; the report's age is counted from when that was sent."""
    up_us: int
    """The board's own clock since its reset."""
    channels: tuple[Channel | None, ...]
    modulator: bool
    """Read back at the output, not remembered."""
    contactor: bool
    enabled: bool
    off: int
    """An `OffReason`."""
    on_us: int
    """Modulator on-time since the report before this one."""
    switches: int
    """Times the modulator switched on, over its life."""
    run_s: int
    """Heated time of this session as the board's own limit counts it."""
    mains: bool | None
    limiter: bool | None
    """True: closed."""
    door: bool | None
    """True: shut."""
    local_stop: bool | None
    """True: held or latched in."""
    arm: bool | None
    """True: pressed now."""
    smoke: bool | None
    current_ma: int | None
    fan_rpm: int | None
    aux_mv: int | None


class Welcome(NamedTuple):
    """The board's answer to a hello."""

    board: str
    boot: int
    session: int
    firmware: str
    firmware_hash: str
    reset: int
    """A `ResetCause`."""
    simulated: bool


class LimitsRead(NamedTuple):
    """The limits the board holds, read back from its own memory."""

    session: int
    board_ceiling_mc: int
    run_ceiling_mc: int
    run_max_s: int
    silence_us: int


class Refusal(NamedTuple):
    """The board heard a whole frame and did not do it."""

    session: int
    sequence: int
    code: int
    """A `RefusalCode`."""


class Hello(NamedTuple):
    """Opens a session: outputs off, limits back to the ceilings, a fresh enable needed."""

    session: int
    sequence: int


class Enable(NamedTuple):
    """Lets later drive frames switch on, once every permissive of the board's own stands."""

    session: int
    sequence: int


class Drive(NamedTuple):
    """The last frame of a healthy tick, and the only one that feeds the silence timer."""

    session: int
    sequence: int
    permit: bool
    contactor: bool
    duty_e4: int
    window_ms: int


class Tell(NamedTuple):
    """Lamps and sounder. Never feeds the silence timer."""

    session: int
    sequence: int
    armed: int
    """0 off, 1 armed, 2 flashing: a press is asked for."""
    heating: bool
    hot: bool
    sounder: int
    """0 silent, 1 chirp (can wait), 2 alarm (get up), 3 evacuate."""


class SetLimits(NamedTuple):
    """Lower a limit, or set the run's; `None` leaves it as it is. A rise is refused."""

    session: int
    sequence: int
    board_ceiling_mc: int | None
    run_ceiling_mc: int | None
    run_max_s: int | None


class Stall(NamedTuple):
    """Stop the program where it stands, so that only the hardware watchdog can end it: its proof at commissioning. Obeyed
    only while enabled with the contactor open. A board may not know it. Never feeds the silence timer."""

    session: int
    sequence: int


FromBoard = Report | Welcome | LimitsRead | Refusal
ToBoard = Hello | Enable | Drive | Tell | SetLimits | Stall
