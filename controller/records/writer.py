"""The one writer of record.db: a bounded queue, one thread, one transaction every 15 s or at once on an event.

The tick only ever calls `put`, which never waits for the disk. Whatever happens to the disk, the thread keeps what it can
in memory, tries again, counts what had to go, and says so in the record when it can be written again. Whether that is an
alarm is the tick's business: it gets `lost` with its next inputs.
"""

from __future__ import annotations

import contextlib
import queue
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.exc import SQLAlchemyError

from controller.core.events import Event, Kind
from controller.records import database
from controller.records.batch import About, Batch, Intake, TickRecord, event_row
from controller.records.errors import RecordError, RecordRefused, RecordTooNew
from controller.records.store import Store

__all__ = ["About", "TickRecord", "Writer", "next_run"]

QUEUE_TICKS = 900
"""Ticks that wait for the thread while the disk holds it up: 15 min."""
WAITING_TICKS = 3_600
WAITING_EVENTS = 5_000
"""Rows kept in memory while nothing can be written; events last longest."""
COMMIT_US = 15_000_000
RETRY_S = (1.0, 2.0, 5.0, 10.0)
HANGS_S = 10.0
"""A write that takes longer than this counts as failing, though it may still succeed."""
TAKE_MAX = 200
SPACE_LEAST_BYTES = 64 << 20
"""Two whole runs of 16 h. With less left on the disk the record counts as failing, so nothing starts that could fill it."""
REPLACED_S = 10.0
"""A record that was set aside or deleted counts as failing for so long: some tick sees it, and an alarm asks for a person."""
TROUBLE = (sqlite3.Error, SQLAlchemyError, OSError, RecordError)


@dataclass(slots=True)
class Dropped:
    """Ticks that will never be in the record: how many, and the first and last time."""

    count: int = 0
    from_us: int = 0
    to_us: int = 0

    def add(self, utc_us: int) -> None:
        if not self.count:
            self.from_us = utc_us
        self.count += 1
        self.to_us = utc_us


Item = tuple[TickRecord | None, int, int, Event | None]
"""A tick and the sequence of its first event; or no tick, a sequence, a time, and an event that no tick made."""


