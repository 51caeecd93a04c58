"""A 16 h soak against the emulated firmware in lock-step: the command as a person gives it."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from controller import demo, new_chamber
from tests.bench.figure import QUICK, Figure, at_most
from tests.bench.served import ROOT
from tests.board.machine import built

PEER = f"{sys.executable} -m tests.board.emulated --stdio --auto-arm --chip atmega2560 --board {new_chamber.SIMULATED_BOARD}"
HOURS_OF_16 = 57_600
QUICK_SCHEDULE = {**demo.SCHEDULE, "name": "Invented: an hour", "segments": [
    {"kind": "ramp", "target_c": 45, "rate_c_per_h": 60, "band_c": 2, "longest_h": 2},
    {"kind": "soak", "target_c": 45, "soak_h": 0.3, "band_c": 2, "longest_h": 2}]}
GOAL_S = 900


def soak(schedule: dict[str, object] | None) -> tuple[dict[str, object], float]:
    """(what the rehearsal says, wall seconds). None is the demo's own 16 h schedule."""
    built()
    words = [sys.executable, "-m", "controller.cli", "rehearse", "--json", "--peer", PEER]
    with tempfile.TemporaryDirectory() as above:
        if schedule is not None:
            path = Path(above) / "schedule.json"
            path.write_text(json.dumps(schedule), encoding="utf-8")
            words.append(str(path))
        begun = time.perf_counter()
        done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True)
        wall_s = time.perf_counter() - begun
    assert done.stdout, done.stderr
    return json.loads(done.stdout.splitlines()[-1]), wall_s


def row() -> list[Figure]:
    """a 16 h soak against the emulated firmware in lock-step"""
    told, wall_s = soak(QUICK_SCHEDULE if QUICK else None)
    ticks = int(str(told["ticks"]))
    print(f"  {ticks} ticks in {wall_s:.0f} s, {ticks / wall_s:.0f} times real time; ended {told['ended']}, "
          f"soak p95 {told['soak_abs_p95_c']} °C")
    wrong = len(list(told["trips"])) + len(list(told["alarms"])) + (told["ended"] != "complete")
    length = f"{ticks / 3600:.1f} h, scaled to 16 h" if QUICK else f"{ticks / 3600:.1f} h"
    scaled_s = wall_s * HOURS_OF_16 / ticks
    return [at_most("board", f"soak in lock-step on the emulated firmware, {length}", scaled_s, "s", GOAL_S),
            at_most("board", "that soak: trips, alarms, or an end that is not complete", wrong, "", 0)]
