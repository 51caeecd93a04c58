"""Read-only access to a record that another process is writing: each visit has its own connection and one time limit,
fetches everything it asks for and closes. A reader that lingers would keep the log from being folded into the file."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Executable, Row, create_engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from controller.records.database import read_only
from controller.records.errors import ReadTooLong, RecordUnreadable

LIMIT_S = 2.0
LOOK_EVERY = 5_000
"""Steps of SQLite's machine between two looks at the clock: about a tenth of a millisecond."""


class Visit:
    """One connection. Every answer is fetched whole, and no transaction is open between two questions."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def all(self, question: Executable) -> Sequence[Row[Any]]:
        """Every row."""
        return self._connection.execute(question).fetchall()

    def one(self, question: Executable) -> Row[Any] | None:
        """The first row, or None."""
        rows = self.all(question)
        return rows[0] if rows else None


class Door:
    """Opens visits to the file at `path`, each of at most `limit_s`. May be shared between threads."""

    def __init__(self, path: Path, limit_s: float = LIMIT_S) -> None:
        self.path = path
        self.limit_s = limit_s
        self._engine = create_engine("sqlite://", creator=self._connect, poolclass=NullPool)

    @contextmanager
    def visit(self) -> Iterator[Visit]:
        """A connection for a few questions. Raises RecordAbsent, RecordUnreadable, or ReadTooLong."""
        try:
            with self._engine.connect() as connection:
                yield Visit(connection)
        except DBAPIError as error:
            code = getattr(error.orig, "sqlite_errorcode", 0) & 0xFF
            if code == sqlite3.SQLITE_INTERRUPT:
                why = f"reading {self.path.name} took longer than {self.limit_s:g} s; ask for less"
                raise ReadTooLong(why) from error
            why = f"{self.path}: {error.orig}. When it starts, the controller sets such a file aside."
            raise RecordUnreadable(why) from error

    def _connect(self) -> sqlite3.Connection:
        raw = read_only(self.path)
        deadline_s = time.monotonic() + self.limit_s
        raw.set_progress_handler(lambda: time.monotonic() > deadline_s, LOOK_EVERY)
        return raw
