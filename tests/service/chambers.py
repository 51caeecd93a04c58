"""Chamber folders, schedules and lines for the tests of the service: all invented."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller import demo, new_chamber
from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.config import ChamberFolder
from controller.core.schedule import Schedule
from controller.drivers.clocks import utc_us
from controller.drivers.serial_port import Arrived, Opened
from controller.planning.schedule_file import parse

SHORT: dict[str, Any] = {
    "format": "soakwarden-schedule-1", "name": "short, invented", "temperature_of": "air", "resume": "never", "note": "",
    "segments": [
        {"kind": "ramp", "target_c": 35, "rate_c_per_h": 200, "band_c": 3, "longest_h": 2},
        {"kind": "soak", "target_c": 35, "soak_h": 0.05, "band_c": 3, "longest_h": 2},
        {"kind": "cool", "target_c": 34, "rate_c_per_h": 60, "band_c": 3, "longest_h": 2},
    ],
}
"""About 10 min: long enough for each kind of segment, short enough for a test."""


def short() -> Schedule:
    return parse(SHORT)


def integers(schedule: Schedule) -> dict[str, Any]:
    """A schedule as a start carries it over the socket."""
    rows = [{"kind": row.kind.value, "target_mc": row.target_mc, "rate_mc_per_h": row.rate_mc_per_h, "soak_us": row.soak_us,
             "band_mc": row.band_mc, "longest_us": row.longest_us} for row in schedule.segments]
    return {"name": schedule.name, "of": schedule.of.value, "resume": schedule.resume.value, "segments": rows}


def simulated(path: Path) -> ChamberFolder:
    return demo.chamber(path, utc_us())


def real(path: Path) -> Path:
    """A real chamber's folder, fresh from `chamber new`."""
    new_chamber.write(path, new_chamber.text("Oven", False, "abcdef", "/dev/serial/by-id/none"), "abcdef", False, utc_us())
    return path


class MemoryPort:
    """A port that ends in a simulated board in this process, in lock-step: no thread, no waiting."""

    def __init__(self, board_id: str = new_chamber.SIMULATED_BOARD, auto_arm: bool = True) -> None:
        self.board = Board(SHAPES["bench"], 1, board_id, auto_arm=auto_arm, lock_step=True)
        self.arrived: list[Arrived] = [Opened()]
        self.sent: list[bytes] = []
        self.mute = False
        self.wake: Callable[[], None] = lambda: None

    def take(self) -> list[Arrived]:
        arrived, self.arrived = self.arrived, []
        return arrived

    def send(self, data: bytes) -> None:
        self.sent.append(data)
        if not self.mute:
            self.board.receive(data)
            said = self.board.take()
            if said:
                self.arrived.append(said)
                self.wake()


class Pty:
    """A pseudo-terminal whose far side a test holds: it can say anything, nothing, or go away."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self._slave = slave

    def say(self, data: bytes) -> None:
        os.write(self.master, data)

    def hear(self, timeout_s: float) -> bytes:
        ready, _, _ = select.select([self.master], [], [], timeout_s)
        return os.read(self.master, 65_536) if ready else b""

    def unplug(self) -> None:
        """Both ends go: what an adapter does when it is pulled."""
        for descriptor in (self.master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self._slave = -1


class Bell:
    """Counts wake-ups and lets a test wait for the next."""

    def __init__(self) -> None:
        self.count = 0
        self._rung = threading.Event()

    def __call__(self) -> None:
        self.count += 1
        self._rung.set()

    def wait(self, timeout_s: float = 5.0) -> bool:
        rung = self._rung.wait(timeout_s)
        self._rung.clear()
        return rung
