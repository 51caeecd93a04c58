"""What this chamber is, and what it may do."""

from __future__ import annotations

from fastapi import APIRouter

from api.errors import problems
from api.examples import CHAMBER, MAY_DO, one
from api.parts import Service
from api.wire import Answer

router = APIRouter(tags=["chamber"])
AWAY = problems("controller_away", "no_answer")
LEVEL_FIELDS = ("simulated", "may_do", "may_do_why", "next_thing")


@router.get("/chamber", summary="The chamber: sensors, limits, what is fitted", responses={**one(CHAMBER), **AWAY})
async def chamber(service: Service) -> Answer:
    """What the controller read from the chamber's folder: its name and board, every sensor with its correction, every
    limit in m°C, what hardware is fitted, and whether it is simulated."""
    return Answer(await service.upstream.ask("chamber"))


@router.get("/may-do", summary="What this chamber may do, and what comes next", responses={**one(MAY_DO), **AWAY})
async def may_do(service: Service) -> Answer:
    """The level it may run at, why not more, and the next thing to buy or prove."""
    facts = await service.upstream.ask("chamber")
    return Answer({field: facts.get(field) for field in LEVEL_FIELDS})
