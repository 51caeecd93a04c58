"""What routes are handed: the parts of the running service, found on the app.

One service may show several chambers. Each has its own controller, record and live data; people, schedules and messages
are shared and live at the desk. A request is about the chamber that its address names (see `api.at`), or the first.
"""

from __future__ import annotations

from collections.abc import Iterator
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

    chambers: tuple[Path, ...]
    """Data folders, one a chamber; the first is meant where no other is named."""
    web: Path
    port: int
    real: bool = False
    """Never act as maintainer, whatever the socket says of its chamber."""
    demo: bool = False
    desk: Path | None = None
    """Folder of desk.db and channels.json; the first chamber's if not given."""
    names: tuple[str, ...] = ()
    """More host names under which this service may be asked."""
    behind: str = ""
    """The origin under which a reverse proxy shows this service; empty for none."""
    circuit_max_w: int = 2_300
    """What one circuit of the building bears: 10 A at 230 V (common practice, from memory; look at your own breaker)."""

    @property
    def desk_folder(self) -> Path:
        return self.desk or self.chambers[0]


@dataclass(frozen=True, slots=True)
class Parts:
    """What one chamber's requests need; one of each for the life of the process."""

    at: str
    """The chamber's name in addresses: that of its data folder."""
    settings: Settings
    hub: Hub
    upstream: Upstream
    desk: Desk
    reading: Reading
    began_s: float


class House:
    """All chambers of this service, in their order."""

    def __init__(self, parts: tuple[Parts, ...]) -> None:
        self._parts = {one.at: one for one in parts}
        self.first = parts[0]

    def __iter__(self) -> Iterator[Parts]:
        return iter(self._parts.values())

    def find(self, at: str) -> Parts | None:
        """The parts of the chamber called `at`; the first one's where `at` is empty."""
        return self._parts.get(at) if at else self.first


async def house(request: Request) -> House:
    """Asynchronous though it waits for nothing: a plain function would be run on a thread of a pool that can be full."""
    found = request.app.state.house
    assert isinstance(found, House)
    return found


async def parts(request: Request) -> Parts:
    """The parts of the chamber that the address names; `api.at` has turned unknown names away."""
    found = (await house(request)).find(request.scope.get("at", ""))
    assert found is not None
    return found


WholeHouse = Annotated[House, Depends(house)]
Service = Annotated[Parts, Depends(parts)]
