"""How long it takes to rehearse sixteen hours: the command as a person gives it, start of Python included."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time

from tests.bench.figure import QUICK, Figure, at_most, median
from tests.bench.served import ROOT

RUNS = 1 if QUICK else 3
TICKS_OF_16_H = 57_600


def children_s() -> float:
    """Processor seconds of the children that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def rehearsed() -> tuple[float, int]:
    """(seconds for 57,600 ticks, ticks) of one rehearsal. A run of another length is scaled to sixteen hours."""
    before_s = children_s()
    begun = time.perf_counter()
    done = subprocess.run([sys.executable, "-m", "controller.cli", "rehearse", "--json"], cwd=ROOT, capture_output=True,
                          text=True, check=True)
    wall_s = time.perf_counter() - begun
    print(f"  {wall_s:.1f} s on the clock, {children_s() - before_s:.1f} s of a processor")
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["trips"] in (0, []), f"the rehearsed run tripped: {told['trips']}"
    return wall_s * TICKS_OF_16_H / told["ticks"], told["ticks"]


def row() -> list[Figure]:
    """rehearse 16 h at 1 s ticks, link bytes included"""
    runs = [rehearsed() for _ in range(RUNS)]
    assert all(ticks > TICKS_OF_16_H * 0.8 for _, ticks in runs), f"too short to stand for 16 h: {runs}"
    return [at_most("spine", "rehearse 16 h, link bytes included", median([wall_s for wall_s, _ in runs]), "s", 6)]
