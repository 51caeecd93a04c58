"""The listener's small HTTP server: takes POSTs of a few kilobytes, each within a few seconds, from few at a time.

Only what a heartbeat needs of HTTP/1.1 (RFC 9112): one request a connection, a body with Content-Length.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable
from http import HTTPStatus
from typing import Any

from controller.messenger.beats import SIGNATURE
from controller.messenger.listening import BODY_MAX_BYTES, Unheard

DEADLINE_S = 10.0
HEAD_MAX_BYTES = 8_192
CLIENTS_MAX = 32
Json = dict[str, Any]
Hear = Callable[[bytes, str], Json]
"""Body and signature; gives the answer. Raises Unheard."""


class Hearing:
    """Serves one listener."""

    def __init__(self, hear: Hear, tell: Callable[[], str], deadline_s: float = DEADLINE_S) -> None:
        """`tell`: one line about what is watched, for whoever opens the address in a browser."""
        self._hear, self._tell, self._deadline_s = hear, tell, deadline_s
        self._clients = 0
        self._server: asyncio.Server | None = None

    async def open(self, address: str, port: int) -> int:
        """Begin to listen; the port (0: the system chooses). Raises OSError."""
        self._server = await asyncio.start_server(self._serve, address, port, limit=HEAD_MAX_BYTES)
        return int(self._server.sockets[0].getsockname()[1])

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients += 1
        try:
            async with asyncio.timeout(self._deadline_s):
                if self._clients <= CLIENTS_MAX:
                    status, answer = await self._answer(reader)
                    writer.write(_rendered(status, answer))
                    await writer.drain()
        except (OSError, TimeoutError):  # gone, or too slow
            writer.transport.abort()
        finally:
            self._clients -= 1
            writer.close()

    async def _answer(self, reader: asyncio.StreamReader) -> tuple[int, Json | str]:
        try:
            method, headers = _head(await reader.readuntil(b"\r\n\r\n"))
            if method in ("GET", "HEAD"):
                return 200, self._tell()
            if method != "POST":
                raise Unheard(405, f"the method is {method[:20]}; this address takes POST")
            return 200, self._hear(await _body(reader, headers), headers.get(SIGNATURE.lower(), ""))
        except Unheard as error:
            return error.status, {"error": error.reason}
        except asyncio.LimitOverrunError:
            return 431, {"error": f"the head of a request has at most {HEAD_MAX_BYTES} bytes"}
        except (asyncio.IncompleteReadError, ValueError) as error:
            return 400, {"error": f"this is no request: {error}"[:200]}


def _head(data: bytes) -> tuple[str, dict[str, str]]:
    first, *lines = data.decode("latin-1").strip().split("\r\n")
    method, _, _ = first.partition(" ")
    pairs = [line.partition(":") for line in lines]
    return method, {name.strip().lower(): value.strip() for name, _, value in pairs}


async def _body(reader: asyncio.StreamReader, headers: dict[str, str]) -> bytes:
    declared = headers.get("content-length", "")
    if "transfer-encoding" in headers or not declared.isdecimal():
        raise Unheard(411, "Content-Length is missing; a heartbeat says how long it is")
    if int(declared[:12]) > BODY_MAX_BYTES:
        raise Unheard(413, f"the body has {declared[:12]} bytes; allowed are {BODY_MAX_BYTES}")
    return await reader.readexactly(int(declared))


def _rendered(status: int, answer: Json | str) -> bytes:
    kind = "text/plain; charset=utf-8" if isinstance(answer, str) else "application/json"
    body = (answer if isinstance(answer, str) else json.dumps(answer, ensure_ascii=False)).encode()
    phrase = ""
    with contextlib.suppress(ValueError):
        phrase = HTTPStatus(status).phrase
    head = (f"HTTP/1.1 {status} {phrase}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\n"
            "X-Content-Type-Options: nosniff\r\nConnection: close\r\n\r\n")
    return head.encode() + body
