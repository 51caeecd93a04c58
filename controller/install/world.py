"""What a plan is carried out on: a folder that stands for the computer's root, and something that runs other programs."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

COMMAND_S = 900
"""A small computer needs minutes to unpack the libraries."""
SAID_MAX = 600


class StepFailed(Exception):
    """A step cannot be done. The text says why and what to do."""


class Runner(Protocol):
    """Runs other programs."""

    def run(self, words: Sequence[str]) -> None:
        """Run to the end. Raises StepFailed."""

    def answers_yes(self, words: Sequence[str]) -> bool:
        """Run a question; true for exit code 0."""


class SystemRunner:
    """Runs them."""

    def run(self, words: Sequence[str]) -> None:
        try:
            done = _run(words)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise StepFailed(f"`{' '.join(words)}` did not run: {error}") from None
        if done.returncode:
            said = (done.stderr or done.stdout).strip()[-SAID_MAX:]
            raise StepFailed(f"`{' '.join(words)}` ended with code {done.returncode}: {said or 'it said nothing'}")

    def answers_yes(self, words: Sequence[str]) -> bool:
        try:
            return _run(words).returncode == 0
        except (OSError, subprocess.TimeoutExpired):
            return False


def _run(words: Sequence[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(words, capture_output=True, text=True, timeout=COMMAND_S, stdin=subprocess.DEVNULL, check=False)


class StagedRunner:
    """For a staging folder: what works inside the folder is run, what would act on this computer is only said."""

    def __init__(self, root: Path, inner: Runner, say: Callable[[str], None]) -> None:
        self._root, self._inner, self._say = root, inner, say

    def run(self, words: Sequence[str]) -> None:
        if any(str(self._root) in word for word in words[:1]) or "venv" in words:
            self._inner.run(words)
        else:
            self._say(f"    not run in a staging folder: {' '.join(words)}")

    def answers_yes(self, words: Sequence[str]) -> bool:
        return False


class Probe(Protocol):
    """Asks the services."""

    def busy(self, chambers: Sequence[str]) -> list[str]:
        """Why the services must not be stopped now: one sentence for each chamber where a run is on or waits."""

    def answering(self, chambers: Sequence[str]) -> frozenset[str]:
        """Who answers: units."""


class World(NamedTuple):
    """What steps act on."""

    root: Path
    runner: Runner
    probe: Probe
    say: Callable[[str], None]
    wait: Callable[[float], None]
    """Let so many seconds pass."""
    mono_s: Callable[[], float]

    def at(self, path: Path) -> Path:
        """Where a path of the computer really is."""
        return self.root / path.relative_to("/")

    @property
    def staged(self) -> bool:
        """True when a folder only stands for the computer."""
        return self.root != Path("/")


def in_place(path: Path, data: bytes, mode: int) -> None:
    """Write a whole file or none: beside, then renamed, and on the disk when this returns."""
    beside = path.with_name(f".{path.name}.new")
    with beside.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    beside.chmod(mode)
    beside.rename(path)
