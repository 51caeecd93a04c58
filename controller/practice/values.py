"""What somebody would measure at the invented chamber: typed values that fit it. Invented, all of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from controller.commissioning.step import YES
from controller.commissioning.steps import BY_ID
from controller.core.setup import Chamber

STATION_HPA = 1001.0
"""The invented air at the pan. Water boils at 99.6 °C in it."""
MAINS_V = 230.0
PASSES: Mapping[str, Mapping[str, Any]] = {
    "wiring": {"earth_ohm": 0.1, "insulation_mohm": 200.0, "link_ohm": 0.1, "mains_v": MAINS_V, "fuse_a": 6.3, "cable_a": 10.0},
    "place": {"clearance_cm": 60.0},
    "live_parts": {"to_element_mohm": 200.0, "sheath_ohm": 0.2},
    "boiling_point": {"pressure_hpa": STATION_HPA, "pressure_is": "station pressure", "altitude_m": 100.0},
    "limiter": {"kind": "adjustable", "open_mohm": 200.0, "closed_ohm": 0.2},
    "burn_off": {"case_c": 41.0},
    "terminals": {"earth_ohm": 0.1},
    "smoke_alarm": {},
}


def values_of(step: str, chamber: Chamber) -> dict[str, Any]:
    """Values for every field of a typed step that pass in this chamber: numbers, choices, and yes."""
    own = {"wiring": {"element_ohm": round(MAINS_V**2 / chamber.heater.element_w, 1)},
           "limiter": {"mark_c": chamber.limits.limiter_mc / 1000}}
    given = {**PASSES[step], **own.get(step, {})}
    return {field.key: given.get(field.key, YES[0]) for field in BY_ID[step].fields}


def told(chamber: Chamber) -> Iterator[str]:
    """For the terminal: one line a step, what to type there."""
    for step in PASSES:
        values = values_of(step, chamber)
        parts = [_part(step, key, value) for key, value in values.items() if value != YES[0]]
        agreed = [YES[0]] if YES[0] in values.values() else []
        yield f"  {step}: " + "; ".join([*parts, *(f"to every question {word}" for word in agreed)])
    yield "  message_channels: send a test message on the sheet Messages and press the button in it; the demo keeps it there"


def _part(step: str, key: str, value: Any) -> str:
    field = next(field for field in BY_ID[step].fields if field.key == key)
    shown = f"{value:,g} {field.unit}".rstrip() if field.number else str(value)
    return f"{key} {shown}"
