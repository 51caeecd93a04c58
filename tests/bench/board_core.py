"""The decisions on this computer: a million mistreated frames under sanitizers, and what `make prove` has left behind."""

from __future__ import annotations

import re
import tempfile
import time
from pathlib import Path

from tests.bench.figure import QUICK, Figure, at_most
from tests.board import mistreated, prove

FRAMES = 100_000 if QUICK else 1_000_000
SEED = 20261201
WHOLE_SHARE = 0.2
"""At least so many must get past the checksum, or nothing was tried."""


def frames() -> list[Figure]:
    """random and mutated frames, host-built with sanitizers: the program ends itself when a promise breaks"""
    with tempfile.TemporaryDirectory() as folder:
        program = mistreated.built(Path(folder))
        began_s = time.monotonic()
        result = mistreated.mutated(program, FRAMES, SEED)
        took_s = time.monotonic() - began_s
    tried = result.frames >= FRAMES and result.whole >= WHOLE_SHARE * FRAMES
    print(f"  {result.frames:,} frames, {result.whole:,} under a good checksum, seed {result.seed}, {took_s:.1f} s")
    return [Figure("board", "frames host-built, heater never high", result.frames, "frames", FRAMES, tried)]


def _two(what: str, kept: str) -> tuple[int, int]:
    """The two numbers of a line of that page. A page without the line is no proof."""
    found = re.search(rf"{what}: \*\*(\d+) of (\d+)\*\*", kept)
    assert found is not None, f"{prove.RESULT.name} does not say its {what}"
    return int(found[1]), int(found[2])


def proof() -> list[Figure]:
    """goals of the decisions left unproven, planted defects not caught, as `make prove` wrote them down"""
    kept = prove.RESULT.read_text(encoding="utf-8")
    proved, goals = _two("goals discharged", kept)
    caught, planted = _two("defects caught", kept)
    current = f"checksum {prove.checksum()}" in kept
    print(f"  {proved} of {goals} goals, {caught} of {planted} planted defects{'' if current else '; OF OLDER SOURCES'}")
    return [at_most("board", f"proof goals left of {goals}", goals - proved if current else goals, "goals", 0),
            at_most("board", f"planted defects not caught of {planted}", planted - caught, "defects", 0)]
