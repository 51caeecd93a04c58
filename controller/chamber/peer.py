"""The simulated board as a process of its own, on a pseudo-terminal or on standard input and output.

In real time its clock is the machine's monotonic clock and reports leave at absolute deadlines, four a second. In
lock-step its clock moves only when the host says `@run MICROSECONDS`. Either way the process never blocks on a host
that does not read (what does not fit is dropped, as a serial line drops it) and ends when its parent does.

Faults come in as JSON datagrams on a socket of their own: {"fault": "sensor_open", "channel": 0}, and with "on": false
the fault ends.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import json
import os
import pty
import select
import signal
import socket
import sys
import termios
import time
import tty
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from controller.chamber.faults import Faults
from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.chamber.travelling import BEGINS_AT
from controller.core.messages import ResetCause

STRETCH_US = 50_000
"""In real time the board is moved on at least this often, so that a silence is seen where it happens."""
ORPHAN_CHECK_S = 0.5
READ_BYTES = 65_536
PENDING_MAX_BYTES = 65_536
"""A lock-step host that has this much to read is not listened to until it has read some."""
FAULT_MAX_BYTES = 4096
IN_OPEN = 0x20
"""The kernel's number for "was opened" (inotify)."""


class Served(Protocol):
    """A board as a peer moves it: the simulated one, or firmware in an emulated chip."""

    lock_step: bool
    now_us: int
    faults: Faults

    def receive(self, data: bytes) -> None:
        """Bytes from the host; in lock-step `@run` lines among them move time on."""

    def take(self) -> bytes:
        """All that was said and not taken yet."""

    def advance(self, us: int) -> None:
        """Let `us` pass."""

    def fault(self, name: str, **args: Any) -> None:
        """Make or end a fault. Raises ValueError."""

    def reset(self, cause: int) -> None:
        """What a processor's reset does."""


class Wire(NamedTuple):
    """Where bytes come from and go to; the name that a host opens."""

    read_fd: int
    write_fd: int
    name: str
    held_fd: int
    """The far end, held open so that a host may close and open it again; -1 where there is none."""


def main(argv: list[str] | None = None) -> int:
    """Serve until the parent ends, the wire closes or a signal comes. 0 then; 2 for arguments that do not fit."""
    parent = os.getppid()
    parser = arguments("soakwarden simulate", "A simulated board in a simulated chamber.")
    parser.add_argument("--travelling", action="store_true", help="a fourth channel has a sensor that travels in a survey")
    args = parser.parse_args(argv)
    board = Board(SHAPES[args.shape], args.seed, args.board, report_us=args.report_us, auto_arm=args.auto_arm,
                  lock_step=args.lock_step or args.stdio)
    board.spot = BEGINS_AT if args.travelling else ""
    return serve(args, board, parent)


def serve(args: argparse.Namespace, board: Served, parent: int, stretch_us: int = STRETCH_US) -> int:
    """Any board, told and heard as `args` say. `parent` is the process to live as long as."""
    signal.signal(signal.SIGTERM, _leave)
    wire = _standard() if args.stdio else terminal()
    faults = _faults_socket(args.faults_socket)
    if not args.stdio:
        print(json.dumps({"port": wire.name, "board": args.board, "pid": os.getpid()}), flush=True)
    with contextlib.suppress(KeyboardInterrupt, BrokenPipeError):
        Peer(board, wire, faults, parent, stretch_us).serve()
    if args.faults_socket is not None:
        args.faults_socket.unlink(missing_ok=True)
    return 0


def arguments(program: str, words: str) -> argparse.ArgumentParser:
    """What every board program takes."""
    parser = argparse.ArgumentParser(prog=program, description=words)
    parser.add_argument("--shape", choices=sorted(SHAPES), default="bench", help="which chamber")
    parser.add_argument("--seed", type=int, default=1, help="of the converters' noise")
    parser.add_argument("--board", default="5a17c0", type=_board_id, help="the board's id, six hex digits")
    parser.add_argument("--report-us", type=_report_us, default=250_000, help="report period, µs (250000 or 1000000)")
    parser.add_argument("--auto-arm", action="store_true", help="presses its own arm button when the lamp flashes")
    parser.add_argument("--lock-step", action="store_true", help="the clock moves only when the host says @run")
    parser.add_argument("--stdio", action="store_true", help="lock-step on standard input and output")
    parser.add_argument("--faults-socket", type=Path, help="unix datagram socket to make, for faults as JSON")
    return parser


def _board_id(text: str) -> str:
    if len(text) != 6 or set(text) - set("0123456789abcdef"):
        raise argparse.ArgumentTypeError(f"board id is {text!r}; allowed are six hex digits, lower case")
    return text


def _report_us(text: str) -> int:
    value = int(text) if text.isdigit() else 0
    if not 50_000 <= value <= 1_000_000:
        raise argparse.ArgumentTypeError(f"report period is {text} µs; allowed is 50000 to 1000000 µs")
    return value


