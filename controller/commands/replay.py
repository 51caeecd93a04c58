"""`soakwarden replay RUN`: feeds a stored run through the tick again and compares everything that left it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from controller.commands.out import Out
from controller.exit_codes import Exit
from controller.records.errors import NoSuchRun, RecordAbsent, RecordError
from controller.records.queries import Reader
from controller.records.replay import Replayed, replay
from controller.start_up import RECORD_FILE, own_version

SHOWN = 20


def add(verbs: Any) -> None:
    """Options of the command."""
    made = verbs.add_parser("replay", help="why did it do that? compare a stored run with the tick", description=__doc__)
    made.add_argument("run", help="number of the run")
    made.add_argument("--data", type=Path, default=Path(".soakwarden/demo"), help="data folder (default: the demo's)")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out) -> int:
    """Replay. Exit code 0 only when nothing differs."""
    try:
        found = replay(options.data / RECORD_FILE, options.run, lambda done, of: out.bar(done / max(1, of),
                                                                                         f"{done} ticks"),
                       own_version())
    except NoSuchRun:
        return _no_such_run(options, out)
    except RecordAbsent as error:
        out.refuse(str(error))
        return Exit.FILES
    except RecordError as error:
        out.refuse(str(error))
        return Exit.RECORD
    out.bar_done()
    out.result({"run": options.run, **found._asdict(), "differences": [one._asdict() for one in found.differences]},
               _text(found))
    return Exit.DIFFERS if found.differing else Exit.GOOD


def _no_such_run(options: argparse.Namespace, out: Out) -> int:
    path = options.data / RECORD_FILE
    there = [row.id for row in Reader(path).runs(SHOWN + 1)]
    listed = ", ".join(there[:SHOWN]) + (", and older ones" if len(there) > SHOWN else "")
    which = f"Its runs, newest first: {listed}." if there else "It holds no run yet."
    out.refuse(f"There is no run {options.run} in {path}. {which}", runs=there[:SHOWN])
    return Exit.FILES


def _text(found: Replayed) -> str:
    versions = f"recorded by version {found.version_recorded}, replayed by {found.version_now}"
    if not found.differing:
        head = f"{found.ticks} ticks, {versions}: every frame, event and state came out the same."
    else:
        rows = [f"  {one.recorded}" if one.what == "missing" else
                f"  tick {one.tick} {one.what}: recorded {one.recorded[:60]}; now {one.now[:60]}"
                for one in found.differences[:SHOWN]]
        other = found.differing - found.missing
        said = f"{other} differences" if other else "what is there came out the same"
        if found.missing:
            said += "; not everything is there"
        head = "\n".join([f"{found.ticks} ticks, {versions}: {said}.", *rows])
    return head if found.complete else f"{head}\n{found.note}"
