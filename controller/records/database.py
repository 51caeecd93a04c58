"""record.db as a file: opening it for the one writer, checking it, setting it aside, copying it.

The file is the controller's: exactly one connection in the whole system writes and checkpoints (SQLite before 3.51.3 can
corrupt a write-ahead log when two do so at the same moment). Pages are 1 KiB, because a commit writes whole pages and ours
are small: measured, half of the bytes that the usual 4 KiB cost.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, create_engine, event, insert
from sqlalchemy.pool import StaticPool

from controller.records import schema
from controller.records.errors import RecordAbsent, RecordRefused, RecordTooNew, RecordUnreadable

PAGE_BYTES = 1024
BUSY_MS = 5_000
WAL_LIMIT_BYTES = 4 << 20
CHECKPOINT_PAGES = WAL_LIMIT_BYTES // PAGE_BYTES
UNREADABLE_CODES = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})

PRAGMAS: tuple[tuple[str, str | int, object], ...] = (
    ("page_size", PAGE_BYTES, None),
    ("journal_mode", "wal", "wal"),
    ("synchronous", "normal", 1),
    ("foreign_keys", 1, 1),
    ("busy_timeout", BUSY_MS, BUSY_MS),
    ("wal_autocheckpoint", CHECKPOINT_PAGES, CHECKPOINT_PAGES),
    ("journal_size_limit", WAL_LIMIT_BYTES, WAL_LIMIT_BYTES),
)
"""Name, what we set, what must be read back (None: an old file may have its own)."""


class Database:
    """The one writable connection. Not thread-safe: it belongs to the writer's thread."""

    def __init__(self, path: Path) -> None:
        """Opens or creates. Raises RecordUnreadable, RecordTooNew, RecordRefused, sqlite3.Error or OSError."""
        self.path = path
        self._raw = sqlite3.connect(path, isolation_level=None, timeout=BUSY_MS / 1000)
        try:
            _set_pragmas(self._raw, path)
            self._engine = create_engine("sqlite://", creator=lambda: self._raw, poolclass=StaticPool)
            event.listen(self._engine, "begin", _begin_immediate)
            self._inodes: tuple[int, ...] | None = ()
            self._bring_up_to_date()
        except BaseException:
            self._raw.close()
            raise
        self._inodes = None  # the log exists for certain only after the first transaction that writes

    @contextmanager
    def transaction(self, durable: bool) -> Iterator[Connection]:
        """One write transaction; `durable`: on the disk when it ends, not only in the operating system's hands."""
        self._raw.execute(f"PRAGMA synchronous={'full' if durable else 'normal'}")
        with self._engine.begin() as connection:
            yield connection
        if self._inodes is None:
            self._inodes = self._look()

    def replaced(self) -> bool:
        """Somebody deleted or exchanged the file (or its log) under us: what we write now would be lost."""
        return self._inodes is not None and self._look() != self._inodes

    def wal_bytes(self) -> int:
        """Size of the write-ahead log; it stays below a few MiB unless a foreign reader never ends."""
        try:
            return _log_of(self.path).stat().st_size
        except FileNotFoundError:
            return 0

    def close(self) -> None:
        """Ends the connection; SQLite folds the log into the file if nobody else has it open."""
        self._engine.dispose()
        self._raw.close()

    def _look(self) -> tuple[int, ...]:
        try:
            return self.path.stat().st_ino, _log_of(self.path).stat().st_ino
        except FileNotFoundError:
            return ()

    def _bring_up_to_date(self) -> None:
        with self.transaction(durable=True) as connection:
            revision = _revision(self._raw)
            if revision is None:
                schema.metadata.create_all(connection)
                schema.stamp.create_all(connection)
                connection.execute(insert(schema.alembic_version), {"version_num": schema.REVISIONS[-1]})
            elif revision not in schema.REVISIONS:
                raise RecordTooNew(
                    f"{self.path} has schema {revision!r}; this version knows up to {schema.REVISIONS[-1]!r}. "
                    "Run the newer version, or start with another data folder.")
            elif revision != schema.REVISIONS[-1]:
                # Alembic and its templates cost 10 MB of memory that a current file never needs.
                from controller.records.migrations import upgrade

                upgrade(connection)


def _set_pragmas(raw: sqlite3.Connection, path: Path) -> None:
    for name, wanted, answer in PRAGMAS:
        raw.execute(f"PRAGMA {name}={wanted}").fetchall()
        found = raw.execute(f"PRAGMA {name}").fetchone()[0]
        if answer is not None and found != answer:
            raise RecordRefused(f"{path}: PRAGMA {name} is {found!r}, needed is {answer!r}. Put the data folder on a local "
                                "disk; network file systems have no shared memory for the log.")


