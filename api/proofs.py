"""Commissioning: which proofs hold, one step at a time, and what a change of the chamber voids.

The controller keeps the proofs and judges what was typed or seen (`controller.commissioning`); this module translates. A
step that heats is a run, started by POST /runs with `trial`.
"""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends
from fastapi import Path as InPath
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema

from api.commands import Asked, Command, Key, Nothing
from api.errors import Problem, problems
from api.examples import BUNDLE, CHANGED, GUIDE, PROVEN, one
from api.messages import newest_or_never
from api.parts import Service
from api.people import Asker, Person, need
from api.runs import SpotId
from api.wire import Answer
from controller.commissioning.steps import BY_ID

TEXT_MAX, VALUE_MAX, FIELDS_MAX = 200, 1e9, 40
ARRIVES = "message_channels"
"""The step whose values the desk completes: only the desk knows whether a message arrived."""
FOR = "Proving"
REFUSALS = ("not_allowed_role", "not_possible_state", "latched", "busy", "not_provable", "unknown_name", "bad_command",
            "not_found", "key_reused", "outcome_unknown", "controller_away", "no_answer")
router = APIRouter(tags=["chamber"])


def _typed(value: Any) -> Any:
    """A number that can be one, a short text that can be shown, or yes and no."""
    shown = isinstance(value, str) and len(value) <= TEXT_MAX and value.isprintable()
    number = isinstance(value, int | float) and abs(value) <= VALUE_MAX  # NaN is not
    if not (shown or number):
        raise ValueError(f"a number of at most {VALUE_MAX:.0f} either way, a line of at most {TEXT_MAX} characters, or true or "
                         "false")
    return value


def _worded(text: str) -> str:
    if not text.isprintable():
        raise ValueError("text in one line")
    return text


Typed = Annotated[Any, AfterValidator(_typed), WithJsonSchema({"anyOf": [
    {"type": "number", "minimum": -VALUE_MAX, "maximum": VALUE_MAX},
    {"type": "string", "maxLength": TEXT_MAX, "pattern": "^[ -~]*$"}, {"type": "boolean"}]})]
FieldName = Annotated[str, Field(pattern=r"^[a-z_]{1,40}$")]
SensorId = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{0,40}$",
                                description="A sensor's id, for a step that hangs on sensors; empty: all, or none.")]
StepId = Annotated[str, InPath(pattern=r"^[a-z_]{1,40}$", description="Id of a step, as GET /proofs lists them.")]


class Strict(BaseModel):
    """No field but these, each of its own type."""

    model_config = ConfigDict(extra="forbid", strict=True)


class Begin(Strict):
    """For which sensor or place."""

    sensor: SensorId = ""
    spot: SpotId = ""


class Values(Begin):
    """What was typed."""

    values: dict[FieldName, Typed] = Field(max_length=FIELDS_MAX, examples=[{"earth_ohm": 0.12, "joints": "yes"}])
    sure: bool = Field(False, description="Store it although a value is out of range: as failed.")


class Confirm(Strict):
    """What only a person can know."""

    seen: FieldName = Field(description="Id of a row of `doing.list` that asks.", examples=["lamp_armed"])
    yes: bool


class Change(Strict):
    """Something that changed on the chamber or around it."""

    change: FieldName = Field(description="One of `changes` of GET /proofs.", examples=["moved"])
    sensor: SensorId = ""
    note: Annotated[str, Field(max_length=TEXT_MAX), AfterValidator(_worded)] = ""


async def prover(person: Asker) -> Person:
    """Somebody who may prove this chamber."""
    return need(person, "prove", FOR)


Prover = Annotated[Person, Depends(prover)]


def known(step: str) -> str:
    """The id of a step that there is. Raises Problem."""
    if step not in BY_ID:
        raise Problem("not_found", f"There is no step called {step!r}.", advice="Look at GET /proofs for the steps.")
    return step


