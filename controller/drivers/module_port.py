"""A module's serial port: one thread asks, waits and is answered, so that the tick never does.

It carries out what `link.module.Conversation` says and decides nothing: bytes go out when that says so, what comes goes back to
it with the time, and every way in which a port can fail becomes one lost line. Each opening is a new conversation.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any

import serial

from controller.core.messages import ToBoard
from controller.drivers.clocks import mono_us
from controller.drivers.serial_port import BACK_OFF_S, CANNOT_OPEN, GONE, STEADY_S, Lost, Opened, keep_lines_up, words
from controller.link.module import Conversation, Said
from controller.link.registers import RegisterMap

WRITE_S = 0.25
READ_MAX_BYTES = 4_096
LEAVE_S = 1.5
"""At the end: so long, beside the quiet time, to have the outputs told off."""
FRAMES_MAX = 200
FROM_THE_LINE_MAX = 400

FromLine = Said | Opened | Lost


class ModulePort:
    """A module's line that keeps itself open. `wake` is called, from another thread, whenever there is something to take."""

    def __init__(self, path: str, registers: RegisterMap, silence_us: int, wake: Callable[[], None],
                 back_off_s: tuple[float, ...] = BACK_OFF_S) -> None:
        self.path = path
        self._map = registers
        self._silence_us = silence_us
        self._wake = wake
        self._back_off_s = back_off_s
        self._lock = threading.Lock()
        self._frames: deque[ToBoard] = deque(maxlen=FRAMES_MAX)
        self._beat = False
        self._from_line: deque[FromLine] = deque(maxlen=FROM_THE_LINE_MAX)
        self._bell_out, self._bell_in = os.pipe()
        os.set_blocking(self._bell_in, False)
        os.set_blocking(self._bell_out, False)
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._for_ever, name="module-port", daemon=True)

    def start(self) -> None:
        """Begin to open and to ask."""
        self._thread.start()

    def take(self) -> list[FromLine]:
        """Everything since the last take, oldest first. Never blocks."""
        with self._lock:
            taken = list(self._from_line)
            self._from_line.clear()
        return taken

    def send(self, frames: tuple[ToBoard, ...]) -> None:
        """The frames of one tick, which has ended well; there may be none. Never blocks."""
        with self._lock:
            self._frames.extend(frames)
            self._beat = True
        self._ring()

    def close(self, timeout_s: float = LEAVE_S + 1.0) -> None:
        """Have the outputs told off, close and end the thread."""
        self._closing.set()
        self._ring()
        if self._thread.is_alive():
            self._thread.join(timeout_s + self._map.quiet_us / 1e6)

    def _ring(self) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self._bell_in, b"!")

    def _tell(self, *said: FromLine) -> None:
        with self._lock:
            self._from_line.extend(said)
        self._wake()

    def _for_ever(self) -> None:
        failures, told = 0, ""
        while not self._closing.is_set():
            port, reason = self._open()
            if port is not None:
                told, opened_s = "", time.monotonic()
                reason = self._talk(port)
                with contextlib.suppress(Exception):
                    port.close()
                failures = 0 if time.monotonic() - opened_s >= STEADY_S else failures
            if reason != told and not self._closing.is_set():
                told = reason
                self._tell(Lost(reason))
            self._closing.wait(self._back_off_s[min(failures, len(self._back_off_s) - 1)])
            failures += 1

    def _open(self) -> tuple[Any, str]:
        """The port, or why it could not be opened, in words."""
        try:
            port = serial.Serial(self.path, self._map.speed, stopbits=self._map.stop_bits, timeout=0, write_timeout=WRITE_S,
                                 exclusive=True)
            keep_lines_up(port)
        except Exception as error:  # the driver boundary: four unrelated types, see drivers in the house rules
            return None, words(self.path, error, CANNOT_OPEN)
        with self._lock:
            self._frames.clear()
        return port, ""

    def _talk(self, port: Any) -> str:
        """Until the line is lost; why, in words."""
        line = Conversation(self._map, self._silence_us, mono_us())
        self._tell(Opened())
        try:
            while not self._closing.is_set():
                self._once(line, port)
                said = line.take()
                if said:
                    self._tell(*said)
            self._leave(line, port)
        except Exception as error:  # the driver boundary: unplugging raises SerialException, OSError or TypeError
            return words(self.path, error, GONE)
        return "closed"

    def _once(self, line: Conversation, port: Any) -> None:
        """What the tick has said, then what is to be sent, then what comes."""
        with self._lock:
            frames, beat = list(self._frames), self._beat
            self._frames.clear()
            self._beat = False
        now_us = mono_us()
        if beat:
            line.beat(now_us)
        for frame in frames:
            line.hear(frame, now_us)
        sent = line.turn(now_us)
        if sent:
            port.write(sent)
        ready, _, _ = select.select([port.fileno(), self._bell_out], [], [], max(0, line.until_us - mono_us()) / 1e6)
        if self._bell_out in ready:
            os.read(self._bell_out, READ_MAX_BYTES)
        if port.fileno() in ready:
            line.received(port.read(max(1, min(port.in_waiting, READ_MAX_BYTES))), mono_us())

    def _leave(self, line: Conversation, port: Any) -> None:
        """Both outputs are told off; a module that does not take it has its own time-out, or the timer relay."""
        line.leave()
        end_s = time.monotonic() + LEAVE_S + self._map.quiet_us / 1e6
        while not line.is_off and time.monotonic() < end_s:
            line.beat(mono_us())
            self._once(line, port)
