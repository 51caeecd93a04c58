"""What a disk can do to the record, each done for real: full, locked, broken, deleted, and the process killed. In every
case `put` goes on, what was acknowledged is kept, and what is missing is counted and said."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from controller.records import database
from controller.records.batch import Batch
from controller.records.errors import RecordRefused, RecordTooNew
from controller.records.queries import Reader
from controller.records.replay import replay
from controller.records.writer import REPLACED_S, SPACE_LEAST_BYTES, TickRecord, Writer
from tests.records.conftest import until, written
from tests.records.scripted import ABOUT, DAY, records


def count(path: Path, table: str = "ticks") -> int:
    connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    try:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
    finally:
        connection.close()


def put_all(writer: Writer, ticks: list[TickRecord]) -> None:
    for tick in ticks:
        writer.put(tick)
    until(lambda: not writer.waiting)


def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.records.writer.RETRY_S", (0.01,))


@pytest.mark.parametrize("seed", range(5))
def test_a_killed_process_keeps_every_event_it_acknowledged(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "record.db"
    child = subprocess.Popen([sys.executable, "-m", "tests.records.killed", str(path)], stdout=subprocess.PIPE, text=True,
                             cwd=Path(__file__).parents[2])
    assert child.stdout is not None
    for _ in range(random.Random(seed).randrange(3, 60)):
        line = child.stdout.readline()
    os.kill(child.pid, signal.SIGKILL)
    rest = child.stdout.read()
    child.wait()
    child.stdout.close()
    acknowledged = max(int(line.split()[1]) for line in (line + rest).splitlines() if line.startswith("acknowledged"))
    assert acknowledged > 0
    database.check(path)
    kept = {event.id for event in Reader(path).events(after_id="1-0", limit=5_000)}
    assert {f"1-{seq}" for seq in range(1, acknowledged + 1)} <= kept


def test_a_full_disk_stops_nothing_and_says_afterwards_what_is_missing(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ten_minutes: list[TickRecord]) -> None:
    impatient(monkeypatch)
    monkeypatch.setattr("controller.records.writer.WAITING_TICKS", 100)
    monkeypatch.setattr(database, "PRAGMAS", (*database.PRAGMAS, ("max_page_count", 40, None)))
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    put_all(writer, ten_minutes[:500])
    until(lambda: writer.lost > 1)
    assert "full" in writer.failing
    before = count(writer.path)
    monkeypatch.setattr(database, "PRAGMAS", database.PRAGMAS[:-1])
    until(lambda: not writer.lost)
    put_all(writer, ten_minutes[500:])
    assert writer.close()
    gap = Reader(writer.path).events(kinds=["gap"])
    assert before < 500 and sum(int(event.fields["count"] or 0) for event in gap) == 600 - count(writer.path)
    happened = sum(len(tick.result.events) for tick in ten_minutes)
    assert count(writer.path, "events") == happened + len(gap), "events outlast a full disk"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte, where root may mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    if os.geteuid() or not shutil.which("mount") or subprocess.run(mount, check=False).returncode:
        pytest.skip("a small tmpfs can be mounted by root only; the full disk is tested by max_page_count too")
    yield place
    subprocess.run(["umount", place], check=True)


def test_a_really_full_file_system_is_survived_and_caught_up(
        small_disk: Path, monkeypatch: pytest.MonkeyPatch, ten_minutes: list[TickRecord]) -> None:
    impatient(monkeypatch)
    monkeypatch.setattr("controller.records.writer.SPACE_LEAST_BYTES", 0)
    ballast = small_disk / "ballast"
    writer = Writer(small_disk / "record.db", None, ABOUT)
    writer.start()
    put_all(writer, ten_minutes[:100])
    ballast.write_bytes(bytes(os.statvfs(small_disk).f_bavail * os.statvfs(small_disk).f_frsize - 8_192))
    put_all(writer, ten_minutes[100:500])
    until(lambda: writer.lost)
    ballast.unlink()
    until(lambda: not writer.lost)
    put_all(writer, ten_minutes[500:])
    assert writer.close()
    assert count(writer.path) == 600, "nothing had to go: the rows waited in memory"
    database.check(writer.path)


def test_a_disk_that_is_full_from_the_start_is_no_reason_not_to_start(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ten_minutes: list[TickRecord]) -> None:
    impatient(monkeypatch)
    monkeypatch.setattr(database, "PRAGMAS", (*database.PRAGMAS, ("max_page_count", 2, None)))
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    assert writer.lost == 1
    put_all(writer, ten_minutes[:30])
    monkeypatch.setattr(database, "PRAGMAS", database.PRAGMAS[:-1])
    until(lambda: not writer.lost)
    assert writer.close() and count(writer.path) == 30


def test_a_lock_of_a_second_is_waited_for_and_nobody_is_alarmed(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    script = ("import sqlite3, sys, time; c = sqlite3.connect(sys.argv[1], isolation_level=None); "
              "c.execute('BEGIN IMMEDIATE'); print('held', flush=True); time.sleep(1); c.execute('ROLLBACK')")
    other = subprocess.Popen([sys.executable, "-c", script, str(writer.path)], stdout=subprocess.PIPE)
    assert other.stdout is not None and other.stdout.readline() == b"held\n"
    alarmed = []
    for tick in ten_minutes[:60]:
        writer.put(tick)
        alarmed.append(writer.lost)
    other.wait()
    other.stdout.close()
    assert writer.close() and not any(alarmed) and count(writer.path) == 60


def test_an_unreadable_file_is_set_aside_whole_and_a_new_one_begun(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    path = tmp_path / "record.db"
    path.write_bytes(b"this is not a database, but somebody may still want it" * 100)
    written(path, ten_minutes[:20])
    (aside,) = tmp_path.glob("record.db.unreadable-*")
    assert aside.read_bytes().startswith(b"this is not a database") and count(path) == 20
    assert any(aside.name in str(event.fields["what"]) for event in Reader(path).events(kinds=["gap"]))


def test_a_page_gone_bad_is_found_when_the_record_is_opened(tmp_path: Path) -> None:
    path = written(tmp_path / "record.db", records(400))
    data = bytearray(path.read_bytes())
    data[20_480:22_528] = os.urandom(2_048)
    path.write_bytes(data)
    written(path, ())
    (aside,) = tmp_path.glob("record.db.unreadable-*")
    assert aside.read_bytes() == bytes(data)


def test_two_unreadable_files_in_one_second_keep_both_their_names(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    names = set()
    for text in (b"first", b"second", b"third"):
        path.write_bytes(text)
        names.add(database.set_aside(path, now=database.datetime(2026, 1, 1, tzinfo=database.UTC)))
    assert {name.read_bytes() for name in names} == {b"first", b"second", b"third"}


def test_a_record_broken_while_in_use_is_set_aside_and_the_run_goes_on_in_a_new_one(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ten_minutes: list[TickRecord]) -> None:
    impatient(monkeypatch)
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    put_all(writer, ten_minutes[:100])
    until(lambda: not writer._intake.batch.events)
    write = writer._store.write

    def breaks_once(batch: Batch) -> None:
        monkeypatch.setattr(writer._store, "write", write)
        writer._store.drop()  # or SQLite would mend the file from its log
        with writer.path.open("r+b") as file:
            file.write(os.urandom(8_192))
        found = sqlite3.DatabaseError("database disk image is malformed")
        found.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise found

    monkeypatch.setattr(writer._store, "write", breaks_once)
    put_all(writer, ten_minutes[100:])
    assert writer.close()
    assert list(tmp_path.glob("record.db.unreadable-*"))
    run = Reader(writer.path).known("1")
    assert run.state == "complete" and len(list(Reader(writer.path).ticks("1"))) >= 330


@pytest.mark.parametrize("endings", [("",), ("-wal",), ("", "-wal", "-shm")], ids=str)
def test_a_file_deleted_under_the_writer_is_begun_again_and_that_is_said(
        tmp_path: Path, ten_minutes: list[TickRecord], endings: tuple[str, ...]) -> None:
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    put_all(writer, ten_minutes[:200])
    until(lambda: not writer._intake.batch.events)
    for ending in endings:
        writer.path.with_name(writer.path.name + ending).unlink()
    put_all(writer, ten_minutes[200:])
    assert writer.close() and writer.failing == "record.db was deleted or exchanged while in use"
    gaps = Reader(writer.path).events("1", kinds=["gap"])
    assert any("deleted" in str(event.fields["what"]) for event in gaps), "the run itself says what it lost"
    assert Reader(writer.path).known("1").state == "complete"
    replayed = replay(writer.path, "1")
    assert {difference.what for difference in replayed.differences} <= {"missing"} and replayed.ticks > 200


def test_a_newer_schema_is_refused_clearly_and_left_alone(tmp_path: Path) -> None:
    path = written(tmp_path / "record.db", records(10))
    raw = sqlite3.connect(path)
    raw.execute("UPDATE alembic_version SET version_num='0099_later'")
    raw.commit()
    raw.close()
    before = path.read_bytes()
    with pytest.raises(RecordTooNew, match=r"0099_later.*newer version"):
        Writer(path, None, ABOUT).start()
    assert path.read_bytes() == before and not list(tmp_path.glob("*unreadable*"))


def test_a_place_without_a_write_ahead_log_is_refused_with_the_reason(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = tuple(("journal_mode", "delete", "wal") if name == "journal_mode" else (name, value, answer)
                   for name, value, answer in database.PRAGMAS)
    monkeypatch.setattr(database, "PRAGMAS", wanted)
    with pytest.raises(RecordRefused, match=r"journal_mode is 'delete', needed is 'wal'.*local disk"):
        Writer(tmp_path / "record.db", None, ABOUT).start()


def test_a_number_of_a_start_is_never_shared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path / "record.db", records(10))
    second = Writer(path, 1, ABOUT)
    second.start()
    assert "boot 1 is in the record already" in second.failing and second.lost == 1
    assert not second.close()


def test_the_log_stays_small_though_a_reader_lingers(tmp_path: Path) -> None:
    """An export that stops half-way holds no transaction: the log is folded in all the same."""
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    most, lingering = 0, None
    for tick in records(4_000, DAY, reports=1):
        writer.put(tick)
        if not tick.tick % 50:
            until(lambda: writer.waiting < 100)
            most = max(most, writer.wal_bytes())
        if tick.tick == 500:
            until(lambda: Reader(writer.path).run("1") is not None)
            lingering = Reader(writer.path).ticks("1")
            next(lingering)
    assert writer.close()
    assert most < 5 << 20
    assert lingering is not None and next(lingering).tick > 0


def test_short_space_fails_before_the_disk_is_full_and_loses_nothing(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ten_minutes: list[TickRecord]) -> None:
    impatient(monkeypatch)
    free = [SPACE_LEAST_BYTES - 1]
    monkeypatch.setattr("controller.records.writer.shutil.disk_usage", lambda folder: SimpleNamespace(free=free[0]))
    writer = Writer(tmp_path / "record.db", None, ABOUT)
    writer.start()
    put_all(writer, ten_minutes[:300])
    until(lambda: writer.lost)
    assert writer.failing == "63 MiB are free on the disk and a new run needs 64 MiB; free some space"
    free[0] = SPACE_LEAST_BYTES
    put_all(writer, ten_minutes[300:])
    until(lambda: not writer.lost)
    assert writer.close() and count(writer.path) == 600


def test_a_record_that_was_deleted_or_set_aside_asks_for_a_person(tmp_path: Path, ten_minutes: list[TickRecord]) -> None:
    path, now_s = tmp_path / "record.db", [100.0]
    path.write_bytes(b"no database" * 999)
    writer = Writer(path, None, ABOUT, clock=lambda: now_s[0])
    writer.start()
    assert writer.failing.startswith("unreadable record set aside as record.db.unreadable-") and writer.lost == 1
    now_s[0] += REPLACED_S
    assert writer.failing == "" and writer.lost == 0
    path.unlink()
    put_all(writer, ten_minutes[:300])
    until(lambda: writer.lost)
    assert writer.failing == "record.db was deleted or exchanged while in use"
    now_s[0] += REPLACED_S
    assert writer.lost == 0 and writer.close()
