"""The demo world: an invented bench chamber and an invented schedule of the trade's own kind. Nothing here is measured.

About 4 h up, 8 h held, 4 h down, within a couple of degrees: common practice, no published source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from controller import new_chamber
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


def chamber(folder: Path, utc_us: int, shape: str = "bench", number: int = 0) -> ChamberFolder:
    """The demo chamber with this number, made in `folder` unless it is there. Raises BadChamber if somebody broke it."""
    if not folder.exists():
        board = f"{int(new_chamber.SIMULATED_BOARD, 16) + number:06x}"
        text = new_chamber.text(f"{shape.capitalize()} chamber (invented)", True, board, shape=shape)
        new_chamber.write(folder, text, board, True, utc_us)
    return load(folder, utc_us)
