"""Arrival tests in desk.db: sent, and pressed by whoever got the message. Functions of a connection, one transaction.

The code in the link is the right to press, so only its digest is kept.
"""

from __future__ import annotations

import hashlib
import secrets
from enum import Enum
from typing import NamedTuple

from sqlalchemy import Connection, delete, insert, select, update

from api.desk.schema import arrivals
from api.desk.store import note, utc_us

CODE_BYTES = 24
HOUR_US = 3600 * 1_000_000
VALID_US = 24 * HOUR_US
"""A code may be pressed, and an arrival counts, for so long."""
KEPT_US = 30 * VALID_US


class Pressed(Enum):
    """What pressing a code did."""

    NOW = "now"
    BEFORE = "before"
    EXPIRED = "expired"
    UNKNOWN = "unknown"


class Arrival(NamedTuple):
    """A message of this channel has arrived."""

    channel_id: int
    channel: str
    arrived_utc_us: int


def send(connection: Connection, channel_id: int, channel: str, by: str) -> str:
    """Note a test that is about to be sent; gives its code."""
    now_us, code = utc_us(), secrets.token_urlsafe(CODE_BYTES)
    connection.execute(delete(arrivals).where(arrivals.c.sent_utc_us < now_us - KEPT_US))
    connection.execute(insert(arrivals).values(channel_id=channel_id, channel=channel, code_digest=digest(code),
                                               sent_utc_us=now_us, by=by))
    note(connection, by, "tried", f"channel {channel_id}", channel)
    return code


def unsent(connection: Connection, code: str) -> None:
    """The test did not leave."""
    connection.execute(delete(arrivals).where(arrivals.c.code_digest == digest(code)))


def known(connection: Connection, code: str) -> tuple[Pressed, str, int]:
    """What a press would do now, the channel's name, and how long ago it was pressed, in µs. Changes nothing."""
    row = connection.execute(select(arrivals.c.channel, arrivals.c.sent_utc_us, arrivals.c.arrived_utc_us)
                             .where(arrivals.c.code_digest == digest(code))).first()
    if row is None:
        return Pressed.UNKNOWN, "", 0
    channel, sent_us, arrived_us = row
    if arrived_us is not None:
        return Pressed.BEFORE, channel, max(0, utc_us() - arrived_us)
    return Pressed.NOW if 0 <= utc_us() - sent_us < VALID_US else Pressed.EXPIRED, channel, 0


def press(connection: Connection, code: str) -> tuple[Pressed, str, int]:
    """Somebody has pressed; what `known` said before. Pressing again changes nothing."""
    found = known(connection, code)
    if found[0] is Pressed.NOW:
        connection.execute(update(arrivals).where(arrivals.c.code_digest == digest(code)).values(arrived_utc_us=utc_us()))
        note(connection, "whoever got the message", "pressed", "arrival", found[1])
    return found


def newest(connection: Connection) -> list[Arrival]:
    """The newest arrival of every channel."""
    found: dict[int, Arrival] = {}
    rows = connection.execute(select(arrivals.c.channel_id, arrivals.c.channel, arrivals.c.arrived_utc_us)
                              .where(arrivals.c.arrived_utc_us.is_not(None)).order_by(arrivals.c.arrived_utc_us)).all()
    for channel_id, channel, arrived_us in rows:
        found[channel_id] = Arrival(channel_id, channel, arrived_us)
    return list(found.values())


def forget(connection: Connection, channel_id: int) -> None:
    """The channel leads elsewhere now: what arrived before says nothing of it."""
    connection.execute(delete(arrivals).where(arrivals.c.channel_id == channel_id))


def digest(code: str) -> bytes:
    return hashlib.sha256(code.encode(errors="replace")).digest()
