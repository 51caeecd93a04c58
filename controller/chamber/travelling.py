"""Where a travelling sensor hangs in a simulated chamber, and how warm it is there. Invented: no chamber was surveyed."""

from __future__ import annotations

from collections.abc import Mapping

from controller.commissioning.survey import CENTRE, NINE

SHARES: Mapping[str, float] = {"centre": 0.0, "upper": 0.010, "lower": -0.009, "back": 0.008, "front": -0.012, "left": 0.003,
                               "right": -0.003}
"""Of the air's excess over the room: warmer above and by the element at the back, cooler below and at the door in front."""
PLACES: Mapping[str, float] = {spot.id: sum(SHARES[word] for word in spot.id.split("_")) for spot in NINE}
"""By spot of the survey."""
BEGINS_AT = CENTRE


def seen_c(spot: str, air_c: float, room_c: float) -> float:
    """What the sensor is given at this spot while the control sensor is given `air_c`, both °C."""
    return air_c + PLACES[spot] * (air_c - room_c)
