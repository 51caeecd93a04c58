"""Arrival tests of message channels."""

from __future__ import annotations

from alembic import op
from sqlalchemy import Column, Integer, LargeBinary, Text

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Spelled out, not taken from `schema`: a released migration must not change with it."""
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
