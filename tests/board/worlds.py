"""The emulated board for the real controller: in this process under its tick, or behind a pseudo-terminal of its own."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from controller.chamber import peer
from controller.chamber.shapes import SHAPES
from controller.config import ChamberFolder, load
from controller.drivers.clocks import utc_us
from tests.board.emulated import REAL_TIME_STRETCH_US, EmulatedBoard
from tests.service.chambers import simulated

NOT_ON_THE_SMALL_CHIP = ("limiter", "mains_sense", "limiter_own_contact")
"""ATmega328P has no pins left for these: its chamber file says so."""


def chamber_for(chip: str, folder: Path) -> ChamberFolder:
    """The demo's chamber, with what this chip's board can read."""
    made = simulated(folder)
    if chip == "atmega2560":
        return made
    text = (folder / "chamber.toml").read_text(encoding="utf-8")
    for name in NOT_ON_THE_SMALL_CHIP:
        text = text.replace(f"\n{name} = true\n", f"\n{name} = false\n")
    (folder / "chamber.toml").write_text(text, encoding="utf-8")
    return load(folder, utc_us())


class Under:
    """A world for a rehearsal: the real tick, the emulated board, in one process, so that a test can reach both."""

    lock_step = False

    def __init__(self, board: EmulatedBoard) -> None:
        self.board = board
        self.last_drive_us = 0
        """Board time at which the newest line with a drive in it was given to the board."""

    def exchange(self, data: bytes, us: int) -> bytes:
        """Bytes in, time on, bytes out."""
        if b"D s=" in data:
            self.last_drive_us = self.board.now_us
        self.board.receive(data)
        return self.board.run(us)


class Listened(EmulatedBoard):
    """Notes when each drive frame was given to it."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.drives_us: list[int] = []

    def receive(self, data: bytes) -> None:
        if b"D s=" in data:
            self.drives_us.append(self.now_us)
        super().receive(data)


@contextmanager
def on_a_terminal(chip: str, board_id: str, lock_step: bool = False) -> Iterator[tuple[Listened, str]]:
    """A board served in a thread on a pseudo-terminal: (board, the port's name). Its pins are there for the test to read."""
    with Listened(shape=SHAPES["bench"], board_id=board_id, chip=chip, auto_arm=True, lock_step=lock_step) as board:
        wire = peer.terminal()
        served = peer.Peer(board, wire, None, os.getppid(), REAL_TIME_STRETCH_US)
        thread = threading.Thread(target=served.serve)
        thread.start()
        try:
            yield board, wire.name
        finally:
            served.end()
            thread.join(20.0)
            os.close(wire.read_fd)
            os.close(wire.held_fd)
        assert not thread.is_alive(), "a peer ends when told"
