"""Puts a controller together, or refuses with one clear line and an exit code. No heat before all of it is right."""

from __future__ import annotations

import argparse
import platform
import signal
import sqlite3
import sys
from contextlib import ExitStack
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from controller.board_line import PEER_S, BoardLine
from controller.config import BadChamber, ChamberFolder, load
from controller.drivers import latch, sealed
from controller.drivers.clocks import Clock, LockStepClock, WallClock, utc_us
from controller.drivers.host import go_first
from controller.drivers.locks import Taken, lock_folder, lock_port
from controller.drivers.notify import Notifier
from controller.drivers.serial_port import WRITE_S, SerialPort
from controller.exit_codes import Exit
from controller.records.errors import RecordError
from controller.records.writer import About, Writer, last_utc_us, next_run
from controller.service import Parts, Service
from controller.snapshot import Facts

SESSION_MAX = 65_535
RECORD_FILE = "record.db"
SOCKET_FILE = "controller.sock"
BELONGS_FILE = "belongs"
"""Says which board's data a folder holds."""


class Refused(Exception):
    """The controller does not start. `code` is the exit code, the text says why and what to do."""

    def __init__(self, code: Exit, text: str) -> None:
        self.code = code
        super().__init__(text)


def own_version() -> str:
    """Version of this program; a checkout that is not installed says so by its own name."""
    try:
        return version("soakwarden")
    except PackageNotFoundError:
        return "0.1.0"


def main(arguments: list[str] | None = None) -> int:
    """`python -m controller.service`. Returns the exit code; SIGTERM and SIGINT end it with the heat off and code 0."""
    options = parser().parse_args(arguments)
    try:
        with ExitStack() as held:
            service = assembled(options, held)
            for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
                signal.signal(number, lambda got, _frame: service.end(signal.Signals(got).name))
            service.run()
    except Refused as refusal:
        sys.stderr.write(f"{refusal}\n")
        return refusal.code
    return Exit.GOOD


def parser() -> argparse.ArgumentParser:
    """Options of the controller process."""
    made = argparse.ArgumentParser(prog="python -m controller.service", description=__doc__)
    made.add_argument("--chamber", type=Path, required=True, help="chamber folder")
    made.add_argument("--data", type=Path, required=True, help="folder for record, socket and lock")
    made.add_argument("--port", default="", help="serial port; default is the chamber file's")
    made.add_argument("--lock-step", action="store_true", help="the peer's clock is the only clock (simulated boards)")
    made.add_argument("--speed", type=float, default=1.0, help="seconds of the peer's time in one real second")
    return made


def assembled(options: argparse.Namespace, held: ExitStack) -> Service:
    """A service that is ready to run; what it holds is let go with `held`. Raises Refused."""
    folder = _chamber(options.chamber)
    port_path = options.port or folder.port
    _check_times(options, folder)
    if not port_path:
        raise Refused(Exit.CHAMBER, "no serial port is named; write it under [line] in chamber.toml, or give --port")
    try:
        options.data.mkdir(parents=True, exist_ok=True)
        held.enter_context(lock_folder(options.data))
        held.enter_context(lock_port(port_path))
    except Taken as error:
        raise Refused(Exit.TAKEN, str(error)) from None
    except OSError as error:
        raise Refused(Exit.FILES, f"data folder {options.data}: {error.strerror}; give the service's user the right to "
                                  "write there, or name another with --data") from None
    check_belongs(options.data, folder)
    return _service(options, folder, port_path, held)


def _service(options: argparse.Namespace, folder: ChamberFolder, port_path: str, held: ExitStack) -> Service:
    if not options.lock_step:  # a peer's time cannot be missed, and at full speed nothing else would get a turn
        go_first()
    record_path = options.data / RECORD_FILE
    writer = Writer(record_path, None, about(folder))
    run_number, newest_us = next_run(record_path), last_utc_us(record_path)
    try:
        writer.start()
    except RecordError as error:
        raise Refused(Exit.RECORD, f"{record_path}: {error}") from None
    latches, waited = latch.read(folder.latch_path, utc_us()), latch.a_start_waited(folder.latch_path)
    line = BoardLine(options.lock_step, utc_us() // 1_000_000 % SESSION_MAX + 1)
    port = SerialPort(port_path, folder.speed, line.wake, write_s=PEER_S if options.lock_step else WRITE_S)
    line.use(port)
    clock: Clock = LockStepClock(options.speed, line.stretch, newest_us) if options.lock_step else WallClock()
    facts = Facts(own_version(), writer.boot, folder, clock.name, clock.speed)
    parts = Parts(folder, clock, line, writer, latch.LatchKeeper(folder.latch_path), Notifier(), facts,
                  options.data / SOCKET_FILE, run_number)
    held.callback(port.close)
    port.start()
    return Service(parts, latches, waited)


def about(folder: ChamberFolder) -> About:
    """What is true of this boot, for the record."""
    chamber = folder.chamber
    return About(own_version(), platform.python_version(), sqlite3.sqlite_version, chamber.simulated, chamber.board, chamber,
                 folder.texts)


def _chamber(path: Path) -> ChamberFolder:
    try:
        return load(path, utc_us())
    except BadChamber as error:
        raise Refused(error.code, error.told) from None


def _check_times(options: argparse.Namespace, folder: ChamberFolder) -> None:
    """Any speed but 1, and lock-step itself, are for simulated chambers only."""
    if options.lock_step and not folder.chamber.simulated:
        raise Refused(Exit.USAGE, "--lock-step is for simulated chambers; this chamber file says simulated = false")
    if options.speed != 1 and not options.lock_step:
        raise Refused(Exit.USAGE, f"--speed {options.speed:g} needs --lock-step; in real time only 1 is allowed")
    if not 0.1 <= options.speed <= 100_000:
        raise Refused(Exit.USAGE, f"--speed {options.speed:g}; allowed is 0.1 to 100000")


def check_belongs(data: Path, folder: ChamberFolder) -> None:
    """A data folder holds one board's data for ever, so that simulated and real never mix."""
    path = data / BELONGS_FILE
    ours = {"board": folder.chamber.board, "simulated": folder.chamber.simulated}
    try:
        if not path.exists():
            sealed.write(path, ours)
        theirs = sealed.read(path)
    except sealed.Unsealed as error:
        raise Refused(Exit.FILES, f"{error}; look whose data this folder holds, then delete that file") from None
    except OSError as error:
        raise Refused(Exit.FILES, f"{path}: {error.strerror}") from None
    if theirs != ours:
        kind = "a simulated" if theirs.get("simulated") else "a real"
        raise Refused(Exit.FILES, f"data folder {data} belongs to {kind} chamber, board {theirs.get('board')}; name "
                                  "another with --data")
