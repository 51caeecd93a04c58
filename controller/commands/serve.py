"""`soakwarden serve`: a controller for each chamber, and api and messenger for a desk, each its own process; with `--demo`
simulated chambers too.

It restarts an api or messenger that dies or does not answer. A controller that ends ends everything, unless other chambers go
on. Ctrl-C ends all of it cleanly: page and messenger first, then the controllers, which switch the heat off and write why.
"""

from __future__ import annotations

import argparse
import os
import signal
import socket
import threading
from pathlib import Path
from typing import Any

from controller import demo
from controller.commands import beyond
from controller.commands.children import ApiChild, MessengerChild
from controller.commands.out import Out
from controller.commands.station import NOT_STARTED, Running, Station
from controller.config import BadChamber, ChamberFolder, load
from controller.drivers.clocks import utc_us
from controller.drivers.locks import Taken, lock_folder
from controller.exit_codes import Exit
from controller.messenger.door import SOCKET_FILE as MESSENGER_SOCKET

HTTP_REAL, HTTP_DEMO = 8650, 8651
DATA_REAL, DATA_DEMO, DATA_SCRATCH = Path(".soakwarden/real"), Path(".soakwarden/demo"), Path(".soakwarden/scratch")
WATCH_S = 1.0
API_END_S, MESSENGER_END_S = 6.0, 6.0
TELL_S = 45.0
"""Fifteen seconds of silence, and time for a provider to take the message."""
PORT_MAX = 65_535
PRIVATE = 0o077
"""What is written here holds people's hashed passwords and, in a log, the first one-time code: it is its owner's alone."""


def add(verbs: Any) -> None:
    """Options of the command."""
    made = verbs.add_parser("serve", help="watch chambers: controller, interface and page, messages", description=__doc__)
    what = made.add_mutually_exclusive_group(required=True)
    what.add_argument("--chamber", type=Path, action="append", help="chamber folder; once for each chamber")
    what.add_argument("--demo", action="store_true", help="an invented chamber; opens no device")
    made.add_argument("--data", type=Path,
                      help=f"data folder (default {DATA_REAL}, demo {DATA_DEMO}, from scratch {DATA_SCRATCH}); with several "
                           "chambers each gets a folder in it, named as the chamber's own")
    made.add_argument("--port", default="", help="serial port; default is the chamber file's; not with several chambers")
    made.add_argument("--http", type=int, help=f"port of the page on 127.0.0.1 (default {HTTP_REAL}, demo {HTTP_DEMO})")
    beyond.add(made)
    made.add_argument("--chambers", type=int, default=1, metavar="N", help=f"of the demo: so many, 1 to {len(demo.SHAPES)}")
    made.add_argument("--from-scratch", action="store_true", help="of the demo: without proofs, with simulated hands at it, so "
                                                                  "that commissioning can be tried")
    made.add_argument("--speed", type=float, default=1.0, help="of the demo: 60 shows 16 h in 16 min")
    made.add_argument("--seed", type=int, default=1, help="of the demo's noise")
    made.add_argument("--faults-socket", type=Path, help="of the demo: a socket that takes faults to show; "
                                                                 "with several chambers -NAME stands behind it")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out) -> int:
    """Serve until a signal comes or the last controller ends."""
    wrong = _wrong(options)
    if wrong:
        out.refuse(wrong)
        return Exit.USAGE
    usual = DATA_SCRATCH if options.from_scratch else DATA_DEMO if options.demo else DATA_REAL
    options.data = (options.data or usual).resolve()
    options.http = options.http if options.http is not None else (HTTP_DEMO if options.demo else HTTP_REAL)
    code, why = _page_port(options.http)
    if why:
        out.refuse(why)
        return code
    try:
        stations = _stations(options)
    except Taken as error:
        out.refuse(f"{error}. Nothing was started.")
        return Exit.TAKEN
    except BadChamber as error:
        out.refuse(error.told, mistakes=[mistake._asdict() for mistake in error.mistakes])
        return error.code
    except demo.NotFromScratch as error:
        out.refuse(f"{error}. Nothing was started.")
        return Exit.FILES
    except OSError as error:
        out.refuse(f"{options.data}: {error.strerror}; name a folder that this user may write, with --data.")
        return Exit.FILES
    return _Desk(options, out, stations).serve()


def _wrong(options: argparse.Namespace) -> str:
    """What cannot be asked for together; empty when it can."""
    if options.port and options.demo:
        return "--demo opens no device; leave --port away."
    if options.speed != 1 and not options.demo:
        return f"--speed {options.speed:g} is for --demo only: a real chamber has its own time."
    if options.from_scratch and not options.demo:
        return "--from-scratch is for --demo only: a real chamber has its own hands beside it."
    if options.chambers != 1 and not options.demo:
        return "--chambers is for --demo only; give --chamber once for each real one."
    if not 1 <= options.chambers <= len(demo.SHAPES):
        return f"--chambers is {options.chambers}; allowed is 1 to {len(demo.SHAPES)}."
    folders = [one.resolve().name for one in options.chamber or ()]
    if options.port and len(folders) > 1:
        return "--port is for one chamber; with several, each chamber file names its own under [line]."
    twice = next((name for name in folders if folders.count(name) > 1), "")
    return f"Two chamber folders are called {twice}; rename one, because its data folder takes that name." if twice else ""


