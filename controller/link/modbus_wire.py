"""One request at a time on a line that numbers nothing, sans-IO: when the next may be sent, and what came of the last.

After anything wrong the line is drained: what comes is thrown away until nothing has come for `quiet_us`, because a late
answer would pass for the next one's. Bytes that nobody asked for begin a drain too. Nothing is ever asked twice here.
A line that does not get quiet can still be shouted over: what goes out then has no answer, and the drain goes on.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.link.modbus import Answer, Bad, Exchange, Request, Wrong, character_bits, encode, gap_us

US_PER_S = 1_000_000
NOISY_AFTER_US = 500_000
"""Beyond a drain's quiet time: a line that is still not quiet has somebody else talking on it."""


class Came(NamedTuple):
    """What came of a request; of None where nothing had been asked."""

    request: Request | None
    told: Answer | Bad


class Wire:
    """`answer_us`: the module answers within this, the characters' own time not counted."""

    def __init__(self, speed: int, stop_bits: int, answer_us: int, quiet_us: int, now_us: int) -> None:
        self._character_ns = character_bits(stop_bits) * 10**9 // speed
        self._gap_us = gap_us(speed, stop_bits)
        self._answer_us, self._quiet_us = answer_us, quiet_us
        self._exchange: Exchange | None = None
        self._answer_by_us = 0
        self._last_us = now_us
        """When something came or went last."""
        self.draining = True
        """What was under way before the port was opened belongs to nobody."""
        self._drain_us = now_us
        """Since when it drains."""

    def send(self, request: Request, now_us: int) -> bytes:
        """The bytes of the next request. Ask `free_us` first."""
        assert self._exchange is None and not self.draining, "one request at a time, on a quiet line"
        exchange = self._exchange = Exchange(request)
        characters = len(exchange.sent) + exchange.wanted_bytes
        self._answer_by_us = now_us + self._answer_us + characters * self._character_ns // 1_000
        self._last_us = now_us
        return exchange.sent

    def noisy(self, now_us: int) -> bool:
        """It has been drained for too long."""
        return self.draining and now_us - self._drain_us >= self._quiet_us + NOISY_AFTER_US

    def shout(self, request: Request, now_us: int) -> bytes:
        """The bytes of a request whose answer nobody will take: the line must be quiet after it like after anything wrong."""
        self._last_us = now_us
        return encode(request)

    def free_us(self, now_us: int) -> int:
        """When the next request may go, or when to look again: at or before `now_us` means now."""
        if self._exchange is not None:
            return self._answer_by_us
        free_us = self._last_us + (self._quiet_us if self.draining else self._gap_us)
        if free_us <= now_us:
            self.draining = False
        return free_us

    def receive(self, data: bytes, now_us: int) -> Came | None:
        """Bytes of the line, in whatever pieces; None while there is nothing to say."""
        if not data:
            return None
        self._last_us = now_us
        if self._exchange is None:
            if self.draining:
                return None
            self.draining, self._drain_us = True, now_us
            return Came(None, Bad(Wrong.UNASKED, f"{len(data)} bytes came that nobody had asked for"))
        told = self._exchange.receive(data)
        return None if told is None else self._ended(told, now_us)

    def late(self, now_us: int) -> Came | None:
        """The outstanding request, if its time is up."""
        if self._exchange is None or now_us < self._answer_by_us:
            return None
        return self._ended(self._exchange.silent(), now_us)

    def _ended(self, told: Answer | Bad, now_us: int) -> Came:
        assert self._exchange is not None
        request, self._exchange = self._exchange.request, None
        self._last_us = self._drain_us = now_us
        # A refusal is a whole, good answer: nothing of it can still come.
        self.draining = isinstance(told, Bad) and told.code is not Wrong.EXCEPTION
        return Came(request, told)
