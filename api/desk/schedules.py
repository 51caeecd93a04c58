"""Schedules in desk.db: every change is a new revision, deleting hides. Functions of a connection, one transaction."""

from __future__ import annotations

import json
from typing import NamedTuple

from sqlalchemy import Connection, Row, Select, and_, func, insert, select, update

from api.desk.schema import revisions, schedules
from api.desk.store import note, utc_us
from api.errors import Problem
from controller.core.schedule import Schedule
from controller.planning.schedule_file import parse_with_note, write


class Stored(NamedTuple):
    """One revision as it was written."""

    id: int
    revision: int
    utc_us: int
    by: str
    created_utc_us: int
    schedule: Schedule
    note: str


def _all(newest: bool) -> Select[int, int, int, str, str, int]:
    query = select(revisions.c.schedule_id, revisions.c.revision, revisions.c.utc_us, revisions.c.by, revisions.c.body,
                   schedules.c.created_utc_us).join(schedules, schedules.c.id == revisions.c.schedule_id)
    query = query.where(schedules.c.deleted_utc_us.is_(None))
    if newest:
        last = select(revisions.c.schedule_id, func.max(revisions.c.revision).label("revision"))
        tops = last.group_by(revisions.c.schedule_id).subquery()
        query = query.join(tops, and_(tops.c.schedule_id == revisions.c.schedule_id,
                                      tops.c.revision == revisions.c.revision))
    return query.order_by(revisions.c.schedule_id, revisions.c.revision.desc())


def _stored(row: Row[int, int, int, str, str, int]) -> Stored:
    identity, revision, when, by, body, created = row
    schedule, words = parse_with_note(body)
    return Stored(identity, revision, when, by, created, schedule, words)


def newest(connection: Connection) -> list[Stored]:
    """The newest revision of every schedule, oldest schedule first."""
    return [_stored(row) for row in connection.execute(_all(newest=True)).all()]


def get(connection: Connection, identity: int, revision: int | None = None) -> Stored:
    """One schedule, at a revision or its newest. Raises Problem not_found."""
    query = _all(newest=revision is None).where(revisions.c.schedule_id == identity)
    if revision is not None:
        query = query.where(revisions.c.revision == revision)
    row = connection.execute(query).first()
    if row is None:
        which = "" if revision is None else f" with revision {revision}"
        raise Problem("not_found", f"There is no schedule {identity}{which}.")
    return _stored(row)


def history(connection: Connection, identity: int) -> list[Stored]:
    """Every revision of a schedule, newest first. Raises Problem not_found."""
    found = [_stored(row) for row in
             connection.execute(_all(newest=False).where(revisions.c.schedule_id == identity)).all()]
    if not found:
        raise Problem("not_found", f"There is no schedule {identity}.")
    return found


def make(connection: Connection, by: str, schedule: Schedule, words: str, what: str = "made") -> Stored:
    """A new schedule with its first revision."""
    result = connection.execute(insert(schedules).values(created_utc_us=utc_us(), created_by=by))
    assert result.inserted_primary_key is not None
    identity = int(result.inserted_primary_key[0])
    _add(connection, identity, 1, by, schedule, words)
    note(connection, by, what, f"schedule {identity}", schedule.name)
    return get(connection, identity)


def change(connection: Connection, identity: int, by: str, schedule: Schedule, words: str,
           expected: int | None) -> Stored:
    """A new revision. `expected` is the revision that the changer saw, when told: somebody else's is not run over."""
    before = get(connection, identity)
    if expected is not None and expected != before.revision:
        raise Problem("stale_revision", f"You changed revision {expected}; the newest is {before.revision}, "
                                        f"by {before.by}.")
    if (schedule, words) == (before.schedule, before.note):
        return before
    _add(connection, identity, before.revision + 1, by, schedule, words)
    note(connection, by, "changed", f"schedule {identity}", f"revision {before.revision + 1}")
    return get(connection, identity)


def delete(connection: Connection, identity: int, by: str) -> None:
    """Hide a schedule. Its revisions stay; runs carry their own copies anyway."""
    before = get(connection, identity)
    connection.execute(update(schedules).where(schedules.c.id == identity).values(deleted_utc_us=utc_us()))
    note(connection, by, "deleted", f"schedule {identity}", before.schedule.name)


def _add(connection: Connection, identity: int, revision: int, by: str, schedule: Schedule, words: str) -> None:
    body = json.dumps(write(schedule, words), ensure_ascii=False)
    connection.execute(insert(revisions).values(schedule_id=identity, revision=revision, utc_us=utc_us(), by=by,
                                                name=schedule.name, body=body))
