"""What is open to whom before any route runs: closed unless it stands in a table here."""

from __future__ import annotations

from typing import Any

from starlette.datastructures import Headers

from api.at import bare
from api.door.book import Scope
from api.door.caller import Caller, is_local, recognised
from api.door.door import Door
from api.errors import CHALLENGE, PREFIX, Problem

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
OPEN = frozenset({("GET", "/me"), ("GET", "/health"), ("GET", "/openapi.json"), ("POST", "/sign-in"), ("POST", "/join")})
"""Needs nobody. `/problems/...` neither: it explains the refusal."""
OPEN_BELOW = "/problems/"
STOP_ONLY = frozenset({("POST", "/stop-heating"), ("GET", "/stop-heating/last")})
"""All that a token for stopping is good for, beside what is open."""
ACCOUNTS_ONLY = ("/people", "/tokens", "/me/password", "/sign-out", "/desk")
"""No token is good for these: a stolen one must not make another."""
PROXY_HEADERS = ("x-forwarded-", "forwarded", "x-real-ip", "via", "x-client-ip", "true-client-ip", "cf-connecting-ip",
                 "x-cluster-client-ip", "x-original-", "x-envoy-")
"""Beginnings of names. What a proxy adds by common practice, no source but RFC 7239 (Forwarded) and RFC 9110 (Via)."""


def admit(door: Door, scope: Any, headers: Headers, now_utc_us: int) -> None:
    """Leave the caller in the scope. Raises Problem: signed_out, not_allowed_role (a token's scope) or proxied."""
    if is_local(scope, door.hosts.behind):
        _direct(headers)
    caller = recognised(door.book, scope, headers, door.hosts.behind, now_utc_us)
    scope["caller"] = caller
    path = bare(scope["path"])
    if not path.startswith(f"{PREFIX}/"):
        return
    asked = (scope["method"], path.removeprefix(PREFIX))
    if asked in OPEN or asked[1].startswith(OPEN_BELOW):
        return
    if caller is None:
        raise Problem("signed_out", "This needs an account, and nobody is signed in.", headers=CHALLENGE)
    if caller.scope is not None:
        _in_scope(caller, asked)


def _direct(headers: Headers) -> None:
    """A request of this computer is trusted as such only when nobody else can stand behind it."""
    found = [name for name in headers if name.startswith(PROXY_HEADERS)]
    if found:
        raise Problem("proxied", f"{found[0]} is set; nobody can tell who asks.")


def _in_scope(caller: Caller, asked: tuple[str, str]) -> None:
    method, path = asked
    if path.startswith(ACCOUNTS_ONLY):
        raise Problem("not_allowed_role", "No token is good for accounts and tokens; sign in with name and password.")
    good = {Scope.LOOK: method in SAFE_METHODS, Scope.STOP: asked in STOP_ONLY, Scope.OPERATE: True}
    assert caller.scope is not None
    if not good[caller.scope]:
        raise Problem("not_allowed_role", f"This token ({caller.label}) is good for {caller.scope.value} only.",
                      advice="Make a token with a wider scope, or sign in.")
