"""`soakwarden serve`: controller, api and messenger for a desk, each its own process; with `--demo` a simulated chamber too.

It restarts an api or messenger that dies or does not answer; a controller that ends ends everything. Ctrl-C ends all of it
cleanly: page and messenger first, then the controller, which switches the heat off and writes why, then the board.
"""

from __future__ import annotations

import argparse
import signal
import socket
import threading
from pathlib import Path
from typing import Any

from controller import demo
from controller.commands import beyond
from controller.commands.children import ApiChild, BoardChild, Child, MessengerChild, end_all
from controller.commands.news import News
from controller.commands.out import Out
from controller.config import BadChamber, ChamberFolder, load
from controller.core.setup import LEVEL_WORDS
from controller.drivers.clocks import utc_us
from controller.drivers.locks import Taken, lock_folder
from controller.exit_codes import Exit
from controller.messenger.door import SOCKET_FILE as MESSENGER_SOCKET
from controller.start_up import SOCKET_FILE

HTTP_REAL, HTTP_DEMO = 8650, 8651
DATA_REAL, DATA_DEMO = Path(".soakwarden/real"), Path(".soakwarden/demo")
WATCH_S = 1.0
API_END_S, MESSENGER_END_S, CONTROLLER_END_S, BOARD_END_S = 6.0, 6.0, 20.0, 3.0
PORT_MAX = 65_535
NOT_STARTED = (Exit.USAGE, Exit.CHAMBER, Exit.TAKEN, Exit.RECORD, Exit.FILES)
"""With these codes a controller ends before it opens its port: it never had the heat in hand."""
BOARD_OFF = "the board switches off by itself within 5 s"


def add(verbs: Any) -> None:
    """Options of the command."""
    made = verbs.add_parser("serve", help="watch a chamber: controller, interface and page, messages", description=__doc__)
    what = made.add_mutually_exclusive_group(required=True)
    what.add_argument("--chamber", type=Path, help="chamber folder")
    what.add_argument("--demo", action="store_true", help="an invented chamber; opens no device")
    made.add_argument("--data", type=Path, help=f"data folder (default {DATA_REAL}, demo {DATA_DEMO})")
    made.add_argument("--port", default="", help="serial port; default is the chamber file's")
    made.add_argument("--http", type=int, help=f"port of the page on 127.0.0.1 (default {HTTP_REAL}, demo {HTTP_DEMO})")
    beyond.add(made)
    made.add_argument("--speed", type=float, default=1.0, help="of the demo: 60 shows 16 h in 16 min")
    made.add_argument("--seed", type=int, default=1, help="of the demo's noise")
    made.add_argument("--faults-socket", type=Path, help="of the demo: a socket that takes faults to show")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out) -> int:
    """Serve until a signal comes or the controller ends."""
    if options.port and options.demo:
        out.refuse("--demo opens no device; leave --port away.")
        return Exit.USAGE
    if options.speed != 1 and not options.demo:
        out.refuse(f"--speed {options.speed:g} is for --demo only: a real chamber has its own time.")
        return Exit.USAGE
    options.data = (options.data or (DATA_DEMO if options.demo else DATA_REAL)).resolve()
    options.http = options.http if options.http is not None else (HTTP_DEMO if options.demo else HTTP_REAL)
    code, why = _page_port(options.http)
    if why:
        out.refuse(why)
        return code
    try:
        folder = demo.chamber(options.data / "chamber", utc_us()) if options.demo else load(options.chamber, utc_us())
        options.data.mkdir(parents=True, exist_ok=True)
        lock_folder(options.data).close()  # only a look: the controller holds it, but a board would be started before it
    except Taken as error:
        out.refuse(f"{error}. Nothing was started.")
        return Exit.TAKEN
    except BadChamber as error:
        out.refuse(error.told, mistakes=[mistake._asdict() for mistake in error.mistakes])
        return error.code
    except OSError as error:
        out.refuse(f"{options.data}: {error.strerror}; name a folder that this user may write, with --data.")
        return Exit.FILES
    return _Desk(options, out, folder).serve()


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
                                "started. End what holds it, or name another with --http.")
    return Exit.GOOD, ""


def how_it_ended(code: int, tail: str) -> str:
    """What a controller's exit code means for the heat, in words; `tail` is what it has said itself."""
    if code < 0:
        return f"The controller was killed by signal {-code}; {BOARD_OFF}."
    if code == Exit.GOOD:
        return "The controller was asked to end; it switched the heat off first."
    if code in NOT_STARTED:
        return f"The controller did not start: {tail}"
    return f"The controller ended with code {code}; {BOARD_OFF}. {tail}".strip()


