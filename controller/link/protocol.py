"""Wire protocol v1: one frame a line, `<letter> key=value key=value ...*CRC4\\n`, at most 256 bytes.

`FRAMES` is the protocol: which letters there are, which fields in which order, their ranges and units. The patterns
that read a line, the templates that write one and the words of an error are all made from that table; the manual
(`hardware_notes/protocol.md`) is checked against it. Reading is strict, because two boards that read the same bytes
differently are two protocols: one order of fields, single spaces, no leading zeros, lower-case hex, upper-case CRC.

A frame that reads is quick (one pattern); a frame that does not is taken apart field by field to say what is wrong.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Callable
from enum import StrEnum
from typing import Any, NamedTuple, cast

from controller.core.messages import (
    Drive,
    Enable,
    FromBoard,
    Hello,
    LimitsRead,
    OffReason,
    Refusal,
    RefusalCode,
    Report,
    ResetCause,
    SetLimits,
    Stall,
    Tell,
    ToBoard,
    Welcome,
)
from controller.link.forms import (
    BIT,
    CHANNELS,
    EIGHT_HEX,
    FLAG,
    LIMIT,
    MAYBE_LIMIT,
    NAME,
    SEQUENCE,
    SIX,
    SIX_HEX,
    SIX_MAYBE_BITS,
    THREE,
    THREE_BITS,
    WORD,
    WORST_INT,
    BadMessage,
    Field,
    Form,
    LinkError,
    channels_of,
    channels_text,
    maybe,
    new_tuple,
    number,
)

__all__ = ["FRAMES", "BadFrame", "BadMessage", "LinkError", "Wrong", "decode", "encode"]

VERSION = 1
LINE_MAX_BYTES = 256
"""With the newline. The longest report there can be has exactly this length."""
CRC_START = 0xFFFF


class Wrong(StrEnum):
    """What can be wrong with a line, in the order in which it is looked for."""

    TOO_LONG = "too long"
    NO_CHECKSUM = "no checksum"
    CHECKSUM = "wrong checksum"
    UNKNOWN_FRAME = "unknown frame"
    VERSION = "wrong version"
    FIELDS = "wrong fields"
    VALUE = "not a plain value"
    RANGE = "out of range"


class BadFrame(LinkError):
    """A line that is not a good frame. Raised by `decode`; the fault is the sender's or the wire's."""

    def __init__(self, code: Wrong, line: bytes, reason: str) -> None:
        super().__init__(f"{code.value}: {reason}")
        self.code = code
        self.line = line
        self.reason = reason


class Layout(NamedTuple):
    """One kind of frame: letter, message, fields in order."""

    letter: str
    message: type[Any]
    fields: tuple[Field, ...]


V = Field("v", (), Form(str(VERSION), str), "version of this protocol")
B = Field("b", ("board",), SIX_HEX, "the board's id, six hex digits")
O = Field("o", ("boot",), WORD, "boots so far, modulo 65536")  # noqa: E741 - the wire's own letter
S = Field("s", ("session",), WORD, "session")
Q = Field("q", ("sequence",), SEQUENCE, "sequence")

FRAMES: tuple[Layout, ...] = (
    Layout("H", Hello, (V, Field("s", ("session",), number(1, 65_535), "session"), Q)),
    Layout("E", Enable, (S, Q)),
    Layout("D", Drive, (
        S, Q,
        Field("p", ("permit",), BIT, "permit"),
        Field("c", ("contactor",), BIT, "line contactor"),
        Field("u", ("duty_e4",), number(0, 10_000), "1/10,000"),
        Field("w", ("window_ms",), number(1_000, 600_000), "ms"),
    )),
    Layout("T", Tell, (
        S, Q,
        Field("l", ("armed",), number(0, 2), "armed lamp"),
        Field("g", ("heating",), BIT, "heating lamp"),
        Field("x", ("hot",), BIT, "hot lamp"),
        Field("z", ("sounder",), number(0, 3), "sounder"),
    )),
    Layout("S", SetLimits, (
        S, Q,
        Field("b", ("board_ceiling_mc",), MAYBE_LIMIT, "0.001 °C"),
        Field("r", ("run_ceiling_mc",), MAYBE_LIMIT, "0.001 °C"),
        Field("m", ("run_max_s",), maybe(0, 999_999), "s"),
    )),
    Layout("X", Stall, (S, Q)),
    Layout("W", Welcome, (
        V, B, O, S,
        Field("f", ("firmware",), NAME, "firmware version"),
        Field("k", ("firmware_hash",), EIGHT_HEX, "firmware hash, eight hex digits"),
        Field("c", ("reset",), number(0, max(ResetCause)), "reset cause"),
        Field("z", ("simulated",), BIT, "simulated"),
    )),
    Layout("R", Report, (
        B, O, S, Q,
        Field("h", ("heard",), SEQUENCE, "last good sequence heard"),
        Field("u", ("up_us",), number(0, WORST_INT), "µs"),
        Field("t", ("channels",), CHANNELS, "0.001 °C / 0.001 °C / fault bits / conversions"),
        Field("k", ("modulator", "contactor", "enabled"), THREE_BITS, "switches read back, enabled"),
        Field("f", ("off",), number(0, max(OffReason)), "off reason"),
        Field("e", ("on_us",), number(0, 9_999_999), "µs"),
        Field("n", ("switches",), number(0, 999_999), "times switched on"),
        Field("r", ("run_s",), number(0, 999_999), "s"),
        Field("i", ("mains", "limiter", "door", "local_stop", "arm", "smoke"), SIX_MAYBE_BITS, "contacts"),
        Field("a", ("current_ma",), maybe(0, 99_999), "mA"),
        Field("m", ("fan_rpm",), maybe(0, 9_999), "1/min"),
        Field("y", ("aux_mv",), maybe(0, 9_999), "mV"),
    )),
    Layout("L", LimitsRead, (
        S,
        Field("b", ("board_ceiling_mc",), LIMIT, "0.001 °C"),
        Field("r", ("run_ceiling_mc",), LIMIT, "0.001 °C"),
        Field("m", ("run_max_s",), number(0, 999_999), "s"),
        Field("x", ("silence_us",), number(0, 9_999_999), "µs"),
    )),
    Layout("N", Refusal, (S, Q, Field("c", ("code",), number(1, max(RefusalCode)), "refusal code"))),
)
TO_BOARD = b"HEDTSX"
FROM_BOARD = b"WRLN"


class Codec(NamedTuple):
    """What `FRAMES` says of one frame, made ready for speed."""

    layout: Layout
    pattern: re.Pattern[str]
    read: Callable[[tuple[str, ...]], Any]
    """The pattern's groups to the message."""
    checks: tuple[tuple[int, int, int], ...]
    """(index, low, high) where the number of digits alone does not say it."""
    write: Callable[[Any], str]
    """The message to its text, checksum excluded."""
    bounds: tuple[tuple[int, int, int], ...]
    """(index, low, high) of every number."""
    named: bool
    """Holds texts, which bounds do not check."""


