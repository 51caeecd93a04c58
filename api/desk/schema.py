"""Tables of desk.db. Times are integer UTC microseconds; a schedule's text is kept as the JSON people write."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, Integer, LargeBinary, MetaData, Table, Text

HEAD = "0002"
"""The newest migration: a desk.db that has it is opened without loading Alembic at all."""

metadata = MetaData()

schedules = Table(
    "schedules", metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("created_utc_us", Integer, nullable=False),
    Column("created_by", Text, nullable=False),
    Column("deleted_utc_us", Integer),
    sqlite_autoincrement=True,
)
"""A schedule is its revisions; deleting hides it and keeps them."""

revisions = Table(
    "revisions", metadata,
    Column("schedule_id", Integer, ForeignKey("schedules.id"), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("utc_us", Integer, nullable=False),
    Column("by", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("body", Text, nullable=False),
    CheckConstraint("revision >= 1", name="revision_from_one"),
    CheckConstraint("json_valid(body)", name="body_is_json"),
)
"""Immutable: triggers refuse to change or delete a row."""

keys = Table(
    "keys", metadata,
    Column("key", Text, primary_key=True),
    Column("by", Text, primary_key=True),
    Column("digest", LargeBinary, nullable=False),
    Column("utc_us", Integer, nullable=False),
    Column("status", Integer),
    Column("answer", Text),
    CheckConstraint("(status IS NULL) = (answer IS NULL)", name="answered_whole"),
)
"""Idempotency keys. Without an answer nobody knows whether the request was carried out."""

keys_by_time = Index("keys_by_time", keys.c.utc_us)

audit = Table(
    "audit", metadata,
    Column("id", Integer, primary_key=True),
    Column("utc_us", Integer, nullable=False),
    Column("by", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("about", Text, nullable=False),
    Column("detail", Text, nullable=False),
)
"""What people did at the desk. Commands about heat are in the controller's record, not here."""

arrivals = Table(
    "arrivals", metadata,
    Column("id", Integer, primary_key=True),
    Column("channel_id", Integer, nullable=False),
    Column("channel", Text, nullable=False),
    Column("code_digest", LargeBinary, nullable=False, unique=True),
    Column("sent_utc_us", Integer, nullable=False),
    Column("arrived_utc_us", Integer),
    Column("by", Text),
)
"""Trials of message channels: sent when, pressed when. The code of the link is kept as a digest only."""
