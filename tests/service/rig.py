"""A whole service on a simulated board in this process: ticked by hand, or running in a thread with a client beside it."""

from __future__ import annotations

import json
import socket
import threading
from pathlib import Path
from typing import Any

from controller.board_line import BoardLine
from controller.commissioning.commissioner import Commissioner
from controller.config import ChamberFolder
from controller.drivers import latch
from controller.drivers.clocks import LockStepClock
from controller.drivers.notify import Notifier
from controller.records.queries import Reader
from controller.records.writer import Writer, next_run
from controller.service import Parts, Service
from controller.snapshot import Facts
from controller.start_up import about
from tests.answered import LEAVING, messenger_for_ever
from tests.service.chambers import MemoryPort, integers, short, simulated

SPEED = 300.0


class Rig:
    """Parts and service in one folder. `steps` ticks by hand; `go` lets the loop run in a thread."""

    def __init__(self, folder: Path, latches: tuple[latch.Stored, ...] = (), chamber: ChamberFolder | None = None,
                 auto_arm: bool = True, notifier: Notifier | None = None) -> None:
        self.folder = folder
        self.chamber = chamber or simulated(folder / "chamber")
        self.port = MemoryPort(auto_arm=auto_arm)
        self.line = BoardLine(True, 100)
        self.line.use(self.port)
        self.port.wake = self.line.wake
        self.clock = LockStepClock(SPEED, self.line.stretch)
        self.writer = Writer(folder / "record.db", None, about(self.chamber))
        first_run = next_run(folder / "record.db")
        self.writer.start()
        self.keeper = latch.LatchKeeper(folder / "latch-of-rig")
        self.socket_path = folder / "s"
        self.commissioner = Commissioner(self.chamber, self.clock.utc_us())
        facts = Facts("test", self.writer.boot, self.chamber, "lock-step", SPEED)
        self.service = Service(Parts(self.chamber, self.clock, self.line, self.writer, self.keeper,
                                     notifier or Notifier({}), facts, self.socket_path, first_run,
                                     self.commissioner), latches)
        self.service.server.messages = messenger_for_ever()
        self._thread: threading.Thread | None = None
        self._started = False

    def steps(self, count: int = 1, **named: Any) -> None:
        """Ticks by hand; the socket serves."""
        if not self._started:
            self.service.server.start()
            self._started = True
        for _ in range(count):
            self.service.tick(self.clock.begin(), **named)

    def go(self) -> None:
        """The real loop, in a thread."""
        self._thread = threading.Thread(target=self.service.run)
        self._thread.start()

    def client(self) -> Raw:
        return Raw(self.socket_path)

    def close(self, reason: str = "test over") -> None:
        if self._thread is not None:
            self.service.end(reason)
            self._thread.join(20.0)
            assert not self._thread.is_alive(), "the loop must end when told"
        else:
            self.service._close()

    def events(self) -> list[dict[str, Any]]:
        """What the record holds, oldest first. After `close`."""
        rows = Reader(self.folder / "record.db").events(limit=2000)
        return [{"kind": row.kind, "fields": row.fields} for row in rows]


class Raw:
    """A client that speaks lines, so that a test can also speak nonsense."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        for _ in range(2000):
            try:
                self._socket.connect(str(path))
                break
            except (FileNotFoundError, ConnectionRefusedError):
                threading.Event().wait(0.02)
        self._socket.settimeout(10.0)
        self._file = self._socket.makefile("rb")

    def __enter__(self) -> Raw:
        return self

    def __exit__(self, *_error: object) -> None:
        self._file.close()
        self._socket.close()

    def say(self, line: bytes) -> None:
        self._socket.sendall(line)

    def hear(self) -> dict[str, Any]:
        line = self._file.readline()
        assert line, "the connection was closed"
        answer: dict[str, Any] = json.loads(line)
        return answer

    def closed(self) -> bool:
        try:
            return self._file.readline() == b""
        except ConnectionResetError:
            return True

    def ask(self, do: str, **fields: Any) -> dict[str, Any]:
        self.say(json.dumps({"id": 7, "do": do, **fields}).encode() + b"\n")
        answer = self.hear()
        while "push" in answer:
            answer = self.hear()
        return answer

    def command(self, ask: str, role: str = "maintainer", **fields: Any) -> dict[str, Any]:
        return self.ask("command", command={"ask": ask, "by": "test", "role": role, "ref": "r1", **fields})

    def start(self) -> dict[str, Any]:
        self.ask("messages", failing="")
        return self.command("start", schedule=integers(short()), level="unattended", leaving=LEAVING)

    def now(self) -> dict[str, Any]:
        now: dict[str, Any] = self.ask("now")["ok"]["now"]
        return now

    def until(self, holds, most: int = 2000) -> dict[str, Any]:
        """The first snapshot of which something holds."""
        for _ in range(most):
            now = self.now()
            if holds(now):
                return now
            threading.Event().wait(0.02)
        raise AssertionError(f"it never came to that: {now['sentence']} {now['run'] and now['run']['state']}")
