"""Run the bench of one area: print one table with the machine's load, write `bench.json`."""

from __future__ import annotations

import json
import os
import platform
import sys
import time
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.bench import board, proofs, room, spine
from tests.bench.figure import QUICK, Figure

OUT = Path(__file__).resolve().parents[2] / "bench.json"
Row = Callable[[], Sequence[Figure]]
AREAS: dict[str, Sequence[Row]] = {"spine": spine.ROWS, "room": room.ROWS, "board": board.ROWS, "proofs": proofs.ROWS}


def load() -> str:
    """The machine's load in words: one, five and fifteen minutes, and how many cores share it."""
    return f"load {' '.join(f'{value:.1f}' for value in os.getloadavg())} on {os.cpu_count()} cores"


def machine() -> str:
    """The interpreter, and how quick it is here at the plainest thing: two builds of one version differ by a third."""
    calls_ms = min(_calls_ms() for _ in range(5))
    return (f"{platform.python_implementation()} {platform.python_version()}, {platform.machine()}, "
            f"a million plain calls in {calls_ms:.0f} ms")


def _calls_ms() -> float:
    def plain(one: int, other: int) -> tuple[int, int]:
        return one, other

    begun = time.thread_time()
    for number in range(100_000):
        plain(number, number)
    return (time.thread_time() - begun) * 10_000


def measured(row: Row, area: str) -> Sequence[Figure]:
    """One row's figures. A row that fails says why and does not keep the others from being measured."""
    try:
        return row()
    except Exception as error:  # a bench goes on: the missing figure stands in the table as not held
        traceback.print_exc()
        name = (row.__doc__ or row.__name__).strip().splitlines()[0]
        return [Figure(area, f"{name} (failed: {type(error).__name__})", None, "", 0.0, False)]


def shown(figure: Figure) -> str:
    value = "not measured" if figure.value is None else f"{figure.value:g}"
    return f"{figure.name:<64}{value:>13} {figure.unit:<6}{figure.goal:>8g}  {'holds' if figure.holds else 'DOES NOT HOLD'}"


def main(argv: Sequence[str]) -> int:
    """0 when everything was measured, whether or not it holds; 1 when a row failed; 2 for an unknown area."""
    area = argv[0] if argv else "spine"
    if area not in AREAS:
        print(f"unknown area {area!r}; there is: {', '.join(AREAS)}", file=sys.stderr)
        return 2
    print(f"{machine()}, {load()}")
    if QUICK:
        print("BENCH_QUICK is set: the long measurements are shortened, their names say how")
    figures: list[Figure] = []
    for row in AREAS[area]:
        print(f"  measuring: {(row.__doc__ or row.__name__).strip().splitlines()[0]} ...", file=sys.stderr, flush=True)
        figures += measured(row, area)
    print(f"{area:<64}{'value':>13} {'unit':<6}{'goal':>8}")
    print("\n".join(map(shown, figures)))
    print(f"afterwards: {load()}")
    OUT.write_text(json.dumps([figure._asdict() for figure in figures], indent=1, ensure_ascii=False) + "\n")
    return 1 if any(figure.value is None for figure in figures) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
