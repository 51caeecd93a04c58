"""Lateness of ticks in real time while every core is kept busy and the api is asked without pause."""

from __future__ import annotations

import multiprocessing
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import httpx

from tests.bench.figure import QUICK, Figure, at_most
from tests.bench.hands import LiveBoard
from tests.bench.served import Served, own_chamber, start_run
from tests.bench.spine_stop import FAST

SECONDS = float(os.environ.get("BENCH_LATENESS_S", "45" if QUICK else "600"))
ASKERS = 4
PATHS = ("/now", "/guards", "/runs", "/events", "/health")


def spin() -> None:
    """Keep one core busy."""
    while True:
        pass


@contextmanager
def busy_cores() -> Iterator[None]:
    """One spinning process a core."""
    context = multiprocessing.get_context("spawn")
    hogs = [context.Process(target=spin, daemon=True) for _ in range(os.cpu_count() or 1)]
    for hog in hogs:
        hog.start()
    try:
        yield
    finally:
        for hog in hogs:
            hog.kill()
            hog.join()


@contextmanager
def busy_api(served: Served) -> Iterator[list[int]]:
    """Several clients that ask one thing after the other. Gives a list that grows by one an answer."""
    ended = threading.Event()
    answers: list[int] = []

    def ask() -> None:
        with served.client() as client:
            while not ended.is_set():
                for path in PATHS:
                    answers.append(client.get(path).status_code)

    askers = [threading.Thread(target=ask, daemon=True) for _ in range(ASKERS)]
    for asker in askers:
        asker.start()
    try:
        yield answers
    finally:
        ended.set()
        for asker in askers:
            asker.join()


def lateness(client: httpx.Client) -> tuple[float, float]:
    """(p99, largest) in ms, as the controller counts it itself on every tick."""
    controller = client.get("/health").json()["controller"]["health"]
    return controller["late_p99_us"] / 1000, controller["late_max_us"] / 1000


def row() -> list[Figure]:
    """lateness of ticks, both cores loaded and the api busy"""
    length = f"{SECONDS / 60:g} min" + (" (shortened)" if SECONDS < 600 else "")
    with LiveBoard() as live, own_chamber(live.port) as served, served.client() as client:
        start_run(client, FAST)
        with busy_cores(), busy_api(served) as answers:
            time.sleep(SECONDS)
        p99_ms, largest_ms = lateness(client)
    print(f"  {len(answers)} answers of the api meanwhile, {sum(code != 200 for code in answers)} of them not 200")
    return [
        at_most("spine", f"lateness of ticks, cores and api busy, {length}, p99", p99_ms, "ms", 20),
        at_most("spine", f"lateness of ticks, cores and api busy, {length}, largest", largest_ms, "ms", 1_000),
    ]
