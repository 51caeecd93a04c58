"""Puts a controller together, or refuses with one clear line and an exit code. No heat before all of it is right."""

from __future__ import annotations

import argparse
import platform
import signal
import sqlite3
import sys
import time
from contextlib import ExitStack
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from controller.board_line import PEER_S, BoardLine, Line
from controller.commissioning.commissioner import Commissioner
from controller.config import BadChamber, ChamberFolder, load
from controller.drivers import latch, sealed
from controller.drivers.clocks import Clock, LockStepClock, WallClock, utc_us
from controller.drivers.host import go_first
from controller.drivers.locks import Taken, lock_folder, lock_port
from controller.drivers.module_port import ModulePort
from controller.drivers.notify import Notifier
from controller.drivers.ports import BY_ID, DEVICES, Asked, Finder, adapter_ports, adapters_there, one_of
from controller.drivers.serial_port import WRITE_S, SerialPort
from controller.exit_codes import Exit
from controller.module_line import ModuleLine
from controller.records.errors import RecordError
from controller.records.writer import About, Writer, last_utc_us, next_run
from controller.service import Parts, Service
from controller.snapshot import Facts

SESSION_MAX = 65_535
RECORD_FILE = "record.db"
SOCKET_FILE = "controller.sock"
PORTS_FILE = "ports"
"""Which board was heard on which port, so that the next start need not open other boards' ports."""
FIND = "find"
"""In place of a port: the one on which this chamber's board speaks."""
FIND_S = 60.0
FIND_EVERY_S = 2.0
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
    made.add_argument("--port", default="", help="serial port, or find; default is the chamber file's")
    made.add_argument("--find-in", type=Path, default=BY_ID, help="with find: folder of links to serial ports")
    made.add_argument("--devices", type=Path, default=DEVICES, help="folder of the kernel's serial devices")
    made.add_argument("--lock-step", action="store_true", help="the peer's clock is the only clock (simulated boards)")
    made.add_argument("--speed", type=float, default=1.0, help="seconds of the peer's time in one real second")
    return made


def assembled(options: argparse.Namespace, held: ExitStack) -> Service:
    """A service that is ready to run; what it holds is let go with `held`. Raises Refused."""
    folder = _chamber(options.chamber)
    port_path = options.port or folder.port
    _check_times(options, folder)
    if folder.modbus is not None and options.port:
        raise Refused(Exit.USAGE, "--port is for boards; a module's port is found by its adapter's serial number, which stands "
                                  "under [modbus] in chamber.toml")
    if not port_path and folder.modbus is None:
        raise Refused(Exit.CHAMBER, "no serial port is named; write it, or find, under [line] in chamber.toml, or "
                                    "give --port")
    try:
        options.data.mkdir(parents=True, exist_ok=True)
        held.enter_context(lock_folder(options.data))
        if folder.modbus is not None:
            port_path = module_port(folder.modbus.adapter, options.find_in, options.devices)
        elif port_path == FIND:
            port_path = found(Finder(folder.chamber.board, folder.speed, _ports_known(options.data), options.find_in),
                              options.data, folder.chamber.board)
        held.enter_context(lock_port(port_path))
    except Taken as error:
        raise Refused(Exit.TAKEN, str(error)) from None
    except OSError as error:
        raise Refused(Exit.FILES, f"data folder {options.data}: {error.strerror}; give the service's user the right to "
                                  "write there, or name another with --data") from None
    check_belongs(options.data, folder)
    return _service(options, folder, port_path, held)


def found(finder: Finder, data: Path, board: str, patience_s: float = FIND_S) -> str:
    """The port on which the board speaks. Raises Refused when it does not turn up; what was heard is kept for the next time."""
    until_s = time.monotonic() + patience_s
    while not (port := finder.look()):
        if time.monotonic() >= until_s:
            heard = "; ".join(f"{port} {words}" for port, words in finder.said.items()) or "there is no serial port"
            raise Refused(Exit.PEER, f"board {board} was not found within {patience_s:g} s: {heard}. Plug it in and give it "
                                     "its supply; soakwarden board find lists what there is")
        time.sleep(FIND_EVERY_S)
    sealed.write(data / PORTS_FILE, {one: list(asked) for one, asked in finder.memory.items()})
    return port


def module_port(adapter: str, links: Path, devices: Path = DEVICES, patience_s: float = FIND_S) -> str:
    """The port of a module's adapter, by its lasting name. Raises Refused when it is not plugged in, or not the only one."""
    until_s, said = time.monotonic() + patience_s, False
    while not (ports := adapter_ports(adapter, links, devices)):
        if time.monotonic() >= until_s:
            raise Refused(Exit.PEER, f"no adapter with the serial number {adapter} was found within {patience_s:g} s. "
                                     f"There are: {adapters_there(links, devices)}. Plug it in, or correct [modbus] adapter")
        if not said:
            sys.stderr.write(f"Waiting up to {patience_s:g} s for the adapter {adapter}: it is not plugged in.\n")
            said = True
        time.sleep(FIND_EVERY_S)
    if several := one_of(ports, adapter):
        raise Refused(Exit.PEER, several)
    return ports[0]


def _ports_known(data: Path) -> dict[str, Asked]:
    """What earlier starts have heard; nothing where that cannot be read, since it only saves openings."""
    try:
        known = sealed.read(data / PORTS_FILE).items()
        return {port: Asked(int(plugged_ns), str(board)) for port, (plugged_ns, board) in known}
    except (sealed.Unsealed, OSError, ValueError, TypeError):
        return {}


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
    line, clock = _line(options, folder, port_path, newest_us, held)
    facts = Facts(own_version(), writer.boot, folder, clock.name, clock.speed)
    parts = Parts(folder, clock, line, writer, latch.LatchKeeper(folder.latch_path), Notifier(), facts,
                  options.data / SOCKET_FILE, run_number, Commissioner(folder, utc_us()))
    return Service(parts, latches, waited)


def _line(options: argparse.Namespace, folder: ChamberFolder, port_path: str, newest_us: int,
          held: ExitStack) -> tuple[Line, Clock]:
    """The line to the board or to the module, begun, and the clock that goes with it."""
    session = utc_us() // 1_000_000 % SESSION_MAX + 1
    if folder.modbus is not None:
        module_line = ModuleLine(session)
        module = ModulePort(port_path, folder.modbus, folder.chamber.limits.silence_us, module_line.wake)
        module_line.use(module)
        held.callback(module.close)
        module.start()
        return module_line, WallClock()
    line = BoardLine(options.lock_step, session)
    port = SerialPort(port_path, folder.speed, line.wake, write_s=PEER_S if options.lock_step else WRITE_S)
    line.use(port)
    held.callback(port.close)
    port.start()
    return line, LockStepClock(options.speed, line.stretch, newest_us) if options.lock_step else WallClock()


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
