"""Writes a synthetic sixteen-hour run as fast as it goes, and measures what the issue asks of the record. Invented data.

`python -m tests.records.fill` prints the figures; a bench imports `fill` and `figures`.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import NamedTuple

from controller.records.queries import Reader
from controller.records.replay import replay
from controller.records.writer import Writer
from tests.records.scripted import ABOUT, DAY, H1, S1, records

DAY_S = 16 * H1 // S1
IDLE_S = 30


class Filled(NamedTuple):
    """A record with one long run in it, and what it cost."""

    path: Path
    ticks: int
    made_s: float
    file_bytes: int
    written_bytes: int
    wal_most_bytes: int


def fill(path: Path, seconds: int = DAY_S + IDLE_S) -> Filled:
    """A whole day's run through the real `advance` and the real writer."""
    began_s, before = time.perf_counter(), _written()
    writer = Writer(path, None, ABOUT)
    writer.start()
    most = count = 0
    for record in records(seconds, DAY):
        writer.put(record)
        count += 1
        if not count % 100:
            most = max(most, writer.wal_bytes())
            while writer.waiting > 500:
                time.sleep(0.01)
    if not writer.close(60.0):
        raise RuntimeError(f"the record could not be written: {writer.failing}")
    took_s = time.perf_counter() - began_s
    return Filled(path, count, took_s, path.stat().st_size, _written() - before, most)


def figures(filled: Filled) -> dict[str, float]:
    """Name -> value; units are in the names."""
    reader = Reader(filled.path)
    curve_ms, curve_cpu_ms = zip(*(_timed_ms(lambda: reader.curve("1", 1000)) for _ in range(9)), strict=True)
    shape = reader.curve("1", 1000)
    began_s = time.perf_counter()
    replayed = replay(filled.path, "1")
    return {
        "bytes stored per tick": filled.file_bytes / filled.ticks,
        "MB written to disk in 16 h": filled.written_bytes / 1e6,
        "largest write-ahead log, MB": filled.wal_most_bytes / 1e6,
        "curve of 16 h, ms (median of 9)": median(curve_ms),
        "its processor time, ms (median of 9)": median(curve_cpu_ms),
        "pairs in that curve": len(shape.utc_us),
        "replay of 16 h, s": time.perf_counter() - began_s,
        "ticks replayed": replayed.ticks,
        "differences": replayed.differing,
        "making it, s": filled.made_s,
    }


def _timed_ms(act: Callable[[], object]) -> tuple[float, float]:
    """(time on the wall, processor time): on a busy machine only the second says something about the code."""
    began_s, busy_s = time.perf_counter(), time.process_time()
    act()
    return (time.perf_counter() - began_s) * 1e3, (time.process_time() - busy_s) * 1e3


def _written() -> int:
    """Bytes this process handed to write calls: what Linux counts as `wchar`, before the file system rounds to its pages."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("wchar")))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        json.dump({name: round(value, 2) for name, value in figures(fill(Path(folder) / "record.db")).items()},
                  sys.stdout, indent=1)
