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

people = Table(
    "people", metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text(collation="NOCASE"), nullable=False, unique=True),
    Column("role", Text, nullable=False),
    Column("password_hash", Text, nullable=False),
    Column("created_utc_us", Integer, nullable=False),
    Column("created_by", Text, nullable=False),
    Column("removed_utc_us", Integer),
    CheckConstraint("role IN ('viewer', 'operator', 'maintainer')", name="role_is_known"),
)
"""Accounts. A removed one keeps its row, so that its name in old records stays one person's."""

sessions = Table(
    "sessions", metadata,
    Column("digest", LargeBinary, primary_key=True),
    Column("person_id", Integer, ForeignKey("people.id"), nullable=False),
    Column("created_utc_us", Integer, nullable=False),
    Column("expires_utc_us", Integer, nullable=False),
    Column("from_address", Text, nullable=False),
)
"""Who is signed in. Only a digest of the cookie is kept: who reads this file cannot sign in with it."""

tokens = Table(
    "tokens", metadata,
    Column("id", Integer, primary_key=True),
    Column("digest", LargeBinary, nullable=False, unique=True),
    Column("person_id", Integer, ForeignKey("people.id"), nullable=False),
    Column("label", Text, nullable=False),
    Column("scope", Text, nullable=False),
    Column("created_utc_us", Integer, nullable=False),
    Column("expires_utc_us", Integer, nullable=False),
    Column("ended_utc_us", Integer),
    CheckConstraint("scope IN ('look', 'stop', 'operate')", name="scope_is_known"),
)
"""Keys for programs and bookmarks, as digests."""

codes = Table(
    "codes", metadata,
    Column("digest", LargeBinary, primary_key=True),
    Column("role", Text, nullable=False),
    Column("created_utc_us", Integer, nullable=False),
    Column("expires_utc_us", Integer, nullable=False),
    Column("by", Text, nullable=False),
    Column("used_utc_us", Integer),
    CheckConstraint("role IN ('viewer', 'operator', 'maintainer')", name="code_role_is_known"),
)
"""Invitations, as digests; each good for one account."""

notes = Table(
    "notes", metadata,
    Column("id", Integer, primary_key=True),
    Column("chamber", Text, nullable=False),
    Column("run_id", Text, nullable=False),
    Column("utc_us", Integer, nullable=False),
    Column("by", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("removed_utc_us", Integer),
)
"""What people wrote beside a run."""

notes_by_run = Index("notes_by_run", notes.c.chamber, notes.c.run_id)

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
"""Test messages, and whether somebody has pressed the button that their link leads to."""
