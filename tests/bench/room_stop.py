""""Stop heating" while a crowd is on the api: a thousand requests a second and two hundred open streams, in real time."""

from __future__ import annotations

import json
import subprocess
import sys
import time

from tests.bench.figure import QUICK, Figure, at_most, percentile
from tests.bench.hands import LiveBoard
from tests.bench.served import ROOT, Served, end, own_chamber
from tests.bench.spine_stop import one_stop

STOPS = 6 if QUICK else 60
RATE, STREAMS, LONGEST_S = 1_000, 200, 600
GATHER_S = 5.0


def crowded(served: Served, live: LiveBoard) -> tuple[list[float], dict[str, object]]:
    """(ms from request to modulator off of each stop, what the crowd got meanwhile)."""
    port = served.url.rpartition(":")[2]
    words = [sys.executable, "-m", "tests.bench.crowd", port, str(RATE), str(STREAMS), str(LONGEST_S)]
    crowd = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE)
    try:
        time.sleep(GATHER_S)
        with served.client() as client:
            delays = [one_stop(client, live)[0] for _ in range(STOPS)]
    finally:
        end(crowd)
    assert crowd.stdout is not None
    return delays, json.loads(crowd.stdout.read())


def row() -> list[Figure]:
    """stop heating under a crowd, real time"""
    with LiveBoard() as live, own_chamber(live.port) as served:
        delays, crowd = crowded(served, live)
    print(f"  {STOPS} stops: median {percentile(delays, 0.5):.1f} ms, largest {max(delays):.1f} ms; the crowd was answered "
          f"{crowd['a_second']} times a second on this machine, by status {crowd['statuses']}, on {crowd['streams']} streams")
    return [at_most("room", f"stop under {RATE} requests/s, {STREAMS} streams, p99 of {STOPS}",
                    percentile(delays, 0.99), "ms", 300)]
