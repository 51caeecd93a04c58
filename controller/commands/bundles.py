"""`soakwarden chamber bundle`, `open` and `changed`: a chamber travels as one file; what changed voids what hangs on it."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
from pathlib import Path
from typing import Any

from controller import new_chamber
from controller.client import Client, ControllerError, Refused
from controller.commands.out import Out
from controller.commissioning import bundle
from controller.commissioning.changes import CHANGES
from controller.commissioning.validity import EVALUATION, SURVEY, newest
from controller.config import CHAMBER_FILE, MODEL_FILE, BadChamber, load, understood
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.start_up import SOCKET_FILE


def add(nouns: Any) -> None:
    """Options of the three."""
    made = nouns.add_parser("bundle", help="one file of a chamber, for another computer or a borrower", description=__doc__)
    made.add_argument("folder", type=Path)
    made.add_argument("-o", "--out", dest="into", type=Path, required=True, help="file to write; one that exists is left alone")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act_bundle)
    opened = nouns.add_parser("open", help="make a chamber folder from a bundle", description=__doc__)
    opened.add_argument("bundle", type=Path)
    opened.add_argument("folder", type=Path)
    opened.add_argument("--board", default="", help="the board that is here, where it is another than the bundle's")
    opened.add_argument("--json", action="store_true", help="one JSON object a line")
    opened.set_defaults(act=act_open)
    changed = nouns.add_parser("changed", help="something changed: which proofs hold no more", description=__doc__)
    changed.add_argument("change", nargs="?", choices=[change.id for change in CHANGES], metavar="CHANGE",
                         help="one of " + ", ".join(change.id for change in CHANGES) + "; without one all are explained")
    changed.add_argument("--data", type=Path, required=True, help="data folder of the running controller")
    changed.add_argument("--sensor", default="", help="id of the sensor that changed")
    changed.add_argument("--note", default="", help="what exactly")
    changed.add_argument("--by", default="local, not signed in", help="who says so")
    changed.add_argument("--json", action="store_true", help="one JSON object a line")
    changed.set_defaults(act=act_changed)


def act_bundle(options: argparse.Namespace, out: Out) -> int:
    """Write the bundle of a folder."""
    try:
        folder = load(options.folder, utc_us())
    except BadChamber as error:
        out.refuse(error.told, mistakes=[mistake._asdict() for mistake in error.mistakes])
        return error.code
    if folder.kept.unreadable:
        out.refuse(f"proofs.json proves nothing ({folder.kept.unreadable}), so the bundle comes without proofs.")
    model = json.loads(folder.texts[MODEL_FILE])["body"] if MODEL_FILE in folder.texts else None
    row = newest(folder.kept, SURVEY, "", EVALUATION)
    survey = row.values.get("survey") if row is not None and row.passed else None
    whole = bundle.made(folder.texts[CHAMBER_FILE], folder.kept, model, survey)
    try:
        with options.into.open("x", encoding="utf-8") as file:
            file.write(bundle.render(whole))
    except OSError as error:
        out.refuse(f"{options.into} cannot be written: {error.strerror or error}. Name another file.")
        return Exit.FILES
    out.result({"file": str(options.into), "board": folder.chamber.board, "proofs": len(folder.kept.proofs)},
               f"Wrote {options.into}: chamber file, {len(folder.kept.proofs)} proofs, "
               f"{'a model' if model else 'no model'}, {'a survey' if survey else 'no survey'}. No accounts, channels, names.")
    return Exit.GOOD


def act_open(options: argparse.Namespace, out: Out) -> int:
    """Make a folder from a bundle, without what does not travel."""
    try:
        data = options.bundle.read_bytes()
        _check_there(options.folder, data)
        opened = bundle.opened(data, options.board)
        understood(options.folder, opened.chamber, utc_us())
        new_chamber.write(options.folder, opened.chamber, opened.board, opened.simulated, utc_us(), kept=opened.kept,
                          model=opened.model)
        made = load(options.folder, utc_us())
    except OSError as error:
        out.refuse(f"{error.strerror or error}. Nothing was changed." if not isinstance(error, FileExistsError)
                   else f"{options.folder} exists already; nothing was changed. Name another folder.")
        return Exit.FILES
    except bundle.BadBundle as error:
        out.refuse(f"{options.bundle} is not opened: {error}.")
        return Exit.CHAMBER
    except BadChamber as error:
        out.refuse(error.told, mistakes=[mistake._asdict() for mistake in error.mistakes])
        return Exit.CHAMBER
    left = f" Left out, because they hang on place, computer or board: {', '.join(opened.left_out)}." if opened.left_out else ""
    out.result({"folder": str(options.folder), "board": opened.board, "left_out": list(opened.left_out),
                "may_do": made.level.level.name.lower(), "next_thing": made.level.next_thing},
               f"Made {options.folder} for board {opened.board}.{left} Write its port into chamber.toml. {made.level.why}")
    return Exit.GOOD


def _check_there(folder: Path, data: bytes) -> None:
    """A folder that is there is never written over; that of another board is told as such.

    Raises BadBundle, FileExistsError."""
    if not folder.exists():
        return
    with contextlib.suppress(BadChamber):
        bundle.check_board(data, load(folder, utc_us()).chamber.board)
    raise FileExistsError(folder)


def act_changed(options: argparse.Namespace, out: Out) -> int:
    """Void what hangs on a change; without one, explain all."""
    client = Client(options.data / SOCKET_FILE)
    try:
        if options.change is None:
            rows = asyncio.run(client.ask("proofs"))["proofs"]["changes"]
            out.result({"changes": rows}, "\n".join(
                f"{row['id']:<10} {row['minutes']:>4} min  {row['words']} {row['why']}" for row in rows))
            return Exit.GOOD
        found = asyncio.run(client.ask("changed", change=options.change, sensor=options.sensor, note=options.note,
                                       by=options.by, role="maintainer"))
    except Refused as error:
        out.refuse(error.reason, code=error.code, mistakes=error.mistakes)
        return Exit.USAGE
    except ControllerError as error:
        out.refuse(f"{str(error).capitalize()}. Start it first.")
        return Exit.PEER
    lost = f"Hold no more: {', '.join(found['voided']) or 'nothing'}. Redoing takes you {found['minutes']} min."
    out.result(found, f"{lost} {found['words']}".strip())
    return Exit.GOOD
