"""The application: parts, middleware, routes, in one place."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator
from pathlib import Path

from fastapi import APIRouter, FastAPI
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware

from api import (
    accounts,
    alarms,
    arrived,
    chamber,
    chambers,
    described,
    errors,
    events,
    health,
    leaving,
    messages,
    notes,
    now,
    page,
    past,
    people,
    proofs,
    runs,
    schedules,
    sign_in,
    stop,
    stop_page,
    stream,
    tokens,
)
from api.at import At
from api.desk.demo import seed
from api.desk.store import Desk
from api.door.door import Door
from api.door.hosts import Hosts
from api.guard_origin import GuardOrigin
from api.headers import SafeHeaders
from api.hub import Hub
from api.parts import House, Parts, Settings
from api.presses import Presses
from api.reading import Reading
from api.upstream import Upstream

NOUNS = (now, stream, stop, runs, past, notes, leaving, schedules, alarms, chamber, proofs, chambers, events, messages, people,
         sign_in, accounts, tokens, health, errors)
GZIP_LEVEL = 4
"""A curve of a thousand points packs in a few ms; more effort saves little on a home network."""

ABOUT = """What stands between a heating chamber's controller and people: it shows, asks, and decides nothing about heat.

**Reading values.** Integers carry their unit in the name: `_mc` is 0.001 °C, `_us` microseconds, `_utc_us` microseconds
since 1970 UTC, `_e4` ten-thousandths. `null` is "not known", never zero. Schedules alone are written in °C and hours.

**Coming in.** POST /sign-in with name and password brings a cookie; a program may use a token (POST /tokens) instead. On
the chamber's own computer, looking and stopping need neither. Forwarded headers of a proxy are never believed.

**Asking for something.** POST and PUT take a JSON body (`{}` at least) from this service's own page, or from a program;
DELETE needs none. A command's answer means that the controller's tick has judged it. `Idempotency-Key` makes a
repeated request harmless.

**Several chambers.** `/api/v1/at/NAME/...` is about the chamber called NAME, as GET /chambers lists it; an address
without `at/NAME` means the first.

**When it goes wrong.** Every error is a problem (RFC 9457) with a `code`, a sentence, advice, and every mistake at once.

**Safety.** "Stop heating" is a request over a network, not an emergency stop, and off is not isolated: unplug before you
reach in. Stopping or flooding this service changes nothing in the heat.
"""
TAGS = [
    {"name": "live", "description": "What is true now, once or as a stream."},
    {"name": "heat", "description": "Switching off."},
    {"name": "runs", "description": "Starting, steering and looking back at runs."},
    {"name": "schedules", "description": "Stored schedules and their revisions."},
    {"name": "alarms", "description": "What is watched, and what a person answers."},
    {"name": "chambers", "description": "All chambers of this computer."},
    {"name": "chamber", "description": "What this chamber is and may do."},
    {"name": "record", "description": "What happened."},
    {"name": "messages", "description": "Who is told, by which way, and whether it works."},
    {"name": "people", "description": "Who you are: accounts, sessions, tokens, invitations."},
    {"name": "about", "description": "How this service is."},
]


def create_app(settings: Settings) -> FastAPI:
    """The whole interface for one data folder. Raises DeskInUse or DeskUnfit when the desk cannot be opened."""
    desk = Desk.open(settings.desk_folder)
    if settings.demo and desk.is_new:
        desk.do_now(seed)
        messages.seed(settings)
    door = Door(desk, Hosts(settings.names, settings.behind))
    house = House(tuple(_parts(settings, data, desk) for data in settings.chambers))

    @contextlib.asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        following = [asyncio.create_task(one.upstream.follow_for_ever()) for one in house]
        following.append(asyncio.create_task(messages.lives_for_ever(settings.desk_folder)))
        try:
            yield
        finally:
            for one in house:
                one.hub.close()
            await _app.state.presses.close()
            for task in following:
                task.cancel()
            await asyncio.gather(*following, return_exceptions=True)
            for one in house:
                one.reading.close()
            door.close()
            desk.close()

    app = FastAPI(
        title="Soakwarden", version=health.own_version(), summary="Long, slow heat treatments, watched.",
        description=ABOUT, openapi_tags=TAGS, openapi_url=f"{errors.PREFIX}/openapi.json", docs_url=None, redoc_url=None,
        redirect_slashes=False, lifespan=lifespan,
        middleware=[Middleware(SafeHeaders), Middleware(GuardOrigin), Middleware(At),
                    Middleware(GZipMiddleware, minimum_size=1000, compresslevel=GZIP_LEVEL)])
    app.state.house, app.state.door = house, door
    app.state.presses = Presses()
    app.state.files = page.Files(settings.web)
    app.state.keys_running = {}
    errors.install(app)
    interface = APIRouter(prefix=errors.PREFIX)
    for noun in NOUNS:
        interface.include_router(noun.router)
    app.include_router(interface)
    app.include_router(stop_page.router)
    app.include_router(arrived.router)
    app.include_router(page.router)
    described.install(app, [noun.router for noun in NOUNS])
    return app


def _parts(settings: Settings, data: Path, desk: Desk) -> Parts:
    """One chamber's parts; nothing is opened before it is asked for."""
    hub = Hub()
    return Parts(data.name or "chamber", settings, hub, Upstream(data / "controller.sock", hub), desk,
                 Reading(data / "record.db"), time.monotonic())
