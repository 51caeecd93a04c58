"""How long one tick takes: `advance` on ordinary ticks of a heating run.

Counted is this thread's processor time: how long it waits for a core is the figure of lateness, not of the tick.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

from controller.core.state import Inputs, State
from controller.core.tick import advance
from tests.bench.figure import QUICK, Figure, at_most, median, percentile
from tests.bench.world import heating_ticks

TICKS = 500 if QUICK else 2_000
RUNS = 5


def timed(state: State, ticks: Sequence[Inputs]) -> list[float]:
    """Microseconds of each tick, one going on from the other and the collector running, as in the product."""
    clock = time.thread_time_ns
    taken = []
    for inputs in ticks:
        begun = clock()
        state = advance(state, inputs).state
        taken.append((clock() - begun) / 1000)
    return taken


def row() -> list[Figure]:
    """advance, one and four reports"""
    figures = []
    for reports, goal in ((1, 40), (4, 60)):
        pairs = heating_ticks(reports, TICKS)
        first, ticks = pairs[0][0], [inputs for _, inputs in pairs]
        timed(first, ticks)
        runs = [timed(first, ticks) for _ in range(RUNS)]
        words = "one report" if reports == 1 else "four reports"
        figures.append(at_most("spine", f"advance, {words}, median", median([median(run) for run in runs]), "µs", goal))
        figures.append(at_most("spine", f"advance, {words}, p99", median([percentile(run, 0.99) for run in runs]),
                               "µs", 200))
    return figures
