"""The listener's HTTP server on a real socket: what it takes (RFC 9110, RFC 9112), and that nobody holds it up."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable

import pytest

from controller.messenger import hearing
from controller.messenger.hearing import Hearing
from controller.messenger.listening import BODY_MAX_BYTES, Unheard


def asked(work: Callable[[int], Awaitable[None]], deadline_s: float = 5.0) -> list[tuple[bytes, str]]:
    """Serve while `work` runs; gives what was heard."""
    heard: list[tuple[bytes, str]] = []

    def hear(body: bytes, signature: str) -> dict[str, object]:
        heard.append((body, signature))
        if body == b"no":
            raise Unheard(403, "the signature does not fit")
        return {"heard": 1}

    async def whole() -> None:
        server = Hearing(hear, lambda: "Listens.\n", deadline_s)
        port = await server.open("127.0.0.1", 0)
        try:
            await work(port)
        finally:
            await server.close()

    asyncio.run(whole())
    return heard


async def said(port: int, data: bytes) -> tuple[int, str]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(data)
    answer = (await reader.read()).decode()
    writer.close()
    head, _, body = answer.partition("\r\n\r\n")
    return int(head.split()[1]), body


def post(body: bytes, head: bytes = b"") -> bytes:
    return b"POST / HTTP/1.1\r\nHost: a\r\n" + head + b"Content-Length: %d\r\n\r\n" % len(body) + body


def test_a_beat_is_taken_with_its_signature():
    async def work(port: int) -> None:
        assert await said(port, post(b"{}", b"x-soakwarden-SIGNATURE: sha256=1\r\n")) == (200, json.dumps({"heard": 1}))

    assert asked(work) == [(b"{}", "sha256=1")]


REFUSED = [
    (post(b"no"), 403), (b"PUT / HTTP/1.1\r\n\r\n", 405), (b"POST / HTTP/1.1\r\n\r\n", 411),
    (b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\nContent-Length: 2\r\n\r\n0\r\n\r\n", 411),
    (b"POST / HTTP/1.1\r\nContent-Length: -1\r\n\r\n", 411),
    (b"POST / HTTP/1.1\r\nContent-Length: %d\r\n\r\n" % (BODY_MAX_BYTES + 1), 413),
    (b"POST / HTTP/1.1\r\nContent-Length: 99999999999999999999999999\r\n\r\n", 413),
    (b"POST / HTTP/1.1\r\nX: " + b"x" * 20_000 + b"\r\n\r\n", 431), (b"\xff\xfe\r\n\r\n", 405),
]


@pytest.mark.parametrize(("data", "status"), REFUSED, ids=[f"{row[1]}-{number}" for number, row in enumerate(REFUSED)])
def test_what_is_no_beat_is_refused_with_a_reason(data, status):
    async def work(port: int) -> None:
        found, body = await said(port, data)
        assert found == status and json.loads(body)["error"]

    asked(work)


def test_somebody_who_opens_the_address_reads_a_line():
    async def work(port: int) -> None:
        assert await said(port, b"GET / HTTP/1.1\r\nHost: a\r\n\r\n") == (200, "Listens.\n")

    assert asked(work) == []


@pytest.mark.slow
@pytest.mark.parametrize("start", [b"", b"POST / HTTP/1.1\r\n", post(b"{}")[:-1]],
                         ids=["nothing", "half a head", "half a body"])
def test_a_slow_peer_is_cut_off_and_holds_up_nobody(start):
    async def work(port: int) -> None:
        slow = [await asyncio.open_connection("127.0.0.1", port) for _ in range(5)]
        for _, writer in slow:
            writer.write(start)
        assert (await said(port, post(b"{}")))[0] == 200
        for reader, writer in slow:
            async with asyncio.timeout(3):
                with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
                    await reader.readexactly(1)
            writer.transport.abort()

    asked(work, deadline_s=1.0)


def test_more_peers_than_places_are_turned_away_and_the_places_come_back():
    async def work(port: int) -> None:
        many = [await asyncio.open_connection("127.0.0.1", port) for _ in range(hearing.CLIENTS_MAX + 8)]
        await asyncio.sleep(0.1)
        for _, writer in many:
            writer.transport.abort()
        await asyncio.sleep(0.1)
        assert (await said(port, post(b"{}")))[0] == 200

    asked(work)
