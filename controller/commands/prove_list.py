"""Which chamber `soakwarden prove` means, and its list: from the running controller's guide, or from the folder alone."""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from controller.commands.out import Out
from controller.commands.serve import DATA_REAL
from controller.commissioning import guide
from controller.commissioning.validity import Facts, judged
from controller.config import ChamberFolder
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.start_up import SOCKET_FILE

STATES = {"done": "holds", "ending": "ends soon", "ended": "ended", "failed": "FAILED", "void": "void", "to_do": "to do",
          "doing": "going on", "not_for_this_chamber": "not here"}
Json = dict[str, Any]


def where(options: argparse.Namespace) -> list[str]:
    """The options that name this chamber, as they were given: with them a printed command works as it stands."""
    pairs = (("--chamber", options.chamber), ("--data", options.data))
    return [word for name, path in pairs if path is not None for word in (name, str(path))]


def data_of(options: argparse.Namespace) -> Path:
    """The data folder: as it was named, or where `serve --chamber` puts it, alone or beside other chambers."""
    if options.data is not None:
        return Path(options.data)
    own = DATA_REAL / options.chamber.resolve().name
    return own if (own / SOCKET_FILE).exists() else DATA_REAL


def offline(folder: ChamberFolder) -> Json:
    """What the folder alone says; the board's own counts are not known then."""
    facts = Facts(folder.chamber, folder.switches, utc_us())
    found = judged(folder.kept, facts)
    level = folder.level
    return guide.guide(guide.Told(folder.kept, found, facts, level.level, level.why, level.next_thing, None))


def listed(told: Json, named: list[str], out: Out) -> int:
    """Print the guide as a table. `named`: from `where`."""
    out.result(told, "\n".join(_table(told, named)))
    return Exit.GOOD


def command(step: str, named: list[str]) -> str:
    """How a step of this chamber is asked for."""
    return shlex.join(["soakwarden", "prove", *named, step])


def _table(told: Json, named: list[str]) -> Iterator[str]:
    yield f"{told['sentence']} {told['lead']} It may run: {told['may_do']}."
    yield ""
    yield f"{'step':<22} {'minutes':>7}  {'state':<9}  found"
    part = ""
    for step in told["steps"]:
        if step["part"] != part:
            part = step["part"]
            row = next(one for one in told["parts"] if one["part"] == part)
            yield f"-- {part}: {row['minutes']} min of a person, {row['left_minutes']} left"
        waits = f" (after {', '.join(step['blocked_by'])})" if step["blocked_by"] else ""
        words = step["found"] if step["state"] in ("done", "ending") else step["state_words"]
        yield f"{step['id']:<22} {step['minutes']:>7}  {STATES[step['state']]:<9}  {words}{waits}"
    yield ""
    yield from filter(None, [told["known"]])
    if told["invented"]:
        yield "SIMULATED: none of this was measured at a real chamber."
    following = told["next"]
    yield f"Next ({following['minutes']} min): {command(following['step'], named)}" if following else told["why"]
