"""Is this process well, and what does it see of the others? Answers within 2 s whatever the others do."""

from __future__ import annotations

import os
import resource
import sqlite3
import time
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request

from api.door.caller import is_local
from api.errors import Problem
from api.examples import HEALTH, one
from api.parts import Service
from api.people import TheDoor, Who
from api.wire import Answer

ASK_S = 1.0

router = APIRouter(tags=["about"])


def own_version() -> str:
    """The version of the installed distribution; a plain checkout says so."""
    try:
        return version("soakwarden")
    except PackageNotFoundError:
        return "checkout"


def resident_bytes() -> int:
    """Memory that this process holds now (its peak where /proc is missing)."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _up_us(service: Service) -> int:
    return round((time.monotonic() - service.began_s) * 1e6)


@router.get("/health", summary="Is everything there", responses=one(HEALTH))
async def health(request: Request, service: Service, caller: Who, door: TheDoor) -> Answer:
    """Always 200 when this process lives: the caller judges by the answer, not by the process. `controller.away` says in
    words why the controller does not answer, or is empty. Who is not signed in hears only that this process lives."""
    if caller is None:
        here = is_local(request.scope, behind="")
        return Answer({"api": {"up_us": _up_us(service), **({"pid": os.getpid()} if here else {})}})
    controller: dict[str, Any] = {"away": service.hub.away, "age_us": service.hub.age_us(), "health": None}
    try:
        controller["health"] = await service.upstream.ask("health", timeout_s=ASK_S)
    except Problem as problem:
        controller["away"] = controller["away"] or problem.detail
    own = {"version": own_version(), "pid": os.getpid(), "up_us": _up_us(service),
           "streams": service.hub.streams, "resident_bytes": resident_bytes(), "sqlite": sqlite3.sqlite_version,
           "desk_set_aside": service.desk.aside()}
    return Answer({"api": own, "controller": controller})
