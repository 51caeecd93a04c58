"""Notes on a run: what a person saw that no sensor did, with who and when. The record itself never changes."""

from __future__ import annotations

import unicodedata
from typing import Annotated

from fastapi import APIRouter, Path
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from api.desk import notes as kept
from api.errors import problems
from api.examples import one
from api.parts import Service
from api.past import RunId
from api.people import Asker, NoteTaker
from api.wire import Answer
from controller.core.commands import PersonRole

UNSHOWN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})
SHOWN = frozenset("\n\t\N{ZERO WIDTH JOINER}\N{ZERO WIDTH NON-JOINER}\N{SOFT HYPHEN}")
"""Of those: lines, tabs, and what joins or parts letters and pictures."""

router = APIRouter(prefix="/runs/{run_id}/notes", tags=["record"])
EXAMPLE = {"id": 3, "utc_us": 1764061200000000, "by": "Anna", "text": "Second shelf; the small clips stood at the door."}
Number = Annotated[int, Path(ge=1, le=2**53, description="The note's number.")]


def _worded(text: str) -> str:
    """Text with something in it, and nothing in it that moves a screen's cursor or turns its writing round."""
    text = text.replace("\r\n", "\n").strip()
    if not text or any(unicodedata.category(letter) in UNSHOWN and letter not in SHOWN for letter in text):
        raise ValueError("text that can be shown, lines allowed, not empty")
    return text


class Written(BaseModel):
    """A note as it is sent."""

    model_config = ConfigDict(extra="forbid", strict=True)
    text: Annotated[str, Field(min_length=1, max_length=2_000), AfterValidator(_worded)]


@router.get("", summary="Notes on a run", responses={**one({"notes": [EXAMPLE]}), **problems("desk_failing")})
async def notes(run_id: RunId, person: Asker, service: Service) -> Answer:
    """Oldest first. `yours`: you may remove it."""
    rows = await service.desk.do(lambda connection: kept.of_run(connection, service.at, run_id))
    every = person.role >= PersonRole.MAINTAINER
    return Answer({"notes": [{**row, "yours": every or row["by"] == person.name} for row in rows]})


@router.post("", status_code=201, summary="Write a note on a run", responses={
    201: {"description": "Kept.", "content": {"application/json": {"example": {"id": 3}}}},
    **problems("bad_request", "not_found", "record_away", "too_many_notes", "not_allowed_role")})
async def write(run_id: RunId, body: Written, person: NoteTaker, service: Service) -> Answer:
    """What was loaded, what it looked like afterwards, what was different this time. Operators write; a run must be there."""
    await service.reading.do(lambda reader: reader.known(run_id))
    return Answer({"id": await service.desk.do(
        lambda connection: kept.add(connection, service.at, run_id, person.name, body.text))}, 201)


@router.delete("/{number}", summary="Remove a note", responses={
    **one({"removed": 3}), **problems("not_found", "not_allowed_role")})
async def remove(run_id: RunId, number: Number, person: NoteTaker, service: Service) -> Answer:
    """One's own; a maintainer may remove anybody's. It is no longer shown; the audit says who removed it."""
    every = person.role >= PersonRole.MAINTAINER
    await service.desk.do(lambda connection: kept.remove(connection, service.at, run_id, number, person.name, every))
    return Answer({"removed": number})
