"""Read-only access to a record that another process is writing: each question has its own connection, its own time limit,
fetches everything and closes. A reader that lingers would keep the write-ahead log from being folded into the file."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Executable, Row, create_engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from controller.records.database import read_only
from controller.records.errors import ReadTooLong, RecordUnreadable

LIMIT_S = 2.0
LOOK_EVERY = 5_000
"""Steps of SQLite's machine between two looks at the clock: about a tenth of a millisecond."""


class Questions:
    """Answers SQLAlchemy selects from the file at `path`, each within `limit_s`."""

    def __init__(self, path: Path, limit_s: float = LIMIT_S) -> None:
        self.path = path
        self.limit_s = limit_s
        self._engine = create_engine("sqlite://", creator=self._connect, poolclass=NullPool)

    def all(self, question: Executable) -> Sequence[Row[Any]]:
        """Every row. Raises RecordAbsent, ReadTooLong or RecordUnreadable."""
        try:
            with self._engine.connect() as connection:
                return connection.execute(question).fetchall()
        except DBAPIError as error:
            code = getattr(error.orig, "sqlite_errorcode", 0) & 0xFF
            if code == sqlite3.SQLITE_INTERRUPT:
                raise ReadTooLong(f"reading {self.path.name} took longer than {self.limit_s:g} s; ask for less") from error
            why = f"{self.path}: {error.orig}. When it starts, the controller sets such a file aside."
            raise RecordUnreadable(why) from error

    def one(self, question: Executable) -> Row[Any] | None:
        """The first row, or None."""
        rows = self.all(question)
        return rows[0] if rows else None

    def _connect(self) -> sqlite3.Connection:
        raw = read_only(self.path)
        deadline_s = time.monotonic() + self.limit_s
        raw.set_progress_handler(lambda: time.monotonic() > deadline_s, LOOK_EVERY)
        return raw
