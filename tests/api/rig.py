"""The whole interface beside a fake controller, both in one background event loop, for tests that are not asynchronous.

Requests go through httpx's ASGI transport; `Listening` drives the stream by hand, because that transport waits for the
end of an answer and a stream has none.
"""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable, Coroutine
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any, TypeVar

import httpx

from api.app import create_app
from api.parts import Settings
from tests.api.fake_controller import FakeController
from tests.api.fake_world import World

T = TypeVar("T")
BASE = "http://127.0.0.1:8650"
WAIT_S = 5.0
START = {"schedule_id": 1, "level": "at_the_chamber"}


class Loop:
    """An event loop on a thread of its own."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self._thread.start()

    def run(self, work: Coroutine[Any, Any, T], timeout_s: float = 20.0) -> T:
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(timeout_s)

    def close(self) -> None:
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join()
        self.loop.close()


class Rig:
    """`with Rig(folder) as rig`: a fake controller that has ticked once, and the interface that has heard it."""

    def __init__(self, folder: Path, simulated: bool = True, controller: bool = True, **settings: Any) -> None:
        self.folder, self.begin_controller = folder, controller
        self.settings = Settings((folder,), **{"web": folder / "web", "port": 8650, "demo": True, **settings})
        self.fake = FakeController(World(simulated=simulated))
        self.loop = Loop()

    def __enter__(self) -> Rig:
        self.loop.run(self._up())
        return self

    def __exit__(self, *_: object) -> None:
        self.loop.run(self._down())
        self.loop.close()

    @property
    def hub(self) -> Any:
        return self.app.state.house.first.hub

    async def _up(self) -> None:
        self.folder.mkdir(exist_ok=True)
        if self.begin_controller:
            await self.fake.start(self.folder / "controller.sock")
            self.fake.step()
        self.app = create_app(self.settings)
        self._stack = AsyncExitStack()
        await self._stack.enter_async_context(self.app.router.lifespan_context(self.app))
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=False)
        self.client = httpx.AsyncClient(transport=transport, base_url=BASE)
        if self.begin_controller:
            await self.until(lambda: self.hub.away == "")

    async def _down(self) -> None:
        await self.client.aclose()
        await self._stack.aclose()
        if self.begin_controller:
            await self.fake.stop()

    async def until(self, true: Callable[[], bool]) -> None:
        """Wait for the hub to change until something is so."""
        async with asyncio.timeout(WAIT_S):
            while not true():
                await asyncio.sleep(0.005)

    def step(self, times: int = 1) -> None:
        """Ticks of the fake that the hub has heard of."""

        async def stepped() -> None:
            for _ in range(times):
                self.fake.step()
            await self.until(lambda: self.hub.now["tick"] == self.fake.world.tick)

        self.loop.run(stepped())

    def ask(self, method: str, path: str, **how: Any) -> httpx.Response:
        """One request; paths are under /api/v1 unless they begin with `/!`."""
        address = path[2:] if path.startswith("/!") else f"/api/v1{path}"
        return self.loop.run(self.client.request(method, address, **how))

    def get(self, path: str, **how: Any) -> httpx.Response:
        return self.ask("GET", path, **how)

    def post(self, path: str, body: Any = None, **how: Any) -> httpx.Response:
        return self.ask("POST", path, json={} if body is None else body, **how)


class Listening:
    """One open stream. `messages` holds (event, id, data) as they arrive."""

    def __init__(self, rig: Rig, last_id: str | None = None) -> None:
        self.rig, self.messages, self.status = rig, [], 0
        self._gone = asyncio.Event()
        headers = [(b"host", b"127.0.0.1:8650")] + ([(b"last-event-id", last_id.encode())] if last_id else [])
        self._scope = {"type": "http", "http_version": "1.1", "method": "GET", "path": "/api/v1/stream", "raw_path": b"",
                       "query_string": b"", "headers": headers, "scheme": "http", "root_path": "",
                       "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8650)}
        self.task = asyncio.run_coroutine_threadsafe(rig.app(self._scope, self._receive, self._send), rig.loop.loop)

    async def _receive(self) -> dict[str, Any]:
        await self._gone.wait()
        return {"type": "http.disconnect"}

    async def _send(self, message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            return
        for block in message.get("body", b"").decode().split("\n\n"):
            fields = dict(line.split(": ", 1) for line in block.split("\n") if ": " in line)
            if "data" in fields:
                self.messages.append((fields["event"], fields.get("id"), json.loads(fields["data"])))

    def ticks(self) -> list[Any]:
        return [data for event, _, data in self.messages if event == "tick"]

    def beats(self) -> list[Any]:
        return [data for event, _, data in self.messages if event == "beat"]

    def wait(self, true: Callable[[], bool]) -> None:
        self.rig.loop.run(self.rig.until(true))

    def leave(self) -> None:
        """The browser closes its tab."""
        self.rig.loop.loop.call_soon_threadsafe(self._gone.set)
        self.task.result(WAIT_S)
