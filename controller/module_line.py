"""The line to a ready-made module as the loop sees it: the same questions as to a board's (`board_line`), answered from a
thread that asks the module. Never waits.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from controller.board_line import NOTICES_KEPT, WHY_MAX, Heard
from controller.core.board import next_session
from controller.core.messages import Report, ToBoard
from controller.core.state import Garbage, LineLost, LineOpened, Notice
from controller.drivers.module_port import FromLine
from controller.drivers.serial_port import Lost, Opened


class ModuleAsker(Protocol):
    """Frames in, what the module said out; `ModulePort` is one."""

    def take(self) -> list[FromLine]:
        """Everything since the last take."""

    def send(self, frames: tuple[ToBoard, ...]) -> None:
        """The frames of a tick that has ended well."""


class ModuleLine:
    """One line."""

    def __init__(self, session: int) -> None:
        self._next_session = session
        self._port: ModuleAsker | None = None

    def use(self, port: ModuleAsker) -> None:
        """The port to talk through; once."""
        self._port = port

    def wake(self) -> None:
        """Something has come; the next tick takes it."""

    def interrupt(self) -> None:
        """Nothing here waits for a module."""

    def take(self) -> Heard:
        """Everything since the last take, oldest first."""
        reports: list[Report] = []
        notices: list[Notice] = []
        garbage, why = 0, ""
        for said in () if self._port is None else self._port.take():
            if isinstance(said, Report):
                reports.append(said)
            elif isinstance(said, Garbage):
                garbage, why = garbage + said.lines, said.why
            elif isinstance(said, Opened):
                notices.append(LineOpened(self._next_session))
                self._next_session = next_session(self._next_session)
            else:
                notices.append(LineLost(said.reason) if isinstance(said, Lost) else said)
        if garbage:
            notices.append(Garbage(garbage, why[:WHY_MAX]))
        return Heard(tuple(reports), tuple(notices[-NOTICES_KEPT:]))

    def send(self, frames: Iterable[ToBoard]) -> None:
        """All frames of a tick, in their order; also none, which says that the tick lives."""
        if self._port is not None:
            self._port.send(tuple(frames))

    def session_used(self, session: int) -> None:
        """The tick has moved on to this session number by itself; never offer it again."""
        self._next_session = next_session(session)
