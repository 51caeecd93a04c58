"""Guards, alarms, latches and the check-in: what the machine watches and what a person answers."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path

from api.commands import SENT, Command, Nothing
from api.errors import problems
from api.examples import GUARDS, one
from api.parts import Service
from api.wire import Answer
from controller.core.commands import Ask

router = APIRouter(tags=["alarms"])
Guard = Annotated[str, Path(pattern=r"^[a-z0-9_]{1,40}$", description="The `id` of a row of `/guards`.")]


@router.get("/guards", summary="Everything that is watched", responses={
    **one(GUARDS), **problems("controller_away", "no_answer")})
async def guards(service: Service) -> Answer:
    """The guard table, a row each: what it watches, its limit, what it does, why, what to do, and how it stands now."""
    return Answer(await service.upstream.ask("guards"))


@router.post("/alarms/{guard}/acknowledge", summary="Say that you have seen an alarm",
             responses={**SENT, **problems("unknown_name", "controller_away", "no_answer")})
async def acknowledge(guard: Guard, asked: Command, _body: Nothing) -> Answer:
    """Acknowledge silences the call for a person. It clears no latch and brings no heat back."""
    return Answer(await asked.give(Ask.ACKNOWLEDGE, name=guard))


@router.post("/latches/{guard}/clear", summary="Clear a trip", responses={
    **SENT, **problems("not_allowed_role", "unknown_name", "cause_stands", "controller_away", "no_answer")})
async def clear(guard: Guard, asked: Command, _body: Nothing) -> Answer:
    """For a maintainer who has found the cause. Refused while the cause stands; clearing never restarts heat."""
    return Answer(await asked.give(Ask.CLEAR, name=guard))


@router.post("/check-in", summary="Say that somebody is watching", responses={
    **SENT, **problems("not_allowed_role", "not_possible_state", "controller_away", "no_answer")})
async def check_in(asked: Command, _body: Nothing) -> Answer:
    """Restart the check-in clock of an attended run, for operators: it keeps the heat on. At the chamber only its button
    counts."""
    return Answer(await asked.give(Ask.CHECK_IN))
