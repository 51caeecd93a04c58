"""Schedules: make, edit (each change a revision), preview as a curve, import and export as one text file."""

from __future__ import annotations

import json
import re
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, Path, Query, Request
from pydantic import BaseModel, ConfigDict
from starlette.responses import Response

from api.desk import schedules as stored
from api.desk.demo import DEMO
from api.errors import Problem, mistake_rows, problems
from api.examples import one
from api.parts import Parts, Service
from api.people import Editor
from api.wire import Answer
from controller.core.schedule import Mistake, Schedule, over_ceiling
from controller.planning.schedule_file import FORMAT, BadSchedule, parse_with_note, plan, text, write

ROOM_MC = 25_000
"""Where a previewed curve begins when the air is not known."""

router = APIRouter(prefix="/schedules", tags=["schedules"])

EXAMPLE = {"format": FORMAT, "temperature_of": "part", "resume": "never", **DEMO[0]}
STORED_EXAMPLE = {"id": 1, "revision": 1, "created_utc_us": 1764061200000000, "changed_utc_us": 1764061200000000,
                  "changed_by": "local, not signed in", "hottest_mc": 105000, "shortest_us": 57600000000,
                  "longest_us": 108000000000, "schedule": EXAMPLE}
BODY = {"requestBody": {"required": True, "description": (
    "A schedule as people write it: °C, hours, °C per hour. `temperature_of` is `part` or `air`; `resume` is `never` or "
    "`short outage`; a segment is a `ramp` (target, rate), a `soak` (target, soak) or `cool` (target, rate), each with "
    "its band and the longest it may take."), "content": {"application/json": {
        "schema": {"type": "object", "required": ["format", "name", "segments"]}, "example": EXAMPLE}}}}

Number = Annotated[int, Path(ge=1, le=2**53, description="The schedule's number.")]


class ImportText(BaseModel):
    """The text file, wrapped in JSON."""

    model_config = ConfigDict(extra="forbid", strict=True)
    text: str


async def _sent(request: Request) -> tuple[Schedule, str]:
    return _read(await request.body())


Sent = Annotated[tuple[Schedule, str], Depends(_sent)]


def _read(body: bytes | str) -> tuple[Schedule, str]:
    """The schedule and note of a body. Raises Problem bad_schedule with every mistake at once."""
    try:
        return parse_with_note(body if isinstance(body, str) else body.decode())
    except BadSchedule as bad:
        raise Problem("bad_schedule", f"{bad}", mistake_rows(bad.mistakes)) from None
    except UnicodeDecodeError as error:
        raise Problem("not_json", f"The body is not UTF-8 text: byte {error.start}.") from None


def view(row: stored.Stored) -> dict[str, Any]:
    """One stored revision as it is answered."""
    return {"id": row.id, "revision": row.revision, "created_utc_us": row.created_utc_us, "changed_utc_us": row.utc_us,
            "changed_by": row.by, "hottest_mc": row.schedule.hottest_mc, "shortest_us": plan(row.schedule, ROOM_MC)[-1][0],
            "longest_us": row.schedule.longest_us, "schedule": write(row.schedule, row.note)}


def _one(row: stored.Stored, status: int = 200) -> Answer:
    return Answer(view(row), status, {"ETag": f'"{row.revision}"', "Location": f"/api/v1/schedules/{row.id}"})


@router.get("", summary="Every schedule", responses={
    **one({"schedules": [STORED_EXAMPLE], "set_aside": []}), **problems("desk_failing")})
async def every(service: Service) -> Answer:
    """The newest revision of each, oldest schedule first. `shortest_us` is the plan from 25 °C, if nothing waits."""
    rows = await service.desk.do(stored.newest)
    return Answer({"schedules": [view(row) for row in rows], "set_aside": service.desk.aside()})


@router.post("", status_code=201, summary="Store a new schedule", openapi_extra=BODY, responses={
    **one(STORED_EXAMPLE, 201, "Stored."), **problems("bad_schedule", "not_allowed_role", "desk_failing")})
async def make(person: Editor, sent: Sent, service: Service) -> Answer:
    """Stores revision 1. One hotter than this chamber may be is stored all the same; it cannot be started."""
    return _one(await service.desk.do(lambda connection: stored.make(connection, person.name, *sent)), 201)


@router.post("/import", status_code=201, summary="Store a schedule from its text file", openapi_extra={"requestBody": {
    "required": True, "content": {"text/plain": {"schema": {"type": "string"}},
                                  "application/json": {"schema": ImportText.model_json_schema()}}}},
             responses={**one(STORED_EXAMPLE, 201, "Stored."),
                        **problems("bad_schedule", "not_allowed_role", "not_json", "desk_failing")})
async def bring_in(request: Request, person: Editor, service: Service) -> Answer:
    """Takes the text as it is (text/plain), or wrapped: {"text": "..."}. Always makes a new schedule."""
    body = await request.body()
    if request.headers["content-type"].startswith("application/json"):
        body = _wrapped(body)
    sent = _read(body)
    return _one(await service.desk.do(
        lambda connection: stored.make(connection, person.name, *sent, what="imported")), 201)


def _wrapped(body: bytes) -> bytes:
    try:
        return ImportText.model_validate_json(body).text.encode()
    except ValueError as error:
        raise Problem("not_json", 'The body must be {"text": "..."} with the schedule file as text.') from error


