"""Peers that a module's driver is tested against over pseudo-terminals: two servers that others wrote, and a hostile one."""

from __future__ import annotations

import json
import os
import select
import shutil
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path
from typing import Any

import pytest

from tests.link.module_peer import ModulePeer
from tests.tidy.measure import ROOT

C_SOURCE = Path(__file__).with_name("libmodbus_peer.c")
GCC = ("gcc", "-O1", "-Wall", "-Wextra", "-Werror", "-I/usr/include/modbus")


class Pair:
    """Two pseudo-terminals with a cable between, which can be cut."""

    def __init__(self) -> None:
        self._masters, self._slaves, self.paths = [], [], []
        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
            self._masters.append(master)
            self._slaves.append(slave)
            self.paths.append(os.ttyname(slave))
        self.cut = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._pump, daemon=True)
        self._thread.start()

    def _pump(self) -> None:
        there = {self._masters[0]: self._masters[1], self._masters[1]: self._masters[0]}
        while not self._over.is_set():
            ready, _, _ = select.select(self._masters, [], [], 0.05)
            for one in ready:
                data = os.read(one, 4096)
                if not self.cut:
                    os.write(there[one], data)

    def close(self) -> None:
        self._over.set()
        self._thread.join(5)
        for descriptor in (*self._masters, *self._slaves):
            os.close(descriptor)


class Server:
    """One of the two servers, as a process. `port` is the controller's end."""

    def __init__(self, command: list[str]) -> None:
        self.pair = Pair()
        self.port = self.pair.paths[0]
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        self._child = subprocess.Popen([*command, self.pair.paths[1]], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT,
                                       env=environment, text=True, bufsize=1)
        self.now: dict[str, Any] = {}
        self.ever_on = False
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()
        self.until(lambda: bool(self.now))

    def _read(self) -> None:
        assert self._child.stdout is not None
        for line in self._child.stdout:
            self.now = json.loads(line)
            self.ever_on = self.ever_on or self.now["heats"]

    def say(self, words: str) -> None:
        assert self._child.stdin is not None
        self._child.stdin.write(words + "\n")
        self._child.stdin.flush()

    def until(self, holds: Any, most_s: float = 90.0) -> float:
        """Seconds until something holds of it."""
        began_s = time.monotonic()
        while not holds():
            assert time.monotonic() - began_s < most_s, f"never: {self.now}"
            threading.Event().wait(0.02)
        return time.monotonic() - began_s

    def close(self) -> None:
        self._child.kill()
        self._child.wait()
        self._thread.join(5)
        for pipe in (self._child.stdin, self._child.stdout):
            if pipe is not None:
                pipe.close()
        self.pair.close()


def pymodbus_server(folder: Path) -> Server:
    return Server([sys.executable, "-m", "tests.service.pymodbus_peer"])


def libmodbus_server(folder: Path) -> Server:
    """Compiled here; skipped, saying what is missing, where that cannot be done."""
    if shutil.which("gcc") is None or not Path("/usr/include/modbus/modbus.h").exists():
        pytest.skip("libmodbus-dev and gcc are not installed: its server is not tested against")
    program = folder / "libmodbus_peer"
    subprocess.run([*GCC, "-o", str(program), str(C_SOURCE), "-lmodbus"], check=True)
    return Server([str(program)])


SERVERS = {"pymodbus": (pymodbus_server, {"table": "holding", "bits": "coil"}),
           "libmodbus": (libmodbus_server, {"table": "input", "bits": "discrete"})}
"""And the table names of the chamber file that goes with each."""


class Hostile:
    """The invented module of `tests.link` on a pseudo-terminal in real time, with whatever spoils its answers."""

    def __init__(self, module: ModulePeer) -> None:
        self.module = module
        self.babbles = False
        """Somebody else talks on the same wires, all the time."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        before_s, kept, under_way = time.monotonic(), b"", []
        while not self._over.is_set():
            ready, _, _ = select.select([self._master], [], [], 0.002)
            now_s = time.monotonic()
            self.module.advance(round((now_s - before_s) * 1e6))
            before_s = now_s
            if ready:
                kept += os.read(self._master, 4096)
            if len(kept) >= 8:  # every request of the product's has eight bytes
                under_way += [(now_s + late_us / 1e6, data) for late_us, data in self.module.receive(kept[:8])]
                kept = b""
            if self.babbles:
                os.write(self._master, b"\x07")
                self._over.wait(0.03)
            for at_s, data in [one for one in under_way if one[0] <= now_s]:
                under_way.remove((at_s, data))
                os.write(self._master, data)

    def unplug(self) -> None:
        """Both ends go, as when an adapter is pulled."""
        self.stop()
        for descriptor in (self._master, self._slave):
            os.close(descriptor)
        self._master = self._slave = -1

    def stop(self) -> None:
        self._over.set()
        self._thread.join(5)

    def close(self) -> None:
        if self._master >= 0:
            self.unplug()
