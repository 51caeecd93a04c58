"""All chambers of this computer on one page, and whether together they ask too much of one circuit."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter

from api.examples import CHAMBERS, one
from api.parts import House, Parts, WholeHouse
from api.wire import Answer
from controller.core.alarms import AlarmState

router = APIRouter(tags=["chambers"])


@router.get("/chambers", summary="Every chamber of this computer, a line each", responses=one(CHAMBERS))
async def chambers(house: WholeHouse) -> Answer:
    """`at` is the name to use in addresses: `/api/v1/at/NAME/now` is the live state of that chamber.

    `now` is null while its controller is not heard, and `away` then says why; `name` and `simulated` stay as they were heard
    last, null before. `circuits`: what chambers may draw
    together, against what the circuit bears that they are taken to share.
    """
    return Answer({"chambers": [_line(one) for one in house], "circuits": [circuit(house)]})


def circuit(house: House) -> dict[str, Any]:
    """The summed load of every chamber whose element is known. A warning, no gate: nobody here knows the wiring."""
    known = {one.at: one.hub.now["chamber"]["element_w"] for one in house if one.hub.now is not None}
    sum_w, max_w = sum(known.values()), house.first.settings.circuit_max_w
    over = len(known) > 1 and sum_w > max_w
    words = (f"Together these chambers may draw {sum_w} W; one circuit bears {max_w} W. Plug them into different circuits, or "
             "run them one after the other.") if over else ""
    return {"name": "the circuit they share", "chambers": list(known), "sum_w": sum_w, "max_w": max_w, "over": over,
            "words": words}


def _line(one: Parts) -> dict[str, Any]:
    now = one.hub.now if not one.hub.away else None
    head = now and {"name": now["chamber"]["name"], "board": now["chamber"]["board"], "simulated": now["chamber"]["simulated"],
                    "element_w": now["chamber"]["element_w"], "sentence": now["sentence"],
                    "state": now["run"]["state"] if now["run"] else "idle", "latched": bool(now["latches"]),
                    "urgency": next((latch["urgency"] for latch in now["latches"] if latch["guard"] == now.get("gravest")), ""),
                    "alarms": any(alarm["state"] != AlarmState.RETURNED for alarm in now["alarms"]),
                    "permit": now["permit"]["given"]}
    heard = one.hub.now["chamber"] if one.hub.now is not None else {"name": None, "simulated": None}
    return {"at": one.at, "away": one.hub.away, "name": heard["name"], "simulated": heard["simulated"], "now": head}
