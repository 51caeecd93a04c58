"""`soakwarden install`, `upgrade`, `rollback`, `uninstall`: the program as services of this computer.

Each prints what it does step by step; when a step fails, everything before it is undone and the version that ran runs on. None
of them touches a chamber where a run is on or waits. `--dry-run` prints the steps and does nothing; `--root FOLDER` does all of
it below a folder that stands for the computer.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from controller.commands.out import Out
from controller.exit_codes import Exit
from controller.install import look, plan
from controller.install.executor import Stopped, carry_out, words
from controller.install.places import CURRENT, HOUSE
from controller.install.plan import Facts, Plan
from controller.install.probe import ServiceProbe
from controller.install.steps import Busy
from controller.install.world import Probe, Runner, StagedRunner, SystemRunner, World

OWN_FOLDER = Path(__file__).resolve().parents[2]
HOMES = ("/root", "/home", "/run/user")
NOT_INSTALLED = "Nothing is installed here. `sudo make install` in a checkout installs it."
WITH_DATA = "also the copies of record and desk made when that version was left; what was recorded since is kept beside, unseen"


def add(verbs: Any) -> None:
    """Options of the four verbs."""
    install = _verb(verbs, "install", "install the program as services of this computer, or bring them up to date", _install)
    upgrade = _verb(verbs, "upgrade", "put in a newer version; goes back by itself if it does not run", _upgrade)
    for made in (install, upgrade):
        made.add_argument("--wheels", type=Path, help="folder of wheels to take the libraries from, without a network")
    install.add_argument("--from", dest="source", type=Path, default=OWN_FOLDER, help="checkout (default: this program's own)")
    upgrade.add_argument("--from", dest="source", type=Path, required=True, help="checkout of the newer version")
    _verb(verbs, "rollback", "go back to the version before", _roll_back).add_argument(
        "--with-data", action="store_true", help=f"take back {WITH_DATA}")
    _verb(verbs, "uninstall", "take program, services and user away; the data stay", _uninstall).add_argument(
        "--with-data", action="store_true", help="remove every chamber, record and setting too; this cannot be undone")


def _verb(verbs: Any, name: str, help_text: str, act: Callable[[argparse.Namespace, Out], int]) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = verbs.add_parser(name, help=help_text, description=__doc__)
    made.add_argument("--root", type=Path, default=Path("/"), help="stage everything below this folder")
    made.add_argument("--dry-run", action="store_true", help="print the steps and do nothing")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)
    return made


def world_of(root: Path, out: Out, runner: Runner | None = None, probe: Probe | None = None) -> World:
    """The computer, or a staging folder."""
    root = root.resolve()
    staged = root != Path("/")
    runner = runner or SystemRunner()
    say = _heard_or_not(out)
    return World(root, StagedRunner(root, runner, say) if staged else runner, probe or ServiceProbe(root, pages=not staged),
                 say, time.sleep, time.monotonic)


def _install(options: argparse.Namespace, out: Out) -> int:
    source, wheels = options.source.resolve(), options.wheels and options.wheels.resolve()
    world = world_of(options.root, out)
    if world.root == Path("/") and hidden(Path(sys.executable)):
        out.refuse(f"This Python stands in {Path(sys.executable).resolve().parent}, where the services may not look. Install "
                   "with the system's own: on Debian apt install python3 python3-venv, then PYTHON=/usr/bin/python3.")
        return Exit.FILES
    facts = _facts(world, source, wheels, out)
    if facts is None:
        return Exit.FILES
    code = perform(plan.install(facts), world, options.dry_run, out)
    if code == Exit.GOOD and not options.dry_run:
        out.result({"version": facts.version, "before": facts.current, "folder": str(world.at(CURRENT))},
                   _installed_words(facts))
    return code


def hidden(python: Path) -> bool:
    """Does this interpreter really stand in a folder that the units shut (`ProtectHome=`)?"""
    return any(python.resolve().is_relative_to(folder) for folder in HOMES)


def _installed_words(facts: Facts) -> str:
    if facts.current and facts.current != facts.version:
        return f"Version {facts.version} is in place. {facts.current} is kept: sudo soakwarden rollback goes back to it."
    if facts.chambers:
        return f"Version {facts.version} is in place for: {', '.join(facts.chambers)}."
    return (f"Version {facts.version} is installed. Next: plug the board in, sudo soakwarden board find, then sudo soakwarden "
            "chamber add NAME. The services wait until then.")


def _upgrade(options: argparse.Namespace, out: Out) -> int:
    """The newer version knows best which files it needs: its own installer does it, with this version's Python."""
    source = options.source.resolve()
    world = world_of(options.root, out)
    if not world.at(CURRENT).is_symlink():
        out.refuse(NOT_INSTALLED)
        return Exit.FILES
    if not (source / "controller/install/__main__.py").is_file():
        out.refuse(f"{source} holds no version of this program that could be installed; name a checkout with --from.")
        return Exit.FILES
    words_on = ["--root", str(world.root), "--from", str(source)]
    words_on += ["--wheels", str(options.wheels.resolve())] if options.wheels else []
    words_on += [word for word, given in (("--dry-run", options.dry_run), ("--json", out.as_json)) if given]
    sys.stdout.flush()
    installer = [sys.executable, "-B", "-s", "-P", "-m", "controller.install", "install"]
    return subprocess.run([*installer, *words_on], cwd="/", check=False,
                          env={**os.environ, "PYTHONPATH": str(source)}).returncode


