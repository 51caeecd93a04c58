"""The line to the board as the loop sees it: frames in, frames out, openings and losses as notices. Never waits, but for
lock-step, where waiting for the peer is the point.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable
from typing import NamedTuple, Protocol

from controller.core.board import next_session
from controller.core.messages import Report, ToBoard
from controller.core.state import Garbage, LineLost, LineOpened, Notice
from controller.drivers.clocks import mono_us
from controller.drivers.serial_port import Arrived, Lost, Opened
from controller.link.session import BadLine, Ran, Session

PATIENT_S = 1.0
"""After so long a wait for the peer, "Stop heating" no longer waits with it."""
REPORTS_KEPT = 200
"""More than a tick looks at, so that the tick itself sees, and says, that there were too many."""
NOTICES_KEPT = 100
WHY_MAX = 160
"""Characters kept of what was wrong with a line."""
PEER_S = 20.0
"""A lock-step peer that needs longer for one stretch is told to be lost; it may still come back. Long, because its time
stands still meanwhile: a busy computer must not look like a silent board."""


class Port(Protocol):
    """Bytes both ways; `SerialPort` and `ChildPort` are two."""

    def take(self) -> list[Arrived]:
        """Everything that has come since the last take."""

    def send(self, data: bytes) -> None:
        """Leave bytes to be written."""


class Heard(NamedTuple):
    """What has come since the last tick."""

    reports: tuple[Report, ...]
    notices: tuple[Notice, ...]


class Line(Protocol):
    """What the loop asks of a line; `BoardLine` and `module_line.ModuleLine` are two."""

    def take(self) -> Heard:
        """Everything since the last take."""

    def send(self, frames: Iterable[ToBoard]) -> None:
        """The frames of one tick."""

    def interrupt(self) -> None:
        """Something cannot wait. Any thread may call it."""

    def session_used(self, session: int) -> None:
        """This session number is used."""


class BoardLine:
    """One line. `wake` is given to the port, to be called when something has come."""

    def __init__(self, lock_step: bool, session: int) -> None:
        self._lock_step = lock_step
        self._next_session = session
        self._coder = Session(lock_step)
        self._port: Port | None = None
        self._open = False
        self._reports: deque[Report] = deque(maxlen=REPORTS_KEPT)
        self._notices: deque[Notice] = deque(maxlen=NOTICES_KEPT)
        self._garbage, self._garbage_why = 0, ""
        self._arrived = threading.Event()
        self._owed = 0
        """Stretches that the peer has not finished."""
        self._said_lost = False
        self._interrupted = False

    def wake(self) -> None:
        """Something has come."""
        self._arrived.set()

    def interrupt(self) -> None:
        """Something cannot wait for a peer that hangs. Any thread may call it."""
        self._interrupted = True
        self._arrived.set()

    def use(self, port: Port) -> None:
        """The port to talk through; once."""
        self._port = port

    def take(self) -> Heard:
        """Everything since the last take, oldest first."""
        self._pump()
        notices: tuple[Notice, ...] = tuple(self._notices)
        if self._garbage:
            notices += (Garbage(self._garbage, self._garbage_why[:WHY_MAX]),)
        heard = Heard(tuple(self._reports), notices)
        self._reports.clear()
        self._notices.clear()
        self._garbage, self._garbage_why = 0, ""
        return heard

    def send(self, frames: Iterable[ToBoard]) -> None:
        """All frames of a tick in one piece, in their order: drive stays last."""
        data = b"".join(self._coder.send(frame) for frame in frames)
        if data and self._port is not None:
            self._port.send(data)

    def session_used(self, session: int) -> None:
        """The tick has moved on to this session number by itself; never offer it again."""
        self._next_session = next_session(session)

    def stretch(self, us: int) -> bool:
        """Lock-step: have the peer run `us`, and wait for its lines, within bounds. False: interrupted, no time passed."""
        self._pump()
        if self._port is None or not self._open:
            return True
        if not self._owed:
            self._port.send(self._coder.run(us))
            self._owed = 1
        began_us = mono_us()
        until_us = began_us + (0 if self._said_lost else round(PEER_S * 1e6))
        self._interrupted = False
        while self._owed and self._open and (left_us := until_us - mono_us()) > 0:
            self._arrived.wait(min(left_us / 1e6, PATIENT_S))
            self._arrived.clear()
            self._pump()
            if self._interrupted and self._owed and mono_us() - began_us >= PATIENT_S * 1e6:
                return False
        if self._owed and self._open and not self._said_lost:
            self._said_lost = True
            self._notices.append(LineLost(f"the lock-step peer did not finish a stretch within {PEER_S:g} s"))
        return True

    def _pump(self) -> None:
        if self._port is None:
            return
        for arrived in self._port.take():
            if isinstance(arrived, Opened):
                self._opened()
            elif isinstance(arrived, Lost):
                self._open, self._owed = False, 0
                self._notices.append(LineLost(arrived.reason))
            else:
                self._read(arrived)

    def _opened(self) -> None:
        self._open, self._owed, self._said_lost = True, 0, False
        self._coder = Session(self._lock_step)
        self._notices.append(LineOpened(self._next_session))
        self._next_session = next_session(self._next_session)

    def _read(self, data: bytes) -> None:
        for event in self._coder.receive(data):
            if isinstance(event, Report):
                self._reports.append(event)
            elif isinstance(event, Ran):
                self._finished()
            elif isinstance(event, BadLine):
                self._garbage += 1
                self._garbage_why = event.reason
            else:
                self._notices.append(event)

    def _finished(self) -> None:
        self._owed = 0
        if self._said_lost:
            self._opened()