def _codec(layout: Layout) -> Codec:
    names = tuple(name for field in layout.fields for name in field.names)
    if names != layout.message._fields:
        raise TypeError(f"frame {layout.letter} has fields {names}, its message {layout.message._fields}")
    bounds = tuple(
        (names.index(field.names[0]), field.form.low, field.form.high) for field in layout.fields if field.form.high
    )
    pattern = " ".join([layout.letter, *(f"{field.key}={field.form.pattern}" for field in layout.fields)])
    return Codec(layout, re.compile(pattern), table_reader(layout),
                 tuple(row for row in bounds if not _exact(row)), table_writer(layout), bounds,
                 layout.message is Welcome)


def table_reader(layout: Layout) -> Callable[[tuple[str, ...]], Any]:
    """Reads a frame as its row in `FRAMES` says."""
    forms = [(field.form.read, len(field.names) > 1) for field in layout.fields if field.names]

    def read(groups: tuple[str, ...]) -> Any:
        values: list[Any] = []
        for (form_read, fills_several), group in zip(forms, groups, strict=True):
            if fills_several:
                values += form_read(group)
            else:
                values.append(form_read(group))
        return layout.message._make(values)

    return read


def table_writer(layout: Layout) -> Callable[[Any], str]:
    """Writes a message as its row in `FRAMES` says."""
    blanks = [layout.letter, *(f"{field.key}={'%s' * len(field.names) or VERSION}" for field in layout.fields)]
    template = " ".join(blanks)
    return lambda message: template % tuple([_plain(value) for value in message])


