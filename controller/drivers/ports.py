"""Which board is on which serial port? Found by listening only: a board says its id four times a second, unasked.

Opening a port resets many boards, so a port that some controller holds is never opened, nor one that this user may not open.
Nothing is sent: what else hangs on a port would take it for its own language.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import serial

from controller.core.messages import Report, Welcome
from controller.drivers.locks import Taken, lock_port
from controller.drivers.serial_port import plain, words
from controller.link.session import Session

BY_ID = Path("/dev/serial/by-id")
LASTING_NAME = r"usb-.+_(?P<serial>{serial})-if[0-9a-f]{{2}}(?:-port\d+)?"
"""How the device manager names a port: maker, kind and serial number of its adapter."""
LISTEN_S = 6.0
"""A board that is reset by the opening needs up to three seconds (a boot loader waits for a new program), then reports."""
READ_S = 0.1
HEARD_MAX_BYTES = 65_536


class Answer(NamedTuple):
    """What was found on a port. `board` is empty when none spoke; `words` says why, or what."""

    port: str
    board: str
    words: str
    opened: bool


def listed(folder: Path = BY_ID) -> tuple[str, ...]:
    """Serial ports by their lasting names."""
    return tuple(str(path) for path in sorted(folder.iterdir())) if folder.is_dir() else ()


def asked(port: str, speed: int, listen_s: float = LISTEN_S) -> Answer:
    """Listen to one port, if nobody holds it and this user may."""
    if not os.access(port, os.R_OK | os.W_OK):
        missing = not os.path.exists(port)
        return Answer(port, "", "is gone" if missing else "may not be opened by this user; it was not opened", False)
    try:
        with lock_port(port):
            return _listened(port, speed, listen_s)
    except Taken:
        return Answer(port, "", "is held by a controller; it was not opened", False)


def _listened(port: str, speed: int, listen_s: float) -> Answer:
    try:
        with serial.Serial(port, speed, timeout=READ_S, write_timeout=READ_S, exclusive=True) as line:
            return _heard(port, line, listen_s)
    except Exception as error:  # the driver boundary: opening and reading raise four unrelated types
        return Answer(port, "", plain(words(port, error)), False)


def _heard(port: str, line: serial.Serial, listen_s: float) -> Answer:
    session, until_s, heard = Session(), time.monotonic() + listen_s, 0
    while time.monotonic() < until_s and heard < HEARD_MAX_BYTES:
        data = line.read(max(1, line.in_waiting))
        heard += len(data)
        for event in session.receive(data):
            if isinstance(event, Report | Welcome):
                return Answer(port, event.board, f"board {event.board} speaks", True)
    return Answer(port, "", f"says {heard} bytes that no board of this protocol says" if heard else
                  f"says nothing within {listen_s:g} s", True)


class Asked(NamedTuple):
    """Who was on a port when it was last opened, so that it need not be opened again."""

    plugged_ns: int
    """When the device came: a port that was unplugged since is another one."""
    board: str


class Finder:
    """Looks for one board among the free ports, and opens none that is known to have another board while the plug stays in."""

    def __init__(self, board: str, speed: int, memory: dict[str, Asked], folder: Path = BY_ID,
                 ask: Callable[[str, int], Answer] = asked) -> None:
        self._board, self._speed, self.memory, self._folder, self._ask = board, speed, memory, folder, ask
        self.said: dict[str, str] = {}
        """Port -> what was found there, in words."""

    def look(self) -> str:
        """One pass over what is free and not known yet; the board's port, or empty."""
        for port in self._in_order():
            answer = self._ask(port, self._speed)
            self.said[port] = answer.words
            if answer.board:  # one that is silent may only be without its supply: it is listened to again
                self.memory[port] = Asked(plugged_ns(port), answer.board)
            if answer.board == self._board:
                return port
        return ""

    def _in_order(self) -> Iterator[str]:
        """Where the board was last comes first; where something else was, not at all."""
        ports = listed(self._folder)
        known = {port: asked for port in ports
                 if (asked := self.memory.get(port)) is not None and asked.plugged_ns == plugged_ns(port)}
        before = [port for port in ports if port in self.memory and self.memory[port].board == self._board]
        yield from before
        for port in ports:
            if port in known and port not in before:
                self.said[port] = f"has board {known[port].board} on it, as far as is known; it was not opened"
            elif port not in before:
                yield port


def serial_number(port: str) -> str:
    """The adapter's serial number, from the lasting name that the device manager made of its maker, kind and number; empty
    where the name has none."""
    found = re.fullmatch(LASTING_NAME.format(serial="[^_]+"), os.path.basename(port))
    return found["serial"] if found else ""


def adapter_port(serial: str, folder: Path = BY_ID) -> str:
    """The lasting name of the port of the adapter with that serial number; empty while it is not plugged in.

    A second interface of the same adapter has the same number; the first one is taken.
    """
    wanted = re.compile(LASTING_NAME.format(serial=re.escape(serial)))
    return next((port for port in listed(folder) if wanted.fullmatch(os.path.basename(port))), "")


def plugged_ns(port: str) -> int:
    """When the device behind a port came; 0 when it is gone."""
    try:
        return os.stat(port).st_ctime_ns
    except OSError:
        return 0
