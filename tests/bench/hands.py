"""A simulated board in real time on a pseudo-terminal, in this process, so that its outputs can be watched directly."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
import tty
from types import TracebackType

from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.new_chamber import SIMULATED_BOARD

STEP_S = 0.002
"""How finely its clock follows the real one when no byte arrives."""


class LiveBoard:
    """Runs its board in a thread. `port` is what the controller opens; `off_at` is when it was told to."""

    def __init__(self) -> None:
        self._master, slave = os.openpty()
        tty.setraw(self._master)
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        os.set_blocking(self._master, False)
        self._slave = slave  # kept open, so that the line does not hang up between two controllers
        self.board = Board(SHAPES["bench"], seed=1, board_id=SIMULATED_BOARD, auto_arm=True)
        self.off_at = 0.0
        self.contactor_off_at = 0.0
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> LiveBoard:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._ending.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)

    @property
    def modulator(self) -> bool:
        return bool(self.board.outputs.modulator)

    def _serve(self) -> None:
        begun, lived_us = time.perf_counter(), 0
        while not self._ending.is_set():
            ready, _, _ = select.select([self._master], [], [], STEP_S)
            heard = os.read(self._master, 4096) if ready else b""
            on, closed = self.board.outputs.modulator, self.board.outputs.contactor
            now_us = int((time.perf_counter() - begun) * 1_000_000)
            said = self.board.run(now_us - lived_us)
            lived_us = now_us
            if heard:
                self.board.receive(heard)
                said += self.board.take()
            # The end of a modulation pulse is no answer to a request: only an off that the controller asked for counts.
            if on and not self.board.outputs.modulator and not self.board.drive.permit:
                self.off_at = time.perf_counter()
            if closed and not self.board.outputs.contactor:
                self.contactor_off_at = time.perf_counter()
            if said:
                with contextlib.suppress(BlockingIOError):  # a board never waits for a host that does not read
                    os.write(self._master, said)
