"""Everybody who may come in, in memory: what desk.db holds, loaded at the start. Nothing here waits or writes."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import NamedTuple

from api.door import secret
from api.door.names import alike
from controller.core.commands import PersonRole


class Scope(StrEnum):
    """What a token is good for."""

    LOOK = "look"
    STOP = "stop"
    OPERATE = "operate"


class Account(NamedTuple):
    """Somebody with a password."""

    id: int
    name: str
    role: PersonRole
    password_hash: str
    created_utc_us: int
    created_by: str


class Session(NamedTuple):
    """One browser that has signed in."""

    digest: bytes
    person_id: int
    created_utc_us: int
    expires_utc_us: int
    from_address: str


class Token(NamedTuple):
    """One program's key, or a bookmark's."""

    id: int
    digest: bytes
    person_id: int
    label: str
    scope: Scope
    created_utc_us: int
    expires_utc_us: int


class Code(NamedTuple):
    """An invitation, or the first code of all."""

    digest: bytes
    role: PersonRole
    created_utc_us: int
    expires_utc_us: int
    by: str

    @property
    def id(self) -> str:
        """Its name in addresses: tells nothing about the code."""
        return self.digest.hex()[:16]


class Book:
    """The four kinds, each by what it is looked up with."""

    def __init__(self, accounts: Iterable[Account] = (), sessions: Iterable[Session] = (),
                 tokens: Iterable[Token] = (), codes: Iterable[Code] = ()) -> None:
        self.accounts = {one.id: one for one in accounts}
        self.sessions = {one.digest: one for one in sessions}
        self.tokens = {one.digest: one for one in tokens}
        self.codes = {one.digest: one for one in codes}

    def called(self, name: str) -> Account | None:
        """The account with this name, in any case of letters, or with one that looks like it."""
        wanted = alike(name)
        return next((one for one in self.accounts.values() if alike(one.name) == wanted), None)

    def session(self, cookie: str, now_utc_us: int) -> Session | None:
        """The session that a cookie stands for, while it lasts."""
        found = self.sessions.get(secret.digest(cookie))
        return found if found is not None and self.lasts(found, now_utc_us) else None

    def token(self, words: str, now_utc_us: int) -> Token | None:
        """The token that was given, while it lasts."""
        found = self.tokens.get(secret.digest(words))
        return found if found is not None and self.lasts(found, now_utc_us) else None

    def lasts(self, one: Session | Token, now_utc_us: int) -> bool:
        return one.expires_utc_us > now_utc_us and one.person_id in self.accounts

    def still(self, digest: bytes, now_utc_us: int) -> bool:
        """Whether the session or token with this digest has not ended meanwhile."""
        found = self.sessions.get(digest) or self.tokens.get(digest)
        return found is not None and self.lasts(found, now_utc_us)

    def sessions_of(self, person_id: int) -> list[Session]:
        return [one for one in self.sessions.values() if one.person_id == person_id]

    def tokens_of(self, person_id: int) -> list[Token]:
        return [one for one in self.tokens.values() if one.person_id == person_id]

    def other_maintainers(self, person_id: int) -> bool:
        """Whether somebody else could look after accounts."""
        return any(one.role is PersonRole.MAINTAINER and one.id != person_id for one in self.accounts.values())
