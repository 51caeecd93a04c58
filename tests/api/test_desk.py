"""desk.db: migrated, one writer, immutable revisions, an audit, and a file that cannot be read is kept."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import create_engine, delete, insert, inspect, select, text, update

from api.desk import keys, schedules
from api.desk.schema import HEAD, audit, metadata, revisions
from api.desk.store import PRAGMAS, Desk, DeskInUse, DeskUnfit
from api.errors import Problem
from controller.planning.schedule_file import parse
from tests.api.test_schedules import GOOD

MINE = parse(GOOD)


@pytest.fixture
def desk(tmp_path: Path):
    found = Desk.open(tmp_path)
    yield found
    found.close()


def test_the_migrations_make_exactly_the_tables_of_the_schema(desk: Desk) -> None:
    """Alembic compares the file with the schema; a column in one and not in the other is a difference."""
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    found = desk.do_now(lambda connection: compare_metadata(MigrationContext.configure(connection), metadata))
    assert found == []


def test_head_is_the_newest_migration() -> None:
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(schedules.__file__).parent / "migrations"))
    assert ScriptDirectory.from_config(config).get_current_head() == HEAD


def test_a_desk_that_is_up_to_date_opens_without_alembic(tmp_path: Path) -> None:
    Desk.open(tmp_path).close()
    code = (f"import sys; from pathlib import Path; from api.desk.store import Desk; "
            f"Desk.open(Path({str(tmp_path)!r})).close(); sys.exit('alembic' in sys.modules)")
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_every_pragma_is_read_back(desk: Desk) -> None:
    read = desk.do_now(lambda connection: {name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
                                           for name, _, _ in PRAGMAS})
    assert read == {name: expected for name, _, expected in PRAGMAS}


def test_a_second_service_on_the_same_folder_is_refused(desk: Desk, tmp_path: Path) -> None:
    with pytest.raises(DeskInUse, match="another api already works on"):
        Desk.open(tmp_path)


def test_an_unreadable_file_is_set_aside_whole_and_noted(tmp_path: Path) -> None:
    (tmp_path / "desk.db").write_bytes(b"no database at all " * 300)
    (tmp_path / "desk.db-wal").write_bytes(b"its log")
    desk = Desk.open(tmp_path)
    [row] = desk.do_now(lambda connection: connection.execute(select(audit)).all())
    told = desk.aside()
    desk.close()
    [kept] = [path for path in tmp_path.glob("desk.db.unreadable-*") if not path.name.endswith("-wal")]
    assert told == [kept.name]
    assert kept.read_bytes().startswith(b"no database at all") and kept.name in row.detail
    assert kept.with_name(kept.name + "-wal").read_bytes() == b"its log"


def test_a_damaged_page_is_found_and_the_file_is_kept_as_it_was(tmp_path: Path) -> None:
    desk = Desk.open(tmp_path)
    desk.do_now(lambda connection: schedules.make(connection, "me", MINE, "x" * 2_000))
    desk.close()
    whole = bytearray((tmp_path / "desk.db").read_bytes())
    whole[4096:8192] = b"\xa5" * 4096
    (tmp_path / "desk.db").write_bytes(whole)
    desk = Desk.open(tmp_path)
    assert desk.is_new and desk.do_now(schedules.newest) == []
    desk.close()
    [kept] = [path for path in tmp_path.glob("desk.db.unreadable-*") if path.name[-4:] not in ("-wal", "-shm")]
    assert kept.read_bytes() == whole


def test_an_empty_file_is_a_new_desk(tmp_path: Path) -> None:
    (tmp_path / "desk.db").touch()
    Desk.open(tmp_path).close()
    assert list(tmp_path.glob("desk.db.unreadable-*")) == []


def test_a_file_that_may_not_be_opened_is_not_taken_for_a_broken_one(tmp_path: Path) -> None:
    (tmp_path / "desk.db").mkdir()
    with pytest.raises(DeskUnfit, match="cannot be opened"):
        Desk.open(tmp_path)
    assert (tmp_path / "desk.db").is_dir()


def test_the_desk_of_a_newer_program_is_left_alone(tmp_path: Path) -> None:
    Desk.open(tmp_path).close()
    with sqlite3.connect(tmp_path / "desk.db") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(DeskUnfit, match="newer program"):
        Desk.open(tmp_path)
    Path(tmp_path / "desk.lock").unlink()  # and the lock was given back: this opens a new file
    assert sqlite3.connect(tmp_path / "desk.db").execute("SELECT version_num FROM alembic_version").fetchone() == ("9999",)


def test_a_file_system_without_wal_is_refused() -> None:
    from api.desk.store import _engine

    with pytest.raises(DeskUnfit, match="journal_mode is memory"):
        _engine(Path(":memory:")).connect()


def test_a_revision_can_be_neither_changed_nor_deleted(desk: Desk) -> None:
    desk.do_now(lambda connection: schedules.make(connection, "me", MINE, ""))
    for forbidden in (update(revisions).values(name="x"), delete(revisions)):
        with pytest.raises(Problem, match="revisions never change"):
            desk.do_now(lambda connection, forbidden=forbidden: connection.execute(forbidden))


def test_what_fails_halfway_leaves_nothing(desk: Desk) -> None:
    def half(connection):
        schedules.make(connection, "me", MINE, "")
        connection.execute(insert(revisions).values(schedule_id=1, revision=0, utc_us=0, by="", name="", body="{}"))

    with pytest.raises(Problem, match="revision_from_one"):
        desk.do_now(half)
    assert desk.do_now(schedules.newest) == []


def test_every_change_of_a_schedule_is_in_the_audit_with_who(desk: Desk) -> None:
    desk.do_now(lambda connection: schedules.make(connection, "anna", MINE, ""))
    desk.do_now(lambda connection: schedules.change(connection, 1, "bert", MINE, "a note", None))
    desk.do_now(lambda connection: schedules.delete(connection, 1, "carl"))
    rows = desk.do_now(lambda connection: connection.execute(select(audit.c.by, audit.c.what, audit.c.about)).all())
    assert [tuple(row) for row in rows] == [("anna", "made", "schedule 1"), ("bert", "changed", "schedule 1"),
                                            ("carl", "deleted", "schedule 1")]


def test_a_key_is_forgotten_after_a_day(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    assert desk.do_now(lambda connection: keys.claim(connection, "k", "me", b"1")) is None
    now = keys.utc_us()
    monkeypatch.setattr(keys, "utc_us", lambda: now + keys.KEPT_US + 2_000_000)
    assert desk.do_now(lambda connection: keys.claim(connection, "k", "me", b"2")) is None


def test_a_key_belongs_to_who_used_it(desk: Desk) -> None:
    desk.do_now(lambda connection: keys.claim(connection, "k", "anna", b"1"))
    assert desk.do_now(lambda connection: keys.claim(connection, "k", "bert", b"2")) is None


def test_a_full_disk_is_a_problem_that_says_stop_still_works(desk: Desk) -> None:
    desk.do_now(lambda connection: connection.exec_driver_sql("PRAGMA max_page_count=1"))
    with pytest.raises(Problem) as caught:
        for _ in range(50):
            desk.do_now(lambda connection: schedules.make(connection, "me", MINE, "x" * 2_000))
    assert caught.value.code == "desk_failing" and "Stop heating still works" in caught.value.body()["advice"]


def test_the_tables_can_be_read_by_any_tool(desk: Desk, tmp_path: Path) -> None:
    engine = create_engine(f"sqlite:///{tmp_path / 'desk.db'}")
    with engine.connect() as connection:
        assert set(inspect(connection).get_table_names()) == {*metadata.tables, "alembic_version"}
        assert connection.execute(text("PRAGMA quick_check")).scalar() == "ok"
    engine.dispose()
