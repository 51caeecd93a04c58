"""Runs: look at past ones, start one, hold, go on, cool down. The controller decides; this module translates.

What a past run went through is in `api.past`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field

from api.commands import REFUSALS, SENT, Command, Key, Nothing
from api.desk import schedules as stored
from api.errors import Problem, Responses, problems
from api.leaving import said
from api.wire import Answer
from controller.core.commands import Ask

router = APIRouter(prefix="/runs", tags=["runs"])
START: Responses = {202: {"description": "Accepted; `detail` says whether it waits for the arm button.", "content": {
    "application/json": {"example": {"ask": "start", "detail": "waits for the arm button at the chamber", "run_id": "27",
                                     "state": "idle", "schedule_id": 1, "revision": 3}}}}}


class Left(BaseModel):
    """What a person answered before leaving."""

    model_config = ConfigDict(extra="forbid", strict=True)
    answers: list[Annotated[str, Field(pattern=r"^[a-z_]{1,40}$")]] = Field(
        max_length=40, description="Ids of the questions of /leaving answered with yes.", examples=[["smoke_alarm"]])


class Start(BaseModel):
    """What to start, and how closely somebody will watch."""

    model_config = ConfigDict(extra="forbid", strict=True)
    schedule_id: int = Field(ge=1, le=2**53, description="Number of a stored schedule.", examples=[1])
    revision: int | None = Field(None, ge=1, le=2**53, description="Its revision; the newest if not given.")
    level: Literal["at_the_chamber", "in_the_building", "unattended"] = Field(
        description="Each level needs more hardware and proofs; see /may-do.", examples=["unattended"])
    at_utc_us: int | None = Field(None, ge=1, le=2**53, description=(
        "A time to begin at, at most 24 h ahead. It waits for the computer's clock, for the time and for the arm button."))
    leaving: Left | None = Field(None, description="Asked of an unattended start; see /leaving.")


@router.post("", status_code=202, summary="Start a run", responses={**START, **problems(
    "key_missing", "key_reused", "outcome_unknown", "not_found", *REFUSALS, "measure_only", "level_too_high",
    "board_absent", "over_ceiling", "bad_schedule", "record_failing", "not_ready_to_leave", "bad_time")})
async def start(body: Start, asked: Command, key: Key = None) -> Answer:
    """Hands a copy of a stored schedule to the controller, which judges it again and keeps it with the run.

    It then waits for a press of the arm button at the chamber, and for its time if it names one. An unattended start brings
    the answers of /leaving; what lacks comes as one row of `mistakes` each, with how to get it.

    The header Idempotency-Key is required:
    an impatient second press of the same button must not become a second start.
    """
    if key is None:
        raise Problem("key_missing", "A start needs the header Idempotency-Key, 8 to 80 visible characters.")

    async def work() -> tuple[int, dict[str, Any]]:
        row = await asked.service.desk.do(lambda connection: stored.get(connection, body.schedule_id, body.revision))
        answers = None if body.leaving is None else await said(asked.service, body.leaving.answers)
        done = await asked.give(Ask.START, ref=key, schedule=row.schedule, level=body.level,
                                at_utc_us=body.at_utc_us or 0, leaving=answers)
        return 202, {**done, "schedule_id": row.id, "revision": row.revision}

    return await asked.once(key, work)


async def _run_command(asked: Command, ask: Ask, key: str | None) -> Answer:
    async def work() -> tuple[int, dict[str, Any]]:
        return 200, await asked.give(ask, ref=key or "")

    return await asked.once(key, work)


COMMAND: Responses = {**SENT, **problems("key_reused", "outcome_unknown", *REFUSALS)}


@router.post("/current/hold", summary="Hold: pause the schedule", responses=COMMAND)
async def hold(asked: Command, _body: Nothing, key: Key = None) -> Answer:
    """The set point freezes and control goes on: it stays as hot as it is."""
    return await _run_command(asked, Ask.HOLD, key)


@router.post("/current/restart", summary="Go on after a hold", responses=COMMAND)
async def restart(asked: Command, _body: Nothing, key: Key = None) -> Answer:
    """Takes up the schedule where it was held. After an opened door this is what lets the heat come back."""
    return await _run_command(asked, Ask.RESTART, key)


@router.post("/current/cool-down", summary="Cool down: end early, gently", responses=COMMAND)
async def cool_down(asked: Command, _body: Nothing, key: Key = None) -> Answer:
    """End early: cool at the schedule's rate, then off (ISA-88 Stop). It may still heat, so operators only."""
    return await _run_command(asked, Ask.COOL_DOWN, key)


@router.post("/current/reset", summary="Put an ended run away", responses=COMMAND)
async def reset(asked: Command, _body: Nothing, key: Key = None) -> Answer:
    """From complete, stopped or aborted back to idle, so that the next run can start."""
    return await _run_command(asked, Ask.RESET, key)
