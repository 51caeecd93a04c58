"""`soakwarden chamber new FOLDER` asks a few questions and writes a commented chamber file and a latch. `soakwarden chamber add
NAME` makes one where the services look for it, and has them look after it; a folder that is there already is taken as it is.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller import new_chamber, new_module
from controller.chamber_fields import HEATER, LIMITS, Number
from controller.commands import bundles, versions
from controller.commands.out import Out
from controller.config import SHAPES, BadChamber, load, understood
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.install import look, plan
from controller.install.places import CURRENT, HOUSE, NOT_CHAMBERS, may_be_called
from controller.start_up import FIND

ASKED = ("element_w", "ceiling_c", "board_ceiling_c", "limiter_c", "limiter_tolerance_c", "thermal_link_c", "weakest_c")
"""Numbers that nobody can guess for you; all the others have defaults to begin with."""
CLEAR_BELOW_C = 10
ANSWERS = {"y": True, "yes": True, "n": False, "no": False}
BOARD_ID = re.compile(r"[0-9a-f]{6}")
REAL_ONLY = "The services look after real chambers; soakwarden serve --demo shows an invented one."
CAUTION = """\
Caution: mains voltage kills, and an unattended heater can burn a house down. Follow your local code, and have the wiring
done or checked by somebody licensed for it. This chamber gives no heat before it is commissioned."""


def add(verbs: Any) -> None:
    """Options of the command."""
    chamber = verbs.add_parser("chamber", help="make a chamber folder, carry it, say what changed", description=__doc__)
    nouns = chamber.add_subparsers(dest="noun", required=True, metavar="new|add|bundle|open|changed")
    made = nouns.add_parser("new", help="make a new chamber folder; refuses one that exists", description=__doc__)
    made.add_argument("folder", type=Path)
    _questions(made)
    made.set_defaults(act=act)
    added = nouns.add_parser("add", help="have the installed services look after one more chamber (root)", description=__doc__)
    added.add_argument("name_of", metavar="NAME", help="a short name: small letters, digits, hyphens")
    added.add_argument("--root", type=Path, default=Path("/"), help="stage below this folder")
    added.add_argument("--dry-run", action="store_true", help="print the steps and do nothing")
    _questions(added)
    added.set_defaults(act=act_add)
    bundles.add(nouns)


def _questions(made: argparse.ArgumentParser) -> None:
    """What both ask."""
    made.add_argument("--yes", action="store_true", help="ask nothing: take the options and the defaults")
    made.add_argument("--simulated", action="store_true", help="an invented chamber with invented proofs")
    made.add_argument("--uncommissioned", action="store_true", help="a simulated one without proofs, to try commissioning out")
    made.add_argument("--name", help="what to call it")
    made.add_argument("--board", help="the board's six digits")
    made.add_argument("--port", help="serial port, by id")
    made.add_argument("--adapter", help="serial number of a Modbus module's adapter, in place of a board")
    made.add_argument("--unit", type=int, help="that module's address on its line (default 1)")
    made.add_argument("--shape", choices=SHAPES, default="bench", help="of a simulated chamber")
    made.add_argument("--json", action="store_true", help="one JSON object a line")


def act(options: argparse.Namespace, out: Out, ask: Callable[[str], str] = input) -> int:
    """Ask, read what would be written as the controller will, and only then write it."""
    if options.folder.exists():
        out.refuse(f"{options.folder} exists already; nothing was changed. Name another folder, or edit "
                   f"{options.folder / 'chamber.toml'} by hand.")
        return Exit.FILES
    wrong = next((words for stands, words in (
        (options.adapter and options.board, "--adapter names a module and --board a board; a chamber has one of them."),
        (options.unit is not None and not options.adapter, "--unit is a module's address; give --adapter too."),
        (options.adapter and options.simulated, "--adapter names a real module; a simulated chamber has none."),
    ) if stands), "")
    if wrong:
        out.refuse(f"{wrong} Nothing was written.")
        return Exit.USAGE
    try:
        text, board = _answers(options, out, ask)
    except EOFError:
        out.refuse("There is nobody to ask. Give --yes to take the defaults, or run it in a terminal.")
        return Exit.USAGE
    return _write(options, out, text, board)


def act_add(options: argparse.Namespace, out: Out, ask: Callable[[str], str] = input) -> int:
    """Make the folder if it is not there, then have the services look after it."""
    name = options.name_of
    if not may_be_called(name):
        out.refuse(f"{name} cannot be a chamber's name here; allowed are 1 to 30 small letters, digits and hyphens, a letter "
                   f"first, but not {' or '.join(NOT_CHAMBERS)}.")
        return Exit.USAGE
    if options.simulated:
        out.refuse(REAL_ONLY)
        return Exit.USAGE
    world = versions.world_of(options.root, out)
    if not world.at(CURRENT).is_symlink():
        out.refuse(versions.NOT_INSTALLED)
        return Exit.FILES
    options.folder = world.at(HOUSE / name / "chamber")
    options.port = options.port if options.port is not None else FIND
    there = options.folder.exists() or options.dry_run
    code = _taken_as_it_is(options.folder, out) if there else act(options, out, ask)
    if code != Exit.GOOD:
        return code
    facts = look.facts(world, world.at(CURRENT).resolve())
    code = versions.perform(plan.add_chamber(facts, name), world, options.dry_run, out)
    if code == Exit.GOOD and not options.dry_run:
        out.result({"chamber": name, "folder": str(options.folder)},
                   f"{name} is looked after. What is missing for it, if anything: sudo soakwarden doctor")
    return code


def _taken_as_it_is(folder: Path, out: Out) -> int:
    """A folder that is there, if a controller could use it. A dry run needs none."""
    if not folder.exists():
        return Exit.GOOD
    try:
        found = load(folder, utc_us())
    except BadChamber as error:
        out.refuse(error.told, mistakes=[mistake._asdict() for mistake in error.mistakes])
        return error.code
    if found.chamber.simulated:
        out.refuse(f"{folder} is a simulated chamber. {REAL_ONLY}")
        return Exit.CHAMBER
    return Exit.GOOD


def _answers(options: argparse.Namespace, out: Out, ask: Callable[[str], str]) -> tuple[str, str]:
    """The text of the chamber file, and the board's id."""
    if not options.simulated and not options.yes and not hasattr(options, "name_of"):
        options.simulated = _yes("Is this an invented chamber, to try things out (y/n)?", ask, out)
    silent = options.yes or options.simulated
    if not options.simulated:
        out.say(CAUTION)
    name = options.name if options.name is not None else _text("What is it called?", _shown(options), options.yes, ask)
    default = new_chamber.SIMULATED_BOARD if options.simulated else "000000"
    board, port = options.board, options.port
    unit = 1 if options.unit is None else options.unit
    module = new_module.text(options.adapter, unit) if options.adapter and not options.simulated else ""
    if module:
        board, port = f"{options.adapter}/{unit}", ""
    if board is None:
        board = default if silent else _board(default, ask, out)
    if port is None:
        port = "" if silent else _port(ask, out)
    changed = {} if silent else _numbers(ask, out)
    return new_chamber.text(name, options.simulated, board, port, options.shape, changed, module), board