def _exact(bound: tuple[int, int, int]) -> bool:
    """Does the number of digits alone keep a value within its bounds?"""
    _, low, high = bound
    return set(str(high)) == {"9"} and (low == 0 or (low < 0 and set(str(-low)) == {"9"}))


def crc4(body: bytes) -> bytes:
    """CRC-16/CCITT-FALSE (polynomial 0x1021, start 0xFFFF, nothing reflected) as four upper-case hex digits."""
    return b"%04X" % crc_hqx(body, CRC_START)


def decode(line: bytes) -> FromBoard | ToBoard:
    """The message of one line, with or without its newline. Raises BadFrame, and nothing else, for anything that is not
    a good frame of version 1."""
    if line[-1:] == b"\n":
        line = line[:-1]
    body = line[:-5]
    if len(line) >= LINE_MAX_BYTES or line[-5:] != b"*%04X" % crc_hqx(body, CRC_START):
        raise _noise(line)
    text = body.decode("latin-1")
    codec = CODECS.get(text[:1])
    match = codec and codec.pattern.fullmatch(text)
    if codec is None or not match:
        raise _explain(codec, text, line)
    message = codec.read(match.groups())
    for index, low, high in codec.checks:
        value = message[index]
        if value is not None and not low <= value <= high:
            raise _explain(codec, text, line)
    return cast(FromBoard | ToBoard, message)


def encode(message: FromBoard | ToBoard) -> bytes:
    """The whole line of a message, newline included. Raises BadMessage naming field, value and range."""
    codec = BY_TYPE[type(message)]
    values: tuple[Any, ...] = message
    for index, low, high in codec.bounds:
        value = values[index]
        if value is not None and not low <= value <= high:
            raise BadMessage(f"{type(message)._fields[index]} is {value}; allowed is {low} to {high}")
    text = codec.write(message)
    if codec.named and not codec.pattern.fullmatch(text):
        raise BadMessage(f"{text!r} does not fit frame {codec.layout.letter}; see its fields in {__name__}.FRAMES")
    body = text.encode("ascii")
    return b"%b*%04X\n" % (body, crc_hqx(body, CRC_START))


def _plain(value: object) -> object:
    if type(value) is int:
        return value
    if value is None:
        return "-"
    if isinstance(value, tuple):
        return channels_text(value)
    return int(value) if isinstance(value, bool) else value


def _drive_text(message: Drive) -> str:
    session, sequence, permit, contactor, duty_e4, window_ms = message
    return f"D s={session} q={sequence} p={FLAG[permit]} c={FLAG[contactor]} u={duty_e4} w={window_ms}"


def _drive_read(groups: tuple[str, ...]) -> Drive:
    session, sequence, permit, contactor, duty_e4, window_ms = groups
    return new_tuple(Drive, (int(session), int(sequence), permit == "1", contactor == "1", int(duty_e4), int(window_ms)))


def _report_text(message: Report) -> str:
    (board, boot, session, sequence, heard, up_us, channels, modulator, contactor, enabled, off, on_us, switches, run_s,
     mains, limiter, door, local_stop, arm, smoke, current_ma, fan_rpm, aux_mv) = message
    return (
        f"R b={board} o={boot} s={session} q={sequence} h={heard} u={up_us}"
        f" t={channels_text(channels)}"
        f" k={FLAG[modulator]}{FLAG[contactor]}{FLAG[enabled]} f={off:d} e={on_us} n={switches} r={run_s}"
        f" i={FLAG[mains]}{FLAG[limiter]}{FLAG[door]}{FLAG[local_stop]}{FLAG[arm]}{FLAG[smoke]}"
        f" a={'-' if current_ma is None else current_ma} m={'-' if fan_rpm is None else fan_rpm}"
        f" y={'-' if aux_mv is None else aux_mv}"
    )


