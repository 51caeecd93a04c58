"""The file: its pragmas, its one writable connection, its migrations, its copies."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import create_engine, event, insert, select

from controller.core.run_states import S
from controller.records import database, schema
from controller.records.database import Database
from controller.records.errors import RecordAbsent, RecordUnreadable
from controller.records.queries import Reader
from controller.records.writer import Writer
from tests.records.conftest import until, written
from tests.records.scripted import ABOUT, records


def shape(path: Path) -> set[tuple[str, str, str]]:
    """Every table and index as SQLite keeps it, blanks aside."""
    raw = sqlite3.connect(path)
    rows = raw.execute("SELECT type, name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'alembic%'").fetchall()
    raw.close()
    return {(kind, name, " ".join(sql.split())) for kind, name, sql in rows if "alembic" not in name}


def test_the_pragmas_are_what_the_record_needs(tmp_path: Path) -> None:
    opened = Database(tmp_path / "record.db")
    found = {name: opened._raw.execute(f"PRAGMA {name}").fetchone()[0] for name, _, _ in database.PRAGMAS}
    opened.close()
    assert found == {"page_size": 1024, "journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000,
                     "wal_autocheckpoint": 4096, "journal_size_limit": 4 << 20}


@pytest.mark.parametrize(("durable", "level"), [(True, 2), (False, 1)])
def test_an_event_is_synced_and_a_batch_of_rows_need_not_be(tmp_path: Path, durable: bool, level: int) -> None:
    opened = Database(tmp_path / "record.db")
    with opened.transaction(durable=durable) as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar_one() == level
        assert opened._raw.in_transaction
    opened.close()


def test_the_migrations_make_the_same_file_as_the_tables(tmp_path: Path) -> None:
    from controller.records.migrations import upgrade

    Database(tmp_path / "made.db").close()
    engine = create_engine(f"sqlite:///{tmp_path / 'migrated.db'}")
    event.listen(engine, "connect", lambda raw, _: setattr(raw, "isolation_level", None))
    event.listen(engine, "begin", database._begin_immediate)
    with engine.begin() as connection:
        upgrade(connection)
        assert connection.execute(select(schema.alembic_version.c.version_num)).scalars().all() == [schema.REVISIONS[-1]]
    engine.dispose()
    squeezed = {(kind, name, sql.replace(" ", "")) for kind, name, sql in shape(tmp_path / "migrated.db")}
    assert squeezed == {(kind, name, sql.replace(" ", "")) for kind, name, sql in shape(tmp_path / "made.db")}


def test_a_step_and_its_stamp_come_together_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A migration that fails half-way leaves nothing: neither a table nor a stamp."""
    from controller.records.migrations import upgrade
    from controller.records.migrations.versions import m0001_spine

    path = tmp_path / "record.db"
    source = Path(m0001_spine.__file__).read_text()
    broken = tmp_path / "steps" / "versions"
    broken.mkdir(parents=True)
    (broken / "m0001.py").write_text(source.replace("CREATE TABLE ticks", "CREATE TABLE ticks AND NOTHING"))
    monkeypatch.setattr("controller.records.migrations.HERE", broken.parent)
    engine = create_engine(f"sqlite:///{path}")
    event.listen(engine, "connect", lambda raw, _: setattr(raw, "isolation_level", None))
    event.listen(engine, "begin", database._begin_immediate)
    with pytest.raises(Exception, match="syntax error"), engine.begin() as connection:
        upgrade(connection)
    engine.dispose()
    assert sqlite3.connect(path).execute("SELECT count(*) FROM sqlite_schema").fetchone() == (0,)


def test_every_revision_is_a_file_and_every_file_a_revision() -> None:
    from alembic.script import ScriptDirectory

    from controller.records.migrations import HERE

    scripts = ScriptDirectory(str(HERE))
    assert [script.revision for script in reversed(list(scripts.walk_revisions()))] == list(schema.REVISIONS)


def test_alembic_is_not_loaded_for_a_fresh_or_a_current_file(tmp_path: Path) -> None:
    """It costs memory that the controller keeps for a lifetime."""
    script = ("import sys; from pathlib import Path; from controller.records.writer import Writer; "
              "from controller.records.database import Database; "
              "[Database(Path(sys.argv[1])).close() for _ in range(2)]; print('alembic' in sys.modules)")
    done = subprocess.run([sys.executable, "-c", script, str(tmp_path / "record.db")], capture_output=True, text=True,
                          check=True, cwd=Path(__file__).parents[2])
    assert done.stdout == "False\n"


def test_words_of_run_states_are_those_of_the_core() -> None:
    raw = sqlite3.connect(":memory:")
    for number, state in enumerate(S):
        assert raw.execute(f"SELECT {schema.STATE_WORDS.replace('state_number', str(number))}").fetchone() == (state.value,)
    raw.close()


def test_a_stranger_s_database_is_not_taken_for_ours(tmp_path: Path) -> None:
    raw = sqlite3.connect(tmp_path / "record.db")
    raw.execute("CREATE TABLE photos (id)")
    raw.close()
    with pytest.raises(RecordUnreadable, match="photos"):
        Database(tmp_path / "record.db")


