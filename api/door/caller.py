"""Who asks, decided from one request's headers and memory alone."""

from __future__ import annotations

from typing import Any, NamedTuple

from starlette.datastructures import Headers

from api.door import secret
from api.door.book import Account, Book, Scope
from api.door.hosts import is_loopback

COOKIE = "soakwarden_session"
BEARER = "bearer "


class Caller(NamedTuple):
    """Somebody who was recognised. Without an account it is whoever sits at this computer."""

    via: str
    """`local`, `session` or `token`."""
    account: Account | None = None
    digest: bytes = b""
    """Of the session or token."""
    scope: Scope | None = None
    """Of a token."""
    label: str = ""
    expires_utc_us: int | None = None


LOCALLY = Caller("local")


def is_local(scope: Any, behind: str) -> bool:
    """Whether the request was made on this very computer, with no proxy that others come through."""
    client = scope.get("client") or ("", 0)
    return not behind and not scope.get("outside") and is_loopback(client[0])


def recognised(book: Book, scope: Any, headers: Headers, behind: str, now_utc_us: int) -> Caller | None:
    """A token first, then a cookie, then this computer. A token that is not good is nobody, wherever it comes from."""
    given = headers.get("authorization")
    if given is not None:
        return by_token(book, given[len(BEARER):].strip(), now_utc_us) if given.lower().startswith(BEARER) else None
    for cookie in cookies(headers):
        session = book.session(cookie, now_utc_us)
        if session is not None:
            return Caller("session", book.accounts[session.person_id], session.digest,
                          expires_utc_us=session.expires_utc_us)
    return LOCALLY if is_local(scope, behind) else None


def by_token(book: Book, words: str, now_utc_us: int) -> Caller | None:
    """Whoever a token stands for."""
    token = book.token(words, now_utc_us)
    if token is None:
        return None
    return Caller("token", book.accounts[token.person_id], token.digest, token.scope, token.label, token.expires_utc_us)


def cookies(headers: Headers) -> list[str]:
    """Every session cookie of a request, as bounded text."""
    pairs = (pair.strip().partition("=") for line in headers.getlist("cookie") for pair in line.split(";"))
    return [value for name, _, value in pairs if name == COOKIE and len(value) <= secret.LENGTH_MAX]


def set_cookie(words: str, seconds: int, secure: bool) -> str:
    """The header's value. Strict: no other site's link or form carries it."""
    return f"{COOKIE}={words}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict{'; Secure' if secure else ''}"
