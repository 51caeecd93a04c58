"""Three schedules of an invented scenario, for a desk that has none yet."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection

from api.desk import schedules
from controller.planning.schedule_file import FORMAT, parse_with_note

BY = "demo"
INVENTED = "Invented for the demonstration; no material was tested."


def _ramp(target_c: float, rate_c_per_h: float, longest_h: float) -> dict[str, Any]:
    return {"kind": "ramp", "target_c": target_c, "rate_c_per_h": rate_c_per_h, "band_c": 2, "longest_h": longest_h}


def _soak(target_c: float, soak_h: float, longest_h: float) -> dict[str, Any]:
    return {"kind": "soak", "target_c": target_c, "soak_h": soak_h, "band_c": 2, "longest_h": longest_h}


def _cool(target_c: float, rate_c_per_h: float, longest_h: float) -> dict[str, Any]:
    return {"kind": "cool", "target_c": target_c, "rate_c_per_h": rate_c_per_h, "band_c": 2, "longest_h": longest_h}


DEMO: tuple[dict[str, Any], ...] = (
    {"name": "Long soak, 105 °C", "note": f"About 4 h up, 8 h held, 4 h down: common practice, no source. {INVENTED}",
     "segments": [_ramp(105, 20, 6), _soak(105, 8, 12), _cool(40, 20, 12)]},
    {"name": "Short warm-through, 60 °C", "note": f"To watch a whole run in little time. {INVENTED}",
     "segments": [_ramp(60, 60, 2), _soak(60, 0.5, 2), _cool(40, 60, 4)]},
    {"name": "Two steps, 70 then 95 °C", "note": f"A first hold lets a thick part catch up. {INVENTED}",
     "segments": [_ramp(70, 20, 5), _soak(70, 2, 5), _ramp(95, 10, 5), _soak(95, 4, 8), _cool(40, 15, 12)]},
)


def seed(connection: Connection) -> None:
    """Store the three; the caller has seen that the desk is new."""
    for row in DEMO:
        schedule, words = parse_with_note({"format": FORMAT, "temperature_of": "part", "resume": "never", **row})
        schedules.make(connection, BY, schedule, words, what="seeded")