def test_a_copy_made_while_the_writer_writes_is_whole(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    done = threading.Event()

    def write() -> None:
        for tick in records(600):
            writer.put(tick)
        done.set()

    thread = threading.Thread(target=write)
    thread.start()
    until(lambda: writer.acknowledged >= 10)
    size = database.backup(writer.path, tmp_path / "copy.db")
    thread.join()
    assert writer.close() and done.is_set()
    assert size == (tmp_path / "copy.db").stat().st_size and not (tmp_path / "copy.db.part").exists()
    database.check(tmp_path / "copy.db")
    assert Reader(tmp_path / "copy.db").known("1").id == "1"


def test_a_copy_never_overwrites(tmp_path: Path, record: Path) -> None:
    (tmp_path / "copy.db").write_bytes(b"an older copy")
    with pytest.raises(FileExistsError, match="give the copy a new name"):
        database.backup(record, tmp_path / "copy.db")
    assert (tmp_path / "copy.db").read_bytes() == b"an older copy"


def test_a_reader_cannot_write(record: Path) -> None:
    raw = database.read_only(record)
    for attempt in ("DELETE FROM ticks", "CREATE TABLE t (x)", "PRAGMA user_version=3", "PRAGMA wal_checkpoint(TRUNCATE)"):
        before = record.read_bytes()
        try:
            raw.execute(attempt).fetchall()
        except sqlite3.OperationalError as error:
            assert "readonly" in str(error)
        assert record.read_bytes() == before
    raw.close()


def test_there_is_exactly_one_writable_connection(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted where SQLite is opened, through a start, a run, reading, and a close."""
    opened: list[str] = []
    connect = sqlite3.connect

    def counting(path: object, **how: object) -> sqlite3.Connection:
        opened.append(str(path))
        return connect(path, **how)

    path = tmp_path / "record.db"
    Database(path).close()
    monkeypatch.setattr(database.sqlite3, "connect", counting)
    writer = Writer(path, None, ABOUT)
    writer.start()
    for tick in records(60):
        writer.put(tick)
    until(lambda: writer.acknowledged >= 10)
    reader = Reader(path)
    reader.runs(), reader.curve("1"), list(reader.ticks("1")), reader.events()
    writer.close()
    writable = [name for name in opened if "mode=ro" not in name]
    assert writable == [str(path)] * 2, "one to check, closed before the one that writes is opened"
    assert len(opened) > 4


def test_no_record_is_an_answer_of_its_own(tmp_path: Path) -> None:
    with pytest.raises(RecordAbsent, match="is not there"):
        Reader(tmp_path / "record.db").runs()
    assert not (tmp_path / "record.db").exists(), "looking makes no file"


def test_a_time_has_a_zone_or_is_refused() -> None:
    engine = create_engine("sqlite://")
    schema.metadata.create_all(engine)
    row = {"boot": 1, "version": "", "python": "", "sqlite": "", "libraries": "", "simulated": 1, "board": "", "chamber": ""}
    night = datetime(2026, 10, 25, 2, 30, tzinfo=timezone(timedelta(hours=2)))
    with engine.begin() as connection:
        connection.execute(insert(schema.boots), row | {"started_utc_us": night})
        assert connection.execute(select(schema.boots.c.started_utc_us)).scalar_one() == round(night.timestamp() * 1e6)
        for naive in (datetime(2026, 10, 25, 2, 30), 1.5, True):
            with pytest.raises(Exception, match="integer of microseconds or a datetime with a zone"):
                connection.execute(insert(schema.boots), row | {"boot": 2, "started_utc_us": naive})
    engine.dispose()
    assert datetime.fromtimestamp(0, UTC).year == 1970


@pytest.mark.parametrize("value", [float("inf"), 105.2, "105"], ids=repr)
def test_only_integers_enter_a_temperature(tmp_path: Path, value: object) -> None:
    opened = Database(tmp_path / "record.db")
    raw = opened._raw
    insertion = "INSERT INTO ticks (id, utc_us, gap_us, control_mc) VALUES (1, 1, 0, ?)"
    if value == "105":
        raw.execute(insertion, (value,))  # a whole number as text is made one
        assert raw.execute("SELECT typeof(control_mc) FROM ticks").fetchone() == ("integer",)
    else:
        with pytest.raises(sqlite3.IntegrityError, match="cannot store REAL value in INTEGER column"):
            raw.execute(insertion, (value,))
    opened.close()


def test_after_a_crash_a_reader_needs_no_writer(tmp_path: Path) -> None:
    """The log that a killed writer left is read; the file itself stays as it is."""
    path = written(tmp_path / "whole.db", records(20))
    for ending in ("", "-wal", "-shm"):
        source = path.with_name(path.name + ending)
        if source.exists():
            os.link(source, tmp_path / f"left.db{ending}")
    assert Reader(tmp_path / "left.db").known("1").id == "1"
