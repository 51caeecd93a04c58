"""The computer itself: Python, libraries, clock, supply."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from controller.doctor.finding import Finding, Mark, Places, judged
from controller.drivers.clock_sync import synchronised

PYTHON_LEAST = (3, 11)
WAL_RESET_FIXED = (3, 51, 3)
"""SQLite before this can corrupt a WAL file when two connections write or checkpoint at once; ours has one writer."""
LIBRARIES = ("pyserial", "simple-pid", "sqlalchemy", "alembic", "fastapi", "uvicorn", "argon2-cffi", "apprise")
POWER_FILES = ("/sys/devices/platform/soc/soc:firmware/get_throttled", "/sys/devices/platform/soc/*/get_throttled")
"""Where small computers' firmware says how its supply is: a hexadecimal number."""
POWER_COMMAND = ("vcgencmd", "get_throttled")
LOW_NOW, LOW_SINCE_BOOT = 1 << 0, 1 << 16
"""Bits of that number: the supply is too low now, or has been since the computer started (from memory)."""
COMMAND_S = 3.0


def python(_places: Places) -> Iterator[Finding]:
    """Its version."""
    yield judged(sys.version_info >= PYTHON_LEAST, "Python", sys.version.split()[0], "Use Python 3.11 or newer.")


def sqlite(_places: Places) -> Iterator[Finding]:
    """Its version, and whether a known fault of it matters."""
    yield judged(sqlite3.sqlite_version_info >= WAL_RESET_FIXED, "SQLite", sqlite3.sqlite_version,
                 "Older than 3.51.3, which mended a rare corruption when two connections write at once. Here one thread writes "
                 "and every reader is read-only: never open record.db for writing by hand.", Mark.NOTE)


def libraries(_places: Places) -> Iterator[Finding]:
    """Are they there, and which?"""
    found, missing = [], []
    for name in LIBRARIES:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            missing.append(name)
    yield judged(not missing, "libraries", f"missing: {', '.join(missing)}" if missing else ", ".join(found),
                 "Install the program anew: sudo make install, or make run in a checkout.")


def clock(_places: Places) -> Iterator[Finding]:
    """Does the kernel call it synchronised?"""
    known = synchronised()
    words = {True: "synchronised", False: "not synchronised", None: "this system does not say"}
    yield judged(known is True, "clock", words[known], "Stamps in the record may be wrong, and a start at a named time waits; "
                 "durations never depend on it. Set up time synchronisation: timedatectl set-ntp true.", Mark.NOTE)


def throttled(files: tuple[str, ...] = POWER_FILES, command: tuple[str, ...] = POWER_COMMAND) -> int | None:
    """The firmware's number about its supply; None where nothing says it."""
    for pattern in files:
        for path in sorted(Path("/").glob(pattern.lstrip("/"))):
            try:
                return int(path.read_text(), 16)
            except (OSError, ValueError):
                continue
    try:
        said = subprocess.run(command, capture_output=True, text=True, timeout=COMMAND_S, check=False).stdout
        return int(said.strip().partition("=")[2], 16)
    except (OSError, ValueError, subprocess.TimeoutExpired):
        return None


def supply(_places: Places, provider: Callable[[], int | None] = throttled) -> Iterator[Finding]:
    """Is the computer's own supply high enough? A low one spoils memory cards and resets boards."""
    bits = provider()
    if bits is None:
        yield Finding(Mark.NOTE, "supply", "this computer does not say whether its supply is high enough",
                      "Use the supply that its maker names, on a short cable.")
        return
    advice = "Use the supply that the computer's maker names, on a short cable; feed boards and adapters separately."
    if bits & LOW_NOW:
        yield Finding(Mark.BAD, "supply", "too low now; the memory card may be spoiled", advice)
    else:
        yield judged(not bits & LOW_SINCE_BOOT, "supply", "was too low since the computer started" if bits & LOW_SINCE_BOOT else
                     "high enough since the computer started", advice, Mark.NOTE)


LOOKS: tuple[Callable[[Places], Iterator[Finding]], ...] = (python, sqlite, libraries, clock, supply)
