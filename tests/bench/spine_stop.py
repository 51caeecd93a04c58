"""From "Stop heating" on the api to the modulator seen off at the board, in real time, through every process."""

from __future__ import annotations

import time
from collections.abc import Callable

import httpx

from tests.bench.figure import QUICK, Figure, at_most, percentile
from tests.bench.hands import LiveBoard
from tests.bench.served import Served, now, own_chamber, start_run

STOPS = 8 if QUICK else 60
WAIT_S = 40.0
ON_FOR_S = 0.3
FAST = {
    "format": "soakwarden-schedule-1", "name": "bench, fast", "temperature_of": "air", "resume": "never", "note": "",
    "segments": [{"kind": "ramp", "target_c": 100, "rate_c_per_h": 300, "band_c": 5, "longest_h": 4}],
}


def until(what: str, true: Callable[[], bool]) -> None:
    """Wait, by looking every 5 ms."""
    end = time.monotonic() + WAIT_S
    while not true():
        if time.monotonic() > end:
            raise RuntimeError(f"waited {WAIT_S:g} s in vain: {what}")
        time.sleep(0.005)


def one_stop(client: httpx.Client, live: LiveBoard) -> tuple[float, float]:
    """(ms from the request to the modulator off, ms from there to the contactor off)."""
    start_run(client, FAST, "in_the_building")
    until("the modulator is on", lambda: live.modulator)
    time.sleep(ON_FOR_S)
    until("the modulator is on", lambda: live.modulator)
    asked = time.perf_counter()
    client.post("/stop-heating", json={}).raise_for_status()
    until("the modulator is off", lambda: live.off_at > asked)
    until("the contactor is off", lambda: live.contactor_off_at > live.off_at)
    until("the run is aborted", lambda: now(client)["run"]["state"] == "aborted")
    client.post("/runs/current/reset", json={}).raise_for_status()
    return (live.off_at - asked) * 1000, (live.contactor_off_at - live.off_at) * 1000


def stops(served: Served, live: LiveBoard) -> list[tuple[float, float]]:
    with served.client() as client:
        return [one_stop(client, live) for _ in range(STOPS)]


def row() -> list[Figure]:
    """stop heating, real time"""
    with LiveBoard() as live, own_chamber(live.port) as served:
        found = stops(served, live)
    delays = [off for off, _ in found]
    print(f"  {STOPS} stops: median {percentile(delays, 0.5):.1f} ms, largest {max(delays):.1f} ms; contactor after "
          f"{min(gap for _, gap in found):.0f} to {max(gap for _, gap in found):.0f} ms more")
    return [at_most("spine", f"stop heating to modulator off, p99 of {STOPS} (contactor follows)",
                    percentile(delays, 0.99), "ms", 100)]