def _report_read(groups: tuple[str, ...]) -> Report:
    (board, boot, session, sequence, heard, up_us, channels, outputs, off, on_us, switches, run_s, contacts,
     current_ma, fan_rpm, aux_mv) = groups
    return new_tuple(Report, (
        board, int(boot), int(session), int(sequence), int(heard), int(up_us), channels_of(channels), *THREE[outputs],
        int(off), int(on_us), int(switches), int(run_s), *SIX[contacts],
        None if current_ma == "-" else int(current_ma), None if fan_rpm == "-" else int(fan_rpm),
        None if aux_mv == "-" else int(aux_mv),
    ))


CODECS = {layout.letter: _codec(layout) for layout in FRAMES}
CODECS["R"] = CODECS["R"]._replace(read=_report_read, write=_report_text)
CODECS["D"] = CODECS["D"]._replace(read=_drive_read, write=_drive_text)
"""Frames that go by all the time have a reader or writer of their own; a test holds each to the table's."""
BY_TYPE = {codec.layout.message: codec for codec in CODECS.values()}


def _show(raw: bytes) -> str:
    return raw.decode("ascii", "backslashreplace")


def _noise(line: bytes) -> BadFrame:
    """Why a line is nobody's frame: too long, or its end is not `*` and the checksum of the rest."""
    if len(line) >= LINE_MAX_BYTES:
        return BadFrame(Wrong.TOO_LONG, line, f"{len(line)} bytes; allowed are {LINE_MAX_BYTES - 1} and a newline")
    if line[-5:-4] != b"*":
        return BadFrame(Wrong.NO_CHECKSUM, line, "the fifth byte from the end is no '*'")
    return BadFrame(Wrong.CHECKSUM, line, f"it says {_show(line[-4:])}, the bytes give {_show(crc4(line[:-5]))}")


def _explain(codec: Codec | None, text: str, line: bytes) -> BadFrame:
    """Why a line with a good checksum is no good frame: the first thing wrong, with what is allowed."""
    if codec is None:
        return BadFrame(Wrong.UNKNOWN_FRAME, line, f"frame {text[:1]!r}; there are {' '.join(CODECS)}")
    words = text.split(" ")[1:]
    fields = codec.layout.fields
    if fields[0] is V and words and words[0].startswith("v=") and words[0] != f"v={VERSION}":
        return BadFrame(Wrong.VERSION, line, f"version {words[0][2:]!r}; this is version {VERSION}")
    keys = [word.partition("=")[0] for word in words]
    wanted = [field.key for field in fields]
    if keys != wanted or text[1:2] != " ":
        return BadFrame(Wrong.FIELDS, line, f"fields are {' '.join(keys)!r}; wanted are {' '.join(wanted)!r}")
    for field, word in zip(fields, words, strict=True):
        wrong = _explain_value(field, word.partition("=")[2])
        if wrong:
            return BadFrame(wrong, line, f"{field.key} is {word[2:]!r}; allowed is {_allowed(field)}")
    return BadFrame(Wrong.FIELDS, line, "not the one way to write this frame")


def _explain_value(field: Field, value: str) -> Wrong | None:
    form = field.form
    if form.high and re.fullmatch(r"0|-?[1-9][0-9]*", value):
        return None if len(value) < 17 and form.low <= int(value) <= form.high else Wrong.RANGE
    return None if re.fullmatch(form.pattern, value) else Wrong.VALUE


def _allowed(field: Field) -> str:
    form = field.form
    return f"{form.low} to {form.high} ({field.unit})" if form.high else f"{field.unit}, written as {form.pattern}"
