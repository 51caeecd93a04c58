"""How long the far end needs to know: everything of a chamber killed at once, a listener on the same computer, in real time."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psutil

from tests.bench.figure import QUICK, Figure, at_most, unmeasured
from tests.bench.room_killed import WARM, heats, until
from tests.bench.served import ROOT, Served, demo, end, free_port, start_run

LONGEST_S = 16 * 60
NAME = "api, messenger, controller and host gone: the far end knows"


def silence_s(served: Served, listener: subprocess.Popen[str], port: int) -> float:
    """Seconds from the SIGKILL of all of a chamber's processes to the listener's alarm."""
    key = next(line for line in _lines(listener) if "with this key" in line).split()[-1]
    with served.client() as client:
        far = {"name": "far end", "url": f"http://127.0.0.1:{port}/", "key": key}
        number = client.post("/messages/beats", json=far).raise_for_status().json()["id"]
        start_run(client, WARM)
        until("it heats", lambda: heats(client))
        client.post(f"/messages/beats/{number}/try", json={}).raise_for_status()
    time.sleep(5.0)
    victims = psutil.Process(served.process.pid).children(recursive=True)
    began = time.monotonic()
    os.kill(served.process.pid, signal.SIGKILL)
    for victim in victims:
        victim.kill()
    next(line for line in _lines(listener) if "No sign of life" in line)
    return time.monotonic() - began


def _lines(listener: subprocess.Popen[str]) -> Iterator[str]:
    assert listener.stdout is not None
    for line in listener.stdout:
        yield str(json.loads(line).get("say", "")) + " " + str(json.loads(line).get("body", ""))


def row() -> list[Figure]:
    """silence: how long until the far end knows"""
    if QUICK:
        print("  the silence is not measured: it takes twelve minutes")
        return [unmeasured("room", NAME, "s", 900)]
    port = free_port()
    with tempfile.TemporaryDirectory() as folder, demo(1) as served:
        words = [sys.executable, "-m", "controller.cli", "listen", "--address", "127.0.0.1", "--port", str(port)]
        listener = subprocess.Popen([*words, "--data", str(Path(folder) / "far"), "--json"], cwd=ROOT, stdout=subprocess.PIPE,
                                    text=True)
        try:
            found = silence_s(served, listener, port)
        finally:
            end(listener)
    return [at_most("room", NAME, found, "s", 900)]