def _begin_immediate(connection: Connection) -> None:
    # A transaction that reads first and writes later fails at once when somebody else wrote in between.
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _revision(raw: sqlite3.Connection) -> str | None:
    """What `alembic_version` says; None for a file without any table. Raises RecordUnreadable for a stranger's file."""
    tables = {name for (name,) in raw.execute("SELECT name FROM sqlite_schema WHERE type='table'").fetchall()}
    if not tables:
        return None
    if "alembic_version" not in tables:
        raise RecordUnreadable(f"a database with tables {sorted(tables)[:5]}, but not a record of this program")
    rows = raw.execute("SELECT version_num FROM alembic_version").fetchall()
    if len(rows) != 1:
        raise RecordUnreadable(f"{len(rows)} schema versions in it, exactly 1 is needed")
    return str(rows[0][0])


def unreadable(error: BaseException) -> bool:
    """Is it the file that is broken, rather than the disk or a lock?"""
    cause = getattr(error, "orig", None) or error
    return isinstance(error, RecordUnreadable) or getattr(cause, "sqlite_errorcode", 0) & 0xFF in UNREADABLE_CODES


def check(path: Path) -> None:
    """Raises RecordUnreadable unless the file is absent, empty or sound. Takes about a second for each 500 MB."""
    if not path.exists():
        return
    raw = sqlite3.connect(path, isolation_level=None, timeout=BUSY_MS / 1000)
    try:
        found = raw.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.DatabaseError as error:
        if unreadable(error):
            raise RecordUnreadable(str(error)) from error
        raise
    finally:
        raw.close()
    if found != "ok":
        raise RecordUnreadable(str(found).strip())


def set_aside(path: Path, now: datetime | None = None) -> Path:
    """Gives an unreadable file (with its log) another name, never one that exists, and says which."""
    stamp = (now or datetime.now(UTC)).strftime("%Y%m%dT%H%M%SZ")
    aside = path.with_name(f"{path.name}.unreadable-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.unreadable-{stamp}-{number}")
    for ending in ("-wal", "-shm", ""):
        part = path.with_name(path.name + ending)
        if part.exists():
            part.rename(aside.with_name(aside.name + ending))
    return aside


def open_sound(path: Path, checked: bool = False) -> tuple[Database, Path | None]:
    """The database, and where an unreadable one went, if there was one. `checked`: skip the integrity check."""
    try:
        if not checked:
            check(path)
        return Database(path), None
    except (RecordUnreadable, sqlite3.DatabaseError) as error:
        if not unreadable(error):
            raise
        aside = set_aside(path)
        return Database(path), aside


def read_only(path: Path) -> sqlite3.Connection:
    """A connection that cannot write. Raises RecordAbsent or RecordUnreadable, with what to do."""
    raw: sqlite3.Connection | None = None
    try:
        raw = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, timeout=1.0,
                              check_same_thread=False)
        raw.execute("PRAGMA query_only=1")
        raw.execute("SELECT count(*) FROM sqlite_schema").fetchall()
    except sqlite3.DatabaseError as error:
        if raw is not None:
            raw.close()
        if unreadable(error):
            why = f"{path}: {error}. When it starts, the controller sets such a file aside."
            raise RecordUnreadable(why) from error
        why = "is not there" if not path.exists() else f"cannot be opened for reading ({error})"
        raise RecordAbsent(f"{path} {why}. A controller that runs makes it within a minute; if none does, start it; if the "
                           "file is there, check that this user may read its folder") from error
    return raw


def backup(path: Path, to: Path) -> int:
    """A sound copy of a record that may be in use, as one file. Gives its size in bytes.

    Copying the file itself loses what is still in the log, without an error. Raises FileExistsError rather than overwrite.
    """
    if to.exists():
        raise FileExistsError(f"{to} exists; give the copy a new name")
    part = to.with_name(to.name + ".part")
    part.unlink(missing_ok=True)
    raw = read_only(path)
    try:
        raw.execute("PRAGMA query_only=0")  # it would forbid the new file too; the record itself stays read-only
        raw.execute("VACUUM INTO ?", (str(part),)).fetchall()
    finally:
        raw.close()
    check(part)
    with part.open("rb") as file:
        os.fsync(file.fileno())
    part.rename(to)
    return to.stat().st_size


def highest(path: Path, what: str) -> int:
    """The largest boot, numeric run id or time in a record; 0 without one. Never raises."""
    question = {"boot": "SELECT max(boot) FROM boots",
                "run": "SELECT max(CAST(id AS INTEGER)) FROM (SELECT id FROM runs UNION ALL SELECT run FROM events)",
                "utc_us": "SELECT max(utc_us) FROM (SELECT max(utc_us) AS utc_us FROM events UNION ALL "
                          "SELECT utc_us FROM (SELECT utc_us FROM ticks ORDER BY id DESC LIMIT 1))"}[what]
    try:
        raw = read_only(path)
    except (RecordAbsent, RecordUnreadable):
        return 0
    try:
        found: Any = raw.execute(question).fetchone()[0]
    except sqlite3.Error:
        return 0
    finally:
        raw.close()
    return int(found or 0)
