"""Past runs, from the record: the list, one run with its curve and events, and all its rows as CSV.

The run that goes on is in the list too, a few seconds late; what is true of it now comes from `/now`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import AsyncIterator, Iterable, Iterator
from itertools import islice
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from starlette.responses import Response, StreamingResponse

from api.errors import Responses, problems
from api.examples import one
from api.parts import Service
from api.reading import Reading
from api.wire import Answer
from controller.core.setup import Level
from controller.planning.schedule_file import FORMAT, write
from controller.records import export
from controller.records.queries import PAGE_ROWS, Reader, RunRow, TickRow

router = APIRouter(prefix="/runs", tags=["runs"])

RUN_ID = r"^[0-9A-Za-z_-]{1,40}$"
RunId = Annotated[str, Path(pattern=RUN_ID, description="The run's number in the record.")]
Time = Annotated[int | None, Query(ge=0, lt=2**62, description="UTC in microseconds; the run's own if not given.")]
CSV = "text/csv; charset=utf-8"
AWAY: Responses = problems("not_found", "record_away")
RUN_EXAMPLE = {
    "id": "27", "name": "Long soak, 105 °C", "state": "complete", "end": "as planned", "level": "unattended",
    "by": "local, not signed in", "started_utc_us": 1764061200000000, "ended_utc_us": 1764118800000000, "going": False,
    "simulated": True, "run_ceiling_mc": 112000, "run_max_us": 108000000000, "cut": False, "board": "5a17c0",
    "version": "0.1.0", "boot": 3, "first_tick": 188846, "last_tick": 246446, "schedule": {
        "format": FORMAT, "name": "Long soak, 105 °C", "segments": [
            {"kind": "ramp", "target_c": 105, "rate_c_per_h": 20, "band_c": 2, "longest_h": 6}]}}
ONE_RUN_EXAMPLE = {**RUN_EXAMPLE, "first_out": None, "segments_done": [
    {"segment": 1, "kind": "soak", "target_mc": 105000, "began_utc_us": 1764075600000000, "ended_utc_us": 1764104400000000,
     "counted_us": 28800000000, "air_min_mc": 104100, "air_max_mc": 107300, "part_min_mc": 103200, "part_max_mc": 105600,
     "air_in_band_us": 27900000000, "part_in_band_us": 28800000000}]}
CURVE_EXAMPLE = {"run_id": "27", "span_us": 60000000, "utc_us": [1764061200000000, 1764061260000000], "columns": {
    "control_mc": {"min": [22010, 22310], "max": [22300, 22660]}}, "gaps": []}


def view(row: RunRow) -> dict[str, Any]:
    """A run as it is answered: its schedule as people write it, its level by name."""
    return {**row._asdict(), "going": row.going, "level": Level(row.level).name.lower(), "schedule": write(row.schedule)}


@router.get("", summary="Past runs and the present one", responses={
    **one({"runs": [RUN_EXAMPLE]}), **problems("record_away", "not_found")})
async def runs(service: Service, limit: Annotated[int, Query(ge=1, le=200)] = 50, before: Annotated[
        str | None, Query(pattern=RUN_ID, description="Only runs older than this one.")] = None) -> Answer:
    """Newest first."""
    return Answer({"runs": [view(row) for row in await service.reading.do(lambda reader: reader.runs(limit, before))]})


@router.get("/{run_id}", summary="One run, looked back at", responses={**one(ONE_RUN_EXAMPLE), **AWAY})
async def run(run_id: RunId, service: Service) -> Answer:
    """What ran, when, how it ended; `segments_done`: its segments as they really went; `first_out`: what tripped first,
    or null."""

    def read(reader: Reader) -> dict[str, Any]:
        found, first = view(reader.known(run_id)), reader.first_out(run_id)
        return {**found, "first_out": first and first._asdict(),
                "segments_done": [row._asdict() for row in reader.segments(run_id)]}

    return Answer(await service.reading.do(read))


@router.get("/{run_id}/curve", summary="The curve of a run, thinned", responses={**one(CURVE_EXAMPLE), **AWAY})
async def curve(run_id: RunId, service: Service, points: Annotated[int, Query(ge=2, le=5000, description=(
        "About so many pairs a column."))] = 1000, from_us: Time = None, to_us: Time = None) -> Answer:
    """Minimum and maximum of each column over equal spans, so that no spike is lost, and the gaps in the record.

    `utc_us` is the beginning of each span; null where no reading was good: a gap is never bridged.
    """

    def read(reader: Reader) -> dict[str, Any]:
        found = reader.curve(run_id, points, from_us, to_us)
        return {**found._asdict(), "columns": {name: pairs._asdict() for name, pairs in found.columns.items()}}

    return Answer(await service.reading.do(read))


@router.get("/{run_id}/csv", summary="Every row of a run as CSV", response_class=Response, responses={
    200: {"content": {"text/csv": {}}, "description": "One row a second."}, **AWAY})
async def as_csv(run_id: RunId, service: Service) -> StreamingResponse:
    """°C, percent and UTC, a row a tick. The last column says in words where the data is from and whether it is
    simulated; an empty cell is never a zero."""
    found = await service.reading.do(lambda reader: reader.known(run_id))
    return StreamingResponse(_csv(service.reading, found), media_type=CSV, headers=_kept_as(found, "readings"))


@router.get("/{run_id}/events/csv", summary="Every event of a run as CSV", response_class=Response, responses={
    200: {"content": {"text/csv": {}}, "description": "One row an event."}, **AWAY})
async def events_as_csv(run_id: RunId, service: Service) -> Response:
    """What happened and who did what: time, kind, and what it carries as `name=value`."""

    def read(reader: Reader) -> tuple[RunRow, str]:
        paper = io.StringIO(newline="")
        export.write_events_csv(reader, run_id, paper)
        return reader.known(run_id), paper.getvalue()

    found, table = await service.reading.do(read)
    return Response(table, media_type=CSV, headers=_kept_as(found, "events"))


def _kept_as(run: RunRow, what: str) -> dict[str, str]:
    """Headers that have a browser keep it as a file, whose name says when it is simulated."""
    name = f"run-{run.id}-{what}{'-SIMULATED' if run.simulated else ''}.csv"
    return {"Cache-Control": "no-store", "Content-Disposition": f'attachment; filename="{name}"'}


async def _csv(reading: Reading, run: RunRow) -> AsyncIterator[str]:
    """A page of rows at a time, each on a reading thread: a client that takes its time holds none."""
    told = export.source(run)
    yield _lines([[header for header, _ in export.COLUMNS] + ["source"]])
    rows = await reading.do(lambda reader: reader.ticks(run.id))
    while page := await reading.do(lambda _: _page(rows, told)):
        yield page


def _page(rows: Iterator[TickRow], told: str) -> str:
    return _lines([value(row) for _, value in export.COLUMNS] + [told] for row in islice(rows, PAGE_ROWS))


def _lines(cells: Iterable[list[Any]]) -> str:
    paper = io.StringIO()
    csv.writer(paper).writerows(cells)
    return paper.getvalue()
