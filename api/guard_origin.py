"""Who may speak to this service at all: one middleware before every route.

A page of another site can make a browser send requests here, and a name that resolves here can pass for this service. So: the
Host must be one of ours; an Origin, where one is sent, must be this very host; a browser that says "cross-site" is refused on
every unsafe method; somebody who is not recognised gets no further (`api.door.way_in`); a body must be JSON, small, and
arrive in time, and only DELETE may have none. A program without a browser sends neither Origin nor Sec-Fetch-Site and passes.
"""

from __future__ import annotations

import asyncio
import time
from typing import Any

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.at import bare
from api.door.door import Door
from api.door.hosts import same_origin
from api.door.way_in import SAFE_METHODS, admit
from api.errors import PREFIX, Problem

SAME_SITE = frozenset({"same-origin", "none"})
TEXT_TOO = frozenset({f"{PREFIX}/schedules/import"})
"""Takes text/plain as well: the text file as it is."""
FORMS = frozenset({"/stop", "/stop/sign-in", "/arrived"})
"""Plain pages: they take what a form without script sends, and ask for a proof of their own where a browser names no origin."""
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
            headers, door = Headers(scope=scope), scope["app"].state.door
            _origin(headers, scope, _host(headers, scope, door))
            admit(door, scope, headers, time.time_ns() // 1000)
            if "connection" in scope:
                scope["connection"].known = scope["caller"] is not None
            if scope["method"] not in SAFE_METHODS:
                receive = _again(await _whole(headers, scope, receive), receive)
        except Problem as problem:
            await problem.answer()(scope, receive, send)
            return
        await self.app(scope, receive, send)


def _host(headers: Headers, scope: Any, door: Door) -> str:
    """The origin that our own page has under this Host."""
    hosts = headers.getlist("host")
    ours = door.hosts.origin(scope, hosts[0]) if len(hosts) == 1 else None
    if ours is None:
        server = (scope.get("server") or ("", None))[0]
        allowed = ", ".join(door.hosts.allowed(bool(scope.get("outside")), server))
        raise Problem("foreign_host", f"Host is {', '.join(hosts)[:80] or 'missing'}; allowed is {allowed}.")
    return ours


def _origin(headers: Headers, scope: Any, ours: str) -> None:
    """An Origin is checked on every method: a foreign page must not fill the streams either."""
    given = headers.getlist("origin")
    foreign = [origin for origin in given if not same_origin(origin, ours)]
    if foreign and not (foreign == ["null"] and scope["path"] in FORMS):
        raise Problem("foreign_origin", f"Origin is {foreign[0][:80]}; allowed is {ours}.")
    sites = headers.getlist("sec-fetch-site")
    if scope["method"] not in SAFE_METHODS and not SAME_SITE.issuperset(sites):
        raise Problem("foreign_origin", f"Sec-Fetch-Site is {sites[0][:80]}; allowed is same-origin.")
    scope["from_own_page"] = bool(given and not foreign) or "same-origin" in sites


def _media_type(headers: Headers, path: str) -> None:
    given = headers.get("content-type", "").partition(";")[0].strip().lower()
    allowed: tuple[str, ...] = ("application/json", "text/plain") if path in TEXT_TOO else ("application/json",)
    allowed = (FORM,) if path in FORMS else allowed
    if given not in allowed:
        raise Problem("media_type", f"Content-Type is {given[:80] or 'missing'}; allowed is {' or '.join(allowed)}.")


async def _whole(headers: Headers, scope: Scope, receive: Receive) -> bytes:
    """The body, if it is of a kind that may come. DELETE needs none: no form can send one, and no page of another site
    without a permission that it never gets (Fetch standard, preflight)."""
    if scope["method"] == "DELETE" and "content-type" not in headers:
        body = await _body(headers, receive)
        if not body:
            return body
    _media_type(headers, bare(scope["path"]))
    return await _body(headers, receive)


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