class Writer:
    """Owns record.db while it runs. `start` and `close` are called once, `put` and `note` from any one thread."""

    def __init__(self, path: Path, boot: int | None, about: About, clock: Callable[[], float] = time.monotonic) -> None:
        """`boot`: this start's number, or None for one more than the record's last."""
        self.path = path
        self.boot = boot if boot is not None else database.highest(path, "boot") + 1
        self.acknowledged = -1
        """Sequence of the newest event that is on the disk."""
        self._clock = clock
        self._queue: queue.Queue[Item] = queue.Queue(QUEUE_TICKS)
        self._lock = threading.Lock()
        self._seq = 0
        self._dropped = Dropped()
        self._failure = ""
        self._short_bytes: int | None = None
        self._replaced, self._replaced_s = "", 0.0
        self._busy_since_s: float | None = None
        self._ending = threading.Event()
        self._opened = threading.Event()
        self._refusal: RecordError | None = None
        self._intake = Intake(self.boot, about)
        self._store = Store(path, self.boot, about)
        self._tries = 0
        self._next_try_s = 0.0
        self._committed_s = 0.0
        self._thread = threading.Thread(target=self._serve, name="record", daemon=True)

    def start(self) -> None:
        """Open, check and bring up to date; returns when that is done. A disk that cannot be written is no error here.

        Raises RecordTooNew or RecordRefused: then nothing runs and the file is untouched.
        """
        self._thread.start()
        self._opened.wait()
        if self._refusal:
            raise self._refusal

    def put(self, record: TickRecord) -> int:
        """Hand over one tick; never waits. Gives the sequence of its first event (ids are `boot-seq`)."""
        first = self._number(len(record.result.events))
        self._offer((record, first, record.utc_us, None))
        return first

    def note(self, event: Event, utc_us: int) -> int:
        """Record an event that no tick made, for instance that the controller started. Gives its sequence."""
        seq = self._number(1)
        self._offer((None, seq, utc_us, event))
        return seq

    @property
    def lost(self) -> int:
        """Rows lost in the present failure, at least 1 while there is one; 0 while the record is written."""
        return max(1, self._dropped.count) if self.failing else 0

    @property
    def failing(self) -> str:
        """Why the record is not written, in words; empty while it is."""
        if self._failure:
            return self._failure
        since_s = self._busy_since_s
        if since_s is not None and self._clock() - since_s > HANGS_S:
            return f"the disk has not answered for {self._clock() - since_s:.0f} s"
        if self._dropped.count:
            return "the disk is too slow for the record"
        if self._short_bytes is not None:
            return (f"{self._short_bytes >> 20} MiB are free on the disk and a new run needs {SPACE_LEAST_BYTES >> 20} MiB; "
                    f"free some space")
        if self._replaced and self._clock() - self._replaced_s < REPLACED_S:
            return self._replaced
        if self._opened.is_set() and not self._thread.is_alive() and not self._ending.is_set():
            return "the record's writer has ended; see the log"
        return ""

    @property
    def waiting(self) -> int:
        """Ticks handed over and not yet looked at."""
        return self._queue.qsize()

    def wal_bytes(self) -> int:
        """Size of the write-ahead log; more than a few MiB means that somebody reads without end."""
        return self._store.wal_bytes()

    def renew_folder(self, about: About) -> None:
        """The chamber folder has changed: runs that start from now on keep the new text."""
        self._intake.about = about

    def close(self, timeout_s: float = 10.0) -> bool:
        """Write what is left and end. False if the disk did not take it in time; what was acknowledged is safe."""
        self._ending.set()
        with contextlib.suppress(queue.Full):  # a full queue keeps the thread awake by itself
            self._queue.put_nowait((None, 0, 0, None))
        self._thread.join(timeout_s)
        return not self._thread.is_alive() and not self._failure and not self._refusal

    def _number(self, count: int) -> int:
        with self._lock:
            first = self._seq
            self._seq += count
        return first

    def _offer(self, item: Item) -> None:
        try:
            self._queue.put_nowait(item)
        except queue.Full:
            self._drop(item[2])

    def _drop(self, utc_us: int) -> None:
        with self._lock:
            self._dropped.add(utc_us)

    def _serve(self) -> None:
        self._attempt(self._open)
        self._opened.set()
        if self._refusal:
            return
        self._committed_s = self._clock()
        while not self._ending.is_set():
            self._take(1.0)
            self._write_if_due()
        while self._take(0.0):
            pass
        self._intake.finish()
        self._attempt(self._write)
        if not self._failure:
            self._attempt(self._store.end_boot)

    def _take(self, wait_s: float) -> bool:
        """Look at what is in the queue, waiting for the first. False if there was nothing."""
        try:
            self._look_at(self._queue.get(timeout=wait_s) if wait_s else self._queue.get_nowait())
            for _ in range(TAKE_MAX):
                # However far behind we are, a commit holds 15 s: readers see the past grow evenly.
                self._write_if_due()
                self._look_at(self._queue.get_nowait())
        except queue.Empty:
            return False
        return True

    def _look_at(self, item: Item) -> None:
        record, seq, utc_us, event = item
        batch = self._intake.batch
        if record is not None and len(batch.ticks) < WAITING_TICKS:
            self._intake.add(record, seq)
            return
        if len(batch.events) < WAITING_EVENTS:
            if event is not None:
                batch.events.append(event_row(self.boot, seq, utc_us, None, None, event))
            elif record is not None:
                self._intake.add_events(record, seq)
        if record is not None:
            self._drop(utc_us)

    def _write_if_due(self) -> None:
        if self._due():
            self._attempt(self._write)

    def _due(self) -> bool:
        """Something waits, and an event or 15 s of record time or of our own say that it is time."""
        batch, now_s = self._intake.batch, self._clock()
        if now_s < self._next_try_s or not (batch or self._dropped.count):
            return False
        rows = batch.ticks
        span_us = rows[-1]["utc_us"] - rows[0]["utc_us"] if rows else 0
        return bool(batch.events or self._dropped.count or not 0 <= span_us < COMMIT_US - 1_000_000
                    or (now_s - self._committed_s) * 1e6 >= COMMIT_US)

    def _attempt(self, act: Callable[[], None]) -> None:
        """Do something with the disk; trouble is kept as words and tried again later."""
        self._busy_since_s = self._clock()
        try:
            act()
        except (RecordTooNew, RecordRefused) as refusal:
            self._failed(refusal)
            if not self._opened.is_set():
                self._refusal = refusal
        except TROUBLE as error:
            self._failed(error)
        else:
            self._failure = ""
            self._tries = 0
        finally:
            self._busy_since_s = None

    def _failed(self, error: Exception) -> None:
        cause = getattr(error, "orig", None) or error
        self._failure = f"{self.path.name}: {cause}"
        self._next_try_s = self._clock() + RETRY_S[min(self._tries, len(RETRY_S) - 1)]
        self._tries += 1
        if database.unreadable(error):
            self._store.distrust()
        try:
            self._store.drop()
        except TROUBLE:
            return  # the connection is given up either way, and why is already said

    def _open(self) -> None:
        replaced = self._store.open(self._intake.run)
        if replaced:
            self._replaced, self._replaced_s = replaced, self._clock()
            self._intake.begin_file()
            self._say_gap(replaced, Dropped())

    def _write(self) -> None:
        free = shutil.disk_usage(self.path.parent).free
        self._short_bytes = free if free < SPACE_LEAST_BYTES else None
        self._open()
        self._commit()
        with self._lock:
            dropped, self._dropped = self._dropped, Dropped()
        if dropped.count:
            self._say_gap("ticks that could not be written", dropped)
            self._commit()

    def _commit(self) -> None:
        batch = self._intake.batch
        if not batch:
            return
        self._store.write(batch)
        if batch.events:
            self.acknowledged = max(self.acknowledged, max(row["id"] for row in batch.events) & 0xFFFFFFFF)
        self._intake.batch = Batch()
        self._committed_s = self._clock()

    def _say_gap(self, what: str, dropped: Dropped) -> None:
        utc_us = dropped.to_us or time.time_ns() // 1000
        event = Event(Kind.GAP, {"what": what, "count": dropped.count, "from_us": dropped.from_us or None,
                                 "to_us": dropped.to_us or None})
        of = self._intake.run
        self._intake.batch.events.append(
            event_row(self.boot, self._number(1), utc_us, None, None if of is None else str(of["id"]), event))


def last_utc_us(path: Path) -> int:
    """The time of the newest tick or event in the record, 0 without one."""
    return database.highest(path, "utc_us")


def next_run(path: Path) -> int:
    """The number of the next run: one more than the highest in the record, 1 without one."""
    return database.highest(path, "run") + 1
