"""Events from the record: what happened, and what can happen. What happens right now comes with the stream."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import AfterValidator
from pydantic_core import PydanticCustomError

from api.errors import Responses, problems
from api.examples import EVENT_KINDS as KINDS_EXAMPLE
from api.examples import one
from api.parts import Service
from api.past import RunId
from api.wire import Answer
from controller.core.events import EVENT_KINDS, Kind
from controller.records.queries import event_key

router = APIRouter(tags=["record"])
Limit = Annotated[int, Query(ge=1, le=1000)]


def known_id(after: str | None) -> str | None:
    """An event's id as it is; a mistake of the request if it is none."""
    try:
        event_key("0-0" if after is None else after)  # an empty one is none, not the first of all
    except ValueError:
        raise PydanticCustomError("event_id", "boot-sequence, an event's own id") from None
    return after


def known_kinds(words: str | None) -> str | None:
    """A comma-separated list as it is; a mistake of the request if it names a kind that does not exist."""
    if set(kinds_of(words) or ()) - set(Kind):
        raise PydanticCustomError("event_kind", "{kinds}", {"kinds": ", ".join(Kind)})
    return words


def kinds_of(words: str | None) -> list[str] | None:
    return None if words is None else words.split(",")


After = Annotated[str | None, Query(max_length=40, description="Only events after this id, `boot-sequence`."),
                  AfterValidator(known_id)]
Kinds = Annotated[str | None, Query(max_length=1000, description="Comma-separated; see /event-kinds."),
                  AfterValidator(known_kinds)]
EXAMPLE = {"events": [{"id": "3-51", "utc_us": 1764061234000000, "tick": 812, "kind": "run_state", "run_id": "27",
                       "fields": {"run_id": "27", "before": "running", "after": "held", "cause": "hold", "by": "Anna"}}]}
FOUND: Responses = {**one(EXAMPLE), **problems("record_away", "bad_request")}


async def _events(service: Service, run_id: str | None, after: str | None, limit: int, kinds: str | None) -> Answer:
    rows = await service.reading.do(lambda reader: reader.events(run_id, after, limit, kinds_of(kinds)))
    return Answer({"events": [row._asdict() for row in rows]})


@router.get("/events", summary="What happened", responses=FOUND)
async def events(service: Service, after: After = None, limit: Limit = 200, kinds: Kinds = None) -> Answer:
    """Events of every run and of none, in their order: those after `after`, or the newest."""
    return await _events(service, None, after, limit, kinds)


@router.get("/runs/{run_id}/events", summary="What happened in a run", responses=FOUND)
async def events_of_run(run_id: RunId, service: Service, after: After = None, limit: Limit = 500,
                        kinds: Kinds = None) -> Answer:
    """From the run's start, or after `after`."""
    return await _events(service, run_id, after, limit, kinds)


@router.get("/event-kinds", summary="Every kind of event", responses=one(KINDS_EXAMPLE))
async def event_kinds() -> Answer:
    """The closed table: what each kind means and which fields it carries."""
    return Answer({kind.value: {"fields": fields.split(), "meaning": meaning}
                   for kind, (fields, meaning) in EVENT_KINDS.items()})
