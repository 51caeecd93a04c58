"""Who may speak to this service at all: one middleware before every route.

A page of another site can make a browser send requests to loopback, and a name that resolves to loopback can pass for
this service. So: the Host must be a loopback name; an Origin, where one is sent, must be this very host; a browser that
says "cross-site" is refused on every unsafe method; a proxy is refused as long as loopback means "local"; a body must be
JSON, small, and arrive in time. A program without a browser sends neither Origin nor Sec-Fetch-Site and passes.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.errors import PREFIX, Problem

LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
SAME_SITE = frozenset({"same-origin", "none"})
PROXY_HEADERS = ("x-forwarded-", "forwarded", "x-real-ip", "via")
TEXT_TOO = frozenset({f"{PREFIX}/schedules/import"})
"""Takes text/plain as well: the text file as it is."""
FORMS = frozenset({"/arrived"})
"""Plain pages: they take what a form without script sends."""
FORM = "application/x-www-form-urlencoded"
BODY_MAX_BYTES = 128 * 1024
BODY_DEADLINE_S = 10.0


class GuardOrigin:
    """ASGI middleware. Refusals are problems; what passes reaches the app with its whole body already read."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})  # browsers check no origin there, so there is none
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        try:
            headers = Headers(scope=scope)
            _host(headers)
            _proxy(headers.keys())
            _origin(headers, scope["method"])
            if scope["method"] not in SAFE_METHODS:
                _media_type(headers, scope["path"])
                receive = _again(await _body(headers, receive), receive)
        except Problem as problem:
            await problem.answer()(scope, receive, send)
            return
        await self.app(scope, receive, send)


def host_name(host: str) -> str:
    """The name without the port; an IPv6 address keeps its brackets."""
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


def _host(headers: Headers) -> None:
    hosts = headers.getlist("host")
    if len(hosts) != 1 or host_name(hosts[0]).lower() not in LOOPBACK_NAMES:
        shown = ", ".join(hosts)[:80] or "missing"
        raise Problem("foreign_host", f"Host is {shown}; allowed is {', '.join(sorted(LOOPBACK_NAMES))}.")


def _proxy(names: Iterable[str]) -> None:
    found = [name for name in names if name.startswith(PROXY_HEADERS)]
    if found:
        raise Problem("proxied", f"{found[0]} is set; nobody can tell who asks.")


def _origin(headers: Headers, method: str) -> None:
    """An Origin is checked on every method: a foreign page must not fill the streams either."""
    ours = f"http://{headers['host']}".lower()
    foreign = [origin for origin in headers.getlist("origin") if origin.lower() != ours]
    if foreign:
        raise Problem("foreign_origin", f"Origin is {foreign[0][:80]}; allowed is {ours}.")
    sites = headers.getlist("sec-fetch-site")
    if method not in SAFE_METHODS and not SAME_SITE.issuperset(sites):
        raise Problem("foreign_origin", f"Sec-Fetch-Site is {sites[0][:80]}; allowed is same-origin.")


def _media_type(headers: Headers, path: str) -> None:
    given = headers.get("content-type", "").partition(";")[0].strip().lower()
    allowed: tuple[str, ...] = ("application/json", "text/plain") if path in TEXT_TOO else ("application/json",)
    allowed = (FORM,) if path in FORMS else allowed
    if given not in allowed:
        raise Problem("media_type", f"Content-Type is {given[:80] or 'missing'}; allowed is {' or '.join(allowed)}.")


async def _body(headers: Headers, receive: Receive) -> bytes:
    """The whole body, bounded in size and time. A declared length is believed only when it is too large."""
    declared = headers.get("content-length", "0")
    if declared.isdecimal() and int(declared[:20]) > BODY_MAX_BYTES:
        raise _too_large()
    found = bytearray()
    try:
        async with asyncio.timeout(BODY_DEADLINE_S):
            while True:
                message = await receive()
                found += message.get("body", b"")
                if len(found) > BODY_MAX_BYTES:
                    raise _too_large()
                if not message.get("more_body", False):
                    return bytes(found)
    except TimeoutError:
        raise Problem("too_slow", f"The body took longer than {BODY_DEADLINE_S:g} s.") from None


def _too_large() -> Problem:
    # the rest is not read, so the connection cannot be used again
    return Problem("too_large", f"A body may have at most {BODY_MAX_BYTES} bytes.", headers={"Connection": "close"})


def _again(body: bytes, receive: Receive) -> Receive:
    """The body once more, then whatever comes after it (the disconnect)."""
    waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def again() -> Message:
        return waiting.pop() if waiting else await receive()

    return again
