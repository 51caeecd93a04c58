"""The newest snapshot and the last 600 ticks, for every page at once: one connection above, any number below.

A stream keeps no queue, only the serial number up to which it has sent; what lies between two sends is read from the
ring. So a client that reads slowly costs nothing and gets the newest value when it is ready.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Mapping, Sequence
from itertools import islice
from typing import Any, NamedTuple

from api.wire import encode

RING_TICKS = 600
NEVER_HEARD = "the controller has not answered yet"


class Entry(NamedTuple):
    """One tick in the ring."""

    serial: int
    id: str
    row: Sequence[int | None]
    events: Sequence[Mapping[str, Any]]


class Batch(NamedTuple):
    """What a stream has not sent yet."""

    id: str
    serial: int
    resumed: bool
    rows: list[Sequence[int | None]]
    events: list[Mapping[str, Any]]


class Hub:
    """Filled by `api.upstream`, read by the routes. Belongs to one event loop; no locks."""

    def __init__(self) -> None:
        self.now: dict[str, Any] | None = None
        self.away = NEVER_HEARD
        """Why there is no live data, in words; empty while there is."""
        self.streams = 0
        self.closing = asyncio.Event()
        self._ring: deque[Entry] = deque(maxlen=RING_TICKS)
        self._serial = 0
        self._heard_s = 0.0
        self._text: bytes | None = None
        self._news = asyncio.Event()

    def begin(self, resumed: bool, rows: Sequence[Sequence[int | None]], now: dict[str, Any]) -> None:
        """The answer to a new `follow`. Unless resumed, what was in the ring belongs to another life."""
        if not resumed:
            self._ring.clear()
            self._serial += 1  # a hole that no stream can bridge
        for row in rows:
            self._add(f"{now['boot']}-{row[0]}", row, ())
        self._took(now)

    def push(self, message: Mapping[str, Any]) -> None:
        """One tick from the controller."""
        self._add(message["id"], message["row"], message["events"])
        self._took(message["now"])

    def lost(self, reason: str) -> None:
        """The controller is away; the last snapshot is kept but no longer given out."""
        self.away = reason
        self._wake()

    def close(self) -> None:
        """The service ends: every stream says goodbye."""
        self.closing.set()
        self._wake()

    def age_us(self) -> int | None:
        """Wall time since the newest tick arrived here, or None when none ever did."""
        return round((time.monotonic() - self._heard_s) * 1e6) if self.now is not None else None

    def now_text(self) -> bytes:
        """The snapshot as JSON, encoded once a tick however many streams ask."""
        if self._text is None:
            self._text = encode(self.now)
        return self._text

    def serial_of(self, identity: str) -> int | None:
        """The serial number of a tick that the ring still holds."""
        return next((entry.serial for entry in reversed(self._ring) if entry.id == identity), None)

    def since(self, serial: int | None) -> Batch:
        """Everything after `serial`; the whole ring, not resumed, when something between is no longer here."""
        oldest = self._ring[0].serial if self._ring else self._serial + 1
        resumed = serial is not None and serial >= oldest - 1
        skip = serial - oldest + 1 if resumed and serial is not None else 0
        fresh = list(islice(self._ring, skip, None))
        newest = self._ring[-1].id if self._ring else ""
        return Batch(newest, self._serial, resumed, [entry.row for entry in fresh],
                     [event for entry in fresh for event in entry.events])

    def newer_than(self, serial: int | None) -> bool:
        return serial is None or self._serial > serial

    async def news(self, timeout_s: float) -> bool:
        """Wait for the next change; False when none came in time."""
        try:
            async with asyncio.timeout(timeout_s):
                await self._news.wait()
        except TimeoutError:
            return False
        return True

    def _add(self, identity: str, row: Sequence[int | None], events: Sequence[Mapping[str, Any]]) -> None:
        self._serial += 1
        self._ring.append(Entry(self._serial, identity, row, events))

    def _took(self, now: dict[str, Any]) -> None:
        self.now, self.away, self._text = now, "", None
        self._heard_s = time.monotonic()
        self._wake()

    def _wake(self) -> None:
        self._news.set()
        self._news = asyncio.Event()
