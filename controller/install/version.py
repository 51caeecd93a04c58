"""One version of the program as a folder of its own: the code, its environment, and a stamp that is written last."""

from __future__ import annotations

import hashlib
import shutil
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from controller.install.places import PROGRAMS
from controller.install.steps import Undo, nothing
from controller.install.world import StepFailed, World

PARTS = ("controller", "api", "web", "hardware_notes", "pyproject.toml", "requirements.txt", "LICENSE", "README.md")
STAMP = "complete"
"""A version folder without it was not finished, and is made anew."""
LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.pyc", "*.part")
DIGEST_SHOWN = 8
LOADS = "import controller.service, controller.cli, controller.messenger.__main__, api.__main__"
"""A version whose processes cannot even be loaded is not put in place."""
PROGRAM = """\
#!/bin/sh
exec "$(dirname "$0")/python" -I -m controller.cli "$@"
"""


def name_of(source: Path) -> str:
    """A version's folder name: its number and a digest of its files, so that two checkouts of one number differ."""
    number = tomllib.loads((source / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    digest = hashlib.sha256()
    for path in sorted(_files(source)):
        digest.update(f"{path.relative_to(source)}\0".encode() + hashlib.sha256(path.read_bytes()).digest())
    return f"{number}-{digest.hexdigest()[:DIGEST_SHOWN]}"


def _files(source: Path) -> Iterator[Path]:
    for part in PARTS:
        path = source / part
        if path.is_file():
            yield path
        yield from (one for one in path.rglob("*") if one.is_file() and "__pycache__" not in one.parts)


@dataclass(frozen=True, slots=True)
class Version:
    """A version is there with its own environment; every library is checked against its hash before it is unpacked."""

    source: Path
    """A checkout, or the folder of an installed version."""
    name: str
    wheels: Path | None = None
    """A folder of wheels to take the libraries from, instead of an index."""
    undo_words: str = "remove the folder again"

    @property
    def words(self) -> str:
        where = f" from {self.wheels}" if self.wheels else ""
        return f"make {PROGRAMS / self.name}: the program and an environment with its libraries{where}, each checked by hash"

    def do(self, world: World) -> Undo:
        folder = world.at(PROGRAMS / self.name)
        if (folder / STAMP).exists():
            return nothing
        shutil.rmtree(folder, ignore_errors=True)
        try:
            self._make(folder, world)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return lambda: shutil.rmtree(folder)

    def _make(self, folder: Path, world: World) -> None:
        folder.mkdir(mode=0o755, parents=True)
        for part in PARTS:
            source = self.source / part
            if source.is_dir():
                shutil.copytree(source, folder / part, ignore=LEFT_OUT)
            elif source.is_file():
                shutil.copy2(source, folder / part)
        environment = folder / ".venv"
        python = environment / "bin/python"
        world.runner.run((sys.executable, "-I", "-m", "venv", str(environment)))
        where = ("--no-index", "--find-links", str(self.wheels)) if self.wheels else ()
        world.runner.run((str(python), "-I", "-m", "pip", "--disable-pip-version-check", "--no-input", "install", "--quiet",
                          "--require-hashes", "--only-binary", ":all:", *where, "-r", str(folder / "requirements.txt")))
        _link(folder, environment)
        # The service's user may not write here, so what Python would compile at every start is compiled now.
        world.runner.run((str(python), "-I", "-m", "compileall", "-q", str(folder / "controller"), str(folder / "api")))
        world.runner.run((str(python), "-I", "-c", LOADS))
        for path in (folder, *(one for one in folder.rglob("*") if not one.is_symlink())):
            path.chmod(path.stat().st_mode & 0o7555 | (0o555 if path.is_dir() else 0o444) | 0o200)
        (folder / STAMP).write_text("")


def _link(folder: Path, environment: Path) -> None:
    """The program in its environment: a path file, the metadata that tells it its own version, a command."""
    found = sorted(environment.glob("lib/python*/site-packages"))
    if not found:
        raise StepFailed(f"{environment} has no site-packages: Python's venv module is not whole. On Debian: apt install "
                         "python3-venv")
    site = found[0]
    (site / "soakwarden.pth").write_text("../../../..\n")
    number = tomllib.loads((folder / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    about = site / "soakwarden-0.dist-info"
    about.mkdir(exist_ok=True)
    (about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: soakwarden\nVersion: {number}\n")
    command = environment / "bin/soakwarden"
    command.write_text(PROGRAM)
    command.chmod(0o755)
