"""Modbus RTU, sans-IO: requests to bytes, and bytes to the answer of the one request that is outstanding.

RTU has no transaction number: nothing in an answer says which request it belongs to. So an answer is read only against its
request (unit, function, count and echo must fit), one request is outstanding at a time, and whatever was wrong is followed
by a drain (`link.module`): no new request before the line has been silent. Errors are values with a code; nothing here raises
on what comes in, and at most one answer is kept.

Frames and exception codes after the Modbus Application Protocol Specification V1.1b3, silence between frames after the
Modbus over Serial Line guide (both from memory; the tests name what they are checked against).
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

from controller.link.forms import BadMessage

FRAME_MAX_BYTES = 256
REGISTERS_MAX, BITS_MAX = 125, 2_000
"""In one request to read."""
WRITE_REGISTERS_MAX = 123
UNIT_MIN, UNIT_MAX = 1, 247
"""0 is everybody, whom nobody answers for."""
WORD_MAX = 0xFFFF
EXCEPTION = 0x80
WRITE_COIL, WRITE_REGISTER, WRITE_REGISTERS = 0x05, 0x06, 0x10
COIL_ON = 0xFF00
FIXED_GAP_ABOVE_BAUD, FIXED_GAP_US = 19_200, 1_750


class Table(StrEnum):
    """The four tables of a module."""

    COIL = "coil"
    DISCRETE = "discrete"
    HOLDING = "holding"
    INPUT = "input"


READ_FUNCTION = {Table.COIL: 0x01, Table.DISCRETE: 0x02, Table.HOLDING: 0x03, Table.INPUT: 0x04}
BIT_TABLES = frozenset({Table.COIL, Table.DISCRETE})
EXCEPTION_WORDS = {
    1: "it does not know this function", 2: "it has no such address", 3: "it does not take this value", 4: "it has failed",
    5: "it has begun and will be long", 6: "it is busy", 8: "its memory failed a check", 10: "a gateway has no path to it",
    11: "a gateway had no answer from it",
}


class Read(NamedTuple):
    """Read `size` bits or registers of one table in one piece."""

    unit: int
    table: Table
    start: int
    size: int


class WriteCoil(NamedTuple):
    """Switch one coil."""

    unit: int
    address: int
    on: bool


class WriteRegister(NamedTuple):
    """Write one holding register, 0 to 65535."""

    unit: int
    address: int
    value: int


class WriteRegisters(NamedTuple):
    """Write holding registers in one piece."""

    unit: int
    address: int
    values: tuple[int, ...]


Request = Read | WriteCoil | WriteRegister | WriteRegisters


class Wrong(StrEnum):
    """What can be wrong with an answer."""

    SILENT = "no answer"
    UNIT = "another unit"
    FUNCTION = "another function"
    COUNT = "another count"
    ECHO = "another echo"
    CHECKSUM = "wrong checksum"
    TOO_LONG = "too long"
    UNASKED = "not asked for"
    EXCEPTION = "exception"


class Answer(NamedTuple):
    """What was read, a number a bit or register; empty after a write."""

    values: tuple[int, ...]


class Bad(NamedTuple):
    """No answer that may be used. `exception` is the module's own code, 0 where it gave none."""

    code: Wrong
    reason: str
    exception: int = 0


def _table() -> tuple[int, ...]:
    rows = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte >> 1) ^ (0xA001 if byte & 1 else 0)
        rows.append(byte)
    return tuple(rows)


CRC_TABLE = _table()
"""CRC-16/MODBUS a byte at a time: polynomial 0x8005 reflected. No routine of the standard library's has this polynomial; a
look-up a byte makes 2 µs of a poll's answer."""


def crc16(body: bytes) -> int:
    """CRC-16/MODBUS: start 0xFFFF, everything reflected, nothing inverted at the end."""
    crc = 0xFFFF
    for byte in body:
        crc = (crc >> 8) ^ CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def framed(body: bytes) -> bytes:
    """Unit, function and data with their checksum behind them, low byte first."""
    return body + crc16(body).to_bytes(2, "little")


