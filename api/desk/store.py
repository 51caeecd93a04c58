"""Opening desk.db and working on it: one connection, on one thread, in the one process that holds its lock.

SQLite's WAL has had bugs with two writing connections, and a second api on the same folder would be one. All work goes
through `Desk.do`, one transaction each, so a revision number can be chosen and written without a race.
"""

from __future__ import annotations

import asyncio
import fcntl
import sqlite3
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TextIO, TypeVar

from sqlalchemy import Connection, Engine, create_engine, event, insert, inspect, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.pool import StaticPool

from api.desk import schema
from api.errors import Problem

T = TypeVar("T")
PRAGMAS = (("journal_mode", "WAL", "wal"), ("synchronous", "FULL", 2), ("foreign_keys", "ON", 1),
           ("busy_timeout", "2000", 2000), ("journal_size_limit", "4194304", 4194304))
"""Name, what is set, what must be read back. A network file system, for one, answers something else to WAL."""
MAGIC = b"SQLite format 3\0"
DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
"""Only these say that the file itself is broken."""


class DeskInUse(RuntimeError):
    """Another api process has this data folder."""


class DeskUnfit(RuntimeError):
    """desk.db cannot be used as it is: a newer program's, or on a file system without WAL."""


class Desk:
    """desk.db. `open` blocks (at start only); `do` does not."""

    def __init__(self, engine: Engine, lock: TextIO, is_new: bool, folder: Path) -> None:
        self._engine, self._lock, self.is_new, self.folder = engine, lock, is_new, folder
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="desk")

    @classmethod
    def open(cls, folder: Path) -> Desk:
        """The desk of a data folder, made or brought up to date. A file that cannot be read is set aside by name."""
        folder.mkdir(parents=True, exist_ok=True)
        lock = _lock(folder / "desk.lock")
        path = folder / "desk.db"
        engine = _engine(path)
        try:
            set_aside = _set_aside(path)
            is_new = not path.exists() or path.stat().st_size == 0
            _migrate(engine)
            if set_aside is not None:
                with engine.begin() as connection:
                    note(connection, "the program", "set aside", path.name, f"unreadable; kept as {set_aside.name}")
        except BaseException:
            engine.dispose()
            lock.close()
            raise
        return cls(engine, lock, is_new, folder)

    def aside(self) -> list[str]:
        """Desks that could not be read at a start and were kept beside, newest last, until somebody takes them away."""
        return sorted(one.name for one in self.folder.glob("desk.db.unreadable-*") if not one.name.endswith(("-wal", "-shm")))

    async def do(self, work: Callable[[Connection], T]) -> T:
        """Run `work` in one transaction on the desk's thread."""
        return await asyncio.get_running_loop().run_in_executor(self._thread, self.do_now, work)

    def do_now(self, work: Callable[[Connection], T]) -> T:
        """The same, here: for the start of the program, before the loop runs."""
        try:
            with self._engine.begin() as connection:
                return work(connection)
        except DatabaseError as error:
            raise Problem("desk_failing", f"desk.db: {error.orig}.") from error

    def close(self) -> None:
        self._thread.shutdown(wait=True)
        self._engine.dispose()
        self._lock.close()


def utc_us() -> int:
    """Wall time, for stamps only."""
    return time.time_ns() // 1000


def note(connection: Connection, by: str, what: str, about: str, detail: str = "") -> None:
    """One line of the desk's audit, in the caller's transaction."""
    connection.execute(insert(schema.audit).values(utc_us=utc_us(), by=by, what=what, about=about, detail=detail))


def _lock(path: Path) -> TextIO:
    lock = path.open("w")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise DeskInUse(f"another api already works on {path.parent}; stop it, or give another --data") from None
    return lock


def _set_aside(path: Path) -> Path | None:
    """Rename a desk.db that SQLite cannot read, with its companions. Never overwritten, never deleted."""
    if not path.exists() or _readable(path):
        return None
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
    aside = next(name for number in range(1000)
                 if not (name := path.with_name(f"{path.name}.unreadable-{stamp}{number or ''}")).exists())
    for suffix in ("", "-wal", "-shm"):
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    return aside


def _readable(path: Path) -> bool:
    """Whether SQLite finds the file whole. Looked at read-only, so that a damaged file and its log stay as they are."""
    try:
        with path.open("rb") as file:
            start = file.read(len(MAGIC))
        if not start:
            return True
        if start != MAGIC:
            return False
        connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
        try:
            return bool(connection.execute("PRAGMA quick_check(1)").fetchone() == ("ok",))
        finally:
            connection.close()
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode & 0xFF in DAMAGED:
            return False
        raise DeskUnfit(f"{path} cannot be opened ({error}); check who owns it and whether something else uses it") from None
    except OSError as error:
        raise DeskUnfit(f"{path} cannot be opened ({error.strerror}); it must be a file this user may read") from None


def _engine(path: Path) -> Engine:
    engine = create_engine(f"sqlite:///{path}", poolclass=StaticPool, connect_args={"check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # SQLAlchemy's begin event below opens the transactions
        for name, value, expected in PRAGMAS:
            connection.execute(f"PRAGMA {name}={value}")
            found = connection.execute(f"PRAGMA {name}").fetchone()[0]
            if found != expected:
                raise DeskUnfit(f"{path}: {name} is {found}; needed is {expected}. Is this a network file system?")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def _migrate(engine: Engine) -> None:
    """Bring the file to `schema.HEAD`. Alembic is loaded only when there is something to do: it costs memory."""
    with engine.begin() as connection:
        at = _version(connection)
        if at == schema.HEAD:
            return
        if at is not None and at > schema.HEAD:
            raise DeskUnfit(f"desk.db is of a newer program (revision {at}; this one knows {schema.HEAD}): update it")
        from alembic import command
        from alembic.config import Config

        config = Config()
        config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def _version(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(select(text("version_num")).select_from(text("alembic_version"))).scalar()
    return None if found is None else str(found)
