"""An invented module in memory: tables of bits and registers, answers by the specification, a communication time-out of its
own and, if asked for, a timer relay beside it. Its answers can be spoilt in every way a line or a bad module spoils them.

It shares no code with the product but the checksum, which is checked against pymodbus's elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from controller.link.modbus import crc16, framed

CONTACTOR, MODULATOR, TRIGGER = 1, 0, 2
DUTY, TIME_OUT = 20, 30
Spoil = Callable[[bytes], list[tuple[int, bytes]]]
"""An answer to the pieces that come instead: (µs late, bytes)."""


@dataclass
class ModulePeer:
    """Sensors are input registers from 0 on, in 0.1 °C; time passes only in `advance`."""

    unit: int = 1
    coils: list[int] = field(default_factory=lambda: [0] * 8)
    discretes: list[int] = field(default_factory=lambda: [0] * 8)
    inputs: list[int] = field(default_factory=lambda: [215, 216, 217, 0, 0, 0, 0, 0])
    holding: list[int] = field(default_factory=lambda: [0] * 40)
    relay_us: int = 0
    """Of the timer relay; 0: there is none, and the contact follows the coil."""
    relay_stuck: bool = False
    seen_at: int = 0
    """The discrete input that the contactor's auxiliary contact is wired to."""
    time_out_counts_us: int = 100_000
    has_time_out: bool = True
    refuses: set[int] = field(default_factory=set)
    """Function codes answered with exception 1."""
    deaf: bool = False
    """Echoes every write and does none."""
    spoil: Spoil | None = None
    mute: bool = False
    now_us: int = 0
    asked_us: int = 0
    triggered_us: int = -(10**9)
    requests: list[bytes] = field(default_factory=list)

    def advance(self, us: int) -> None:
        """Time passes; a time-out that has run out lets every output go."""
        self.now_us += us
        time_out_us = self.holding[TIME_OUT] * self.time_out_counts_us if self.has_time_out else 0
        if time_out_us and self.now_us - self.asked_us >= time_out_us:
            self.coils = [0] * len(self.coils)
            self.holding[DUTY] = 0

    @property
    def contactor(self) -> bool:
        """The contact itself, not its coil."""
        held = not self.relay_us or self.relay_stuck or self.now_us - self.triggered_us < self.relay_us
        return bool(self.coils[CONTACTOR]) and held

    @property
    def heats(self) -> bool:
        return self.contactor and bool(self.coils[MODULATOR] or self.holding[DUTY])

    def receive(self, request: bytes) -> list[tuple[int, bytes]]:
        """What comes back, and how much later."""
        self.requests.append(request)
        if self.mute or crc16(request[:-2]) != int.from_bytes(request[-2:], "little") or request[0] != self.unit:
            return []
        self.asked_us = self.now_us
        answer = framed(self._answer(request))
        return [(0, answer)] if self.spoil is None else self.spoil(answer)

    def _answer(self, request: bytes) -> bytes:
        unit, function, first, second = request[0], request[1], *(
            int.from_bytes(request[at : at + 2], "big") for at in (2, 4))
        head = bytes((unit, function))
        if function in self.refuses:
            return bytes((unit, function | 0x80, 1))
        table = {1: self.coils, 2: self._discretes(), 3: self.holding, 4: self.inputs}.get(function)
        if table is not None:
            if first + second > len(table):
                return bytes((unit, function | 0x80, 2))
            values = table[first : first + second]
            if function < 3:
                data = sum(bit << at for at, bit in enumerate(values)).to_bytes(-(-second // 8), "little")
            else:
                data = b"".join((value % 65_536).to_bytes(2, "big") for value in values)
            return head + bytes((len(data),)) + data
        if self.deaf:
            return request[:6]
        if function == 5:
            on = second == 0xFF00
            if first == TRIGGER and on and not self.coils[TRIGGER]:
                self.triggered_us = self.now_us
            self.coils[first] = int(on)
        elif function == 6:
            self.holding[first] = second
        return request[:6]

    def _discretes(self) -> list[int]:
        return [int(self.contactor) if at == self.seen_at else value for at, value in enumerate(self.discretes)]


def twice(answer: bytes) -> list[tuple[int, bytes]]:
    return [(0, answer + answer)]


def other_unit(answer: bytes) -> list[tuple[int, bytes]]:
    body = bytes((answer[0] + 1, *answer[1:-2]))
    return [(0, body + crc16(body).to_bytes(2, "little"))]


def other_function(answer: bytes) -> list[tuple[int, bytes]]:
    body = bytes((answer[0], answer[1] % 4 + 1, *answer[2:-2]))
    return [(0, body + crc16(body).to_bytes(2, "little"))]


def longer(answer: bytes) -> list[tuple[int, bytes]]:
    return [(0, answer + b"\x00\x00")]


SPOILT = {
    "never": lambda answer: [], "late": lambda answer: [(260_000, answer)], "short": lambda answer: [(0, answer[:-3])],
    "long": longer, "garbled": lambda answer: [(0, answer[:3] + bytes(255 - byte for byte in answer[3:]))],
    "twice at once": twice, "for another unit": other_unit, "with another function": other_function,
    "babbling": lambda answer: [(ms * 5_000, b"\xa5" * 9) for ms in range(40)],
}