def _stations(options: argparse.Namespace) -> list[Station]:
    """One for each chamber, nothing started yet. Raises Taken, BadChamber, OSError."""
    running = Running(options.demo, options.speed, options.seed, options.port, options.faults_socket, options.chambers != 1,
                      options.from_scratch)
    found: list[tuple[ChamberFolder, Path]] = []
    if options.demo:
        for number in range(options.chambers):
            data = options.data if options.chambers == 1 else options.data / demo.SHAPES[number]
            made = demo.chamber(data / "chamber", utc_us(), demo.SHAPES[number], number, options.from_scratch)
            found.append((made, data))
    for path in options.chamber or ():
        data = options.data if len(options.chamber) == 1 else options.data / path.resolve().name
        found.append((load(path, utc_us()), data))
    for _, data in found:
        data.mkdir(parents=True, exist_ok=True)
        lock_folder(data).close()  # only a look: the controller holds it, but a board would be started before it
    return [Station(folder, data, running) for folder, data in found]


def _page_port(port: int) -> tuple[Exit, str]:
    """Whether the page can have its port, tried before anything is started; the reason is empty when it can."""
    if not 1 <= port <= PORT_MAX:
        return Exit.USAGE, f"--http is {port}; allowed is 1 to {PORT_MAX}."
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
            probe.listen()
        except PermissionError:
            return Exit.FILES, f"Port {port} may not be used by this user; name another with --http, above 1023."
        except OSError as error:
            return Exit.TAKEN, (f"Port {port} of this computer is in use or cannot be had ({error.strerror}). Nothing was "
                                "started. End what holds it, or name another with --http (make run HTTP=PORT).")
    return Exit.GOOD, ""


class _Desk:
    """Everything that one `serve` has started."""

    def __init__(self, options: argparse.Namespace, out: Out, stations: list[Station]) -> None:
        self._options, self._out, self._stations = options, out, stations
        self._ending = threading.Event()
        self._several = len(stations) > 1
        self._door_said: set[str] = set()

    def serve(self) -> int:
        """Start everything, look after it, end everything."""
        os.umask(PRIVATE)
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, lambda *_got: self._ending.set())
        api, messenger = self._api(), self._messenger()
        try:
            for station in self._stations:
                station.start(self._tell_of(station))
            api.start()
            messenger.start()
            return self._watch(api, messenger)
        except RuntimeError as error:
            self._out.refuse(str(error))
            return Exit.PEER
        finally:
            api.end(API_END_S)
            messenger.end(MESSENGER_END_S)
            for station in self._stations:
                station.end()

    def _folders(self) -> list[str]:
        """The options that name every data folder, and the desk's."""
        data = [word for station in self._stations for word in ("--data", str(station.data))]
        return [*data, "--desk", str(self._options.data)]

    def _api(self) -> ApiChild:
        simulated = all(station.folder.chamber.simulated for station in self._stations)
        words = ["api", *self._folders(), "--http", str(self._options.http), "--demo" if simulated else "--real"]
        words += beyond.words(self._options)
        return ApiChild(words, self._options.data / "api.log", self._options.http)

    def _messenger(self) -> MessengerChild:
        data: Path = self._options.data
        return MessengerChild(["controller.messenger", *self._folders()], data / "messenger.log", data / MESSENGER_SOCKET)

    def _watch(self, api: ApiChild, messenger: MessengerChild) -> int:
        """Once a second: is each controller there, do api and messenger answer?"""
        announced = False
        going = list(self._stations)
        while not self._ending.is_set():
            for station in list(going):
                ended = station.ended()
                if ended is None:
                    continue
                code, words = ended
                self._out.refuse(f"{station.folder.chamber.name}: {words}" if self._several else words, exit=code)
                going.remove(station)
                if not going:
                    self._let_it_be_told(code)
                    return code
            if api.refused():
                self._out.refuse(f"The api did not start, so nothing goes on. {api.tail()}")
                return Exit.PEER
            for said in filter(None, (api.watch(), messenger.watch())):
                self._out.say(said)
            if api.ready and not announced:
                announced = True
                self._announce()
            if announced:
                self._tell_door(api)
            self._ending.wait(WATCH_S if announced else WATCH_S / 5)
        self._out.say("Ending: the heat goes off first.")
        return Exit.GOOD

    def _announce(self) -> None:
        url = f"http://127.0.0.1:{self._options.http}/"
        for station in self._stations:
            self._out.say(station.words())
        self._out.say(f"Open {url}  (Ctrl-C ends everything, heat off first)", url=url)

    def _tell_door(self, api: ApiChild) -> None:
        """What the api says of listening beyond this computer; its code for the first account is printed here as well."""
        for line in api.tail().splitlines()[1:]:
            if line not in self._door_said:
                self._door_said.add(line)
                self._out.say(line)

    def _let_it_be_told(self, code: int) -> None:
        """A controller that has just died is told by the messenger once it has been silent for a while."""
        if code not in NOT_STARTED and not self._options.demo:
            self._out.say(f"Page and messenger stay for {TELL_S:g} s more, so that the people who are told hear of it.")
            self._ending.wait(TELL_S)

    def _tell_of(self, station: Station) -> Any:
        """News of one chamber; with several, each line begins with its name."""
        before = f"{station.folder.chamber.name}: " if self._several else ""

        def tell(text: str, event: dict[str, Any]) -> None:
            more = {"port": event["port"]} if set(event) == {"port"} else {"event": event}
            self._out.say(before + text, **more)

        return tell
