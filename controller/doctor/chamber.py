"""One chamber: its folder, its record, its port, its controller."""

from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

from controller.client import Client, ControllerError
from controller.config import BadChamber, ChamberFolder, load
from controller.core.guards import GUARDS, INDEX
from controller.core.setup import LEVEL_WORDS
from controller.doctor.finding import Finding, Mark, Places, judged
from controller.drivers import latch
from controller.drivers.clocks import utc_us
from controller.drivers.locks import Taken, lock_port
from controller.drivers.ports import BY_ID, DEVICES, adapter_ports, adapters_there, listed, one_of
from controller.link.registers import RegisterMap
from controller.records.errors import RecordError
from controller.records.queries import Reader
from controller.start_up import FIND, RECORD_FILE, SOCKET_FILE

DISK_LEAST_BYTES = 500 * 1024 * 1024
RUN_BYTES = 50 * 1024 * 1024
"""What a 16 h run writes, at most."""
OTHERS = 0o007
ASK_S = 2.0
SOCKET_MODE = 0o660
PROCESSES = Path("/proc")


def data(places: Places) -> Iterator[Finding]:
    """The data folder: rights, space, record."""
    folder = places.data
    if not folder.is_dir():
        yield Finding(Mark.NOTE, "data folder", f"{folder} is not there yet", "The first start makes it.")
        return
    yield from rights(places)
    free = shutil.disk_usage(folder).free
    yield judged(free >= DISK_LEAST_BYTES, "disk", f"{free >> 20} MiB free, a run of 16 h writes at most {RUN_BYTES >> 20} MiB",
                 "Free some space before a run.")
    yield from _record(folder / RECORD_FILE)


def rights(places: Places) -> Iterator[Finding]:
    """Whose it is, and who may do what. An installed one belongs to the service's user, and is nobody's else."""
    folder = places.data
    if not places.installed:
        good = os.access(folder, os.R_OK | os.W_OK | os.X_OK)
        yield judged(good, "data folder", f"{folder}, {'writable' if good else 'not writable'}",
                     f"Give this user the right: chown {os.getuid()} {folder}")
        return
    found = folder.stat()
    owner, parent = found.st_uid, folder.parent.stat().st_uid
    mend = "Set owners and rights anew: sudo soakwarden install."
    yield judged(owner == parent, "data folder", f"{folder} belongs to user {owner}, the house to user {parent}", mend)
    yield judged(not found.st_mode & OTHERS, "data folder", f"{folder} has the rights {stat.S_IMODE(found.st_mode):04o}", mend)
    socket_path = folder / SOCKET_FILE
    if socket_path.exists():
        mode = stat.S_IMODE(socket_path.stat().st_mode)
        yield judged(mode == SOCKET_MODE, "socket", f"{socket_path} has the rights {mode:04o}, {SOCKET_MODE:04o} is right",
                     "Start the controller again; it sets them.")


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


def controller(places: Places) -> Iterator[Finding]:
    """Does it run and keep its time?"""
    path = places.data / SOCKET_FILE
    if not path.exists():
        start = (f"sudo systemctl start soakwarden-controller@{places.data.name}" if places.installed else
                 f"soakwarden serve {f'--chamber {places.chamber}' if places.chamber else '--demo'}")
        yield Finding(Mark.NOTE, "controller", f"not running on the data folder {places.data}", f"Start it with: {start}")
        return
    try:
        health = asyncio.run(Client(path, ASK_S).ask("health"))
    except ControllerError as error:
        yield Finding(Mark.BAD, "controller", error.reason, "Its socket is there but nobody answers: start it again.")
        return
    failing = health["record_failing"] or health["latch_failing"]
    yield judged(not failing, "controller", failing or f"runs, tick {health['tick']}, ticks late by "
                 f"{health['late_p99_us'] / 1000:.1f} ms (99 of 100), {health['late_max_us'] / 1000:.0f} ms at most",
                 "Free space on the disk, or replace the card.")


def chamber(places: Places) -> Iterator[Finding]:
    """The chamber file, its latch, its port."""
    if places.chamber is None:
        if places.port:
            yield from port(places.port, None)
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
    stands = latch.read(folder.latch_path, utc_us())
    if latch.says_running(folder.latch_path) and _answers(places):
        yield Finding(Mark.GOOD, "latch", "a run is on")
        stands = tuple(one for one in stands if one.guard != latch.ENDED_IN_A_RUN)
    for stored in stands:
        yield Finding(Mark.NOTE, "latch", f"{stored.guard.replace('_', ' ')}: {stored.detail}".rstrip(": "),
                      " ".join(GUARDS[INDEX[stored.guard]].do) if stored.guard in INDEX else "Look at the chamber.")
    if folder.modbus is not None:
        yield from module(folder, folder.modbus)
        return
    yield from port(places.port or folder.port, folder)


