"""`python -m api --data FOLDER --http PORT`: serve the interface and the page, on loopback and, if asked, beyond.

It prints one line when it listens, one when it begins to listen outside (or what is missing for that), and nothing else unless
something is wrong. Exit codes: 0 asked to end by a keyboard, 2 cannot start (the reason is printed), 143 asked to end by
SIGTERM, which is normal.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import socket
import ssl
import sys
from ipaddress import ip_address
from pathlib import Path
from types import FrameType
from urllib.parse import urlsplit

import uvicorn

from api.app import create_app
from api.desk.store import DeskInUse, DeskUnfit
from api.door.door import Door
from api.door.hosts import is_loopback
from api.hub import Hub
from api.listening import HEAD_S, Outside, Patient, PatientOutside, listen, more_files, renew, tls, when_possible
from api.parts import Settings
from controller.door_code import GOOD_FOR_US

LOOPBACK = "127.0.0.1"
STARTED_S = 0.02
GRACE_S = 2
"""Open streams get so long to end; without it the server would wait for ever."""
EXPECTED = ("ASGI callable returned without completing response", "Cancel %s running task(s)",
            "Invalid HTTP request received.", "Unsupported upgrade request.")
NOBODY_YET = ("Nobody has an account yet{so}. Code for the first one, good once and for 24 h: {code}  Use it with "
              "`soakwarden account --http {port}` here, or on {page}.")
NOT_OUTSIDE = ", so this service listens on this computer only"


def expected(record: logging.LogRecord) -> bool:
    """False for what uvicorn calls an error and is our way to leave a page that does not read, or to end; and for what any
    stranger could fill the log with."""
    return not str(record.msg).startswith(EXPECTED)


class Server(uvicorn.Server):
    """Tells the streams at once that the service ends, and opens the outside listener when there is an account."""

    def __init__(self, config: uvicorn.Config, hubs: list[Hub], outside: Outside | None = None,
                 context: ssl.SSLContext | None = None, door: Door | None = None, needs_account: bool = False) -> None:
        """`needs_account`: without one nobody could do what this service is for, so a code for the first is printed."""
        super().__init__(config)
        self._hubs = hubs
        self._loop: asyncio.AbstractEventLoop | None = None
        self._outside, self._context, self._door = outside, context, door
        self._needs_account = needs_account
        self._tasks: list[asyncio.Task[None]] = []

    async def serve(self, sockets: list[socket.socket] | None = None) -> None:
        self._loop = asyncio.get_running_loop()
        if self._door is not None and sockets and (self._outside is not None or self._needs_account):
            port = int(sockets[0].getsockname()[1])
            self._tasks.append(asyncio.create_task(self._first(self._door, port)))
        try:
            await super().serve(sockets)
        finally:
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _first(self, door: Door, port: int) -> None:
        """Print codes until there is an account; then listen outside, if that was asked for."""
        while not self.started:
            await asyncio.sleep(STARTED_S)
        so, page = NOT_OUTSIDE if self._outside else "", f"{door.hosts.behind or f'http://{LOOPBACK}:{port}'}/"
        while not door.has_accounts.is_set():
            say(NOBODY_YET.format(so=so, code=door.first_code(), port=port, page=page))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(door.has_accounts.wait(), GOOD_FOR_US / 1e6)
        if self._outside is not None:
            await self._open(self._outside)

    async def _open(self, outside: Outside) -> None:
        found = await when_possible(outside, say)
        made = await asyncio.get_running_loop().create_server(
            self._outside_protocol, sock=found, ssl=self._context,
            ssl_handshake_timeout=HEAD_S if self._context else None)
        self.servers.append(made)
        if self._context is not None:
            self._tasks.append(asyncio.create_task(renew(outside, self._context)))
        else:
            say("Without --cert and --key what is typed there can be read on the network, passwords too.")
        say(f"{outside._replace(port=found.getsockname()[1]).url} listens for people who sign in.")

    def _outside_protocol(self) -> PatientOutside:
        return PatientOutside(config=self.config, server_state=self.server_state, app_state=self.lifespan.state)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        super().handle_exit(sig, frame)
        if self._loop is not None:
            for hub in self._hubs:
                self._loop.call_soon_threadsafe(hub.close)


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m api", description="The interface and the page, on loopback.")
    parser.add_argument("--data", type=Path, required=True, action="append", metavar="FOLDER",
                        help="folder of controller.sock and record.db; once for each chamber")
    parser.add_argument("--desk", type=Path, metavar="FOLDER", help="folder of desk.db (default: the first --data)")
    parser.add_argument("--http", type=int, required=True, metavar="PORT",
                        help=f"port on {LOOPBACK}; 0 lets the system choose")
    parser.add_argument("--circuit-w", type=int, default=2_300, metavar="W",
                        help="what the circuit that the chambers share can bear (default 2300 W: 10 A at 230 V; 120 V, 15 A "
                             "is 1800)")
    parser.add_argument("--web", type=Path, default=Path(__file__).resolve().parents[1] / "web", help="folder of the page")
    door = parser.add_argument_group("beyond this computer", "see hardware_notes/another_room.md")
    door.add_argument("--address", default="", help="listen there too, once there is an account: an address of this computer")
    door.add_argument("--outside-port", type=int, metavar="PORT", help="port there")
    door.add_argument("--cert", type=Path, metavar="FILE", help="certificate chain (PEM): speak TLS there")
    door.add_argument("--key", type=Path, metavar="FILE", help="its private key (PEM)")
    door.add_argument("--name", action="append", default=[], metavar="HOST", help="one more name of this computer")
    door.add_argument("--behind", default="", metavar="ORIGIN", help="a reverse proxy shows this service as https://NAME")
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument("--real", action="store_true", help="a real chamber: loopback looks and stops, nothing more")
    kind.add_argument("--demo", action="store_true", help="a simulated chamber: a new desk gets three invented schedules")
    return parser.parse_args(argv)


def outside_of(args: argparse.Namespace) -> tuple[Outside | None, str]:
    """Where to listen beyond loopback, or why what was asked for cannot be."""
    if args.behind and (urlsplit(args.behind).scheme not in ("http", "https") or not urlsplit(args.behind).netloc
                        or urlsplit(args.behind).path.strip("/")):
        return None, f"--behind is {args.behind}; allowed is an origin such as https://oven.example"
    if not args.address:
        alone = args.outside_port is not None or args.cert or args.key
        return None, "--outside-port, --cert and --key go with --address" if alone else ""
    try:
        parsed = ip_address(args.address)
    except ValueError:
        return None, f"--address is {args.address}; allowed is an address of this computer in figures, such as 192.0.2.5 or ::"
    if str(parsed) == LOOPBACK or (is_loopback(args.address) and parsed.version == 6):
        return None, f"--address is {args.address}, and loopback is listened on anyway; leave it away"
    if args.outside_port is None or not 0 <= args.outside_port <= 65_535:
        return None, f"--outside-port is {args.outside_port}; allowed is 1 to 65535, another one than --http"
    if args.outside_port == args.http and args.http:
        return None, f"--outside-port is {args.outside_port}, the same as --http; choose another"
    if bool(args.cert) != bool(args.key):
        return None, "--cert and --key go together: the certificate chain and its private key, both as PEM files"
    return Outside(args.address, args.outside_port, args.cert, args.key), ""


def main(argv: list[str] | None = None) -> int:
    args = arguments(argv)
    outside, wrong = outside_of(args)
    if wrong:
        return refuse(wrong)
    try:
        context = tls(outside) if outside else None
    except (OSError, ValueError) as error:
        return refuse(f"--cert {args.cert} with --key {args.key} cannot be used ({error}); both must be PEM files of one pair")
    try:
        app = create_app(Settings(tuple(args.data), args.web, args.http, args.real, args.demo, args.desk, tuple(args.name),
                                  args.behind, args.circuit_w))
    except (DeskInUse, DeskUnfit, OSError) as error:
        return refuse(str(error))
    try:
        listening = listen(LOOPBACK, args.http)
    except (OSError, OverflowError) as error:
        app.state.house.first.desk.close()
        return refuse(f"port {args.http} on {LOOPBACK} cannot be listened on ({error}); choose another with --http")
    more_files()
    config = uvicorn.Config(app, log_config=None, access_log=False, proxy_headers=False, server_header=False, ws="none",
                            http=Patient, timeout_graceful_shutdown=GRACE_S, timeout_keep_alive=30)
    logging.getLogger("uvicorn.error").addFilter(expected)
    say(f"http://{LOOPBACK}:{listening.getsockname()[1]}/")
    with contextlib.suppress(KeyboardInterrupt):
        hubs = [one.hub for one in app.state.house]
        needs_account = args.real or bool(args.behind)  # this computer alone may then do little, or nothing
        Server(config, hubs, outside, context, app.state.door, needs_account).run(sockets=[listening])
    return 0


def say(words: str) -> None:
    print(words, flush=True)


def refuse(reason: str) -> int:
    print(f"cannot start: {reason}", file=sys.stderr, flush=True)
    return 2


if __name__ == "__main__":
    sys.exit(main())
