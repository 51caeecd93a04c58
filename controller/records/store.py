"""Where batches go: opens the file when it must, says who we are in it, and writes a batch in one transaction."""

from __future__ import annotations

import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, bindparam, func, select, update
from sqlalchemy.dialects.sqlite import insert

from controller.core import canonical
from controller.core.run_states import S
from controller.records import database, schema
from controller.records.batch import About, Batch, Rows
from controller.records.database import Database
from controller.records.errors import BootTaken

CUT = "The controller ended without a word; the record stops here. On silence the board switches off by itself."


class Store:
    """Belongs to the writer's thread. Every method may raise sqlite3.Error, SQLAlchemyError, OSError or RecordError."""

    def __init__(self, path: Path, boot: int, about: About) -> None:
        self.path = path
        self.boot = boot
        self.about = about
        self._database: Database | None = None
        self._checked = False
        self._started_us = time.time_ns() // 1000

    def open(self, run: dict[str, Any] | None) -> str:
        """Open if need be. Gives a sentence for the record when the file had to be replaced, else nothing."""
        if self._database is not None and not self._database.replaced():
            return ""
        vanished = self._database is not None
        self.drop()
        opened, aside = database.open_sound(self.path, self._checked)
        self._database = opened
        self._checked = True
        with opened.transaction(durable=True) as connection:
            _register(connection, self._boot_row(), run)
        if aside:
            return f"unreadable record set aside as {aside.name}"
        return "record.db was deleted or exchanged while in use" if vanished else ""

    def write(self, batch: Batch) -> None:
        """All of the batch or nothing; on the disk at once if it has events.

        A batch may come twice: a commit whose last sync failed can be in the file all the same.
        """
        assert self._database is not None
        with self._database.transaction(durable=bool(batch.events)) as connection:
            for table, rows in _tables(batch):
                if rows:
                    connection.execute(insert(table).on_conflict_do_nothing(), rows)
            if batch.ended:
                connection.execute(END_RUN, batch.ended)

    def _boot_row(self) -> dict[str, Any]:
        about = self.about
        return {
            "boot": self.boot, "started_utc_us": self._started_us, "version": about.version, "python": about.python,
            "sqlite": about.sqlite, "libraries": about.libraries, "simulated": int(about.simulated),
            "board": about.board, "chamber": canonical.text(about.chamber),
        }

    def drop(self) -> None:
        """Let go of the connection, whatever state it is in."""
        held, self._database = self._database, None
        if held is not None:
            held.close()

    def distrust(self) -> None:
        """The file itself seems broken: check it before it is used again."""
        self._checked = False

    def wal_bytes(self) -> int:
        """Size of the write-ahead log."""
        return self._database.wal_bytes() if self._database else 0

    def end_boot(self) -> None:
        """Say that this boot ended in order, and let go."""
        if self._database is not None:
            with self._database.transaction(durable=True) as connection:
                ended = update(schema.boots).where(schema.boots.c.boot == self.boot)
                connection.execute(ended.values(ended_utc_us=time.time_ns() // 1000))
        self.drop()


END_RUN = (
    update(schema.runs)
    .where(schema.runs.c.id == bindparam("of"))
    .values({name: bindparam(name) for name in ("state", "end", "last_tick", "ended_utc_us")})
)


def _tables(batch: Batch) -> Iterable[tuple[Table, Rows]]:
    yield schema.runs, batch.started
    yield schema.ticks, batch.ticks
    yield schema.blocks, batch.blocks
    yield schema.states, batch.states
    yield schema.events, batch.events
    for span_s, rows in batch.rollups.items():
        yield schema.rollups[span_s], rows


def _register(connection: Connection, row: dict[str, Any], run: dict[str, Any] | None) -> None:
    """The boot's row, the run that goes on (in a new file they are not there yet), and an end to runs cut by a crash."""
    boot = row["boot"]
    connection.execute(insert(schema.boots).on_conflict_do_nothing(), row)
    started = connection.execute(select(schema.boots.c.started_utc_us).where(schema.boots.c.boot == boot)).scalar_one()
    if started != row["started_utc_us"]:
        raise BootTaken(f"boot {boot} is in the record already, from another start. Start the controller again.")
    if run is not None:
        connection.execute(insert(schema.runs).on_conflict_do_nothing(), run)
    last = schema.ticks.alias()
    of_boot = last.c.id.between(schema.runs.c.boot * (schema.TICK_MASK + 1),
                                schema.runs.c.boot * (schema.TICK_MASK + 1) + schema.TICK_MASK)
    newest = select(func.max(last.c.id)).where(of_boot).scalar_subquery()
    open_runs = select(schema.runs.c.id, newest).where(schema.runs.c.ended_utc_us.is_(None), schema.runs.c.boot != boot)
    for id_, newest_id in connection.execute(open_runs).fetchall():
        _cut(connection, id_, newest_id)


def _cut(connection: Connection, run_id: str, newest_id: int | None) -> None:
    runs, ticks = schema.runs, schema.ticks
    found = select(ticks.c.utc_us).where(ticks.c.id == newest_id)
    row = connection.execute(found).fetchone() if newest_id is not None else None
    connection.execute(
        update(runs).where(runs.c.id == run_id).values(
            cut=1, end=CUT,
            last_tick=schema.split(newest_id)[1] if newest_id is not None else runs.c.first_tick,
            ended_utc_us=row.utc_us if row else runs.c.started_utc_us,
            state=S.ABORTED.value))
