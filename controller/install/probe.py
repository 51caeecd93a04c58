"""Asks the services how they are: the controllers and the messenger over their sockets, the page over loopback."""

from __future__ import annotations

import asyncio
import http.client
import re
import socket
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from controller.client import Client, ControllerError
from controller.install.places import API, API_OPTIONS, DESK, HOUSE, MESSENGER, controller_unit

ASK_S = 3.0
HTTP_DEFAULT = 8650
ENDED = frozenset({"idle", "complete", "stopped", "aborted"})
"""States of a run in which nothing heats and nothing will by itself."""


class ServiceProbe:
    """Asks below a root. `pages`: the page is asked too; below a staging folder it would be another one's."""

    def __init__(self, root: Path, pages: bool = True) -> None:
        self._root = root
        self._pages = pages

    def busy(self, chambers: Sequence[str]) -> list[str]:
        """A sentence for each chamber that must not be disturbed."""
        return [why for name in chambers if (why := self._busy(name))]

    def answering(self, chambers: Sequence[str]) -> frozenset[str]:
        """The units whose process answers."""
        found = {controller_unit(name) for name in chambers if _asked(self._socket(name), "health") is not None}
        if _asked(self._at(DESK) / "messenger.sock", "status") is not None:
            found.add(MESSENGER)
        if self._pages and _page(http_port(self._at(API_OPTIONS))):
            found.add(API)
        return frozenset(found)

    def _at(self, path: Path) -> Path:
        return self._root / path.relative_to("/")

    def _socket(self, name: str) -> Path:
        return self._at(HOUSE / name / "controller.sock")

    def _busy(self, name: str) -> str:
        if not listened_to(self._socket(name)):
            return ""
        answer = _asked(self._socket(name), "now")
        if answer is None:
            return (f"{name}: its controller runs but does not answer, so nobody can say whether it heats; look there, "
                    f"then end it: systemctl stop {controller_unit(name)}.")
        now = answer["now"]
        run, pending = now.get("run"), now.get("pending")
        if pending:
            return f"{name}: a start waits; stop it on the page, or wait for the run's end."
        if run and run["state"] not in ENDED:
            return f"{name}: the run {run['id']} is on ({run['state']}); wait for its end, or stop it on the page."
        return ""


def listened_to(path: Path) -> bool:
    """Does a process listen on this socket? A dead one's socket file stays behind."""
    if not path.exists():
        return False
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        line.settimeout(ASK_S)
        try:
            line.connect(str(path))
        except (FileNotFoundError, ConnectionRefusedError):
            return False
        except OSError:
            return True  # too slow, or not allowed: somebody is there
    return True


def http_port(options: Path) -> int:
    """The page's port on loopback, as the options of the api have it."""
    try:
        found = re.search(r"^API_OPTIONS=.*--http[ =](\d+)", options.read_text(encoding="utf-8"), re.MULTILINE)
    except (OSError, UnicodeDecodeError):
        return HTTP_DEFAULT
    return int(found[1]) if found else HTTP_DEFAULT


def _asked(path: Path, do: str) -> dict[str, Any] | None:
    try:
        return asyncio.run(Client(path, ASK_S).ask(do))
    except (ControllerError, ValueError, KeyError):
        return None


def _page(port: int) -> bool:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=ASK_S)
    try:
        connection.request("GET", "/api/v1/health")
        return connection.getresponse().status < 500
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()
