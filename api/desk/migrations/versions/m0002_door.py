"""Accounts, sessions, tokens, codes; notes on runs; arrivals of test messages."""

from __future__ import annotations

from alembic import op
from sqlalchemy import CheckConstraint, Column, ForeignKey, Integer, LargeBinary, Text

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Spelled out, not taken from `schema`: a released migration must not change with it."""
    _people()
    _beside_runs_and_channels()


def _people() -> None:
    op.create_table(
        "people",
        Column("id", Integer, primary_key=True),
        Column("name", Text(collation="NOCASE"), nullable=False, unique=True),
        Column("role", Text, nullable=False),
        Column("password_hash", Text, nullable=False),
        Column("created_utc_us", Integer, nullable=False),
        Column("created_by", Text, nullable=False),
        Column("removed_utc_us", Integer),
        CheckConstraint("role IN ('viewer', 'operator', 'maintainer')", name="role_is_known"),
    )
    op.create_table(
        "sessions",
        Column("digest", LargeBinary, primary_key=True),
        Column("person_id", Integer, ForeignKey("people.id"), nullable=False),
        Column("created_utc_us", Integer, nullable=False),
        Column("expires_utc_us", Integer, nullable=False),
        Column("from_address", Text, nullable=False),
    )
    op.create_table(
        "tokens",
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
    op.create_table(
        "codes",
        Column("digest", LargeBinary, primary_key=True),
        Column("role", Text, nullable=False),
        Column("created_utc_us", Integer, nullable=False),
        Column("expires_utc_us", Integer, nullable=False),
        Column("by", Text, nullable=False),
        Column("used_utc_us", Integer),
        CheckConstraint("role IN ('viewer', 'operator', 'maintainer')", name="code_role_is_known"),
    )
    _beside()


def _beside() -> None:
    """What is kept beside runs and messages."""


def _beside_runs_and_channels() -> None:
    op.create_table(
        "notes",
        Column("id", Integer, primary_key=True),
        Column("chamber", Text, nullable=False),
        Column("run_id", Text, nullable=False),
        Column("utc_us", Integer, nullable=False),
        Column("by", Text, nullable=False),
        Column("text", Text, nullable=False),
        Column("removed_utc_us", Integer),
    )
    op.create_table(
        "arrivals",
        Column("id", Integer, primary_key=True),
        Column("channel_id", Integer, nullable=False),
        Column("channel", Text, nullable=False),
        Column("code_digest", LargeBinary, nullable=False, unique=True),
        Column("sent_utc_us", Integer, nullable=False),
        Column("arrived_utc_us", Integer),
        Column("by", Text),
    )
    op.create_index("notes_by_run", "notes", ["chamber", "run_id"])
