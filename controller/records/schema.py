"""Tables of record.db (SQLAlchemy Core). Integers only: `_us` microseconds, `_mc` 0.001 °C, `_e4` 1/10,000.

Where something belongs to a tick, its key is `boot * 2**32 + tick` in one integer. SQLite appends such rows to the last
page of the table; a key of two columns costs an index that is rewritten on every commit (measured: half as many bytes
again to the disk). `boot` and `tick` are computed columns, so that the file can still be read with any SQLite tool.
Tables are STRICT: NaN cannot slip in as NULL for a number, nor text as a number.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Computed,
    Dialect,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
)
from sqlalchemy.types import TypeDecorator, TypeEngine

from controller.core.run_states import S

REVISIONS = ("0001_spine",)
"""Every migration there is, oldest first; `alembic_version` of a current file holds exactly the last."""

BOOT_SHIFT = 32
TICK_MASK = (1 << BOOT_SHIFT) - 1

ROLLUP_SPANS_S = (10, 60)
CURVE_COLUMNS = ("setpoint_mc", "control_mc", "over_temperature_mc", "part_mc", "duty_e4", "seen_e4")
"""What a curve shows, in the order of the live row."""

STATE_NUMBERS = {state.value: number for number, state in enumerate(S)}
"""A run's state as a number, because a word in every row costs six bytes of a hundred. New states go to the end."""
STATE_WORDS = "CASE state_number " + " ".join(f"WHEN {number} THEN '{word}'" for word, number in STATE_NUMBERS.items()) + " END"


def key(boot: int, number: int) -> int:
    """The integer key of a tick (or event) of a boot."""
    return boot << BOOT_SHIFT | number


def split(packed: int) -> tuple[int, int]:
    """(boot, tick or sequence) of a key."""
    return packed >> BOOT_SHIFT, packed & TICK_MASK


class UtcUs(TypeDecorator[int]):
    """Integer microseconds of UTC since 1970. A datetime is taken only with a time zone: a naive one is refused."""

    impl = BigInteger
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        # SQLite's INTEGER has 64 bits, and a STRICT table knows no other name for it.
        return dialect.type_descriptor(Integer() if dialect.name == "sqlite" else BigInteger())

    def process_bind_param(self, value: Any, dialect: Dialect) -> int | None:
        if value is None or type(value) is int:
            return value
        if isinstance(value, datetime) and value.tzinfo is not None:
            since = value.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
            return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds
        raise TypeError(f"a UTC time is an integer of microseconds or a datetime with a zone, not {value!r}")


metadata = MetaData()
stamp = MetaData()
alembic_version = Table("alembic_version", stamp, Column("version_num", String(32), nullable=False),
                        PrimaryKeyConstraint("version_num", name="alembic_version_pkc"))
"""As Alembic itself makes it, so that a file we stamped is one it understands."""


def _number(name: str) -> Column[int]:
    return Column(name, BigInteger().with_variant(Integer, "sqlite"), nullable=False)


def _maybe(name: str) -> Column[int]:
    return Column(name, Integer, nullable=True)


def _keyed(number: str = "tick") -> list[Column[int]]:
    """The packed key and the two columns that make it readable."""
    return [
        Column("id", Integer, primary_key=True, autoincrement=False),
        Column("boot", Integer, Computed(f"id >> {BOOT_SHIFT}", persisted=False)),
        Column(number, Integer, Computed(f"id & {TICK_MASK}", persisted=False)),
    ]


boots = Table(
    "boots", metadata,
    Column("boot", Integer, primary_key=True, autoincrement=False),
    Column("started_utc_us", UtcUs, nullable=False),
    Column("ended_utc_us", UtcUs),
    Column("version", Text, nullable=False),
    Column("python", Text, nullable=False),
    Column("sqlite", Text, nullable=False),
    Column("libraries", Text, nullable=False),
    _number("simulated"),
    Column("board", Text, nullable=False),
    Column("chamber", Text, nullable=False),
    sqlite_strict=True,
)
"""One row a start of the controller: `chamber` is canonical JSON."""

