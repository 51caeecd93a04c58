"""A host for the tests of the firmware: counts its sequence, keeps every event, and knows when the pins went low."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from controller.core.messages import Drive, Enable, Hello, Refusal, RefusalCode, Report
from controller.link.session import Session
from tests.board import machine as chips
from tests.board.emulated import EmulatedBoard

MS, S1 = 1_000, 1_000_000
SILENCE_US, CONTACTOR_US = 4_800 * MS, 100 * MS
PASS_US = 10 * MS
# `make test` installs both where that is allowed; elsewhere the reason says what is missing.
needs_emulator = pytest.mark.skipif(bool(chips.missing()), reason=chips.missing() or "the emulated board is there")
"""Every test here stands on a compiler for the chip and on the emulator's library; without them it says so and is skipped."""


class Host:
    """Speaks protocol v1 to one emulated board by bytes alone."""

    def __init__(self, board: EmulatedBoard, session: int = 4711) -> None:
        self.board, self.session, self.sequence = board, session, 0
        self.wire = Session()
        self.events: list[Any] = []

    def say(self, kind: Any, *fields: Any, **named: int) -> None:
        """Put one frame on the wire; it arrives while time passes."""
        self.sequence += "sequence" not in named
        frame = kind(named.get("session", self.session), named.get("sequence", self.sequence), *fields)
        self.board.receive(self.wire.send(frame))

    def ask(self, kind: Any, *fields: Any, **named: int) -> list[Any]:
        """The same, and what comes back within 100 ms, reports left out."""
        self.say(kind, *fields, **named)
        return [event for event in self.run(100 * MS) if not isinstance(event, Report)]

    def refused(self, kind: Any, *fields: Any, **named: int) -> RefusalCode | None:
        """Say a frame; the code it is refused with, None where it is obeyed or ignored."""
        codes = [event.code for event in self.ask(kind, *fields, **named) if isinstance(event, Refusal)]
        assert len(codes) < 2, f"one frame, more than one answer: {codes}"
        return RefusalCode(codes[0]) if codes else None

    def run(self, us: int) -> list[Any]:
        events = self.wire.receive(self.board.run(us))
        self.events += events
        return events

    def open(self) -> Host:
        """Past the board's boot, with a session and an enable."""
        self.run(max(0, 700 * MS - self.board.now_us))
        self.say(Hello)
        self.run(50 * MS)
        self.say(Enable)
        return self

    def drive(self, duty_e4: int = 10_000, permit: bool = True, contactor: bool = True, window_ms: int = 40_000) -> None:
        self.say(Drive, permit, contactor, duty_e4, window_ms)

    def heat(self, seconds: int = 1, duty_e4: int = 10_000) -> Report:
        """Drive once a second; gives the last report."""
        for _ in range(seconds):
            self.drive(duty_e4)
            self.run(S1)
        return self.last()

    def last(self, kind: Any = Report) -> Any:
        return next(event for event in reversed(self.events) if isinstance(event, kind))


@contextmanager
def heating(**options: Any) -> Iterator[Host]:
    """A host whose board heats: both pins high."""
    with EmulatedBoard(**options) as board:
        host = Host(board).open()
        host.heat(2)
        assert pins_high(board) == (True, True), f"it does not heat: {host.last()}"
        yield host
        assert not board.differences, f"a pin was not what the outputs say: {board.differences}"


def pins_high(board: EmulatedBoard) -> tuple[bool, bool]:
    """(modulator, contactor) at the chip's pins."""
    return board.outputs.modulator, board.outputs.contactor


def fell_us(board: EmulatedBoard, pin: str, since_us: int) -> int:
    """How long after `since_us` a pin went low for good. Fails when it is high, or rose in between."""
    edges = board.edges(pin, since_us)
    assert edges and not edges[-1].value, f"{pin} is not low: {edges}"
    assert all(not edge.value for edge in edges), f"{pin} rose again: {edges}"
    return edges[-1].us - since_us
