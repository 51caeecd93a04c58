"""Ten minutes with one run in them, made once; and a record of them, written once and only read."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from controller.records.writer import TickRecord, Writer
from tests.records.scripted import ABOUT, records


def written(path: Path, ticks: Iterable[TickRecord]) -> Path:
    """A closed record of these ticks."""
    writer = Writer(path, None, ABOUT)
    writer.start()
    for tick in ticks:
        writer.put(tick)
    assert writer.close(30.0), writer.failing
    return path


def until(true: Callable[[], object], limit_s: float = 20.0) -> None:
    """Wait for another thread or process; fail at the limit."""
    end_s = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < end_s, "it did not come true in time"
        time.sleep(0.005)


@pytest.fixture(scope="session")
def ten_minutes() -> list[TickRecord]:
    return list(records(600))


@pytest.fixture(scope="session")
def record(ten_minutes: list[TickRecord], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("record") / "record.db", ten_minutes)
