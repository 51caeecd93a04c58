"""Proofs as commissioning would leave them, for tests of other things: every step, every sensor, at one moment."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.commissioning import proving, store
from controller.commissioning.proofs import Proof
from controller.commissioning.shown import Shown
from controller.commissioning.step import Bound
from controller.commissioning.steps import STEPS
from controller.commissioning.store import Kept
from controller.commissioning.validity import EVALUATION, SURVEY, Facts
from controller.config import ChamberFolder

TYPED: Mapping[str, dict[str, Any]] = {
    "wiring": {"earth_ohm": 0.1, "insulation_mohm": 100.0, "link_ohm": 0.1, "element_ohm": 105.8, "mains_v": 230.0,
               "fuse_a": 6.0, "cable_a": 10.0, "link_cuts_either_way": "yes", "no_own_thermostat": "yes", "joints": "yes"},
    "place": {"rcd_trips": "yes", "socket_earthed": "yes", "straight_into_wall": "yes", "clearance_cm": 60.0},
    "live_parts": {"to_element_mohm": 50.0, "sheath_ohm": 0.2},
    "boiling_point": {"pressure_hpa": 1013.25, "pressure_is": "station pressure", "altitude_m": 120.0},
    "limiter": {"kind": "adjustable", "mark_c": 150.0, "open_mohm": 100.0, "closed_ohm": 0.1, "by_hand": "yes",
                "back_in_place": "yes"},
    "burn_off": {"case_c": 41.0, "smell_ended": "yes"},
    "terminals": {"no_colour": "yes", "tightened": "yes", "earth_ohm": 0.1},
    "smoke_alarm": {"heard": "yes"},
    "message_channels": {"arrived_age_us": 60_000_000, "channel": "invented channel", "way": ""},
}
"""Values that pass for a new chamber file: 500 W, limiter at 150 °C."""


def facts_of(folder: ChamberFolder, utc_us: int, switchings: int = -1, firmware_hash: str = "") -> Facts:
    return Facts(folder.chamber, folder.switches, utc_us, switchings, firmware_hash)


def rows_of(folder: ChamberFolder, utc_us: int, switchings: int = 0, firmware_hash: str = "") -> tuple[Proof, ...]:
    """One passed row of everything."""
    facts = facts_of(folder, utc_us, switchings, firmware_hash)
    made = []
    for step in STEPS:
        sensors = [row.id for row in folder.chamber.sensors] if step.bound is Bound.SENSOR else [""]
        spot = EVALUATION if step.id == SURVEY else ""
        made += [proving.proof(step.id, Shown(True, "shown", {}, "", sensor), facts, "a test", spot) for sensor in sensors]
    return tuple(made)


def everything(folder: ChamberFolder, utc_us: int, switchings: int = 0, firmware_hash: str = "") -> Kept:
    """A whole file."""
    chamber = folder.chamber
    return Kept(chamber.board, chamber.simulated, rows_of(folder, utc_us, switchings, firmware_hash))


def commission(folder: ChamberFolder, utc_us: int, firmware_hash: str = "") -> None:
    """Write it where the controller looks."""
    store.write(folder.path / "proofs.json", everything(folder, utc_us, firmware_hash=firmware_hash))
