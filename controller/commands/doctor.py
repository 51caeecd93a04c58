"""`soakwarden doctor`: looks at everything that must be right around the controller, and says what to do about the rest.

It opens no device and changes nothing. Without options it looks at what is installed on this computer, every chamber of it, or,
where nothing is, at the demo's folder.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from controller.commands.out import Out
from controller.commands.serve import DATA_DEMO, DATA_REAL
from controller.doctor import chamber, machine, services
from controller.doctor.finding import Finding, Mark, Places
from controller.exit_codes import Exit
from controller.install.look import chambers_in
from controller.install.places import CURRENT, DESK, HOUSE, USER


def add(verbs: Any) -> None:
    """Options of the command."""
    made = verbs.add_parser("doctor", help="is everything around the controller right?", description=__doc__)
    made.add_argument("--chamber", type=Path, help="chamber folder to look at")
    made.add_argument("--data", type=Path,
                      help=f"data folder (default: {DATA_REAL} with --chamber, as serve has it; else what is installed, else "
                           f"the demo's, {DATA_DEMO})")
    made.add_argument("--port", default="", help="serial port to look at; default is the chamber file's")
    made.add_argument("--root", type=Path, default=Path("/"), help="look for what is installed below this folder")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out) -> int:
    """Look at everything. Exit code 0 when nothing is bad; notes are no findings."""
    installed = (options.root / CURRENT.relative_to("/")).is_symlink() and not (options.data or options.chamber)
    findings = list(_installed(options.root.resolve()) if installed else _by_hand(options))
    for finding in findings:
        if not out.as_json:
            out.say(_line(finding))
    bad = sum(finding.mark is Mark.BAD for finding in findings)
    out.result({"bad": bad, "findings": [finding._asdict() for finding in findings]},
               f"{bad} thing(s) need you." if bad else "Nothing needs you.")
    return Exit.FINDINGS if bad else Exit.GOOD


def _by_hand(options: argparse.Namespace) -> Iterator[Finding]:
    """One chamber, as `serve` would have it."""
    data = options.data or (DATA_REAL if options.chamber else DATA_DEMO)
    folder = options.chamber or (data / "chamber" if (data / "chamber").is_dir() else None)  # the demo keeps its own there
    places = Places(data, folder, options.port, data)
    for look in (*machine.LOOKS, *chamber.LOOKS):
        yield from look(places)


def _installed(root: Path) -> Iterator[Finding]:
    """Every chamber that the services look after, and what they share."""
    house, desk = root / HOUSE.relative_to("/"), root / DESK.relative_to("/")
    names = chambers_in(house)
    shared = Places(desk, None, "", desk, True)
    for look in machine.LOOKS:
        yield from look(shared)
    if not os.access(house, os.R_OK | os.X_OK):
        yield Finding(Mark.NOTE, "chambers", f"this user may not look into {house}",
                      f"Put sudo before it, or join the group: sudo adduser YOU {USER}.")
        return
    yield from services.group(shared)
    yield from services.units(names)
    yield from services.answers(names, root)
    yield from services.channels(desk)
    yield from services.certificates(root)
    if desk.is_dir():
        yield from (finding._replace(what=f"desk, {finding.what}") for finding in chamber.rights(shared))
    for name in names:
        for look in chamber.LOOKS:
            for finding in look(Places(house / name, house / name / "chamber", "", desk, True)):
                yield finding._replace(what=f"{name}, {finding.what}")
    if not names:
        yield Finding(Mark.NOTE, "chambers", "none yet", "Make one: sudo soakwarden chamber add NAME.")


def _line(finding: Finding) -> str:
    """One finding for people."""
    advice = f"\n      {finding.do}" if finding.do else ""
    return f"{finding.mark.value:4}  {finding.what}: {finding.found}{advice}"