def _shown(options: argparse.Namespace) -> str:
    """A name to begin with: that of the folder, so that no two chambers of one computer are shown alike."""
    name: str = getattr(options, "name_of", "bench-chamber")
    return name.replace("-", " ").capitalize()


def _write(options: argparse.Namespace, out: Out, text: str, board: str) -> int:
    try:
        understood(options.folder, text, utc_us())
        new_chamber.write(options.folder, text, board, options.simulated, utc_us(), not options.uncommissioned)
        made = load(options.folder, utc_us())
    except OSError as error:
        out.refuse(f"{options.folder} cannot be made: {error.strerror or error}")
        return Exit.FILES
    except BadChamber as error:
        out.refuse("Nothing was written. A chamber like this would give no heat:\n"
                   + "\n".join(f"  {mistake}" for mistake in error.mistakes),
                   mistakes=[mistake._asdict() for mistake in error.mistakes])
        return Exit.CHAMBER
    proofs = "without proofs: its latch is tripped" if options.uncommissioned else "with invented proofs"
    kind = f"SIMULATED chamber {proofs}" if options.simulated else "chamber, not commissioned: its latch is tripped"
    out.result({"folder": str(options.folder), "simulated": options.simulated, "board": board,
                "may_do": made.level.level.name.lower(), "why": made.level.why, "next_thing": made.level.next_thing},
               "\n".join(filter(None, (f"Made {options.folder}: a {kind}.", made.level.why,
                                       made.level.next_thing and f"Next: {made.level.next_thing}"))))
    return Exit.GOOD


def _yes(question: str, ask: Callable[[str], str], out: Out) -> bool:
    """Ask until it is a yes or a no."""
    while (said := ask(f"{question} ").strip().lower()) not in ANSWERS:
        out.say(f"{said or 'Nothing'} is neither yes nor no; y or n is asked for.")
    return ANSWERS[said]


def _board(default: str, ask: Callable[[str], str], out: Out) -> str:
    """Ask until it can be the id of a board."""
    while not BOARD_ID.fullmatch(said := _text("Six digits of its board (0-9, a-f)?", default, False, ask)):
        out.say(f"{said} is no board's id: six digits are, each 0-9 or a-f, as the board's reports say them.")
    return said


def _port(ask: Callable[[str], str], out: Out) -> str:
    said = _text("Its serial port (ls /dev/serial/by-id)?", "", False, ask)
    if said and not Path(said).exists():
        out.say(f"There is no {said} on this computer now. It is written down all the same; `soakwarden doctor` looks again.")
    return said


def _text(question: str, default: str, silent: bool, ask: Callable[[str], str]) -> str:
    if silent:
        return default
    return ask(f"{question} [{default}] ").strip() or default


def _numbers(ask: Callable[[str], str], out: Out) -> dict[str, float]:
    rows = {row.key: row for row in (*LIMITS, *HEATER)}
    answers = {key: _number(rows[key], ask, out) for key in ASKED}
    # Nobody is asked where a trip clears; it follows the ceiling down.
    clear_c = min(rows["ceiling_clear_c"].default, answers["ceiling_c"] - CLEAR_BELOW_C)
    return {**answers, "ceiling_clear_c": clear_c}


def _number(row: Number, ask: Callable[[str], str], out: Out) -> float:
    """Ask until it is a number that may be; an empty answer takes the default."""
    while True:
        said = ask(f"{row.say} ({row.unit}) [{row.default:g}] ").strip().replace(",", ".")
        try:
            value = float(said) if said else row.default
        except ValueError:
            out.say(f"{said} is no number.")
            continue
        if row.holds(value):
            return value
        out.say(f"{value:g} {row.unit}; allowed is {row.allowed}.")