class Peer:
    """One board on one wire."""

    def __init__(self, board: Served, wire: Wire, faults: socket.socket | None, parent: int,
                 stretch_us: int = STRETCH_US) -> None:
        """`parent` is the id of the process to live as long as, taken before anybody was told of this one."""
        self.board, self.wire, self.faults = board, wire, faults
        self.lost_bytes = 0
        """Dropped in real time because the far side did not read."""
        self._pending = b""
        self._parent, self._stretch_us = parent, stretch_us
        self._start_us = _mono_us()
        self._opens = _opens(wire.name) if wire.held_fd >= 0 else None
        os.set_blocking(wire.read_fd, False)
        os.set_blocking(wire.write_fd, False)

    def serve(self) -> None:
        """Until the parent ends or the wire closes. A parent's end is seen by its id: no signal is relied on."""
        while os.getppid() == self._parent:
            ready, _, _ = select.select(self._wanted(), [self.wire.write_fd] if self._pending else [], [],
                                        ORPHAN_CHECK_S if self.board.lock_step else self._until_s())
            if not self.board.lock_step:
                self.board.advance(max(0, _mono_us() - self._start_us - self.board.now_us))
            if self.faults is not None and self.faults in ready:
                self._hear_fault(self.faults)
            if self._opens is not None and self._opens in ready:
                self._opened(self._opens)
            if self.wire.read_fd in ready and not self._hear():
                # The host closed its end but may still be reading: a pipe takes the rest, or says that nobody does.
                os.set_blocking(self.wire.write_fd, True)
                self._write()
                return
            self._write()

    def end(self) -> None:
        """Serve no more; from another thread."""
        self._parent = -1

    def _wanted(self) -> list[int | socket.socket]:
        """What to listen to. A lock-step host that does not read is not listened to either."""
        wanted: list[int | socket.socket] = [one for one in (self.faults, self._opens) if one is not None]
        return wanted if len(self._pending) > PENDING_MAX_BYTES else [*wanted, self.wire.read_fd]

    def _until_s(self) -> float:
        """Seconds to the next absolute moment at which the board is to be moved on."""
        return max(0, self._start_us + self.board.now_us + self._stretch_us - _mono_us()) * 1e-6

    def _hear(self) -> bool:
        """False when the wire is closed."""
        try:
            data = os.read(self.wire.read_fd, READ_BYTES)
        except BlockingIOError:
            return True
        self.board.receive(data)
        return bool(data)

    def _write(self) -> None:
        """As much as fits. In real time the rest is lost, as on a serial line; in lock-step it waits for the host."""
        self._pending += self.board.take()
        while self._pending:
            try:
                written = os.write(self.wire.write_fd, self._pending)
            except BlockingIOError:
                break
            self._pending = self._pending[written:]
        if self._pending and not self.board.lock_step:
            self.lost_bytes += len(self._pending)
            self._pending = b""

    def _opened(self, opens: int) -> None:
        """Somebody opened the port. Many boards reset at that; this one does while the fault `reset_on_open` stands."""
        os.read(opens, READ_BYTES)
        if self.board.faults.reset_on_open:
            self.board.reset(ResetCause.EXTERNAL)

    def _hear_fault(self, faults: socket.socket) -> None:
        """One datagram. What is no fault is answered on standard error and changes nothing."""
        try:
            asked = json.loads(faults.recv(FAULT_MAX_BYTES))
            name = str(asked.pop("fault"))
            self.board.fault(name, **asked)
        except (ValueError, KeyError, TypeError, AttributeError) as mistake:
            print(f"not a fault: {mistake}; wanted is {{\"fault\": NAME, ...}}",
                  file=sys.stderr, flush=True)


def _mono_us() -> int:
    return time.monotonic_ns() // 1000


def _leave(signum: int, frame: Any) -> None:
    raise KeyboardInterrupt


def _opens(path: str) -> int | None:
    """A descriptor that becomes readable when somebody opens `path`; None where the kernel cannot tell."""
    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "inotify_init1"):
        return None
    watch = int(libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC))
    if watch < 0 or libc.inotify_add_watch(watch, path.encode(), IN_OPEN) < 0:
        return None
    return watch


def terminal() -> Wire:
    """A raw pseudo-terminal."""
    master_fd, slave_fd = pty.openpty()
    tty.setraw(slave_fd, termios.TCSANOW)
    return Wire(master_fd, master_fd, os.ttyname(slave_fd), slave_fd)


def _standard() -> Wire:
    return Wire(sys.stdin.fileno(), sys.stdout.fileno(), "standard input and output", -1)


def _faults_socket(path: Path | None) -> socket.socket | None:
    if path is None:
        return None
    path.unlink(missing_ok=True)
    faults = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    faults.bind(str(path))
    path.chmod(0o600)
    return faults


if __name__ == "__main__":
    sys.exit(main())
