"""A process that writes a record until it is killed, saying on its output which event is acknowledged. `python -m
tests.records.killed PATH`."""

from __future__ import annotations

import sys
from pathlib import Path

from controller.core.events import Event, Kind
from controller.records.writer import Writer
from tests.records.scripted import ABOUT, records


def main(path: Path) -> None:
    writer = Writer(path, None, ABOUT)
    writer.start()
    print("boot", writer.boot, flush=True)
    told = -1
    for tick in records(100_000):
        seq = writer.put(tick)
        if not tick.tick % 3:
            own = {"what": "a test's own", "count": tick.tick, "from_us": None, "to_us": None}
            seq = writer.note(Event(Kind.GAP, own), tick.utc_us)
        while writer.waiting > 20:
            pass
        if writer.acknowledged != told:
            told = writer.acknowledged
            print("acknowledged", told, "of", seq, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
