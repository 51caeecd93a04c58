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
from api.people import need
from api.wire import Answer
from controller.core.commands import Ask

SURVEY = "survey"
SpotId = Annotated[str, Field(pattern=r"^[a-z_]{0,40}$")]

router = APIRouter(prefix="/runs", tags=["runs"])
TrialId = Literal["start_proof", "silence", "watchdog", "over_temperature_trip", "limiter", "burn_off", "survey"]
"""The steps of commissioning that are runs of their own: those whose `way` is `heated`."""
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

    model_config = ConfigDict(extra="forbid", strict=True,
                              json_schema_extra={"examples": [{"schedule_id": 1, "level": "unattended"}]})
    schedule_id: int | None = Field(None, ge=1, le=2**53, description="Number of a stored schedule.", examples=[1])
    trial: TrialId | None = Field(None, description="In place of a schedule: a step of GET /proofs that heats. Maintainers "
                                                    "only, and only at the chamber.")
    spot: SpotId = Field("", description="With the trial `survey`: the place of the travelling sensor.")
    revision: int | None = Field(None, ge=1, le=2**53, description="Its revision; the newest if not given.")
    level: Literal["at_the_chamber", "in_the_building", "unattended"] = Field(
        description="Each level needs more hardware and proofs; see /may-do.", examples=["unattended"])
    at_utc_us: int | None = Field(None, ge=1, le=2**53, description=(
        "A time to begin at, at most 24 h ahead. It waits for the computer's clock, for the time and for the arm button."))
    leaving: Left | None = Field(None, description="Asked of an unattended start; see /leaving.")


@router.post("", status_code=202, summary="Start a run", responses={**START, **problems(
    "key_missing", "key_reused", "outcome_unknown", "not_found", *REFUSALS, "measure_only", "level_too_high",
    "board_absent", "over_ceiling", "bad_schedule", "record_failing", "not_ready_to_leave", "bad_time",
    "not_provable")})
async def start(body: Start, asked: Command, key: Key = None) -> Answer:
    """Hands a copy of a stored schedule to the controller, which judges it again and keeps it with the run.

    A proof that heats is started by `trial` in place of a schedule; the answer then has `trial` for schedule and revision.

    It then waits for a press of the arm button at the chamber, and for its time if it names one. An unattended start brings
    the answers of /leaving; what lacks comes as one row of `mistakes` each, with how to get it.

    The header Idempotency-Key is required:
    an impatient second press of the same button must not become a second start.
    """
    if key is None:
        raise Problem("key_missing", "A start needs the header Idempotency-Key, 8 to 80 visible characters.")
    if body.trial is not None or body.schedule_id is None:
        return await _try(body, asked, key)
    number = body.schedule_id

    async def work() -> tuple[int, dict[str, Any]]:
        row = await asked.service.desk.do(lambda connection: stored.get(connection, number, body.revision))
        answers = None if body.leaving is None else await said(asked.service, body.leaving.answers)
        done = await asked.give(Ask.START, ref=key, schedule=row.schedule, level=body.level,
                                at_utc_us=body.at_utc_us or 0, leaving=answers)
        return 202, {**done, "schedule_id": row.id, "revision": row.revision}

    return await asked.once(key, work)


async def _try(body: Start, asked: Command, key: str) -> Answer:
    """Start a proof that heats: a run of the program's own, that somebody stays beside."""
    rows = _not_with_a_trial(body)
    if rows or body.trial is None:
        raise Problem("bad_request", "; ".join(f"{row['field']}: {row['allowed']}" for row in rows), rows)
    need(asked.person, "prove", "Starting a proof")
    trial, spot = body.trial, body.spot

    async def work() -> tuple[int, dict[str, Any]]:
        done = await asked.give(Ask.START, ref=key, level=body.level, name=spot, trial=trial)
        return 202, {**done, "trial": trial}

    return await asked.once(key, work)


def _not_with_a_trial(body: Start) -> list[dict[str, str]]:
    """What keeps a start without a plain schedule from being one of a proof, a row each."""
    if body.trial is None:
        return [_row("schedule_id", "nothing", "the number of a stored schedule, or `trial` in its place")]
    alone = [_row(name, str(value), f"nothing beside `trial` {body.trial}") for name, value in (
        ("schedule_id", body.schedule_id), ("revision", body.revision), ("at_utc_us", body.at_utc_us)) if value is not None]
    if body.leaving is not None:
        alone.append(_row("leaving", "answers", f"nothing beside `trial` {body.trial}"))
    if body.level != "at_the_chamber":
        alone.append(_row("level", body.level, "at_the_chamber: somebody stays beside a proof"))
    if bool(body.spot) is not (body.trial == SURVEY):
        alone.append(_row("spot", body.spot or "nothing", "a place of the survey, and with the trial survey alone"))
    return alone


def _row(field: str, value: str, allowed: str) -> dict[str, str]:
    return {"field": field, "value": value, "allowed": allowed, "advice": "Correct this field."}


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
