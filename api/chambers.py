"""All chambers of this computer on one page, and whether together they ask too much of one circuit."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter

from api.parts import Parts, WholeHouse
from api.wire import Answer

router = APIRouter(tags=["chambers"])


@router.get("/chambers", summary="Every chamber of this computer, a line each")
async def chambers(house: WholeHouse) -> Answer:
    """`at` is the name to use in addresses: `/api/v1/at/NAME/now` is the live state of that chamber.

    `now` is null while its controller is not heard, and `away` then says why.
    """
    return Answer({"chambers": [_line(one) for one in house]})


def _line(one: Parts) -> dict[str, Any]:
    now = one.hub.now if not one.hub.away else None
    head = now and {"name": now["chamber"]["name"], "board": now["chamber"]["board"], "simulated": now["chamber"]["simulated"],
                    "element_w": now["chamber"]["element_w"], "sentence": now["sentence"],
                    "state": now["run"]["state"] if now["run"] else "idle", "latched": bool(now["latches"]),
                    "permit": now["permit"]["given"]}
    return {"at": one.at, "away": one.hub.away, "now": head}
