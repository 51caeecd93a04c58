"""What a look gives, and what it is told to look at."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import NamedTuple


class Mark(StrEnum):
    """How a finding is meant."""

    GOOD = "good"
    NOTE = "note"
    BAD = "bad"


class Finding(NamedTuple):
    """One thing looked at: what, how it is, and what to do (empty when nothing)."""

    mark: Mark
    what: str
    found: str
    do: str = ""


class Places(NamedTuple):
    """What to look at: one chamber, and what is shared."""

    data: Path
    chamber: Path | None
    port: str
    desk: Path
    installed: bool = False
    """The service units look after it."""


def judged(good: bool, what: str, found: str, do: str, otherwise: Mark = Mark.BAD) -> Finding:
    """Good, and then nothing is to be done; or `otherwise`, and what to do."""
    return Finding(Mark.GOOD, what, found) if good else Finding(otherwise, what, found, do)
