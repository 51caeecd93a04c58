"""The serial port: one thread reads, one writes, and every way in which a port can fail becomes one lost line.

The tick never touches the port. It takes what has come and leaves what must go; both sides are bounded. A port that is
gone is tried again after 1 s, then 2 s, 4 s, 8 s, 10 s, by the same path; each opening is a new conversation, since
opening resets many boards. `flush` is never called (it has no time-out), reading never waits for a whole line.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import queue
import termios
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple

import serial

READ_S = 0.25
WRITE_S = 0.25
"""A board that does not drain its line for this long has left it."""
BACK_OFF_S = (1.0, 2.0, 4.0, 8.0, 10.0)
"""Waits before the second, third ... opening; the last one stays."""
STEADY_S = 30.0
"""A line that held this long begins the waits anew when it breaks."""
UNREAD_MAX = 1 << 18
"""Bytes kept for a tick that does not come; the oldest are dropped. Twenty seconds of a babbling line at 115,200 baud."""
UNSENT_MAX = 64
"""Writes waiting for a line that does not drain, before it counts as lost."""


class Opened(NamedTuple):
    """The port is open."""


class Lost(NamedTuple):
    """The port failed, closed, or could not be opened; said once until it opens again."""

    reason: str


Arrived = bytes | Opened | Lost


class SerialPort:
    """A port that keeps itself open. `wake` is called, from another thread, whenever there is something to take."""

    def __init__(self, path: str, speed: int, wake: Callable[[], None], back_off_s: tuple[float, ...] = BACK_OFF_S,
                 write_s: float = WRITE_S) -> None:
        self.path = path
        self._speed = speed
        self._wake = wake
        self._back_off_s = back_off_s
        self._write_s = write_s
        self._arrived: deque[Arrived] = deque()
        self._unread = 0
        self._lock = threading.Lock()
        self._unsent: queue.Queue[bytes | None] = queue.Queue(UNSENT_MAX)
        self._port: Any = None
        self._closing = threading.Event()
        self._trouble = ""
        """Why the writer gave the line up; the reader tells it and reopens."""
        self._reader = threading.Thread(target=self._read_for_ever, name="serial-reader", daemon=True)
        self._writer = threading.Thread(target=self._write_for_ever, name="serial-writer", daemon=True)

    def start(self) -> None:
        """Begin to open, read and write."""
        self._reader.start()
        self._writer.start()

    def take(self) -> list[Arrived]:
        """Everything that has come since the last take, in order. Never blocks."""
        with self._lock:
            arrived = list(self._arrived)
            self._arrived.clear()
            self._unread = 0
        return arrived

    def send(self, data: bytes) -> None:
        """Leave bytes to be written. Never blocks; a line that has not drained for long is lost, and they with it."""
        if self._port is None or not data:
            return
        try:
            self._unsent.put_nowait(data)
        except queue.Full:
            self._give_up("the board does not take what is sent")

    def close(self, timeout_s: float = 1.0) -> None:
        """Write what waits, then close and end both threads."""
        with contextlib.suppress(queue.Full):
            self._unsent.put_nowait(None)
        self._writer.join(timeout_s)
        self._closing.set()
        self._cancel()
        self._reader.join(timeout_s)

    def _tell(self, arrived: Arrived) -> None:
        with self._lock:
            self._arrived.append(arrived)
            self._unread += len(arrived) if isinstance(arrived, bytes) else 0
            while self._unread > UNREAD_MAX and isinstance(self._arrived[0], bytes):
                self._unread -= len(self._arrived.popleft())
        self._wake()

    def _read_for_ever(self) -> None:
        failures, told = 0, ""
        while not self._closing.is_set():
            reason = self._open()
            if not reason:
                told, opened_s = "", time.monotonic()
                self._tell(Opened())
                reason = self._read_until_lost()
                failures = 0 if time.monotonic() - opened_s >= STEADY_S else failures
            self._shut()
            if reason != told and not self._closing.is_set():
                told = reason
                self._tell(Lost(reason))
            self._closing.wait(self._back_off_s[min(failures, len(self._back_off_s) - 1)])
            failures += 1

    def _open(self) -> str:
        """Open the port; why it could not be, in words."""
        try:
            port = serial.Serial(self.path, self._speed, timeout=READ_S, write_timeout=self._write_s, exclusive=True)
            keep_lines_up(port)
        except Exception as error:  # the driver boundary: four unrelated types, see drivers in the house rules
            return words(self.path, error, CANNOT_OPEN)
        while not self._unsent.empty():
            with contextlib.suppress(queue.Empty):
                self._unsent.get_nowait()
        self._trouble = ""
        self._port = port
        return ""

    def _read_until_lost(self) -> str:
        port = self._port
        while not self._closing.is_set() and not self._trouble:
            try:
                data = port.read(max(1, port.in_waiting))
            except Exception as error:  # the driver boundary: unplugging raises SerialException, OSError or TypeError
                return self._trouble or words(self.path, error, GONE)
            if data:
                self._tell(data)
        return self._trouble or "closed"

    def _write_for_ever(self) -> None:
        while True:
            data = self._unsent.get()
            if data is None:
                return
            port = self._port
            if port is not None and not self._trouble:
                try:
                    port.write(data)
                except Exception as error:  # the driver boundary: SerialTimeoutException, SerialException, OSError
                    self._give_up(words(self.path, error, GONE))

    def _give_up(self, reason: str) -> None:
        self._trouble = reason
        self._cancel()

    def _cancel(self) -> None:
        """Wake the reader. A spurious wake costs it nothing: an empty read is "nothing yet"."""
        port = self._port
        if port is not None:
            with contextlib.suppress(Exception):
                port.cancel_read()

    def _shut(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(Exception):
                port.close()


def keep_lines_up(port: Any) -> None:
    """Do not drop DTR at the last close: the next opening would reset the board once more. And shut out other openers."""
    descriptor = port.fileno()
    settings = termios.tcgetattr(descriptor)
    settings[2] &= ~termios.HUPCL
    termios.tcsetattr(descriptor, termios.TCSANOW, settings)
    with contextlib.suppress(OSError):
        fcntl.ioctl(descriptor, termios.TIOCEXCL)


DRIVER = " [driver: "
GONE = "was unplugged, or its adapter failed; check cable and plug"
CANNOT_OPEN = "cannot be opened as a serial port; name the board's port"
BY_NUMBER = {
    errno.ENOENT: "is not there; plug the board in, or name its port",
    errno.EACCES: "may not be opened by this user; add the user to the group that owns it",
    errno.EPERM: "may not be opened by this user; add the user to the group that owns it",
    errno.EBUSY: "is in use by another program; end that one",
    errno.EAGAIN: "is in use by another program; end that one",
}
"""What a number of the operating system means for a port, and what to do; other numbers are what they came from."""


def words(path: str, error: BaseException, otherwise: str = CANNOT_OPEN) -> str:
    """A failure in one line that stays the same while its cause does: port, what happened, what to do.

    What the driver itself said stands behind `DRIVER`, for the record only (`plain` takes it away).
    """
    number = getattr(error, "errno", None)
    if isinstance(error, serial.SerialTimeoutException):
        return "the board does not take what is sent"
    raw = os.strerror(number) if number is not None else (str(error) or type(error).__name__)[:120]
    return f"serial port {path} {BY_NUMBER.get(number or 0, otherwise)}{DRIVER}{raw}]"


def plain(reason: str) -> str:
    """A reason for people: without what the driver itself said."""
    return reason.partition(DRIVER)[0]
