"""A crowd on the api: so many requests a second on a few connections, so many open streams. Loopback only, for a while.

`python -m tests.bench.crowd PORT REQUESTS_A_SECOND STREAMS SECONDS` prints one JSON line: what was really sent and
answered. Its own process, so that it does not share a lock with what measures; plain sockets, so that it costs little.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sys
import time
from collections import Counter

CONNECTIONS = 20
STEP_S = 0.02
PATHS = ("/api/v1/now", "/api/v1/health", "/api/v1/me", "/", "/api/v1/runs")


class Crowd:
    """Counts what it sent and what came back, by status."""

    def __init__(self, port: int, rate: int, streams: int, seconds: float) -> None:
        self.port, self.rate, self.streams, self.until = port, rate, streams, time.monotonic() + seconds
        self.sent = 0
        self.statuses: Counter[int] = Counter()
        self.open = 0
        self.heard = 0
        self.watchers: list[asyncio.Task[None]] = []

    async def run(self) -> None:
        self.watchers = [asyncio.create_task(self._watch()) for _ in range(self.streams)]
        askers = [asyncio.create_task(self._ask(number)) for number in range(CONNECTIONS if self.rate else 0)]
        await asyncio.gather(*askers, return_exceptions=True)
        while time.monotonic() < self.until:
            await asyncio.sleep(STEP_S)
        for watcher in self.watchers:
            watcher.cancel()
        await asyncio.gather(*self.watchers, return_exceptions=True)

    def end(self) -> None:
        """Asked to go home early: what was counted so far is told."""
        self.until = time.monotonic()
        for watcher in self.watchers:
            watcher.cancel()

    async def _ask(self, number: int) -> None:
        """One connection's share of the rate, pipelined by small bursts; an answer late is waited for, not asked again."""
        path = PATHS[number % len(PATHS)]
        request = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\n\r\n".encode()
        share, begun, sent = self.rate / CONNECTIONS, time.monotonic(), 0
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port, limit=1 << 20)
        while time.monotonic() < self.until:
            due = int((time.monotonic() - begun) * share) - sent
            for _ in range(due):
                if time.monotonic() >= self.until:
                    break
                writer.write(request)
                await writer.drain()
                self.sent, sent = self.sent + 1, sent + 1
                self.statuses[await self._answer(reader)] += 1
            await asyncio.sleep(STEP_S)
        writer.close()

    async def _answer(self, reader: asyncio.StreamReader) -> int:
        head = await reader.readuntil(b"\r\n\r\n")
        length = next((int(line[15:]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length:")), 0)
        await reader.readexactly(length)
        return int(head[9:12])

    async def _watch(self) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port, limit=1 << 20)
        writer.write(f"GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\n\r\n".encode())
        head = await reader.readuntil(b"\r\n\r\n")
        self.open += head.startswith(b"HTTP/1.1 200")
        with contextlib.suppress(asyncio.CancelledError, ConnectionError):
            while data := await reader.read(1 << 16):
                self.heard += len(data)
        writer.close()


async def main(words: list[str]) -> None:
    port, rate, streams, seconds = int(words[0]), int(words[1]), int(words[2]), float(words[3])
    crowd = Crowd(port, rate, streams, seconds)
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, crowd.end)
    begun = time.monotonic()
    await crowd.run()
    took_s = time.monotonic() - begun
    print(json.dumps({"sent": crowd.sent, "a_second": round(crowd.sent / took_s, 1), "statuses": crowd.statuses,
                      "streams": crowd.open, "heard_bytes": crowd.heard}), flush=True)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1:]))
