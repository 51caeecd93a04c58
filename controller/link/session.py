"""Both halves of the conversation, sans-IO: bytes in, events out. Never waits, opens anything or asks the time.

A session only codes: when to say hello, which sequence to use and what to believe is decided in core, where it can be
replayed. Whatever comes in, `receive` gives events and never raises; what it keeps between calls is at most one line.
"""

from __future__ import annotations

from typing import NamedTuple, cast

from controller.core.messages import FromBoard, Hello, ToBoard
from controller.link.protocol import FROM_BOARD, LINE_MAX_BYTES, TO_BOARD, BadFrame, Wrong, decode, encode

SHOWN_BYTES = 80
"""Of a bad line that much is kept for the record."""
CLOCK_MAX_US = 10**15 - 1


class BadLine(NamedTuple):
    """A line that was no good frame."""

    code: Wrong
    line: bytes
    """Its first 80 bytes."""
    reason: str


class Ran(NamedTuple):
    """Lock-step only: the peer has sent all of its stretch; its clock stands at `us` since the start."""

    us: int


class Run(NamedTuple):
    """Lock-step only: move the clock on by `us`."""

    us: int


class _Lines:
    """Cuts a stream into lines. A line that outgrows the limit is told once, then dropped to its end."""

    def __init__(self) -> None:
        self._kept = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes]:
        end = data.find(b"\n")
        if 0 < end == len(data) - 1 and not self._kept and not self._skipping:  # one whole line, as nearly always
            return [data[:-1]]
        if end < 0:
            self._kept += data
            return self._overgrown()
        lines = data.split(b"\n")
        lines[0] = self._kept + lines[0]
        self._kept = lines.pop()
        if self._skipping:
            del lines[0]
            self._skipping = False
        return [line for line in lines if line] + self._overgrown()

    def _overgrown(self) -> list[bytes]:
        if len(self._kept) < LINE_MAX_BYTES:
            return []
        line, self._kept = self._kept, b""
        if self._skipping:
            return []
        self._skipping = True
        return [line]


def _bad(code: Wrong, line: bytes, reason: str) -> BadLine:
    return BadLine(code, line[:SHOWN_BYTES], reason)


def _read(line: bytes, letters: bytes) -> FromBoard | ToBoard | BadLine:
    try:
        message = decode(line)
    except BadFrame as bad:
        return _bad(bad.code, bad.line, bad.reason)
    if line[0] in letters:
        return message
    return _bad(Wrong.UNKNOWN_FRAME, line, f"frame {line[:1]!r} goes the other way")


def _clock(line: bytes, word: bytes) -> int | None:
    """The number of a clock line `@word number`, or None. `isdigit` of bytes takes the ten ASCII digits only."""
    head, _, number = line.partition(b" ")
    if head != word or not number.isdigit() or len(number) > len(str(CLOCK_MAX_US)):
        return None
    return int(number)


class Session:
    """The host's half. With `lock_step` lines that start with `@` are the peer's clock; without, they are garbage."""

    def __init__(self, lock_step: bool = False) -> None:
        self._lines = _Lines()
        self._lock_step = lock_step

    def receive(self, data: bytes) -> list[FromBoard | BadLine | Ran]:
        """Every whole line that `data` completes, in order. Empty lines are nothing. Never raises."""
        return cast(list[FromBoard | BadLine | Ran], [
            self._clock_line(line) if self._lock_step and line[:1] == b"@" else _read(line, FROM_BOARD)
            for line in self._lines.feed(data)])

    def send(self, message: ToBoard) -> bytes:
        """The bytes of one message. A hello is led by a newline: it ends whatever half line the board has heard."""
        return b"\n" + encode(message) if isinstance(message, Hello) else encode(message)

    def run(self, us: int) -> bytes:
        """The clock line that asks a lock-step peer to move on by `us`."""
        if not self._lock_step or not 0 < us <= CLOCK_MAX_US:
            raise ValueError(f"cannot run {us} µs; allowed is 1 to {CLOCK_MAX_US} µs, in lock-step only")
        return b"@run %d\n" % us

    def _clock_line(self, line: bytes) -> BadLine | Ran:
        us = _clock(line, b"@ran")
        return _bad(Wrong.VALUE, line, "a peer's clock line is '@ran MICROSECONDS'") if us is None else Ran(us)


class BoardSession:
    """The board's half, for boards written in this language. Clock lines as in `Session`."""

    def __init__(self, lock_step: bool = False) -> None:
        self._lines = _Lines()
        self.lock_step = lock_step

    def receive(self, data: bytes) -> list[ToBoard | BadLine | Run]:
        """Every whole line that `data` completes, in order. Empty lines are nothing. Never raises."""
        return cast(list[ToBoard | BadLine | Run], [
            self._clock_line(line) if self.lock_step and line[:1] == b"@" else _read(line, TO_BOARD)
            for line in self._lines.feed(data)])

    def send(self, message: FromBoard) -> bytes:
        """The bytes of one message."""
        return encode(message)

    def ran(self, us: int) -> bytes:
        """The clock line that ends a stretch: `us` since the start."""
        return b"@ran %d\n" % us

    def _clock_line(self, line: bytes) -> BadLine | Run:
        us = _clock(line, b"@run")
        return Run(us) if us else _bad(Wrong.VALUE, line, "a host's clock line is '@run MICROSECONDS', not 0")