async def _give(asked: Asked, key: str | None, do: str, **fields: Any) -> Answer:
    async def work() -> tuple[int, dict[str, Any]]:
        person = asked.person
        return 200, await asked.service.upstream.ask(do, **fields, by=person.name, role=person.role_name)

    return await asked.once(key, work)


async def _prove(asked: Asked, key: str | None, act: str, step: str, said: Begin | None = None,
                 values: dict[str, Any] | None = None, sure: bool = False) -> Answer:
    said = said or Begin()
    return await _give(asked, key, "prove", act=act, step=step, sensor=said.sensor, spot=said.spot, values=values or {},
                       sure=sure)


ACTS = problems(*REFUSALS)


@router.get("/proofs", summary="Every step of commissioning, and which proofs hold", responses={
    **one(GUIDE), **problems("controller_away", "no_answer")})
async def proofs(service: Service) -> Answer:
    """The guided sequence in its order, `core` first. `state` of a step: done, ending (within 30 days), ended, failed, void
    (something changed), to_do, doing, not_for_this_chamber. `doing` is the step that is being watched now, which every
    snapshot carries too, as `commissioning`. `changes`: what may change, and which proofs that would void."""
    return Answer((await service.upstream.ask("proofs"))["proofs"])


@router.post("/proofs/cancel", summary="Stop watching a step", responses={**one(PROVEN), **ACTS})
async def cancel(asked: Command, _by: Prover, _body: Nothing, key: Key = None) -> Answer:
    """Nothing is stored. A step that heats is ended by Stop heating."""
    return await _prove(asked, key, "cancel", "")


@router.post("/proofs/changed", summary="Say that something changed", responses={**one(CHANGED), **ACTS})
async def changed(asked: Command, _by: Prover, body: Change, key: Key = None) -> Answer:
    """The proofs that hang on it hold no more; `minutes` is how long redoing them takes a person."""
    return await _give(asked, key, "changed", change=body.change, sensor=body.sensor, note=body.note)


@router.post("/proofs/{step}/begin", summary="Begin watching a step", responses={**one(PROVEN), **ACTS})
async def begin(step: StepId, asked: Command, _by: Prover, body: Begin, key: Key = None) -> Answer:
    """For steps whose `way` is `watched`: a person does something with the heat off, and the controller sees it."""
    return await _prove(asked, key, "begin", known(step), body)


@router.post("/proofs/{step}/values", summary="Give the values of a step", responses={**one(PROVEN), **ACTS})
async def values(step: StepId, asked: Command, _by: Prover, body: Values, key: Key = None) -> Answer:
    """`outcome` is `passed`, `failed`, or `again`: something is out of range, `wrong` says what, and nothing was stored. Sent
    again with `sure` it is stored as what it is, failed."""
    typed = dict(body.values)
    if step == ARRIVES:
        found = await newest_or_never(asked.service)
        typed |= {"arrived_age_us": found.age_us, "channel": found.channel, "way": found.way}
    return await _prove(asked, key, "type", known(step), body, typed, body.sure)


@router.post("/proofs/{step}/confirm", summary="Say what was seen or heard", responses={**one(PROVEN), **ACTS})
async def confirm(step: StepId, asked: Command, _by: Prover, body: Confirm, key: Key = None) -> Answer:
    """For rows of `doing.list` whose `state` is `asks`: a lamp that was lit, a sounder that was heard."""
    return await _prove(asked, key, "confirm", known(step), values={"seen": body.seen, "yes": body.yes})


@router.get("/chamber/bundle", summary="The chamber as one file", responses={
    **one(BUNDLE), **problems("not_allowed_role", "controller_away", "no_answer")})
async def bundle(service: Service, _by: Prover) -> Answer:
    """Chamber file, proofs, model and survey, to take to another computer or to a borrower. No accounts, no channels. Opened
    with another board it comes without the proofs that hang on the place, or is refused."""
    found = (await service.upstream.ask("bundle"))["bundle"]
    name = f"soakwarden-{quote(service.at, safe='')}.bundle.json"
    return Answer(found, headers={"Content-Disposition": f'attachment; filename="{name}"'})
