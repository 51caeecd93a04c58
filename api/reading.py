"""Reading record.db from routes: on two threads of its own, so that slow reading holds up no live route.

The record lags behind by design (the writer commits every few seconds); live data comes from the hub, never from here.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from sqlalchemy.exc import DBAPIError

from api.errors import Problem
from controller.records.errors import NoSuchRun, RecordAbsent, RecordError
from controller.records.queries import Reader

T = TypeVar("T")
READERS = 2
WAITING_MAX = 40
"""More readers than this at once are turned away: a queue of minutes helps nobody."""


class Reading:
    """record.db, read-only."""

    def __init__(self, path: Path) -> None:
        self._reader = Reader(path)
        self._threads = ThreadPoolExecutor(READERS, thread_name_prefix="record")
        self._waiting = 0

    async def do(self, work: Callable[[Reader], T]) -> T:
        """Run `work` on a reading thread. Raises Problem: not_found for a run, record_away for the rest."""
        if self._waiting >= WAITING_MAX:
            raise Problem("record_away", f"{self._waiting} readers wait already.", headers={"Retry-After": "2"})
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._threads, work, self._reader)
        except NoSuchRun as error:
            raise Problem("not_found", f"{error}.") from None
        except RecordAbsent as error:
            raise Problem("record_away", f"{error}.", advice="A running controller makes it within a minute.") from None
        except (RecordError, DBAPIError) as error:
            raise Problem("record_away", f"{error}.") from None
        finally:
            self._waiting -= 1

    def close(self) -> None:
        self._threads.shutdown(wait=True, cancel_futures=True)
