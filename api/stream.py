"""The live stream (Server-Sent Events): at most four messages a second, a beat every two seconds, resumable.

A client keeps no queue here (see `api.hub`). A send that takes ten seconds ends the stream; the browser comes back with
Last-Event-ID. While the controller is away only beats are sent, and they say so: old values never look new.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Header
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from api.errors import Problem, problems
from api.hub import Hub
from api.parts import Service
from api.people import TheCaller, TheDoor
from api.wire import encode

STREAMS_MAX = 256
SEND_DEADLINE_S = 10.0
BEAT_S = 2.0
SPACING_S = 0.25
GOODBYE_S = 0.5
RETRY_MS = 1_500

EXAMPLE = """retry: 1500

event: tick
id: 3-812
data: {"now":{"tick":812},"rows":[[812,1764061234000000,105000,105400,105900,104700,2400,2380]],"events":[],"resumed":true}

event: beat
data: {"utc_us":1764061236000000,"age_us":250000,"away":""}
"""

router = APIRouter(tags=["live"])


class Stream(Response):
    """One open page. Ends when the page leaves, when it does not read, when who asked is signed out, or with the service."""

    media_type = "text/event-stream"

    def __init__(self, hub: Hub, serial: int | None, still: Callable[[], bool]) -> None:
        super().__init__(headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"})
        del self.headers["content-length"]
        self._hub, self._serial, self._still = hub, serial, still

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._hub.streams += 1
        tasks = [asyncio.create_task(work) for work in (self._pump(send), _gone(receive), self._closed())]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._hub.streams -= 1
            for task in tasks:
                task.cancel()
            results = await asyncio.gather(*tasks, return_exceptions=True)
        for result in results:
            if isinstance(result, Exception) and not isinstance(result, (TimeoutError, OSError)):
                raise result

    async def _pump(self, send: Send) -> None:
        await self._send(send, {"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        await self._write(send, b"retry: %d\n\n" % RETRY_MS)
        beat_due = 0.0
        while not self._hub.closing.is_set() and self._still():
            if self._fresh():
                await self._write(send, self._tick())
            if time.monotonic() >= beat_due:
                beat_due = time.monotonic() + BEAT_S
                await self._write(send, self._beat())
            await asyncio.sleep(SPACING_S)
            if not (self._fresh() or self._hub.closing.is_set()):  # what changed during the sleep woke nobody
                await self._hub.news(max(0.0, beat_due - time.monotonic()))
        await self._send(send, {"type": "http.response.body", "body": b"", "more_body": False})

    async def _closed(self) -> None:
        """Returns when the service ends and the page has had its time to hear so: one that does not read never will."""
        await self._hub.closing.wait()
        await asyncio.sleep(GOODBYE_S)

    def _fresh(self) -> bool:
        return not self._hub.away and self._hub.newer_than(self._serial)

    def _tick(self) -> bytes:
        batch = self._hub.since(self._serial)
        self._serial = batch.serial
        rest = encode({"rows": batch.rows, "events": batch.events, "resumed": batch.resumed})
        assert self._hub.now is not None
        identity = batch.id or self._hub.now["id"]
        return b'event: tick\nid: %s\ndata: {"now":%s,%s\n\n' % (identity.encode(), self._hub.now_text(), rest[1:])

    def _beat(self) -> bytes:
        """The api's own wall time, so that a page sees the stream alive; in lock-step `now.utc_us` is another clock."""
        data = {"utc_us": time.time_ns() // 1000, "age_us": self._hub.age_us(), "away": self._hub.away}
        return b"event: beat\ndata: %s\n\n" % encode(data)

    async def _write(self, send: Send, data: bytes) -> None:
        await self._send(send, {"type": "http.response.body", "body": data, "more_body": True})

    async def _send(self, send: Send, message: dict[str, Any]) -> None:
        async with asyncio.timeout(SEND_DEADLINE_S):
            await send(message)


async def _gone(receive: Receive) -> None:
    """Returns when the client has left: a send to nobody would return at once, for ever."""
    while (await receive())["type"] != "http.disconnect":
        pass


@router.get("/stream", summary="Live data as it happens (Server-Sent Events)", response_class=Response, responses={
    200: {"description": "Events `tick` and `beat`, without end.", "content": {"text/event-stream": {"example": EXAMPLE}}},
    **problems("streams_full")})
async def stream(service: Service, caller: TheCaller, door: TheDoor, last_event_id: Annotated[str | None, Header(
        max_length=40, description="The `id` of the last tick you have. The stream goes on after it.")] = None) -> Response:
    """Each `tick` carries the whole present state as `now`, the `rows` of every tick since the last message (in the
    order tick, UTC µs, set point, control, over-temperature, part, duty asked, duty seen), and the `events` of those
    ticks. `resumed` is false when ticks are missing before the first row: an unknown or too old Last-Event-ID.

    A `beat` comes every 2 s whether or not anything happened: `age_us` is how old the newest tick is on this computer's
    own clock, `away` says in words why the controller does not answer, or is empty. No beat for 5 s means no connection.
    The stream ends within 2 s when the session or token that opened it does.
    """
    if service.hub.streams >= STREAMS_MAX:
        raise Problem("streams_full", f"{service.hub.streams} streams are open; at most {STREAMS_MAX} are served.",
                      headers={"Retry-After": "5"})

    def still() -> bool:
        return caller.account is None or door.book.still(caller.digest, time.time_ns() // 1000)

    return Stream(service.hub, service.hub.serial_of(last_event_id) if last_event_id else None, still)