def module(folder: ChamberFolder, registers: RegisterMap, links: Path = BY_ID,
           devices: Path = DEVICES) -> Iterator[Finding]:
    """A ready-made module: what ends its heat on silence, and its adapter. Nothing is opened, so nothing is asked of it."""
    has = folder.chamber.module
    ends = has is not None and has.ends_on_silence
    by = "by its time-out or timer relay, looked at when the controller greets it" if ends else "by nothing"
    yield judged(ends, "module",
                 f"{registers.board}; hello, boot id and board limits are not fitted; on silence its heat ends {by}",
                 "It gives no heat: hardware_notes/modbus_modules.md says what it needs.", Mark.NOTE)
    ports = adapter_ports(registers.adapter, links, devices)
    if not ports:
        yield Finding(Mark.BAD, "adapter", f"none with the serial number {registers.adapter} is plugged in",
                      f"Plug it in, or write the right number. There are: {adapters_there(links, devices)}.")
        return
    if several := one_of(ports, registers.adapter):
        yield Finding(Mark.BAD, "adapter", *several.split(". ", 1))
        return
    path = ports[0]
    yield judged(os.access(path, os.R_OK | os.W_OK), "adapter", f"{path} is there{_holder(path)}",
                 f"This user may not open it. For the services: sudo soakwarden board find --adapter {registers.adapter}; by "
                 "hand: add the user to the group that owns it (on Debian: adduser USER dialout), then sign in again.")


def _answers(places: Places) -> bool:
    """Whether this chamber's controller is there and speaks."""
    try:
        asyncio.run(Client(places.data / SOCKET_FILE, ASK_S).ask("health"))
    except ControllerError:
        return False
    return True


def port(path: str, folder: ChamberFolder | None) -> Iterator[Finding]:
    """The port: is it there, may it be opened, who holds it? It is not opened."""
    if not path:
        if folder is not None and not folder.chamber.simulated:
            yield Finding(Mark.BAD, "port", "none is named", "Write it, or find, under [line] in chamber.toml, or give --port.")
        return
    if path == FIND:
        yield from _ports_to_find()
        return
    try:
        kind = Path(path).stat().st_mode
    except OSError as error:
        yield Finding(Mark.BAD, "port", f"{path}: {error.strerror}", f"Plug the board in; look: ls {BY_ID}")
        return
    if not stat.S_ISCHR(kind):
        yield Finding(Mark.BAD, "port", f"{path} is no device", "Name the board's serial port.")
    elif not os.access(path, os.R_OK | os.W_OK):
        yield Finding(Mark.BAD, "port", f"{path} may not be opened by this user",
                      "Add the user to the group that owns it (on Debian: adduser USER dialout), then sign in again; for the "
                      "services: sudo soakwarden board find --name.")
    else:
        lasting = "/by-id/" in path or path.startswith(("/dev/pts/", "/dev/soakwarden-"))
        yield judged(lasting, "port", f"{path} is there and may be opened{_holder(path)}",
                     "Better name it by id: numbers change when a cable moves.", Mark.NOTE)


def _ports_to_find() -> Iterator[Finding]:
    ports = listed()
    usable = [one for one in ports if os.access(one, os.R_OK | os.W_OK)]
    yield judged(bool(ports), "port", f"is to be found among {len(ports)}, {len(usable)} of which this user may open",
                 "Plug the board in, then: sudo soakwarden board find --name.")


def _holder(path: str) -> str:
    """Words about who uses a port; found by its lock and by open files, without opening it."""
    try:
        lock_port(path).close()
        held = ""
    except Taken:
        held = "; a controller holds it"
    who = ", ".join(users(path))
    return f"{held or '; it is in use'} ({who})" if who else held


def users(path: str) -> list[str]:
    """Processes that have a device open, as far as this user may see them: name and number."""
    device, found = os.path.realpath(path), []
    for process in sorted(PROCESSES.glob("[0-9]*"), key=lambda one: int(one.name)):
        try:
            if any(os.path.realpath(one) == device for one in (process / "fd").iterdir()):
                found.append(f"{(process / 'comm').read_text().strip()}, process {process.name}")
        except OSError:
            continue  # another user's, or ended meanwhile
    return found


LOOKS: tuple[Callable[[Places], Iterator[Finding]], ...] = (data, controller, chamber)