def gap_us(speed: int, stop_bits: int = 1) -> int:
    """Silence between two frames: 3.5 characters, above 19,200 baud 1.75 ms."""
    return FIXED_GAP_US if speed > FIXED_GAP_ABOVE_BAUD else -(-35 * character_bits(stop_bits) * 100_000 // speed)


def character_bits(stop_bits: int) -> int:
    """Start bit, eight data bits, no parity, stop bits."""
    return 9 + stop_bits


def function_of(request: Request) -> int:
    """The function code that a request is sent and answered with."""
    if isinstance(request, Read):
        return READ_FUNCTION[request.table]
    return {WriteCoil: WRITE_COIL, WriteRegister: WRITE_REGISTER, WriteRegisters: WRITE_REGISTERS}[type(request)]


def encode(request: Request) -> bytes:
    """The whole frame of a request. Raises BadMessage naming field, value and range."""
    _within("unit", request.unit, UNIT_MIN, UNIT_MAX)
    head = bytes((request.unit, function_of(request)))
    if isinstance(request, Read):
        most = BITS_MAX if request.table in BIT_TABLES else REGISTERS_MAX
        _within("start", request.start, 0, WORD_MAX)
        _within("count", request.size, 1, min(most, WORD_MAX + 1 - request.start))
        return framed(head + _words((request.start, request.size)))
    _within("address", request.address, 0, WORD_MAX)
    if isinstance(request, WriteCoil):
        return framed(head + _words((request.address, COIL_ON if request.on else 0)))
    if isinstance(request, WriteRegister):
        _within("value", request.value, 0, WORD_MAX)
        return framed(head + _words((request.address, request.value)))
    count = len(request.values)
    _within("count", count, 1, min(WRITE_REGISTERS_MAX, WORD_MAX + 1 - request.address))
    for value in request.values:
        _within("value", value, 0, WORD_MAX)
    return framed(head + _words((request.address, count)) + bytes((2 * count,)) + _words(request.values))


def answer_bytes(request: Request) -> int:
    """How long the answer is when nothing is wrong."""
    if not isinstance(request, Read):
        return 8
    return 5 + (-(-request.size // 8) if request.table in BIT_TABLES else 2 * request.size)


class Exchange:
    """One request and the bytes that come after it. It takes no more than one answer; what is more is wrong."""

    def __init__(self, request: Request) -> None:
        self.request = request
        self.sent = encode(request)
        self.wanted_bytes = answer_bytes(request)
        self._head = self.sent[:2]
        self._kept = b""

    def receive(self, data: bytes) -> Answer | Bad | None:
        """The answer once it is whole, what is wrong as soon as that is seen, or None while it may still come."""
        kept = self._kept = (self._kept + data)[: FRAME_MAX_BYTES + 1]
        unit, function = self._head
        if kept and kept[0] != unit:
            return Bad(Wrong.UNIT, f"unit {kept[0]} answered; {unit} was asked")
        if len(kept) < 2:
            return None
        refused = kept[1] == function | EXCEPTION
        if kept[1] != function and not refused:
            return Bad(Wrong.FUNCTION, f"function {kept[1]:#04x} answered; {function:#04x} was asked")
        wanted = 5 if refused else self.wanted_bytes
        if isinstance(self.request, Read) and not refused and kept[2:3] and kept[2] != wanted - 5:
            return Bad(Wrong.COUNT, f"{kept[2]} bytes of data came; {wanted - 5} were asked")
        if len(kept) < wanted:
            return None
        return self._whole(kept, wanted, refused)

    def silent(self) -> Bad:
        """Its time is up."""
        came = f"{len(self._kept)} of {self.wanted_bytes} bytes came in time" if self._kept else "nothing came in time"
        return Bad(Wrong.SILENT, came)

    def _whole(self, kept: bytes, wanted: int, refused: bool) -> Answer | Bad:
        if crc16(kept[: wanted - 2]) != int.from_bytes(kept[wanted - 2 : wanted], "little"):
            return Bad(Wrong.CHECKSUM, f"the bytes give {crc16(kept[: wanted - 2]):04X}, it says "
                                       f"{int.from_bytes(kept[wanted - 2 : wanted], 'little'):04X}")
        if len(kept) > wanted:
            return Bad(Wrong.TOO_LONG, f"{len(kept)} bytes or more came; the answer has {wanted}")
        if refused:
            return Bad(Wrong.EXCEPTION, f"code {kept[2]}: {EXCEPTION_WORDS.get(kept[2], 'a code nobody defined')}", kept[2])
        if not isinstance(self.request, Read):
            return Answer(()) if kept[:6] == self.sent[:6] else Bad(Wrong.ECHO, "a write is echoed, and this was another one")
        return Answer(_bits(kept[3:-2], self.request.size) if self.request.table in BIT_TABLES else _registers(kept[3:-2]))


def _within(field: str, value: int, low: int, high: int) -> None:
    if not low <= value <= high:
        raise BadMessage(f"{field} is {value}; allowed is {low} to {high}")


def _words(values: Sequence[int]) -> bytes:
    return b"".join(value.to_bytes(2, "big") for value in values)


def _registers(data: bytes) -> tuple[int, ...]:
    return tuple(int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2))


def _bits(data: bytes, count: int) -> tuple[int, ...]:
    """Lowest bit of the first byte first."""
    whole = int.from_bytes(data, "little")
    return tuple(whole >> at & 1 for at in range(count))
