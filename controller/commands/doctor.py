"""`soakwarden doctor`: looks at everything that must be right around the controller, and says what to do about the rest.

It opens no device and changes nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import shutil
import sqlite3
import stat
import sys
from collections.abc import Callable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import Any, NamedTuple

from controller.client import Client, ControllerError
from controller.commands.out import Out
from controller.commands.serve import DATA_DEMO, DATA_REAL
from controller.config import BadChamber, ChamberFolder, load
from controller.core.guards import GUARDS, INDEX
from controller.core.setup import LEVEL_WORDS
from controller.drivers import latch
from controller.drivers.clocks import utc_us
from controller.drivers.host import clock_synchronised
from controller.exit_codes import Exit
from controller.records.errors import RecordError
from controller.records.queries import Reader
from controller.start_up import RECORD_FILE, SOCKET_FILE

PYTHON_LEAST = (3, 11)
WAL_RESET_FIXED = (3, 51, 3)
"""SQLite before this can corrupt a WAL file when two connections write or checkpoint at once; ours has one writer."""
DISK_LEAST_BYTES = 500 * 1024 * 1024
RUN_BYTES = 50 * 1024 * 1024
"""What a 16 h run writes, at most."""


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
    """What to look at."""

    data: Path
    chamber: Path | None
    port: str


def add(verbs: Any) -> None:
    """Options of the command."""
    made = verbs.add_parser("doctor", help="is everything around the controller right?", description=__doc__)
    made.add_argument("--chamber", type=Path, help="chamber folder to look at")
    made.add_argument("--data", type=Path,
                      help=f"data folder (default: {DATA_REAL} with --chamber, as serve has it; else the demo's, {DATA_DEMO})")
    made.add_argument("--port", default="", help="serial port to look at; default is the chamber file's")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out) -> int:
    """Look at everything. Exit code 0 when nothing is bad; notes are no findings."""
    data = options.data or (DATA_REAL if options.chamber else DATA_DEMO)
    chamber = options.chamber or (data / "chamber" if (data / "chamber").is_dir() else None)  # the demo keeps its own there
    places = Places(data, chamber, options.port)
    findings = [finding for look in LOOKS for finding in look(places)]
    for finding in findings:
        if not out.as_json:
            out.say(_line(finding))
    bad = sum(finding.mark is Mark.BAD for finding in findings)
    out.result({"bad": bad, "findings": [finding._asdict() for finding in findings]},
               f"{bad} thing(s) need you." if bad else "Nothing needs you.")
    return Exit.FINDINGS if bad else Exit.GOOD


def _line(finding: Finding) -> str:
    """One finding for people."""
    advice = f"\n      {finding.do}" if finding.do else ""
    return f"{finding.mark.value:4}  {finding.what}: {finding.found}{advice}"


def _python(_places: Places) -> Iterator[Finding]:
    words = sys.version.split()[0]
    good = sys.version_info >= PYTHON_LEAST
    yield Finding(Mark.GOOD if good else Mark.BAD, "Python", words, "" if good else "Use Python 3.11 or newer.")


def _sqlite(_places: Places) -> Iterator[Finding]:
    fixed = sqlite3.sqlite_version_info >= WAL_RESET_FIXED
    note = "" if fixed else ("Older than 3.51.3, which mended a rare corruption when two connections write at once. Here one "
                             "thread writes and every reader is read-only: never open record.db for writing by hand.")
    yield Finding(Mark.GOOD if fixed else Mark.NOTE, "SQLite", sqlite3.sqlite_version, note)


def _data(places: Places) -> Iterator[Finding]:
    data = places.data
    if not data.is_dir():
        yield Finding(Mark.NOTE, "data folder", f"{data} is not there yet", "The first start makes it.")
        return
    rights = os.access(data, os.R_OK | os.W_OK | os.X_OK)
    yield Finding(Mark.GOOD if rights else Mark.BAD, "data folder", f"{data}, {'writable' if rights else 'not writable'}",
                  "" if rights else f"Give this user the right: chown {os.getuid()} {data}")
    free = shutil.disk_usage(data).free
    yield Finding(Mark.GOOD if free >= DISK_LEAST_BYTES else Mark.BAD, "disk", f"{free >> 20} MiB free, a run of 16 h writes "
                  f"at most {RUN_BYTES >> 20} MiB", "" if free >= DISK_LEAST_BYTES else "Free some space before a run.")
    yield from _record(data / RECORD_FILE)


def _record(path: Path) -> Iterator[Finding]:
    if not path.exists():
        yield Finding(Mark.NOTE, "record", "none yet", "The first start makes it.")
        return
    try:
        runs = Reader(path).runs(limit=1)
    except (RecordError, sqlite3.Error, OSError) as error:
        yield Finding(Mark.BAD, "record", str(error),
                      "Keep a copy of the file; the next start sets it aside and begins anew.")
        return
    aside = sorted(one.name for one in path.parent.glob(f"{path.name}.unreadable-*"))
    yield Finding(Mark.GOOD, "record", f"readable, newest run {runs[0].id}" if runs else "readable, no run yet")
    if aside:
        yield Finding(Mark.NOTE, "record", f"set aside earlier: {', '.join(aside)}",
                      "Check the disk; keep or delete these.")


def _controller(places: Places) -> Iterator[Finding]:
    path = places.data / SOCKET_FILE
    if not path.exists():
        yield Finding(Mark.NOTE, "controller", f"not running on the data folder {places.data}",
                      f"Start it with: soakwarden serve {f'--chamber {places.chamber}' if places.chamber else '--demo'}")
        return
    try:
        health = asyncio.run(Client(path, 2.0).ask("health"))
    except ControllerError as error:
        yield Finding(Mark.BAD, "controller", error.reason, "Its socket is there but nobody answers: start it again.")
        return
    failing = health["record_failing"] or health["latch_failing"]
    yield Finding(Mark.BAD if failing else Mark.GOOD, "controller", failing or f"runs, tick {health['tick']}, ticks late by "
                  f"{health['late_p99_us'] / 1000:.1f} ms (99 of 100), {health['late_max_us'] / 1000:.0f} ms at most",
                  "Free space on the disk, or replace the card." if failing else "")


def _chamber(places: Places) -> Iterator[Finding]:
    if places.chamber is None:
        return
    try:
        folder = load(places.chamber, utc_us())
    except BadChamber as error:
        for mistake in error.mistakes:
            yield Finding(Mark.BAD, f"chamber file, {mistake.field}", f"{mistake.value}; allowed is {mistake.allowed}",
                          mistake.advice)
        return
    kind = "SIMULATED" if folder.chamber.simulated else "real"
    yield Finding(Mark.GOOD, "chamber", f"{folder.chamber.name}, {kind}, may run: {LEVEL_WORDS[folder.level.level]}. "
                  f"{folder.level.why}", folder.level.next_thing)
    for stored in latch.read(folder.latch_path, utc_us()):
        yield Finding(Mark.NOTE, "latch", f"{stored.guard.replace('_', ' ')} {stored.detail}".rstrip(),
                      " ".join(GUARDS[INDEX[stored.guard]].do) if stored.guard in INDEX else "Look at the chamber.")
    yield from _port(places.port or folder.port, folder)


def _port(path: str, folder: ChamberFolder | None) -> Iterator[Finding]:
    if not path:
        if folder is not None and not folder.chamber.simulated:
            yield Finding(Mark.BAD, "port", "none is named",
                          "Write it under [line] in chamber.toml: ls /dev/serial/by-id")
        return
    try:
        kind = Path(path).stat().st_mode
    except OSError as error:
        yield Finding(Mark.BAD, "port", f"{path}: {error.strerror}", "Plug the board in; look: ls /dev/serial/by-id")
        return
    rights = os.access(path, os.R_OK | os.W_OK)
    if not stat.S_ISCHR(kind):
        yield Finding(Mark.BAD, "port", f"{path} is no device", "Name the board's serial port.")
    elif not rights:
        yield Finding(Mark.BAD, "port", f"{path} may not be opened by this user",
                      "Add the user to the group that owns it (on Debian: adduser USER dialout), then sign in again.")
    else:
        by_id = "/by-id/" in path or path.startswith("/dev/pts/")
        yield Finding(Mark.GOOD if by_id else Mark.NOTE, "port", f"{path} is there and may be opened",
                      "" if by_id else "Better name it by id: numbers change when a cable moves.")


def _bare_port(places: Places) -> Iterator[Finding]:
    if places.chamber is None:
        yield from _port(places.port, None)


def _clock(_places: Places) -> Iterator[Finding]:
    known = clock_synchronised()
    words = {True: "synchronised", False: "not synchronised", None: "this system does not say"}
    advice = "Stamps in the record may be wrong; durations never are. Set up time synchronisation."
    yield Finding(Mark.GOOD if known else Mark.NOTE, "clock", words[known], "" if known else advice)


LOOKS: tuple[Callable[[Places], Iterator[Finding]], ...] = (_python, _sqlite, _data, _controller, _chamber, _bare_port, _clock)
