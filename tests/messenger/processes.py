"""Real processes for the tests of this folder: a service on a simulated board, messengers, listeners; all ended by id."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from controller.client import Client
from tests.messenger.stand_in import PAGE
from tests.service.rig import Rig
from tests.tidy.measure import ROOT

HASTE = ("from controller.messenger import beats, memory; beats.EVERY_US = 1_000_000; beats.AGAIN_US = 1_000_000; "
         "beats.NEXT_WITHIN_S = 3; ")
"""Before a messenger starts: beats every second, missed after three."""
MESSENGER = "import sys; from controller.messenger.__main__ import main; sys.exit(main(sys.argv[1:]))"
LISTEN = "import sys; from controller.cli import main; sys.exit(main(sys.argv[1:]))"


class Bench:
    """`with Bench(folder) as bench`: a running service; whatever is started with it ends with it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._started: list[subprocess.Popen[str]] = []

    def __enter__(self) -> Bench:
        self.folder.mkdir(exist_ok=True)
        self.rig = Rig(self.folder)
        self.rig.go()
        (self.folder / "controller.sock").symlink_to(self.rig.socket_path)
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._started:
            if process.poll() is None:
                process.kill()
            process.wait()
            for pipe in (process.stdout, process.stderr):
                if pipe is not None:
                    pipe.close()
        self.rig.close()

    def start(self, code: str, *words: str, inside: Sequence[str] = ()) -> subprocess.Popen[str]:
        """A Python process; `inside` is what to run it with."""
        self._started.append(subprocess.Popen(
            [*inside, sys.executable, "-c", code, *words], cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT), "TZ": "UTC"}))
        return self._started[-1]

    def messenger(self, haste: bool = False, inside: Sequence[str] = ()) -> subprocess.Popen[str]:
        """A messenger that answers on its socket."""
        process = self.start(f"{HASTE if haste else ''}{MESSENGER}", "--data", str(self.folder), inside=inside)
        until(lambda: self.pid() == process.pid or process.poll() is not None)
        return process

    def pid(self) -> int:
        """Of the messenger that answers; 0 when none does."""
        try:
            return int(self.status()["pid"])
        except Exception:
            return 0

    def status(self) -> dict[str, Any]:
        return asyncio.run(Client(self.folder / "messenger.sock", 3.0).ask("status"))

    def listener(self, data: Path, address: str, port: int, *tell: str, inside: Sequence[str] = ()) -> Lines:
        """A listener that has said where it listens."""
        words = [word for url in tell for word in ("--tell", url)]
        process = self.start(LISTEN, "listen", "--address", address, "--port", str(port), "--data", str(data), "--json", *words,
                             inside=inside)
        lines = Lines(process)
        until(lambda: bool(lines.said))
        return lines

    def run(self) -> None:
        """Start the short run and wait until it is on."""
        with self.rig.client() as client:
            client.start()
            client.until(lambda now: now["run"] is not None)


class Lines:
    """What a process prints, as it comes: one JSON object a line."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.said: list[dict[str, Any]] = []
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        try:
            for line in self.process.stdout:
                self.said.append(json.loads(line))
        except ValueError:  # the test is over and has closed it
            return

    @property
    def key(self) -> str:
        return str(self.said[0]["say"]).rpartition(": ")[2]

    @property
    def port(self) -> int:
        return int(self.said[0]["port"])

    def alarms(self) -> list[str]:
        return [str(one["say"]) for one in self.said if "need" in one]

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


def until(holds: Callable[[], bool], most_s: float = 30.0) -> None:
    """Wait until something is so."""
    end_s = time.monotonic() + most_s
    while not holds():
        assert time.monotonic() < end_s, "it never came to that"
        threading.Event().wait(0.05)


def page() -> str:
    return PAGE
