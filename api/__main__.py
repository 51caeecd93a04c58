"""`python -m api --data FOLDER --http PORT`: serve the interface and the page on loopback.

Prints one line when it listens, and nothing else unless something is wrong. Exit codes: 0 asked to end by a keyboard,
2 cannot start (the reason is printed), 143 asked to end by SIGTERM, which is normal.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import socket
import sys
from pathlib import Path
from types import FrameType

import uvicorn

from api.app import create_app
from api.desk.store import DeskInUse, DeskUnfit
from api.hub import Hub
from api.parts import Settings

ADDRESSES = {"127.0.0.1": socket.AF_INET, "::1": socket.AF_INET6}
GRACE_S = 2
"""Open streams get so long to end; without it the server would wait for ever."""
STUCK_MS = 15_000
"""A peer that accepts no byte for so long is cut off by the kernel, after our own send deadline has given it up."""
SEND_BUFFER_BYTES = 128 * 1024
BACKLOG = 256
EXPECTED = ("ASGI callable returned without completing response", "Cancel %s running task(s)")


def expected(record: logging.LogRecord) -> bool:
    """False for what uvicorn calls an error and is our way to leave a page that does not read, or to end."""
    return not str(record.msg).startswith(EXPECTED)


class Server(uvicorn.Server):
    """Tells the streams at once that the service ends."""

    def __init__(self, config: uvicorn.Config, hubs: list[Hub]) -> None:
        super().__init__(config)
        self._hubs = hubs
        self._loop: asyncio.AbstractEventLoop | None = None

    async def serve(self, sockets: list[socket.socket] | None = None) -> None:
        self._loop = asyncio.get_running_loop()
        await super().serve(sockets)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        super().handle_exit(sig, frame)
        if self._loop is not None:
            for hub in self._hubs:
                self._loop.call_soon_threadsafe(hub.close)


def listen(address: str, port: int) -> socket.socket:
    """A listening socket on loopback; its options are inherited by every connection. Raises
    OSError, or OverflowError for a number that is no port."""
    # asyncio sends at once only on sockets that say they are TCP; else every answer waits 40 ms for an acknowledgement
    found = socket.socket(ADDRESSES[address], socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            found.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, STUCK_MS)
        found.bind((address, port))
        found.listen(BACKLOG)
    except (OSError, OverflowError):
        found.close()
        raise
    return found


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m api", description="The interface and the page, on loopback.")
    parser.add_argument("--data", type=Path, required=True, action="append", metavar="FOLDER",
                        help="folder of controller.sock and record.db; once for each chamber")
    parser.add_argument("--desk", type=Path, metavar="FOLDER", help="folder of desk.db (default: the first --data)")
    parser.add_argument("--http", type=int, required=True, metavar="PORT", help="port to listen on; 0 lets the system choose")
    parser.add_argument("--address", default="127.0.0.1", help="127.0.0.1 or ::1; any other is refused")
    parser.add_argument("--circuit-w", type=int, default=2_300, metavar="W",
                        help="what the circuit that the chambers share can bear (default 2300 W: 10 A at 230 V)")
    parser.add_argument("--web", type=Path, default=Path(__file__).resolve().parents[1] / "web", help="folder of the page")
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument("--real", action="store_true", help="a real chamber: loopback looks and stops, nothing more")
    kind.add_argument("--demo", action="store_true", help="a simulated chamber: a new desk gets three invented schedules")
    return parser.parse_args(argv)


def main(argv: list[str] | None = None) -> int:
    args = arguments(argv)
    if args.address not in ADDRESSES:
        return refuse(f"--address is {args.address}; allowed is {' or '.join(ADDRESSES)}: until accounts exist this "
                      f"service listens on this computer only")
    try:
        app = create_app(Settings(tuple(args.data), args.web, args.http, args.real, args.demo, args.circuit_w, args.desk))
    except (DeskInUse, DeskUnfit, OSError) as error:
        return refuse(str(error))
    try:
        listening = listen(args.address, args.http)
    except (OSError, OverflowError) as error:
        app.state.house.first.desk.close()
        return refuse(f"port {args.http} on {args.address} cannot be listened on ({error}); choose another with --http")
    config = uvicorn.Config(app, log_config=None, access_log=False, proxy_headers=False, server_header=False, ws="none",
                            timeout_graceful_shutdown=GRACE_S, timeout_keep_alive=30)
    logging.getLogger("uvicorn.error").addFilter(expected)
    shown = f"[{args.address}]" if ":" in args.address else args.address
    print(f"http://{shown}:{listening.getsockname()[1]}/", flush=True)
    with contextlib.suppress(KeyboardInterrupt):
        Server(config, [one.hub for one in app.state.house]).run(sockets=[listening])
    return 0


def refuse(reason: str) -> int:
    print(f"cannot start: {reason}", file=sys.stderr, flush=True)
    return 2


if __name__ == "__main__":
    sys.exit(main())
