"""A simulated board inside this process: what a rehearsal without a peer talks to."""

from __future__ import annotations

from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board

REPORT_US = 1_000_000
"""One report a tick in virtual time; every real line has four."""


class InProcess:
    """A board that presses its own arm button."""

    lock_step = False

    def __init__(self, shape: str, board_id: str, seed: int = 1) -> None:
        self.board = Board(SHAPES[shape], seed, board_id, report_us=REPORT_US, auto_arm=True)

    def exchange(self, data: bytes, us: int) -> bytes:
        """Bytes in, time on, bytes out."""
        self.board.receive(data)
        return self.board.run(us)
