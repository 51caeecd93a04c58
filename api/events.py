"""Events from the record: what happened, and what can happen. What happens right now comes with the stream."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from api.errors import Problem, Responses, problems
from api.parts import Service
from api.past import RunId
from api.schedules import one
from api.wire import Answer
from controller.core.events import EVENT_KINDS, Kind
from controller.records.queries import event_key

router = APIRouter(tags=["record"])
Limit = Annotated[int, Query(ge=1, le=1000)]
After = Annotated[str | None, Query(max_length=40, description="Only events after this id, `boot-sequence`.")]
Kinds = Annotated[str | None, Query(max_length=1000, description="Comma-separated; see /event-kinds.")]
EXAMPLE = {"events": [{"id": "3-51", "utc_us": 1764061234000000, "tick": 812, "kind": "segment", "run_id": "27",
                       "fields": {"run_id": "27", "segment": 1, "kind": "soak", "target_mc": 105000}}]}
FOUND: Responses = {**one(EXAMPLE), **problems("record_away", "bad_request")}


def kinds_of(words: str | None) -> list[str] | None:
    """The kinds named in a comma-separated list. Raises Problem naming those that do not exist."""
    chosen = None if words is None else words.split(",")
    unknown = [word for word in chosen or () if word not in list(Kind)]
    if unknown:
        raise Problem("bad_request", f"kinds has {', '.join(unknown)[:80]}, which are no kinds of events.", [
            {"field": "kinds", "value": word[:60], "allowed": ", ".join(Kind), "advice": "Choose from these."}
            for word in unknown[:10]])
    return chosen


async def _events(service: Service, run_id: str | None, after: str | None, limit: int, kinds: str | None) -> Answer:
    chosen = kinds_of(kinds)
    try:
        event_key(after or "0-0")
    except ValueError as error:
        raise Problem("bad_request", f"{error}.", [{"field": "after", "value": str(after), "allowed": "boot-sequence",
                                                    "advice": "Give back an event's own id."}]) from None
    rows = await service.reading.do(lambda reader: reader.events(run_id, after, limit, chosen))
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


@router.get("/event-kinds", summary="Every kind of event")
async def event_kinds() -> Answer:
    """The closed table: what each kind means and which fields it carries."""
    return Answer({kind.value: {"fields": fields.split(), "meaning": meaning}
                   for kind, (fields, meaning) in EVENT_KINDS.items()})
