"""The demo world: an invented bench chamber and an invented schedule of the trade's own kind. Nothing here is measured.

About 4 h up, 8 h held, 4 h down, within a couple of degrees: common practice, no published source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from controller import new_chamber
from controller.commissioning.store import is_given
from controller.config import ChamberFolder, load

SHAPES = ("bench", "small", "heavy")
"""Of the demo's chambers, in their order; what each is stands in `controller.chamber.shapes`."""
SCHEDULE: dict[str, Any] = {
    "format": "soakwarden-schedule-1",
    "name": "Invented: 105 °C, 4 h up, 8 h held, 4 h down",
    "temperature_of": "part",
    "resume": "never",
    "note": "Invented for the demo; times are common practice, no source.",
    "segments": [
        {"kind": "ramp", "target_c": 105, "rate_c_per_h": 21, "band_c": 2, "longest_h": 6},
        {"kind": "soak", "target_c": 105, "soak_h": 8, "band_c": 2, "longest_h": 12},
        {"kind": "cool", "target_c": 45, "rate_c_per_h": 15, "band_c": 2, "longest_h": 10},
    ],
}


class NotFromScratch(Exception):
    """The folder holds a demo chamber whose proofs came with it; the text says so."""


def chamber(folder: Path, utc_us: int, shape: str = "bench", number: int = 0, from_scratch: bool = False) -> ChamberFolder:
    """The demo chamber with this number, made in `folder` unless it is there; `from_scratch`: without proofs, with one sensor
    that travels. Raises BadChamber if somebody broke it, NotFromScratch for one that has invented proofs."""
    if not folder.exists():
        board = f"{int(new_chamber.SIMULATED_BOARD, 16) + number:06x}"
        name = f"{shape.capitalize()} chamber (invented)"
        text = new_chamber.text(name, True, board, shape=shape, travelling=from_scratch)
        new_chamber.write(folder, text, board, True, utc_us, commissioned=not from_scratch)
    found = load(folder, utc_us)
    if from_scratch and any(is_given(row) for row in found.kept.proofs):
        raise NotFromScratch(f"{folder} has invented proofs already; name another folder with --data, to begin from nothing")
    return found
