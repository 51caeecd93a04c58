"""What commissioning asks of a person, by the guide's own count, and what it costs a tick while nothing is watched."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from statistics import median

from controller import demo
from controller.commissioning import guide
from controller.commissioning.commissioner import Commissioner
from controller.commissioning.step import Part
from controller.commissioning.validity import Facts, judged
from controller.config import load
from controller.core.start import first_state
from controller.drivers.clocks import utc_us
from tests.bench.figure import Figure, at_most

CORE_GOAL_MIN, REST_GOAL_MIN = 60, 180
TICK_GOAL_US = 20.0
"""A tick of a whole controller takes some hundred (`advance` alone: 40)."""
GUIDE_GOAL_MS = 25.0
TICKS = 20_000


def minutes() -> list[Figure]:
    """a person's minutes, core and rest, over what applies to a chamber with everything fitted"""
    with tempfile.TemporaryDirectory() as made:
        folder = demo.chamber(Path(made) / "c", utc_us())
        found = judged(folder.kept, Facts(folder.chamber, folder.switches, utc_us()))
    return [at_most("proofs", "commissioning, core: a person's minutes", guide.minutes(Part.CORE, found), "min", CORE_GOAL_MIN),
            at_most("proofs", "commissioning, rest: a person's minutes", guide.minutes(Part.REST, found), "min", REST_GOAL_MIN)]


def cost() -> list[Figure]:
    """what commissioning costs a tick while nothing is watched, and a guide when somebody asks"""
    with tempfile.TemporaryDirectory() as made:
        path = Path(made) / "c"
        demo.chamber(path, utc_us())
        folder = load(path, utc_us())
        now_us, state = utc_us(), first_state(folder.chamber, 0)
        commissioner = Commissioner(folder, now_us)
        ticks, guides = [], []
        for _ in range(TICKS):
            begun = time.perf_counter_ns()
            list(commissioner.notices(state, now_us, False))
            commissioner.see(state, now_us, (), ())
            ticks.append((time.perf_counter_ns() - begun) / 1000)
        for _ in range(50):
            begun = time.perf_counter_ns()
            commissioner.guide(state, now_us)
            guides.append((time.perf_counter_ns() - begun) / 1e6)
        commissioner.close()
    return [at_most("proofs", "commissioning in a tick, nothing watched, median", median(ticks), "µs", TICK_GOAL_US),
            at_most("proofs", "the guide, when somebody asks, median", median(guides), "ms", GUIDE_GOAL_MS)]


ROWS = (minutes, cost)
