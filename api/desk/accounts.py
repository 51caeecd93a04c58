"""People, sessions, tokens and codes in desk.db. Every change writes its line of the audit in the same transaction."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from api.desk.schema import audit, codes, people, sessions, tokens
from api.desk.store import note, utc_us
from api.door.book import Account, Book, Code, Scope, Session, Token
from controller.core.commands import PersonRole


def load(connection: Connection) -> Book:
    """Everything that still counts; what has expired is taken away."""
    now = utc_us()
    connection.execute(delete(sessions).where(sessions.c.expires_utc_us <= now))
    rows = connection.execute(select(people).where(people.c.removed_utc_us.is_(None))).all()
    accounts = [Account(row.id, row.name, _role(row.role), row.password_hash, row.created_utc_us, row.created_by)
                for row in rows]
    signed_in = [Session(*row) for row in connection.execute(select(
        sessions.c.digest, sessions.c.person_id, sessions.c.created_utc_us, sessions.c.expires_utc_us,
        sessions.c.from_address)).all()]
    keys = [Token(row.id, row.digest, row.person_id, row.label, Scope(row.scope), row.created_utc_us, row.expires_utc_us)
            for row in connection.execute(select(tokens).where(tokens.c.ended_utc_us.is_(None))).all()]
    invitations = [Code(row.digest, _role(row.role), row.created_utc_us, row.expires_utc_us, row.by)
                   for row in connection.execute(select(codes).where(codes.c.used_utc_us.is_(None))).all()]
    return Book(accounts, signed_in, keys, invitations)


def add_person(connection: Connection, name: str, role: PersonRole, password_hash: str, by: str, how: str) -> Account:
    """A new account. The row of a removed person of that name is taken up again: a name stays one person's."""
    now = utc_us()
    values = {"name": name, "role": role.name.lower(), "password_hash": password_hash, "created_utc_us": now,
              "created_by": by, "removed_utc_us": None}
    gone = connection.execute(select(people.c.id).where(people.c.name == name)).scalar()
    if gone is not None:
        connection.execute(update(people).where(people.c.id == gone).values(**values))
        identity = int(gone)
    else:
        result = connection.execute(insert(people).values(**values))
        assert result.inserted_primary_key is not None
        identity = int(result.inserted_primary_key[0])
    note(connection, name, "joined", f"person {identity}", f"{role.name.lower()}, {how}")
    return Account(identity, name, role, password_hash, now, by)


def change_person(connection: Connection, person_id: int, by: str, what: str, detail: str, **values: Any) -> None:
    """Change columns of a person: role, password_hash, removed_utc_us."""
    connection.execute(update(people).where(people.c.id == person_id).values(**values))
    note(connection, by, what, f"person {person_id}", detail)


def add_session(connection: Connection, session: Session, by: str) -> None:
    connection.execute(insert(sessions).values(**session._asdict()))
    note(connection, by, "signed in", f"person {session.person_id}", f"from {session.from_address}")


def end_sessions(connection: Connection, digests: list[bytes]) -> None:
    connection.execute(delete(sessions).where(sessions.c.digest.in_(digests)))


def add_token(connection: Connection, token: Token, by: str) -> Token:
    """Store a token; the answer carries its number."""
    values = {**token._asdict(), "scope": token.scope.value}
    del values["id"]
    result = connection.execute(insert(tokens).values(**values))
    assert result.inserted_primary_key is not None
    identity = int(result.inserted_primary_key[0])
    note(connection, by, "made", f"token {identity}", f"{token.scope.value}, {token.label}")
    return token._replace(id=identity)


def end_tokens(connection: Connection, numbers: list[int]) -> None:
    connection.execute(update(tokens).where(tokens.c.id.in_(numbers)).values(ended_utc_us=utc_us()))


def add_code(connection: Connection, code: Code) -> None:
    connection.execute(insert(codes).values(**{**code._asdict(), "role": code.role.name.lower()}))
    note(connection, code.by, "invited", f"invitation {code.id}", code.role.name.lower())


def use_code(connection: Connection, code: Code) -> None:
    connection.execute(update(codes).where(codes.c.digest == code.digest).values(used_utc_us=utc_us()))


def audit_rows(connection: Connection, limit: int) -> list[dict[str, Any]]:
    """The newest lines of the desk's audit, newest first."""
    rows = connection.execute(select(audit).order_by(audit.c.id.desc()).limit(limit)).all()
    return [dict(row._mapping) for row in rows]


def _role(name: str) -> PersonRole:
    return PersonRole[name.upper()]
