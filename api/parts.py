"""What routes are handed: the parts of the running service, found on the app."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from fastapi import Depends, Request

from api.desk.store import Desk
from api.hub import Hub
from api.reading import Reading
from api.upstream import Upstream


@dataclass(frozen=True, slots=True)
class Settings:
    """How this process was started."""

    data: Path
    web: Path
    port: int
    real: bool = False
    """Never act as maintainer, whatever the socket says of its chamber."""
    demo: bool = False


@dataclass(frozen=True, slots=True)
class Parts:
    """One of each for the life of the process."""

    settings: Settings
    hub: Hub
    upstream: Upstream
    desk: Desk
    reading: Reading
    began_s: float


async def parts(request: Request) -> Parts:
    """Asynchronous though it waits for nothing: a plain function would be run on a thread of a pool that can be full."""
    found = request.app.state.parts
    assert isinstance(found, Parts)
    return found


Service = Annotated[Parts, Depends(parts)]