runs = Table(
    "runs", metadata,
    Column("number", Integer, primary_key=True),
    Column("id", Text, nullable=False, unique=True),
    _number("boot"),
    _number("first_tick"),
    _maybe("last_tick"),
    Column("started_utc_us", UtcUs, nullable=False),
    Column("ended_utc_us", UtcUs),
    Column("name", Text, nullable=False),
    Column("level", Integer, nullable=False),
    Column("by", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("end", Text, nullable=False),
    _number("cut"),
    _number("run_ceiling_mc"),
    _number("run_max_us"),
    _number("simulated"),
    Column("board", Text, nullable=False),
    Column("version", Text, nullable=False),
    Column("schedule", Text, nullable=False),
    Column("chamber", Text, nullable=False),
    Column("model", Text),
    Column("folder", LargeBinary, nullable=False),
    CheckConstraint("cut IN (0, 1)", name="cut_is_yes_or_no"),
    sqlite_strict=True,
)
"""One row a run. `schedule`, `chamber`, `model` and `folder` (zlib of a JSON object name -> text) are copies made at
the start and never changed; `state`, `end`, `last_tick` and `ended_utc_us` are filled in at the end. `cut` is 1
where the controller died in the run and a later boot closed the row."""

ticks = Table(
    "ticks", metadata,
    *_keyed(),
    Column("utc_us", UtcUs, nullable=False),
    _number("gap_us"),
    _maybe("state_number"),
    Column("state", Text, Computed(STATE_WORDS, persisted=False)),
    _maybe("segment"),
    Column("quality", Text),
    *(_maybe(name) for name in CURVE_COLUMNS),
    sqlite_strict=True,
)
"""One readable row a tick. A temperature is NULL where the reading was not good, and `quality` (JSON) says why; it is
NULL while all is good. `gap_us` is the time since the row before where that is more than two ticks, else 0."""

blocks = Table(
    "blocks", metadata,
    *_keyed("first_tick"),
    _number("ticks"),
    Column("digest", LargeBinary, nullable=False),
    Column("data", LargeBinary, nullable=False),
    sqlite_strict=True,
)
"""Every input and output of up to 30 ticks (see `blocks.py`), and a digest of the state after the last of them."""

states = Table(
    "states", metadata,
    *_keyed(),
    Column("why", Text, nullable=False),
    Column("data", LargeBinary, nullable=False),
    sqlite_strict=True,
)
"""The tick's whole state after that tick, zlib of canonical JSON: at boot, at a run's start, hourly, after a gap."""

events = Table(
    "events", metadata,
    *_keyed("seq"),
    Column("utc_us", UtcUs, nullable=False),
    _maybe("tick"),
    Column("kind", Text, nullable=False),
    Column("run", Text),
    Column("fields", Text, nullable=False),
    sqlite_strict=True,
)
"""Everything that happened. `tick` is NULL for an event that no tick made (the record's own)."""

Index("events_of_a_run", events.c.run, events.c.id, sqlite_where=events.c.run.is_not(None))


def _rollup(span_s: int) -> Table:
    return Table(
        f"rollups_{span_s}s", metadata,
        *_keyed("first_tick"),
        _number("ticks"),
        _number("gap_us"),
        Column("first_utc_us", UtcUs, nullable=False),
        Column("last_utc_us", UtcUs, nullable=False),
        *(_maybe(f"{what}_{name}") for name in CURVE_COLUMNS for what in ("min", "mean", "max")),
        sqlite_strict=True,
    )


rollups = {span_s: _rollup(span_s) for span_s in ROLLUP_SPANS_S}
"""Minimum, mean and maximum over 10 s and 60 s of record time; `ticks` says how many rows are in it."""
