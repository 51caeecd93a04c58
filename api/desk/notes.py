"""Notes on runs in desk.db: what a person saw that no sensor did. Removing one hides it and keeps it."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from api.desk.schema import notes
from api.desk.store import note as audit
from api.desk.store import utc_us
from api.errors import Problem

NOTES_MAX = 100
"""Of one run; more is a diary."""


def of_run(connection: Connection, chamber: str, run_id: str) -> list[dict[str, Any]]:
    """The notes of a run, oldest first."""
    shown = [notes.c.id, notes.c.utc_us, notes.c.by, notes.c.text]
    rows = connection.execute(select(*shown).where(*_there(chamber, run_id)).order_by(notes.c.id))
    return [dict(row._mapping) for row in rows]


def add(connection: Connection, chamber: str, run_id: str, by: str, text: str) -> int:
    """Keep a note; its number. Raises Problem too_many_notes."""
    count = connection.execute(select(func.count()).select_from(notes).where(*_there(chamber, run_id))).scalar_one()
    if count >= NOTES_MAX:
        raise Problem("too_many_notes", f"Run {run_id} has {count} notes; at most {NOTES_MAX} are kept.")
    row = connection.execute(insert(notes).values(chamber=chamber, run_id=run_id, utc_us=utc_us(), by=by, text=text))
    assert row.inserted_primary_key is not None
    return int(row.inserted_primary_key[0])


def remove(connection: Connection, chamber: str, run_id: str, number: int, by: str, any_ones: bool) -> None:
    """Hide a note: one's own, or with `any_ones` anybody's. Raises Problem not_found, or not_allowed_role."""
    found = connection.execute(select(notes.c.by).where(notes.c.id == number, *_there(chamber, run_id))).first()
    if found is None:
        raise Problem("not_found", f"Run {run_id} has no note {number}.")
    if found.by != by and not any_ones:
        raise Problem("not_allowed_role", f"Note {number} is by {found.by}; only they or a maintainer may remove it.")
    connection.execute(update(notes).where(notes.c.id == number).values(removed_utc_us=utc_us()))
    audit(connection, by, "removed a note", f"run {run_id}", f"note {number} by {found.by}")


def _there(chamber: str, run_id: str) -> tuple[Any, ...]:
    return notes.c.chamber == chamber, notes.c.run_id == run_id, notes.c.removed_utc_us.is_(None)
