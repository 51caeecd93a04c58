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
DEVICES = Path("/sys/class/tty")
"""The kernel's serial devices, each with a link to what it hangs on."""
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


def serial_number(port: str, devices: Path = DEVICES) -> str:
    """The adapter's serial number, as the adapter itself gave it to the kernel; empty where it has none. The port's lasting
    name is no evidence: without a number its last word is a piece of the maker's name for it."""
    try:
        place = (devices / os.path.basename(os.path.realpath(port)) / "device").resolve(strict=True)
        adapter = next((one for one in (place, *place.parents) if (one / "idVendor").is_file()), None)
        said = "" if adapter is None else (adapter / "serial").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    return re.sub(r"[^A-Za-z0-9._-]", "_", said.strip())  # as the device manager writes it


def adapter_ports(serial: str, folder: Path = BY_ID, devices: Path = DEVICES) -> tuple[str, ...]:
    """The lasting names of every port whose adapter has that serial number: none while it is not plugged in, and more than
    one where twins share a number or an adapter has several ports, so that nobody can tell which is meant."""
    ports = [port for port in listed(folder) if serial and serial_number(port, devices) == serial]
    found = {os.path.realpath(port): port for port in reversed(ports)}
    return tuple(sorted(found.values()))


def adapters_there(folder: Path = BY_ID, devices: Path = DEVICES) -> str:
    """The serial numbers of all adapters that are plugged in, in words."""
    numbers = [serial_number(port, devices) for port in listed(folder)]
    there = ", ".join(sorted({one for one in numbers if one})) or "none"
    without = numbers.count("")
    return f"{there}; and {without} without a number, which cannot be told from its twin: use another" if without else there


def one_of(ports: tuple[str, ...], serial: str) -> str:
    """Why these ports are not one; empty when they are."""
    if len(ports) <= 1:
        return ""
    return (f"{len(ports)} ports have an adapter with the serial number {serial} ({', '.join(ports)}), so nobody knows which "
            "is meant. Unplug all but one; if one adapter has several ports, use one that has a single port")


def plugged_ns(port: str) -> int:
    """When the device behind a port came; 0 when it is gone."""
    try:
        return os.stat(port).st_ctime_ns
    except OSError:
        return 0
