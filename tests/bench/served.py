"""The whole product as a person starts it: `serve --demo` in its own folder, and what may be asked of it."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import psutil

from tests.bench.world import write_chamber

ROOT = Path(__file__).resolve().parents[2]
BELOW = ROOT / ".soakwarden"
"""On the disk of the checkout, not in memory: bytes written must be counted where they are written."""
UP_S = 90.0
SLOW = {
    "format": "soakwarden-schedule-1", "name": "bench, slow", "temperature_of": "part", "resume": "never", "note": "",
    "segments": [
        {"kind": "ramp", "target_c": 105, "rate_c_per_h": 20, "band_c": 2, "longest_h": 6},
        {"kind": "soak", "target_c": 105, "soak_h": 8, "band_c": 2, "longest_h": 12},
        {"kind": "cool", "target_c": 40, "rate_c_per_h": 20, "band_c": 2, "longest_h": 10},
    ],
}
"""About 4 h up, 8 h held, 4 h down: common practice, no source."""


class Served(NamedTuple):
    """A running demo."""

    url: str
    data: Path
    process: subprocess.Popen[bytes]

    def client(self) -> httpx.Client:
        """An HTTP client that comes from the page's own origin."""
        return httpx.Client(base_url=f"{self.url}/api/v1", headers={"Origin": self.url}, timeout=10.0)

    def part(self, words: str) -> psutil.Process:
        """The child process whose command line names `words`."""
        for child in psutil.Process(self.process.pid).children(recursive=True):
            if words in " ".join(child.cmdline()):
                return child
        raise RuntimeError(f"no child process of {self.process.pid} runs {words}")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def own_chamber(port: str) -> Iterator[Served]:
    """Controller and api as two processes, in real time, on a simulated chamber whose board answers at `port`."""
    BELOW.mkdir(exist_ok=True)
    http = free_port()
    with tempfile.TemporaryDirectory(dir=BELOW, prefix="bench-") as folder:
        data, chamber = Path(folder), Path(folder) / "chamber"
        write_chamber(chamber)
        commands = (["controller.service", "--chamber", str(chamber), "--data", folder, "--port", port],
                    ["api", "--data", folder, "--http", str(http)])
        with open(data / "bench.log", "wb") as log:
            processes = [subprocess.Popen([sys.executable, "-m", *command], cwd=ROOT, stdin=subprocess.DEVNULL,
                                          stdout=log, stderr=log) for command in commands]
        served = Served(f"http://127.0.0.1:{http}", data, processes[0])
        try:
            _wait_until_up(served)
            yield served
        finally:
            for process in reversed(processes):
                end(process)


@contextmanager
def demo(speed: int, *more: str) -> Iterator[Served]:
    """Start the demo at `speed`, wait until the page's data answers, end it afterwards."""
    BELOW.mkdir(exist_ok=True)
    port = free_port()
    with tempfile.TemporaryDirectory(dir=BELOW, prefix="bench-") as folder:
        data = Path(folder)
        command = [sys.executable, "-m", "controller.cli", "serve", "--demo", "--speed", str(speed), "--data", folder,
                   "--http", str(port), *more]
        with open(data / "bench.log", "wb") as log:
            process = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        served = Served(f"http://127.0.0.1:{port}", data, process)
        try:
            _wait_until_up(served)
            yield served
        finally:
            end(process)


@contextmanager
def api_alone(data: Path) -> Iterator[httpx.Client]:
    """The api on a data folder whose controller has ended: the record is asked without a run at full speed beside it."""
    port = free_port()
    command = [sys.executable, "-m", "api", "--data", str(data), "--http", str(port), "--demo"]
    process = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    served = Served(f"http://127.0.0.1:{port}", data, process)
    try:
        with served.client() as client:
            _wait_for_runs(client)
            yield client
    finally:
        end(process)


def _wait_for_runs(client: httpx.Client) -> None:
    until = time.monotonic() + UP_S
    while time.monotonic() < until:
        with suppress(httpx.HTTPError):
            if client.get("/runs").status_code == 200:
                return
        time.sleep(0.1)
    raise RuntimeError(f"the api alone did not answer GET /runs in {UP_S:g} s")


def end(process: subprocess.Popen[bytes]) -> None:
    """Ask it to end, and insist after a while."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait_until_up(served: Served) -> None:
    until = time.monotonic() + UP_S
    while time.monotonic() < until:
        if served.process.poll() is not None:
            break
        try:
            with served.client() as client:
                if client.get("/now").json()["board"]["accepted"]:
                    return
        except (httpx.HTTPError, KeyError, TypeError, json.JSONDecodeError):
            time.sleep(0.1)
    log = (served.data / "bench.log").read_text(errors="replace")
    raise RuntimeError(f"the demo did not come up in {UP_S:g} s (exit {served.process.poll()}):\n{log[-2000:]}")


def ready_to_leave(client: httpx.Client) -> dict[str, Any]:
    """What an unattended start asks for, as a person gets it: a test message, its link opened, its button pressed."""
    until = time.monotonic() + UP_S
    while now(client)["messages"]["state"] != "working" and time.monotonic() < until:
        time.sleep(0.2)  # a messenger that has just been started is heard within seconds
    client.post("/messages/channels/1/try", json={}).raise_for_status()
    letters = client.get("/messages/mailbox").json()["letters"]
    link = next(letter["link"] for letter in letters if "/arrived?code=" in letter["link"])
    form = {"code": link.partition("code=")[2]}
    httpx.post(link.partition("?")[0], data=form, headers={"Origin": link.partition("/arrived")[0]}).raise_for_status()
    return {"answers": [question["id"] for question in client.get("/leaving").json()["checklist"]]}


def start_run(client: httpx.Client, schedule: dict[str, Any], level: str = "unattended") -> None:
    """Store a schedule and start it; the demo presses its own arm button."""
    stored = client.post("/schedules", json=schedule)
    stored.raise_for_status()
    body = stored.json()
    left = {"leaving": ready_to_leave(client)} if level == "unattended" else {}
    asked = client.post("/runs", json={"schedule_id": body["id"], "level": level, **left},
                        headers={"Idempotency-Key": f"bench-{time.monotonic_ns()}"})
    if asked.status_code >= 400:
        raise RuntimeError(f"the start was refused: {asked.text}")


def now(client: httpx.Client) -> dict[str, Any]:
    """The snapshot, without what the api wraps around it."""
    body: dict[str, Any] = client.get("/now").json()
    return body
