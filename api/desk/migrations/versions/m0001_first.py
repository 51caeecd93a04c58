"""The first desk.db: schedules with immutable revisions, idempotency keys, audit."""

from __future__ import annotations

from alembic import op
from sqlalchemy import CheckConstraint, Column, ForeignKey, Integer, LargeBinary, Text

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Spelled out, not taken from `schema`: a released migration must not change with it."""
    op.create_table(
        "schedules",
        Column("id", Integer, primary_key=True, autoincrement=True),
        Column("created_utc_us", Integer, nullable=False),
        Column("created_by", Text, nullable=False),
        Column("deleted_utc_us", Integer),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "revisions",
        Column("schedule_id", Integer, ForeignKey("schedules.id"), primary_key=True),
        Column("revision", Integer, primary_key=True),
        Column("utc_us", Integer, nullable=False),
        Column("by", Text, nullable=False),
        Column("name", Text, nullable=False),
        Column("body", Text, nullable=False),
        CheckConstraint("revision >= 1", name="revision_from_one"),
        CheckConstraint("json_valid(body)", name="body_is_json"),
    )
    op.create_table(
        "keys",
        Column("key", Text, primary_key=True),
        Column("by", Text, primary_key=True),
        Column("digest", LargeBinary, nullable=False),
        Column("utc_us", Integer, nullable=False),
        Column("status", Integer),
        Column("answer", Text),
        CheckConstraint("(status IS NULL) = (answer IS NULL)", name="answered_whole"),
    )
    op.create_index("keys_by_time", "keys", ["utc_us"])
    op.create_table(
        "audit",
        Column("id", Integer, primary_key=True),
        Column("utc_us", Integer, nullable=False),
        Column("by", Text, nullable=False),
        Column("what", Text, nullable=False),
        Column("about", Text, nullable=False),
        Column("detail", Text, nullable=False),
    )
    for verb in ("update", "delete"):
        op.execute(f"CREATE TRIGGER revisions_no_{verb} BEFORE {verb.upper()} ON revisions "
                   f"BEGIN SELECT RAISE(ABORT, 'revisions never change'); END")
