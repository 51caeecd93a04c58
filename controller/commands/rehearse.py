"""`soakwarden rehearse`: a whole run in virtual time, with a simulated board or a peer of yours, and how far it was off."""

from __future__ import annotations

import argparse
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from controller import demo
from controller.commands.out import Out
from controller.config import BadChamber, ChamberFolder, load
from controller.core.schedule import Mistake, Schedule
from controller.core.setup import Level
from controller.drivers.clocks import utc_us
from controller.drivers.locks import Taken, lock_folder
from controller.exit_codes import Exit
from controller.peer_process import Peer, PeerFailed
from controller.planning.schedule_file import BadSchedule, parse
from controller.records.errors import RecordError
from controller.records.writer import TickRecord, Writer, next_run
from controller.rehearse import START_US, Made, Rehearsal, Result, World
from controller.rehearse_world import InProcess
from controller.start_up import RECORD_FILE, about, check_belongs
from controller.start_up import Refused as NotStarted

BAR_TICKS = 200
WAITING_MAX = 400
"""Virtual time is quicker than a disk: the rehearsal waits for the record, which a real run never does."""

TEXT = """\
{ended} after {ticks} s of virtual time, in {wall_s:.1f} s.
Soak: at most {soak_abs_max_c:.2f} °C off, 95 of 100 seconds within {soak_abs_p95_c:.2f} °C; overshoot {overshoot_c:.2f} °C.
Ramps: at most {ramp_abs_max_c:.2f} °C off. Switch operations: {switch_operations}.
Trips: {trip_words}. Alarms: {alarm_words}."""


def add(verbs: Any) -> None:
    """Options of the command."""
    made = verbs.add_parser("rehearse", help="a whole run in virtual time", description=__doc__)
    made.add_argument("schedule", nargs="?", type=Path, help="schedule file; default is the invented one of the demo")
    made.add_argument("--chamber", type=Path, help="simulated chamber folder; default is the invented one of the demo")
    made.add_argument("--seed", type=int, default=1, help="of the simulated converters' noise")
    made.add_argument("--peer", metavar="COMMAND", help="a board program that speaks protocol v1 in lock-step on its "
                                                        "standard input and output, instead of our own")
    made.add_argument("--data", type=Path, help="record the run in this folder")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out) -> int:
    """Rehearse. Exit code 0 only for a run that completed without a trip or an alarm."""
    try:
        with ExitStack() as held:
            chamber, schedule = _chamber(options, held), _schedule(options)
            world = held.enter_context(_world(options, chamber))
            result = _go(options, out, chamber, schedule, world, held)
    except BadChamber as error:
        out.refuse(error.told, mistakes=[mistake._asdict() for mistake in error.mistakes])
        return error.code
    except BadSchedule as error:
        return _mistakes(out, str(options.schedule), error.mistakes)
    except NotStarted as error:
        out.refuse(str(error))
        return error.code
    except PeerFailed as error:
        out.refuse(str(error))
        return Exit.PEER
    return _tell(out, result)


def _tell(out: Out, result: Result) -> int:
    out.bar_done()
    if result.refused and result.ended == "not started":
        out.refuse(f"The run did not start: {result.refused}", **result.as_json())
        return Exit.NOT_AS_PLANNED
    words = {"trip_words": ", ".join(result.trips) or "none", "alarm_words": ", ".join(result.alarms) or "none"}
    text = TEXT.format(**result.as_json(), **words)
    out.result(result.as_json(), text[0].upper() + text[1:])
    good = result.ended == "complete" and not result.trips and not result.alarms
    return Exit.GOOD if good else Exit.NOT_AS_PLANNED


def _mistakes(out: Out, where: str, found: list[Mistake]) -> int:
    listed = "\n".join(f"  {mistake}" for mistake in found)
    out.refuse(f"{where} has {len(found)} mistake(s):\n{listed}", mistakes=[mistake._asdict() for mistake in found])
    return Exit.CHAMBER


def _chamber(options: argparse.Namespace, held: ExitStack) -> ChamberFolder:
    if options.chamber is None:
        folder = Path(held.enter_context(tempfile.TemporaryDirectory(prefix="soakwarden-")))
        return demo.chamber(folder / "chamber", utc_us())
    chamber = load(options.chamber, utc_us())
    if not chamber.chamber.simulated:
        raise NotStarted(Exit.CHAMBER, f"{options.chamber} is a real chamber; a rehearsal needs a file with simulated = "
                                       "true. Copy its figures into a new one: soakwarden chamber new FOLDER --simulated")
    return chamber


def _schedule(options: argparse.Namespace) -> Schedule:
    if options.schedule is None:
        return parse(demo.SCHEDULE)
    try:
        text = options.schedule.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise NotStarted(Exit.FILES, f"{options.schedule} cannot be read: {error}") from None
    return parse(text)


@contextmanager
def _world(options: argparse.Namespace, chamber: ChamberFolder) -> Iterator[World]:
    if options.peer is None:
        yield InProcess(chamber.shape, chamber.chamber.board, options.seed)
        return
    with Peer(options.peer) as peer:
        yield peer


def _go(options: argparse.Namespace, out: Out, chamber: ChamberFolder, schedule: Schedule, world: World,
        held: ExitStack) -> Result:
    keep, run_id = _recorder(options.data, chamber, held)
    level = max(Level.AT_THE_CHAMBER, chamber.chamber.may_do)
    rehearsal = Rehearsal(chamber.chamber, schedule, world, level, run_id)
    whole_us = schedule.longest_us
    for made in rehearsal.ticks():
        if keep is not None:
            keep(made)
        if made.tick % BAR_TICKS == 0:
            out.bar(rehearsal.share(), f"{made.tick / 3600:.1f} h of at most {whole_us / 3.6e9:.0f} h")
    return rehearsal.result()


def _recorder(data: Path | None, chamber: ChamberFolder, held: ExitStack) -> tuple[Callable[[Made], None] | None, str]:
    """What keeps each tick in a record, and the number of the run there."""
    if data is None:
        return None, "1"
    try:
        data.mkdir(parents=True, exist_ok=True)
        held.enter_context(lock_folder(data))
        check_belongs(data, chamber)
        number = next_run(data / RECORD_FILE)
        writer = Writer(data / RECORD_FILE, None, about(chamber))
        writer.start()
    except Taken as error:
        raise NotStarted(Exit.TAKEN, str(error)) from None
    except RecordError as error:
        raise NotStarted(Exit.RECORD, str(error)) from None
    except OSError as error:
        raise NotStarted(Exit.FILES, f"data folder {data}: {error.strerror}") from None
    held.callback(writer.close, 60.0)
    pause, begun_us = threading.Event(), utc_us()

    def keep(made: Made) -> None:
        while writer.waiting > WAITING_MAX and not writer.failing:
            pause.wait(0.002)
        writer.put(TickRecord(made.tick, begun_us + made.inputs.mono_us - START_US, made.inputs, made.result))

    return keep, str(number)
