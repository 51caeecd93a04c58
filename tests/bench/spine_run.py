"""A whole 16 h run at speed through every process: memory, growth, bytes stored and written, the curve from the api."""

from __future__ import annotations

import time
from typing import NamedTuple

import httpx
import psutil

from tests.bench.figure import QUICK, Figure, at_most, median
from tests.bench.served import SLOW, Served, api_alone, demo, now, start_run

SPEED = 2_000
"""More than the machine can do: lock-step then runs as fast as it goes."""
MB = 1_000_000
CURVES = 25
LIMIT_S = 1_800
GROWTH_GOAL_MB = 1.0
"""'No growth', as far as a process's resident pages can show it."""
QUICK_SEGMENTS = [
    {"kind": "ramp", "target_c": 60, "rate_c_per_h": 60, "band_c": 2, "longest_h": 2},
    {"kind": "soak", "target_c": 60, "soak_h": 1, "band_c": 2, "longest_h": 3},
]


class Memory(NamedTuple):
    """Resident megabytes of both processes at one moment of the run."""

    tick: int
    controller: float
    api: float


class Ran(NamedTuple):
    """What one run left behind."""

    memory: list[Memory]
    run_id: str
    ticks: int
    written: int
    curve_ms: float
    curve_points: int
    stored: int
    wall_s: float


def resident(process: psutil.Process) -> float:
    return float(process.memory_info().rss) / MB


def watched(served: Served, client: httpx.Client) -> tuple[list[Memory], str, int]:
    """Follow the run to its end: (memory through the run, run id, ticks)."""
    controller, api = served.part("controller.service"), served.part(" api")
    memory: list[Memory] = []
    begun, first = time.monotonic(), 0
    while time.monotonic() - begun < LIMIT_S:
        snapshot = now(client)
        run = snapshot["run"]
        if run is not None:
            first = first or snapshot["tick"]
            memory.append(Memory(snapshot["tick"] - first, resident(controller), resident(api)))
            if run["state"] in ("complete", "stopped", "aborted"):
                assert run["state"] == "complete", f"the run ended {run['state']}: {run['end']} {snapshot['latches']}"
                return memory, run["id"], memory[-1].tick
        time.sleep(0.25)
    raise RuntimeError(f"the run did not end within {LIMIT_S} s")


def curve(client: httpx.Client, run_id: str) -> tuple[float, int]:
    """(median milliseconds, points) of the whole run's curve, over one open connection."""
    taken, size = [], 0
    for _ in range(CURVES):
        begun = time.perf_counter()
        answer = client.get(f"/runs/{run_id}/curve", params={"points": 1000})
        taken.append((time.perf_counter() - begun) * 1000)
        answer.raise_for_status()
        size = len(answer.content)
    return median(taken), size


def run() -> Ran:
    schedule = {**SLOW, "segments": QUICK_SEGMENTS} if QUICK else SLOW
    with demo(SPEED) as served:
        begun = time.monotonic()
        with served.client() as client:
            controller = served.part("controller.service")
            before = controller.io_counters().write_bytes
            start_run(client, schedule)
            memory, run_id, ticks = watched(served, client)
            wall_s = time.monotonic() - begun
            written = controller.io_counters().write_bytes - before
        served.process.terminate()
        served.process.wait(20)
        with api_alone(served.data) as client:
            curve_ms, curve_size = curve(client, run_id)
        stored = sum(path.stat().st_size for path in served.data.glob("record.db*"))
    return Ran(memory, run_id, ticks, written, curve_ms, curve_size, stored, wall_s)


def row() -> list[Figure]:
    """a 16 h run at speed: memory, curve, bytes"""
    ran = run()
    length = f"{ran.ticks / 3600:.1f} h run" + (", shortened" if QUICK else "")
    half = [m for m in ran.memory if m.tick >= ran.ticks // 2]
    print(f"  the run: {ran.ticks} ticks in {ran.wall_s:.0f} s")
    return [
        at_most("spine", f"resident memory of controller, {length}", ran.memory[-1].controller, "MB", 70),
        at_most("spine", f"resident memory of api, {length}", ran.memory[-1].api, "MB", 110),
        at_most("spine", "growth of controller, second half of the run",
                max(0.0, half[-1].controller - half[0].controller), "MB", GROWTH_GOAL_MB),
        at_most("spine", "growth of api, second half of the run", max(0.0, half[-1].api - half[0].api), "MB",
                GROWTH_GOAL_MB),
        at_most("spine", f"curve from the api, {length}, 1,000 pairs a channel", ran.curve_ms, "ms", 25),
        at_most("spine", "bytes stored per tick, four reports", ran.stored / ran.ticks, "B", 110),
        at_most("spine", f"bytes written to disk, {length}", ran.written / MB, "MB", 50),
    ]
