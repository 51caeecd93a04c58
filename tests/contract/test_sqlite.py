"""What SQLite and SQLAlchemy really do, where the record depends on it: a new version must not change it unseen.

Each test shows the pitfall itself with the library alone; tests/records shows that the record steps round it.
"""

from __future__ import annotations

import shutil
import sqlite3
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import Column, DateTime, MetaData, Table, create_engine, insert, select


def connect(path: Path, **how: object) -> sqlite3.Connection:
    raw = sqlite3.connect(path, isolation_level=None, **how)
    raw.execute("PRAGMA journal_mode=wal")
    return raw


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "contract.db"


def test_the_version_has_what_the_schema_uses() -> None:
    """STRICT tables came with 3.37, computed columns with 3.31, VACUUM INTO with 3.27."""
    assert sqlite3.sqlite_version_info >= (3, 37)


def test_a_lingering_reader_keeps_the_log_from_being_folded_in(path: Path) -> None:
    writer, reader = connect(path), connect(path)
    writer.execute("CREATE TABLE t (x)")
    writer.executemany("INSERT INTO t VALUES (?)", [(number,) for number in range(10)])
    cursor = reader.execute("SELECT x FROM t")
    cursor.fetchone()  # not fetched to the end: the read transaction stays open
    writer.execute("INSERT INTO t VALUES (99)")
    assert writer.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 1, "busy"
    cursor.fetchall()
    assert writer.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
    writer.close()
    reader.close()


def test_reading_first_and_writing_later_fails_at_once_and_begin_immediate_does_not(path: Path) -> None:
    one, two = connect(path, timeout=5), connect(path, timeout=5)
    one.execute("CREATE TABLE t (x)")
    one.execute("BEGIN")
    one.execute("SELECT count(*) FROM t").fetchall()
    two.execute("INSERT INTO t VALUES (1)")
    with pytest.raises(sqlite3.OperationalError) as caught:
        one.execute("INSERT INTO t VALUES (2)")
    assert caught.value.sqlite_errorname == "SQLITE_BUSY_SNAPSHOT"
    one.execute("ROLLBACK")
    one.execute("BEGIN IMMEDIATE")
    one.execute("SELECT count(*) FROM t").fetchall()
    one.execute("INSERT INTO t VALUES (2)")
    one.execute("COMMIT")
    one.close()
    two.close()


def test_the_defaults_of_a_connection_are_not_what_the_record_needs(path: Path) -> None:
    raw = sqlite3.connect(path)
    found = {name: raw.execute(f"PRAGMA {name}").fetchone()[0] for name in (
        "synchronous", "busy_timeout", "foreign_keys", "wal_autocheckpoint", "journal_size_limit", "page_size")}
    raw.close()
    assert found == {"synchronous": 2, "busy_timeout": 5000, "foreign_keys": 0, "wal_autocheckpoint": 1000,
                     "journal_size_limit": -1, "page_size": 4096}


def test_copying_the_file_loses_the_log_without_an_error_and_vacuum_into_does_not(path: Path, tmp_path: Path) -> None:
    raw = connect(path)
    raw.execute("CREATE TABLE t (x)")
    raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    raw.execute("INSERT INTO t VALUES (1)")
    shutil.copy(path, tmp_path / "copied.db")
    raw.execute("VACUUM INTO ?", (str(tmp_path / "vacuumed.db"),))
    raw.close()
    counts = []
    for name in ("copied.db", "vacuumed.db"):
        copy = sqlite3.connect(tmp_path / name)
        counts.append(copy.execute("SELECT count(*) FROM t").fetchone()[0])
        copy.close()
    assert counts == [0, 1]


def test_a_read_only_connection_that_may_only_query_cannot_vacuum_into(path: Path, tmp_path: Path) -> None:
    connect(path).close()
    raw = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    raw.execute("PRAGMA query_only=1")
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        raw.execute("VACUUM INTO ?", (str(tmp_path / "copy.db"),))
    raw.execute("PRAGMA query_only=0")
    raw.execute("VACUUM INTO ?", (str(tmp_path / "copy.db"),))
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        raw.execute("CREATE TABLE t (x)")
    raw.close()


def test_a_full_disk_is_sqlite_full_and_keeps_what_was_there(path: Path) -> None:
    raw = connect(path)
    raw.execute("CREATE TABLE t (x)")
    raw.execute("INSERT INTO t VALUES (1)")
    raw.execute("PRAGMA max_page_count=3")
    with pytest.raises(sqlite3.OperationalError) as caught:
        raw.execute("INSERT INTO t VALUES (zeroblob(100000))")
    assert caught.value.sqlite_errorcode == sqlite3.SQLITE_FULL
    assert raw.execute("SELECT count(*) FROM t").fetchone() == (1,)
    raw.close()


def test_a_time_with_a_zone_loses_it_in_sqlalchemy_s_own_type() -> None:
    engine = create_engine("sqlite://")
    table = Table("t", MetaData(), Column("at", DateTime(timezone=True)))
    with engine.begin() as connection:
        table.create(connection)
        connection.execute(insert(table), {"at": datetime(2026, 10, 25, 2, 30, tzinfo=timezone(timedelta(hours=2)))})
        found = connection.execute(select(table.c.at)).scalar_one()
    engine.dispose()
    assert found == datetime(2026, 10, 25, 2, 30) and found.tzinfo is None


def test_not_a_number_becomes_null_and_a_strict_column_refuses_infinity() -> None:
    raw = sqlite3.connect(":memory:")
    raw.execute("CREATE TABLE loose (x INTEGER)")
    raw.execute("CREATE TABLE tight (x INTEGER NOT NULL) STRICT")
    raw.executemany("INSERT INTO loose VALUES (?)", [(float("nan"),), (float("inf"),)])
    assert raw.execute("SELECT x FROM loose").fetchall() == [(None,), (float("inf"),)]
    for value in (float("nan"), float("inf"), 0.5):
        with pytest.raises(sqlite3.IntegrityError):
            raw.execute("INSERT INTO tight VALUES (?)", (value,))
    raw.close()


@pytest.mark.parametrize(("data", "code"), [(b"not a database at all " * 100, sqlite3.SQLITE_NOTADB)])
def test_a_file_that_is_none_is_told_by_its_code(path: Path, data: bytes, code: int) -> None:
    path.write_bytes(data)
    raw = sqlite3.connect(path)
    with pytest.raises(sqlite3.DatabaseError) as caught:
        raw.execute("PRAGMA quick_check(1)")
    raw.close()
    assert caught.value.sqlite_errorcode == code


def test_page_size_holds_only_before_the_file_is_a_log_file(path: Path) -> None:
    raw = connect(path)
    raw.execute("PRAGMA page_size=1024")
    raw.execute("CREATE TABLE t (x)")
    assert raw.execute("PRAGMA page_size").fetchone() == (4096,)
    raw.close()


def test_data_definition_is_part_of_a_transaction_only_without_the_driver_s_own_begin(path: Path) -> None:
    """Effect and stamp of a migration together: with `isolation_level=None` and our BEGIN, a rollback takes the table back."""
    raw = connect(path)
    raw.execute("BEGIN IMMEDIATE")
    raw.execute("CREATE TABLE t (x)")
    raw.execute("ROLLBACK")
    assert raw.execute("SELECT count(*) FROM sqlite_schema").fetchone() == (0,)
    raw.close()
