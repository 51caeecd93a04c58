"""Copies of both databases, made with SQLite's own means while nobody writes, and put back when a version is taken back.

A plain copy of the file would miss what is still in its log. Nothing is ever deleted: what a copy replaces keeps a name.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from controller.install.places import COPIES, DESK, HOUSE
from controller.install.steps import Undo
from controller.install.world import StepFailed, World, in_place

ABOUT = "about.json"
PARTS = ("-wal", "-shm", "")
BUSY_S = 5.0


def databases(chambers: tuple[str, ...]) -> tuple[Path, ...]:
    """Every database there may be: one record a chamber, and the desk."""
    return (*(HOUSE / name / "record.db" for name in chambers), DESK / "desk.db")


@dataclass(frozen=True, slots=True)
class Copies:
    """Every database is copied, checked and noted with its schema."""

    chambers: tuple[str, ...]
    folder: str
    """Below `COPIES`."""
    version: str
    """That wrote them."""
    undo_words: str = "put the copies back where the newer version has changed a database's schema"

    @property
    def words(self) -> str:
        whose = ", ".join(self.chambers) or "no chamber"
        return f"copy record and desk of {whose} to {COPIES / self.folder}, and check the copies"

    def do(self, world: World) -> Undo:
        folder = world.at(COPIES / self.folder)
        folder.mkdir(parents=True, mode=0o750)  # an older one is never written over
        try:
            revisions = {str(path): _copied(world.at(path), folder / _name(path))
                         for path in databases(self.chambers) if world.at(path).exists()}
            in_place(folder / ABOUT, json.dumps(About(self.version, revisions)._asdict(), indent=1).encode(), 0o640)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise

        def undo() -> None:
            put_back(world, self.folder, changed_only=True)
        return undo


@dataclass(frozen=True, slots=True)
class PutBack:
    """The copies stand where the databases were; what was written since is kept beside."""

    folder: str
    undo_words: str = "done by the step that copied them before"

    @property
    def words(self) -> str:
        return (f"put back the copies of {COPIES / self.folder}; what was recorded since then stays beside them under another "
                "name and is no longer shown")

    def do(self, world: World) -> Undo:
        aside = put_back(world, self.folder, changed_only=False)

        def undo() -> None:
            for path, kept in aside:
                _move(path, kept.with_name(f"{kept.name}.taken-back"))  # with its log, which is not the other one's
                _move(kept, path)
        return undo


def newest_of(world: World, version: str) -> str:
    """The newest copies that a version wrote; empty when there are none."""
    found = [about.parent.name for about in sorted(world.at(COPIES).glob(f"*/{ABOUT}")) if _about(about).version == version]
    return found[-1] if found else ""


def put_back(world: World, name: str, changed_only: bool) -> list[tuple[Path, Path]]:
    """Put copies back, or only those whose schema has changed. Gives where each database is, and where its newer one is."""
    folder = world.at(COPIES / name)
    aside = []
    for target, revision in _about(folder / ABOUT).schemas.items():
        path = world.at(Path(target))
        if changed_only and path.exists() and _revision_or_none(path) == revision:
            continue
        kept = path.with_name(f"{path.name}.before-{name}")
        number = 1
        while kept.exists():
            number += 1
            kept = path.with_name(f"{path.name}.before-{name}-{number}")
        rights = path.stat() if path.exists() else path.parent.stat()
        if path.exists():
            _move(path, kept)
            aside.append((path, kept))
        in_place(path, (folder / _name(Path(target))).read_bytes(), rights.st_mode & 0o666)
        with contextlib.suppress(PermissionError):  # in a staging folder nobody else's files are there
            os.chown(path, rights.st_uid, rights.st_gid)
    return aside


def _move(path: Path, to: Path) -> None:
    """A database with its log and shared memory; log first, as an orphaned log would be taken for the next one's."""
    for ending in PARTS:
        part = path.with_name(path.name + ending)
        if part.exists():
            part.replace(to.with_name(to.name + ending))


def _name(path: Path) -> str:
    return f"{path.parent.name}.{path.name}"


class About(NamedTuple):
    """What is noted of copies: which version left them, and each database's schema."""

    version: str
    schemas: dict[str, str | None]


def _about(path: Path) -> About:
    try:
        return About(**json.loads(path.read_bytes()))
    except (OSError, ValueError, TypeError) as error:
        raise StepFailed(f"{path} cannot be read ({error}): these copies cannot be used") from None


def _copied(path: Path, to: Path) -> str | None:
    """Copy a database; its schema's revision."""
    with _opened(path) as source, contextlib.closing(sqlite3.connect(to)) as target:
        source.backup(target)
        target.execute("PRAGMA journal_mode=delete")
        found = target.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise StepFailed(f"the copy of {path} is not sound ({found}); the database itself may be damaged, so nothing is "
                         "changed. soakwarden doctor looks at it; move it away by hand to go on without it")
    to.chmod(0o640)
    with to.open("rb") as file:
        os.fsync(file.fileno())
    return _revision_or_none(to)


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_S)) as raw:
        yield raw


def _revision_or_none(path: Path) -> str | None:
    """The revision that its migrations noted; None where there is no such table, or it cannot be read."""
    try:
        with _opened(path) as raw:
            row = raw.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.DatabaseError:
        return None
    return str(row[0]) if row else None