class _Desk:
    """The children of one `serve`."""

    def __init__(self, options: argparse.Namespace, out: Out, folder: ChamberFolder) -> None:
        self._options = options
        self._out = out
        self._folder = folder
        self._ending = threading.Event()
        self._board: BoardChild | None = None
        self._lock_step = options.demo and options.speed != 1

    def serve(self) -> int:
        """Start everything, look after it, end everything."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, lambda *_got: self._ending.set())
        controller: Child | None = None
        api: ApiChild | None = None
        messenger: MessengerChild | None = None
        try:
            controller = self._controller(self._start_board())
            controller.start()
            api = self._api()
            api.start()
            messenger = self._messenger()
            messenger.start()
            News(self._options.data / SOCKET_FILE, self._tell, self._options.demo).start()
            return self._watch(controller, api, messenger)
        except RuntimeError as error:
            self._out.refuse(str(error))
            return Exit.PEER
        finally:
            children: list[tuple[Child | None, float]] = [
                (api, API_END_S), (messenger, MESSENGER_END_S), (controller, CONTROLLER_END_S), (self._board, BOARD_END_S)]
            end_all([(child, patience_s) for child, patience_s in children if child is not None])

    def _start_board(self) -> str:
        """The demo's board; the port that the controller is to open."""
        if not self._options.demo:
            return str(self._options.port)
        words = ["controller.chamber.peer", "--shape", self._folder.shape, "--board", self._folder.chamber.board,
                 "--seed", str(self._options.seed), "--auto-arm"]
        words += ["--lock-step"] if self._lock_step else []
        words += ["--faults-socket", str(self._options.faults_socket)] if self._options.faults_socket else []
        self._board = BoardChild("board", words, self._log("board"))
        self._board.start()
        port = self._board.port()
        self._out.say(f"SIMULATED board {self._folder.chamber.board} on {port}. Everything in it is invented.", port=port)
        return port

    def _log(self, name: str) -> Path:
        """Each child has a log of its own: the reason for its end must not hold another's lines."""
        data: Path = self._options.data
        return data / f"{name}.log"

    def _controller(self, port: str) -> Child:
        words = ["controller.service", "--chamber", str(self._folder.path), "--data", str(self._options.data)]
        words += ["--port", port] if port else []
        words += ["--lock-step", "--speed", str(self._options.speed)] if self._lock_step else []
        return Child("controller", words, self._log("controller"))

    def _api(self) -> ApiChild:
        kind = "--demo" if self._folder.chamber.simulated else "--real"
        words = ["api", "--data", str(self._options.data), "--http", str(self._options.http), kind]
        words += beyond.words(self._options)
        return ApiChild(words, self._log("api"), self._options.http)

    def _messenger(self) -> MessengerChild:
        data: Path = self._options.data
        return MessengerChild(["controller.messenger", "--data", str(data)], self._log("messenger"), data / MESSENGER_SOCKET)

    def _watch(self, controller: Child, api: ApiChild, messenger: MessengerChild) -> int:
        """Once a second: is the controller there, do api and messenger answer?"""
        announced = False
        while not self._ending.is_set():
            code = controller.exit_code()
            if code is not None:
                self._out.refuse(how_it_ended(code, controller.tail()), exit=code)
                return code if code in set(Exit) and code else Exit.BROKEN
            if self._board is not None and self._board.exit_code() is not None:
                self._out.refuse(f"The simulated board ended. {self._board.tail()}".strip())
                return Exit.PEER
            if api.refused():
                self._out.refuse(f"The api did not start, so nothing goes on. {api.tail()}")
                return Exit.PEER
            for said in filter(None, (api.watch(), messenger.watch())):
                self._out.say(said)
            if api.ready and not announced:
                announced = True
                self._announce()
                self._tell_door(api)
            self._ending.wait(WATCH_S if announced else WATCH_S / 5)
        self._out.say("Ending: the heat goes off first.")
        return Exit.GOOD

    def _announce(self) -> None:
        chamber, url = self._folder.chamber, f"http://127.0.0.1:{self._options.http}/"
        kind = "SIMULATED chamber" if chamber.simulated else "chamber"
        speed = f" at {self._options.speed:g} times real speed" if self._options.speed != 1 else ""
        self._out.say(f"{chamber.name}, {kind}{speed}. It may run: {LEVEL_WORDS[chamber.may_do]}.")
        self._out.say(f"Open {url}  (Ctrl-C ends everything, heat off first)", url=url)

    def _tell_door(self, api: ApiChild) -> None:
        """What the api says of listening beyond this computer; its code for the first account is printed here as well."""
        for line in api.tail().splitlines()[1:] if self._options.address else ():
            self._out.say(line)

    def _tell(self, text: str, event: dict[str, Any]) -> None:
        self._out.say(text, event=event)