@router.post("/preview", summary="Draw a schedule without storing it", openapi_extra=BODY, responses={
    **one({"curve": [[0, 25000], [14400000000, 105000], [43200000000, 105000], [54900000000, 40000]],
           "duration_us": 54900000000, "from_mc": 25000, "mistakes": [], "cannot_start": []}), **problems("bad_request")})
async def preview(request: Request, service: Service, from_c: Annotated[float | None, Query(
        ge=-40, le=400, allow_inf_nan=False, description="Air at the start in °C; the present air if not given."
        )] = None) -> Answer:
    """The planned curve as corners (µs from the start, m°C), if nothing waits. Mistakes come all at once in `mistakes`;
    one in a segment leaves no curve, one in name or note changes none. `cannot_start`: what is too hot for this chamber."""
    from_mc = _from_mc(service, from_c)
    schedule, wrong = _drawable((await request.body()).decode(errors="replace"))
    if schedule is None:
        return Answer({"curve": [], "duration_us": 0, "from_mc": from_mc, "mistakes": mistake_rows(wrong),
                       "cannot_start": []})
    curve = plan(schedule, from_mc)
    return Answer({"curve": curve, "duration_us": curve[-1][0], "from_mc": from_mc, "mistakes": mistake_rows(wrong),
                   "cannot_start": mistake_rows(await _too_hot(service, schedule))})


def _drawable(source: str) -> tuple[Schedule | None, list[Mistake]]:
    """What can be drawn of a text, and its mistakes: words that are missing or too long change no curve."""
    try:
        return parse_with_note(source)[0], []
    except BadSchedule as bad:
        wrong = bad.mistakes
    try:
        return parse_with_note(json.dumps({**json.loads(source), "name": "not named yet", "note": ""}))[0], wrong
    except (BadSchedule, ValueError, TypeError, RecursionError):  # more is wrong than its words
        return None, wrong


def _from_mc(service: Parts, from_c: float | None) -> int:
    if from_c is not None:
        return round(from_c * 1000)
    air = None if service.hub.away or service.hub.now is None else service.hub.now["air_mc"]
    return ROOM_MC if air is None else int(air)


async def _too_hot(service: Parts, schedule: Schedule) -> list[Any]:
    """What the controller would refuse; nothing when it is away, since then nothing can be started anyway."""
    try:
        limits = (await service.upstream.ask("chamber", timeout_s=1.0))["limits"]
    except Problem:
        return []
    return list(over_ceiling(schedule, limits["ceiling_mc"], limits["run_margin_mc"]))


@router.get("/{number}", summary="One schedule, as it is now", responses={**one(STORED_EXAMPLE), **problems("not_found")})
async def get(number: Number, service: Service) -> Answer:
    """Its newest revision. The ETag is the revision; give it back as If-Match when you change it."""
    return _one(await service.desk.do(lambda connection: stored.get(connection, number)))


@router.put("/{number}", summary="Change a schedule", openapi_extra=BODY, responses={
    **one(STORED_EXAMPLE), **problems("bad_schedule", "not_allowed_role", "not_found", "stale_revision")})
async def change(number: Number, person: Editor, sent: Sent, service: Service, if_match: Annotated[str | None, Header(
        pattern=r'^"?[0-9]{1,9}"?$', description="The revision you changed; a newer one is not run over.")] = None) -> Answer:
    """Stores a new revision; the old ones stay. The same content again makes none. Running runs are not touched."""
    expected = int(if_match.strip('"')) if if_match else None
    return _one(await service.desk.do(
        lambda connection: stored.change(connection, number, person.name, *sent, expected=expected)))


@router.delete("/{number}", summary="Delete a schedule", responses={
    **one({"deleted": 1}), **problems("not_allowed_role", "not_found")})
async def delete(number: Number, person: Editor, service: Service) -> Answer:
    """It is no longer listed. Past runs keep their own copies of what they ran."""
    await service.desk.do(lambda connection: stored.delete(connection, number, person.name))
    return Answer({"deleted": number})


@router.get("/{number}/revisions", summary="Every revision of a schedule", responses={
    **one({"revisions": [STORED_EXAMPLE]}), **problems("not_found")})
async def revisions(number: Number, service: Service) -> Answer:
    """Newest first, each whole."""
    rows = await service.desk.do(lambda connection: stored.history(connection, number))
    return Answer({"revisions": [view(row) for row in rows]})


@router.get("/{number}/revisions/{revision}", summary="One revision, as it was", responses={
    **one(STORED_EXAMPLE), **problems("not_found")})
async def revision(number: Number, revision: Annotated[int, Path(ge=1, le=2**53)], service: Service) -> Answer:
    """A schedule as it was. Revisions never change."""
    return _one(await service.desk.do(lambda connection: stored.get(connection, number, revision)))


@router.get("/{number}/text", summary="A schedule as one text file", response_class=Response, responses={
    200: {"content": {"text/plain": {}}, "description": "The file."}, **problems("not_found")})
async def as_text(number: Number, service: Service) -> Response:
    """For a person, for version control, for another chamber; `/schedules/import` takes it back."""
    row = await service.desk.do(lambda connection: stored.get(connection, number))
    name = re.sub(r"[^A-Za-z0-9]+", "-", row.schedule.name).strip("-").lower() or "schedule"
    return Response(text(row.schedule, row.note), media_type="text/plain; charset=utf-8", headers={
        "Cache-Control": "no-store", "Content-Disposition": f'attachment; filename="{name}.txt"'})
