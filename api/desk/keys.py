"""Idempotency keys in desk.db: claimed before the request leaves, answered after. A day later they are forgotten."""

from __future__ import annotations

import json
from typing import Any, NamedTuple

from sqlalchemy import Connection, and_, delete, insert, select, update

from api.desk.schema import keys
from api.desk.store import utc_us
from api.errors import Problem

KEPT_US = 24 * 3_600 * 1_000_000


class Stored(NamedTuple):
    """An answer that was already given."""

    status: int
    answer: dict[str, Any]


def claim(connection: Connection, key: str, by: str, digest: bytes) -> Stored | None:
    """Take a key for a request; None when it is new. Raises Problem key_reused or outcome_unknown."""
    connection.execute(delete(keys).where(keys.c.utc_us < utc_us() - KEPT_US))
    row = connection.execute(select(keys).where(_is(key, by))).first()
    if row is None:
        connection.execute(insert(keys).values(key=key, by=by, digest=digest, utc_us=utc_us()))
        return None
    if row.digest != digest:
        raise Problem("key_reused", f"Idempotency-Key {key} came before with another address or body.")
    if row.status is None:
        raise Problem("outcome_unknown", f"The request with Idempotency-Key {key} was sent to the controller, "
                                         f"and no answer was kept.")
    return Stored(row.status, json.loads(row.answer))


def answered(connection: Connection, key: str, by: str, status: int, answer: dict[str, Any]) -> None:
    """Keep what was answered, word for word."""
    connection.execute(update(keys).where(_is(key, by)).values(status=status, answer=json.dumps(answer)))


def release(connection: Connection, key: str, by: str) -> None:
    """The request certainly never reached the controller: the key may be used again."""
    connection.execute(delete(keys).where(_is(key, by)))


def _is(key: str, by: str) -> Any:
    return and_(keys.c.key == key, keys.c.by == by)
