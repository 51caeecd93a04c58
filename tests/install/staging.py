"""A computer in a folder: a checkout of a few files, a runner that records, services that answer as a test says."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from controller.install import look
from controller.install.copies import databases
from controller.install.places import API, DESK, HOUSE, MESSENGER, PROGRAMS, controller_unit
from controller.install.plan import Facts
from controller.install.steps import Undo
from controller.install.version import STAMP
from controller.install.world import StepFailed, World
from tests.tidy.measure import ROOT

CHAMBERS = ("oven", "second")
KNOWN = Facts(ROOT, "new", "old", "older", CHAMBERS, texts=look.texts(ROOT), stamp="now", copies="then")
"""For the length of a plan."""
UP = frozenset({API, MESSENGER, *map(controller_unit, CHAMBERS)})
"""Every unit of the house, answering."""


class Recorder:
    """Runs nothing; makes what making an environment would make; fails at the n-th command where it is told to."""

    def __init__(self, fail_at: int = 0, yes: bool = False) -> None:
        self.ran: list[tuple[str, ...]] = []
        self.fail_at, self.yes = fail_at, yes

    def run(self, words: Sequence[str]) -> None:
        self.ran.append(tuple(words))
        if len(self.ran) == self.fail_at:
            raise StepFailed(f"`{' '.join(words)}` was made to fail")
        if "venv" in words:
            (Path(words[-1]) / "lib/python3.11/site-packages").mkdir(parents=True)
            (Path(words[-1]) / "bin").mkdir()

    def answers_yes(self, words: Sequence[str]) -> bool:
        return self.yes

    def system(self) -> list[str]:
        """What was asked of the service manager, as one string a command."""
        return [" ".join(words) for words in self.ran if words[0] == "systemctl"]


class Services:
    """Answers as a test says. `heard` maps the version that `current` points to, to who answers."""

    def __init__(self, up: frozenset[str] = frozenset(), reasons: Sequence[list[str]] = ()) -> None:
        self.up = up
        self.reasons = list(reasons)
        self.asked = 0

    def busy(self, chambers: Sequence[str]) -> list[str]:
        self.asked += 1
        return self.reasons.pop(0) if self.reasons else []

    def answering(self, chambers: Sequence[str]) -> frozenset[str]:
        return self.up


class FakeTime:
    """Passes when somebody waits."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def wait(self, seconds: float) -> None:
        self.now_s += seconds

    def mono_s(self) -> float:
        return self.now_s


def world(root: Path, runner: Recorder | None = None, probe: Services | None = None) -> World:
    """Below `root`; the runner is used as it is, staging or not."""
    time = FakeTime()
    said: list[str] = []
    return World(root, runner or Recorder(), probe or Services(), said.append, time.wait, time.mono_s)


def checkout(folder: Path, number: str = "0.1.0", mark: str = "") -> Path:
    """A folder that can be installed: the real files of the installer, and next to nothing else."""
    shutil.copytree(ROOT / "controller/install/files", folder / "controller/install/files")
    (folder / "controller/service.py").write_text(f"# {mark}\n")
    for part in ("api", "web"):
        (folder / part).mkdir()
        (folder / part / "x.py").write_text("")
    (folder / "pyproject.toml").write_text(f'[project]\nname = "soakwarden"\nversion = "{number}"\n')
    (folder / "requirements.txt").write_text("")
    return folder


def facts(on: World, source: Path) -> Facts:
    return look.facts(on, source)


def installed(tmp_path: Path, chambers: Sequence[str] = CHAMBERS) -> tuple[Path, Path]:
    """A root with version 0.1.0 in it and two chambers; the root, and the checkout of a newer version."""
    from controller.install import plan
    from controller.install.executor import carry_out

    root = tmp_path / "root"
    carry_out(plan.install(facts(world(root), checkout(tmp_path / "old", mark="old"))), world(root))
    for name in chambers:
        (root / HOUSE.relative_to("/") / name / "chamber").mkdir(parents=True)
        (root / HOUSE.relative_to("/") / name / "chamber/chamber.toml").write_text("")
    carry_out(plan.install(facts(world(root), tmp_path / "old")), world(root))
    return root, checkout(tmp_path / "new", "0.2.0", "new")


def everything(root: Path) -> dict[str, object]:
    """Every file and link below a root with its rights and content, but not copies and what SQLite keeps beside a database."""
    found: dict[str, object] = {}
    for path in sorted(root.rglob("*")):
        name = str(path.relative_to(root))
        if path.is_symlink():
            found[name] = f"-> {path.readlink()}"
        elif path.is_file():
            found[name] = (path.stat().st_mode & 0o7777, path.read_bytes())
        elif path.is_dir():
            found[name] = path.stat().st_mode & 0o7777
    return {name: what for name, what in found.items()
            if "/soakwarden/copies/" not in f"/{name}" and ".before-" not in name and not name.endswith(("-wal", "-shm"))}


def whole(root: Path) -> bool:
    """Is the version that `current` points to complete?"""
    return (root / PROGRAMS.relative_to("/") / "current" / STAMP).exists()


def desk(root: Path) -> Path:
    return root / DESK.relative_to("/")


@dataclass(frozen=True)
class Fails:
    """A step that cannot be done."""

    words: str = "fail"
    undo_words: str = "nothing"

    def do(self, on: World) -> Undo:
        raise StepFailed("a test made it fail")


def current(root: Path) -> str:
    return os.readlink(root / PROGRAMS.relative_to("/") / "current")


def database(path: Path, schema: str, rows: int) -> None:
    """A database as ours are: WAL, a schema's name, and something in it."""
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA journal_mode=wal")
        raw.execute("CREATE TABLE IF NOT EXISTS alembic_version(version_num)")
        raw.execute("DELETE FROM alembic_version")
        raw.execute("INSERT INTO alembic_version VALUES(?)", (schema,))
        raw.execute("CREATE TABLE IF NOT EXISTS rows(n)")
        raw.executemany("INSERT INTO rows VALUES(?)", [(n,) for n in range(rows)])
        raw.commit()


def contents(path: Path) -> tuple[str, int]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as raw:
        return (raw.execute("SELECT version_num FROM alembic_version").fetchone()[0],
                raw.execute("SELECT count(*) FROM rows").fetchone()[0])


def with_databases(root: Path) -> list[Path]:
    paths = [root / path.relative_to("/") for path in databases(CHAMBERS)]
    for path in paths:
        database(path, "0001", 10)
    return paths