def _roll_back(options: argparse.Namespace, out: Out) -> int:
    world = world_of(options.root, out)
    previous = look.previous_of(world)
    if previous is None:
        out.refuse("There is no version before this one here. Nothing was changed.")
        return Exit.FILES
    facts = _facts(world, previous, None, out)
    if facts is None:
        return Exit.FILES
    if options.with_data and not facts.copies:
        out.refuse(f"There are no copies that version {facts.previous} left. Nothing was changed; leave --with-data away.")
        return Exit.FILES
    code = perform(plan.roll_back(facts, options.with_data), world, options.dry_run, out)
    if code == Exit.GOOD and not options.dry_run:
        out.result({"version": facts.previous, "before": facts.current, "data": options.with_data},
                   f"Version {facts.previous} is in place again" + (", with its data of then." if options.with_data else "."))
    elif code == Exit.WENT_BACK and facts.copies and not options.with_data:
        out.say(f"If the older version refuses a newer record, sudo soakwarden rollback --with-data takes back {WITH_DATA}.")
    return code


def _uninstall(options: argparse.Namespace, out: Out) -> int:
    world = world_of(options.root, out)
    current = world.at(CURRENT)
    if not current.is_symlink():
        out.refuse(NOT_INSTALLED)
        return Exit.FILES
    facts = _facts(world, current.resolve(), None, out)
    if facts is None:
        return Exit.FILES
    code = perform(plan.uninstall(facts, options.with_data), world, options.dry_run, out)
    if code == Exit.GOOD and not options.dry_run:
        kept = "Every chamber and record is gone." if options.with_data else f"The data are in {HOUSE}, for root to read."
        out.result({"data": not options.with_data}, f"Soakwarden is removed. {kept}")
    return code


def _facts(world: World, source: Path, wheels: Path | None, out: Out) -> Facts | None:
    try:
        return look.facts(world, source, wheels)
    except OSError as error:
        out.refuse(f"{source} is no version of this program ({error.strerror}: {error.filename}); name a checkout with --from.")
        return None


def perform(steps: Plan, world: World, dry_run: bool, out: Out) -> int:
    """Carry a plan out, or print it; the exit code."""
    if dry_run:
        out.result({"steps": [{"words": step.words, "undo": step.undo_words} for step in steps]},
                   "\n".join(["Nothing is done; these would be the steps:", *words(steps)]))
        return Exit.GOOD
    if not world.staged and os.geteuid() != 0:
        out.refuse("This changes the computer's services, so it needs root: put sudo before it. --dry-run needs no root.")
        return Exit.FILES
    try:
        with _undisturbed():
            carry_out(steps, world)
    except Stopped as stopped:
        return _told(stopped, out)
    return Exit.GOOD


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """A terminal that goes away does not stop it half-way (what it runs inherits that); being asked to end undoes it first."""
    mask = os.umask(0o022)
    before = {signal.SIGHUP: signal.signal(signal.SIGHUP, signal.SIG_IGN),
              signal.SIGTERM: signal.signal(signal.SIGTERM, signal.default_int_handler)}
    try:
        yield
    finally:
        os.umask(mask)
        for number, handler in before.items():
            signal.signal(number, handler)


def _heard_or_not(out: Out) -> Callable[[str], None]:
    """Says things, and does not mind that nobody is there any more."""
    def say(text: str) -> None:
        with contextlib.suppress(OSError):
            out.say(text)
    return say


def _told(stopped: Stopped, out: Out) -> int:
    if isinstance(stopped.why, Busy):
        out.refuse(f"Not now, and nothing was changed: {stopped.why}", left=stopped.left)
        return Exit.BUSY
    state = ("Everything before it was undone: what ran before runs on." if not stopped.left else
             "These could not be undone; look at them by hand:\n  " + "\n  ".join(stopped.left))
    out.refuse(f"Stopped at \"{stopped.step.words}\": {stopped.said}\n{state}\nMend the cause, then give the same command "
               "again: what is done already is not done twice.", left=stopped.left)
    return Exit.WENT_BACK
