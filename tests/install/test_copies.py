"""Copies of both databases: made when nobody writes, put back where a newer version has changed them, never lost."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest

from controller.install import plan
from controller.install.copies import newest_of
from controller.install.executor import Stopped, carry_out
from controller.install.places import API, COPIES, PROGRAMS
from tests.install.staging import (
    KNOWN,
    UP,
    Fails,
    Recorder,
    Services,
    contents,
    current,
    database,
    facts,
    installed,
    whole,
    with_databases,
    world,
)


def migrating(paths: list[Path], rows: int = 0):
    """A recorder whose services bring the databases to a newer schema when the new version is started, as ours do."""

    class Migrating(Recorder):
        def run(self, words):
            super().run(words)
            if words[:2] == ("systemctl", "start") and API in words and len(words) > 5:
                for path in paths[:1]:
                    database(path, "0002", rows)

    return Migrating()


def test_a_failed_upgrade_puts_back_the_databases_it_had_changed_and_no_other(tmp_path):
    root, new = installed(tmp_path)
    paths = with_databases(root)
    inodes = [path.stat().st_ino for path in paths]
    with pytest.raises(Stopped):
        carry_out(plan.install(facts(world(root, probe=Services(UP)), new)), world(root, migrating(paths, 3), Services()))
    assert [contents(path) for path in paths] == [("0001", 10)] * 3
    assert [path.stat().st_ino == inode for path, inode in zip(paths, inodes, strict=True)] == [False, True, True]
    kept = list(paths[0].parent.glob("record.db.before-*"))
    assert len([path for path in kept if not path.name.endswith(("-wal", "-shm"))]) == 1, "nothing is deleted"


def test_copies_hold_what_only_the_log_held(tmp_path):
    root, new = installed(tmp_path)
    paths = with_databases(root)
    reader = sqlite3.connect(paths[0])
    reader.execute("SELECT * FROM rows").fetchone()
    writer = sqlite3.connect(paths[0])
    writer.executemany("INSERT INTO rows VALUES(?)", [(n,) for n in range(5)])
    writer.commit()
    assert (paths[0].parent / "record.db-wal").stat().st_size > 0
    carry_out(plan.install(facts(world(root), new)), world(root))
    reader.close()
    writer.close()
    copies = next((root / COPIES.relative_to("/")).glob("*/oven.record.db"))
    assert contents(copies) == ("0001", 15)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_a_copy_made_by_root_leaves_the_log_to_the_service(tmp_path):
    """SQLite, run by root, gives what it makes beside a database to its owner; else the service could not write."""
    root, new = installed(tmp_path)
    paths = with_databases(root)
    os.chown(paths[0], 10_001, 10_001)
    carry_out(plan.install(facts(world(root), new)), world(root))
    beside = [path for path in paths[0].parent.iterdir() if path.name.startswith("record.db")]
    assert {path.stat().st_uid for path in beside} == {10_001}


def test_a_damaged_database_stops_the_upgrade_before_anything_is_changed(tmp_path):
    root, new = installed(tmp_path)
    paths = with_databases(root)
    data = bytearray(paths[2].read_bytes())
    data[4096:8192] = b"\xff" * 4096
    paths[2].write_bytes(data)
    before = current(root)
    with pytest.raises(Stopped):
        carry_out(plan.install(facts(world(root), new)), world(root))
    assert current(root) == before


def upgraded(tmp_path: Path) -> tuple[Path, list[Path], str]:
    root, new = installed(tmp_path)
    paths = with_databases(root)
    old = current(root)
    carry_out(plan.install(facts(world(root), new)), world(root, migrating(paths, 7)))
    return root, paths, old


def test_rolling_back_takes_the_version_back_and_leaves_the_data(tmp_path):
    root, paths, old = upgraded(tmp_path)
    there = facts(world(root), root / PROGRAMS.relative_to("/") / old)
    carry_out(plan.roll_back(there, with_data=False), world(root))
    assert current(root) == old and [contents(path)[0] for path in paths] == ["0002", "0001", "0001"]


def test_rolling_back_with_data_takes_the_copies_and_keeps_the_newer_ones(tmp_path):
    root, paths, old = upgraded(tmp_path)
    there = facts(world(root), root / PROGRAMS.relative_to("/") / old)
    assert there.copies == newest_of(world(root), old) != ""
    carry_out(plan.roll_back(there, with_data=True), world(root))
    assert current(root) == old and [contents(path) for path in paths] == [("0001", 10)] * 3
    newer = next(path for path in paths[0].parent.glob("record.db.before-*") if not path.name.endswith(("-wal", "-shm")))
    assert contents(newer) == ("0002", 17)


@pytest.mark.parametrize("number", range(len(plan.roll_back(KNOWN, with_data=True)) + 1))
def test_a_roll_back_that_fails_anywhere_leaves_the_newer_version_and_its_data(tmp_path, number):
    root, paths, old = upgraded(tmp_path)
    there = facts(world(root), root / PROGRAMS.relative_to("/") / old)
    steps = plan.roll_back(there, with_data=True)
    version, before = current(root), [contents(path) for path in paths]
    with pytest.raises(Stopped) as stopped:
        carry_out((*steps[:number], Fails(), *steps[number:]), world(root))
    assert stopped.value.left == [] and current(root) == version and whole(root)
    assert [contents(path) for path in paths] == before
