"""Events: what happened, from the record. What happens comes with the stream."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from api.errors import Problem, problems
from api.parts import Service
from api.runs import plain
from api.wire import Answer
from controller.core.events import EVENT_KINDS, Kind

router = APIRouter(tags=["record"])
EventId = Annotated[str | None, Query(pattern=r"^[0-9]{1,12}-[0-9]{1,12}$", description="Only events after this id.")]
Limit = Annotated[int, Query(ge=1, le=1000)]


def kinds_of(words: str | None) -> list[Kind] | None:
    """The kinds named in a comma-separated list. Raises Problem naming those that do not exist."""
    if words is None:
        return None
    known = {kind.value: kind for kind in Kind}
    unknown = [word for word in words.split(",") if word not in known]
    if unknown:
        raise Problem("bad_request", f"kinds has {', '.join(unknown)[:80]}, which are no kinds of events.", [
            {"field": "kinds", "value": word[:60], "allowed": ", ".join(known), "advice": "Choose from these."}
            for word in unknown[:10]])
    return [known[word] for word in words.split(",")]


@router.get("/events", summary="What happened", responses=problems("record_away", "bad_request"))
async def events(service: Service, after: EventId = None, limit: Limit = 200, kinds: Annotated[
        str | None, Query(max_length=1000, description="Comma-separated; see /event-kinds.")] = None) -> Answer:
    """Events of every run and of none, oldest first after `after`, else the newest."""
    chosen = kinds_of(kinds)
    rows = await service.reading.do(lambda reader: reader.events(None, after, limit, chosen))
    return Answer({"events": [plain(row) for row in rows]})


@router.get("/event-kinds", summary="Every kind of event")
async def event_kinds() -> Answer:
    """The closed table: what each kind means and which fields it carries."""
    return Answer({kind.value: {"fields": fields.split(), "meaning": meaning}
                   for kind, (fields, meaning) in EVENT_KINDS.items()})
