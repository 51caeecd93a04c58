"""What is true now: the controller's newest snapshot, from memory."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from api.errors import Problem, problems
from api.examples import NOW, one
from api.parts import Parts, Service

router = APIRouter(tags=["live"])


def need_live(service: Parts) -> None:
    """Raise controller_away unless the hub is being filled."""
    if service.hub.away or service.hub.now is None:
        raise Problem("controller_away", f"No live data: {service.hub.away}.")


@router.get("/now", summary="The whole present state", responses={
    **one(NOW, words="The newest snapshot."), **problems("controller_away")})
async def now(service: Service) -> Response:
    """Readings, set point, permit line, heater circuit, run, latches, alarms and one sentence that sums it up.

    Numbers are integers: `_mc` is 0.001 °C, `_us` microseconds, `_e4` ten-thousandths. `null` means not known; a reading
    carries its quality and reason, so an absent number is never a zero. `id` names the tick; the stream goes on from it.
    """
    need_live(service)
    return Response(service.hub.now_text(), media_type="application/json",
                    headers={"Cache-Control": "no-store", "X-Age-Us": str(service.hub.age_us())})
