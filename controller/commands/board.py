"""`soakwarden board find`: which board is on which serial port. It listens and sends nothing, but opening a port resets many
boards, whatever hangs on it, so it asks first; a port that a controller holds is not opened.
"""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from controller.commands import versions
from controller.commands.out import Out
from controller.drivers.ports import (
    BY_ID,
    DEVICES,
    LISTEN_S,
    Answer,
    adapter_ports,
    adapters_there,
    asked,
    listed,
    one_of,
    serial_number,
)
from controller.exit_codes import Exit
from controller.install.places import RULE, USER
from controller.install.steps import Run, Text

BY_SOCKET = Path("/dev/serial/by-path")
SPEED = 115_200
LINK_NAME = re.compile(r"usb-(?P<serial>.+)-if(?P<interface>[0-9a-f]{2})(?:-port\d+)?")
"""How the device manager builds a name from an adapter's maker, kind and serial number."""
SOCKET_NAME = re.compile(r"(?P<path>.+?)(?:-port\d+)?")
TRIGGER = (("udevadm", "control", "--reload"), ("udevadm", "trigger", "--subsystem-match=tty", "--action=change"))
WARNING = ("These ports would be opened, which resets many boards, a printer or anything else included: {ports}. A port "
           "that a controller holds is left alone.")


NO_NUMBER = "has no serial number, so it cannot be told from its twin: no module may hang on it"


class Known(NamedTuple):
    """A board that was found, and the rule that names it; the rule is empty where the port has no lasting name."""

    answer: Answer
    rule: str


def add(verbs: Any) -> None:
    """Options of the command."""
    board = verbs.add_parser("board", help="which board is on which serial port?", description=__doc__)
    nouns = board.add_subparsers(dest="noun", required=True, metavar="find")
    made = nouns.add_parser("find", help="listen to every free serial port", description=__doc__)
    made.add_argument("--in", dest="folder", type=Path, default=BY_ID, help=f"folder of links to ports (default {BY_ID})")
    made.add_argument("--speed", type=int, default=SPEED, help="baud")
    made.add_argument("--listen-s", type=float, default=LISTEN_S, help="seconds for each port")
    made.add_argument("--yes", action="store_true", help="do not ask before ports are opened")
    made.add_argument("--name", action="store_true", help="also name each board's port /dev/soakwarden-BOARD for good (root)")
    made.add_argument("--by-socket", action="store_true", help="name by the socket it hangs on: for adapters without a number")
    made.add_argument("--adapter", default="", help="name the port of this Modbus adapter, by its serial number (root)")
    made.add_argument("--devices", type=Path, default=DEVICES, help=f"the kernel's serial devices (default {DEVICES})")
    made.add_argument("--root", type=Path, default=Path("/"), help="with --name: stage below this folder")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out, ask: Callable[[str], str] = input) -> int:
    """Ask, listen, list; with `--name` write the rule."""
    if options.adapter:
        return _adapter(options, out)
    ports = listed(options.folder)
    if not ports:
        out.refuse(f"There is no serial port in {options.folder}. Plug the board in, with a cable that carries data.")
        return Exit.FILES
    if not options.yes and not _agreed(ports, out, ask):
        return Exit.USAGE
    known = []
    for port in ports:
        answer = asked(port, options.speed, options.listen_s)
        known.append(Known(answer, _rule(answer, options.by_socket)))
        if not out.as_json:
            number = serial_number(port, options.devices)
            out.say(f"{port}: {answer.words}. Its adapter {f'has the serial number {number}' if number else NO_NUMBER}.")
    boards = [one for one in known if one.answer.board]
    code = _named(options, boards, out) if options.name and boards else Exit.GOOD
    out.result({"ports": [{**one.answer._asdict(), "rule": one.rule} for one in known]}, _closing(boards, options.name))
    return code if boards else Exit.PEER


def _adapter(options: argparse.Namespace, out: Out) -> int:
    """Give the service the port of a Modbus adapter. Nothing is opened, since nothing would speak."""
    ports = adapter_ports(options.adapter, options.folder, options.devices)
    if not ports:
        there = adapters_there(options.folder, options.devices)
        out.refuse(f"No adapter with the serial number {options.adapter} is plugged in. There are: {there}.")
        return Exit.FILES
    if several := one_of(ports, options.adapter):
        out.refuse(f"{several}.")
        return Exit.FILES
    answer = Answer(ports[0], options.adapter, f"adapter {options.adapter}", False)
    return _named(options, [Known(answer, _rule(answer, options.by_socket))], out)


def _agreed(ports: tuple[str, ...], out: Out, ask: Callable[[str], str]) -> bool:
    out.say(WARNING.format(ports=", ".join(ports)))
    try:
        said = ask("Open them (y/n)? ").strip().lower()
    except EOFError:
        out.refuse("There is nobody to ask, so nothing was opened. Give --yes to open them.")
        return False
    if said not in ("y", "yes"):
        out.refuse("Nothing was opened.")
        return False
    return True


def _closing(boards: list[Known], named: bool) -> str:
    if not boards:
        return ("No board spoke. Is it supplied, is the cable one that carries data, is its program on it? What a port said "
                "is above. A Modbus module never speaks unasked: it is named in a chamber file by its adapter's serial number.")
    if named:
        return "In a chamber file write the lasting name as the port, or find."
    rules = [one.rule for one in boards if one.rule]
    return "\n".join(["Lasting names: sudo soakwarden board find --name writes these lines:", *rules]) if rules else ""


def _rule(answer: Answer, by_socket: bool) -> str:
    """The device manager's rule for a board's adapter."""
    matches = (_socket_of(answer.port) if by_socket else _serial_of(answer.port)) if answer.board else ""
    name = f'SYMLINK+="soakwarden-{answer.board}", GROUP="{USER}", MODE="0660"'
    return f'SUBSYSTEM=="tty", {matches}, {name}' if matches else ""


def _serial_of(port: str) -> str:
    found = LINK_NAME.fullmatch(Path(port).name)
    return f'ENV{{ID_SERIAL}}=="{found["serial"]}", ENV{{ID_USB_INTERFACE_NUM}}=="{found["interface"]}"' if found else ""


def _socket_of(port: str, folder: Path = BY_SOCKET) -> str:
    device = os.path.realpath(port)
    paths = [Path(one).name for one in listed(folder) if os.path.realpath(one) == device and "-usbv" not in one]
    found = SOCKET_NAME.fullmatch(paths[0]) if paths else None
    return f'ENV{{ID_PATH}}=="{found["path"]}"' if found else ""


def _named(options: argparse.Namespace, boards: list[Known], out: Out) -> int:
    """Write one line a board into the rule, in place of an older line for the same board."""
    world = versions.world_of(options.root, out)
    path = world.at(RULE)
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    for one in boards:
        if not one.rule:
            out.refuse(f"{one.answer.port} has no name that lasts, so board {one.answer.board} is left out; try --by-socket.")
            continue
        lines = [line for line in lines if line.startswith("#") or f'"soakwarden-{one.answer.board}"' not in line] + [one.rule]
    return versions.perform((Text(RULE, "\n".join(lines) + "\n"),
                             Run("have the device manager read the rule and name the ports", TRIGGER)), world, False, out)
