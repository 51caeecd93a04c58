"""Listening: on loopback always, in plain HTTP; and beyond it once somebody has an account, with TLS if there is a certificate.

What arrives from outside is marked as such in its scope, so that it is never taken for this computer. A connection that does
not bring a whole request head in time is cut. Where connections are full the one that has been idle longest gives way, or
else one whose asker nobody knows, so that nobody can keep others out by holding connections open.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import resource
import socket
import ssl
from asyncio import sslproto
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from api.door.hosts import literal

STUCK_MS = 15_000
"""A peer that accepts no byte for so long is cut off by the kernel, after our own send deadline has given it up."""
SEND_BUFFER_BYTES = 128 * 1024
WRITE_HIGH_BYTES = 16 * 1024
"""More than this waits in no connection's own buffer beside one message: 256 stuck pages must not fill memory."""
TLS_BUFFER_BYTES = 32 * 1024
"""Twice the largest record of TLS (RFC 8446, 5.1)."""
BACKLOG = 256
HEAD_S = 10.0
"""A whole request head, and a TLS handshake, have to arrive in this time."""
AWAY_S = 5.0
"""An address that this computer does not have yet (its network comes up later) is tried again after so long."""
RENEWED_S = 60.0
FILES_WANTED = 4_096

log = logging.getLogger("api.listening")


class Outside(NamedTuple):
    """Where to listen beyond loopback."""

    address: str
    port: int
    cert: Path | None = None
    key: Path | None = None

    @property
    def url(self) -> str:
        return f"{'https' if self.cert else 'http'}://{literal(self.address)}:{self.port}/"


class Room:
    """How many connections at once, in all and from one address; what is idle gives way."""

    def __init__(self, most: int, most_each: int) -> None:
        self.most, self.most_each = most, most_each
        self._all: dict[Patient, str] = {}

    def take(self, one: Patient) -> bool:
        """Whether there is room for one more, made if need be."""
        network = literal(one.client[0]) if one.client else ""
        same = [other for other, of in self._all.items() if of == network]
        full = same if len(same) >= self.most_each else list(self._all) if len(self._all) >= self.most else []
        if full:
            # the oldest comes first: one that asks nothing, else one whose asker nobody knows, whatever it holds open
            way = next((other for other in full if other.is_idle()), None) or next(
                (other for other in full if not other.known), None)
            if way is None:
                return False
            self.leave(way)
            way.cut()
        self._all[one] = network
        return True

    def leave(self, one: Patient) -> None:
        self._all.pop(one, None)


class Patient(H11Protocol):
    """One connection, with a limit to the patience."""

    room = Room(most=640, most_each=640)
    """Of loopback. Many streams, many quick askers; behind a proxy everybody is one address."""
    head_s = HEAD_S

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._head: asyncio.TimerHandle | None = None
        self.known = False
        """Whoever asks on it just now was recognised; who is not gives way to others."""
        self.app = Marked(self.app, self)

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in the base class
        super().connection_made(transport)
        transport.set_write_buffer_limits(high=WRITE_HIGH_BYTES)
        if self.room.take(self):
            self._wait_for_head()
        else:
            self.cut()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.is_idle():
            self._wait_for_head()
        else:
            self._forget_head()

    def connection_lost(self, exc: Exception | None) -> None:
        self.room.leave(self)
        self._forget_head()
        super().connection_lost(exc)

    def is_idle(self) -> bool:
        """Nothing is being answered here."""
        return self.cycle is None or self.cycle.response_complete

    def cut(self) -> None:
        self._forget_head()
        self.transport.abort()

    def _wait_for_head(self) -> None:
        if self._head is None:
            self._head = self.loop.call_later(self.head_s, self._late)

    def _late(self) -> None:
        self._head = None
        if self.is_idle():
            self.cut()

    def _forget_head(self) -> None:
        if self._head is not None:
            self._head.cancel()
            self._head = None


class PatientOutside(Patient):
    """A connection from elsewhere; these cannot take the room of loopback."""

    room = Room(most=400, most_each=120)

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self.app = FromOutside(self.app)


class Marked:
    """Hands a request's connection on, so that the door can say that it is somebody's."""

    def __init__(self, app: Any, connection: Patient) -> None:
        self._app: ASGIApp = app
        self._connection = connection

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._connection.known = False
        await self._app({**scope, "connection": self._connection}, receive, send)


class FromOutside:
    """Marks what it passes on."""

    def __init__(self, app: Any) -> None:
        self._app: ASGIApp = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._app({**scope, "outside": True}, receive, send)


def listen(address: str, port: int) -> socket.socket:
    """A listening socket; its options are inherited by every connection. Raises OSError, OverflowError for a number that
    is no port, ValueError for what is no address."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    # asyncio sends at once only on sockets that say they are TCP; else every answer waits 40 ms for an acknowledgement
    found = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            found.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, STUCK_MS)
        found.bind((address, port))
        found.listen(BACKLOG)
    except (OSError, OverflowError):
        found.close()
        raise
    return found


def more_files() -> None:
    """Every connection is an open file, and many systems begin with 1,024."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = FILES_WANTED if hard == resource.RLIM_INFINITY else min(FILES_WANTED, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def tls(outside: Outside) -> ssl.SSLContext | None:
    """The context for a certificate, or None without one. Raises OSError (ssl.SSLError is one)."""
    if outside.cert is None:
        return None
    # every connection takes a buffer of this size, before anything is known of it: asyncio's own 256 KiB are 70 MB for 280
    sslproto.SSLProtocol.max_size = TLS_BUFFER_BYTES
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(outside.cert, outside.key)
    return context


async def when_possible(outside: Outside, say: Callable[[str], None]) -> socket.socket:
    """The outside socket, as soon as this computer has the address and the port is free."""
    told = ""
    while True:
        try:
            return listen(outside.address, outside.port)
        except OSError as error:
            reason = f"{outside.url} cannot be listened on yet ({error.strerror}); it is tried every {AWAY_S:g} s."
            if reason != told:
                say(reason)
            told = reason
        await asyncio.sleep(AWAY_S)


async def renew(outside: Outside, context: ssl.SSLContext) -> None:
    """Take up a renewed certificate without a restart. One that cannot be read leaves the old one in use."""
    stamp: list[int] = []  # it may have been renewed already while the first account was waited for
    while True:
        await asyncio.sleep(RENEWED_S)
        fresh = _stamp(outside)
        if fresh != stamp and outside.cert is not None:
            stamp = fresh
            try:
                context.load_cert_chain(outside.cert, outside.key)
            except OSError as error:
                log.warning("the new certificate cannot be used, the old one stays: %s", error)


def _stamp(outside: Outside) -> list[int]:
    found = []
    for path in filter(None, (outside.cert, outside.key)):
        with contextlib.suppress(OSError):
            found.append(path.stat().st_mtime_ns)
    return found
