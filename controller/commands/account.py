"""`soakwarden account`: make an account with a one-time code, or make such a code on this computer.

`soakwarden account` asks a running service on loopback, with the code that it printed or that somebody was invited with.
`soakwarden account code` leaves a code in the desk folder: for the first account, or when a password is lost. Only who may
write that folder can do it.
"""

from __future__ import annotations

import argparse
import getpass
import http.client
import json
import sys
from pathlib import Path
from typing import Any

from controller import door_code
from controller.commands.out import Out
from controller.commands.serve import DATA_REAL, HTTP_REAL
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit

ASK_S = 20.0
ANSWER_MAX_BYTES = 65_536


def add(verbs: Any) -> None:
    """Options of the command."""
    made = verbs.add_parser("account", help="make an account, or a one-time code for one", description=__doc__)
    made.add_argument("what", nargs="?", choices=("join", "code"), default="join", help="join (the default) or code")
    made.add_argument("--desk", type=Path, default=DATA_REAL, help=f"with code: the desk folder (default {DATA_REAL})")
    made.add_argument("--http", type=int, default=HTTP_REAL, help=f"port of the service on 127.0.0.1 (default {HTTP_REAL})")
    made.add_argument("--code", default="", help="the one-time code; asked for if not given")
    made.add_argument("--name", default="", help="how the account is called; asked for if not given")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out) -> int:
    """Do what was asked; the password is never an option, since other users of the computer can read those."""
    return _code(options, out) if options.what == "code" else _join(options, out)


def _code(options: argparse.Namespace, out: Out) -> int:
    code = door_code.make()
    try:
        path = door_code.leave(options.desk, code, utc_us())
    except OSError as error:
        out.refuse(f"{options.desk}: {error.strerror}; name the folder of desk.db with --desk, as a user who may write it.")
        return Exit.FILES
    out.result({"code": code, "file": str(path)},
               f"{code}\nGood once and for 24 h, for a new maintainer or a new password of an old account. Use it with "
               "`soakwarden account`, or on the page.")
    return Exit.GOOD


def _join(options: argparse.Namespace, out: Out) -> int:
    try:
        code = options.code or _line("Code: ")
        name = options.name or _line("Name: ")
        password = _password()
    except EOFError:
        out.refuse("Code, name and password are needed; nothing was done.")
        return Exit.USAGE
    if password is None:
        out.refuse("The two passwords differ; nothing was done.")
        return Exit.USAGE
    try:
        status, answer = _ask(options.http, {"code": code, "name": name, "password": password})
    except (OSError, http.client.HTTPException, ValueError) as error:
        out.refuse(f"No service answers on port {options.http} of this computer ({error}); start it, or name its port with "
                   "--http.")
        return Exit.PEER
    if status != http.client.CREATED:
        mistakes = answer.get("mistakes", [])
        out.refuse(f"{answer.get('detail', 'It was refused.')} {answer.get('advice', '')}".strip(), mistakes=mistakes)
        return Exit.FINDINGS
    out.result({"name": answer["name"], "role": answer["role"]}, f"{answer['name']} has an account now: {answer['role']}.")
    return Exit.GOOD


def _line(prompt: str) -> str:
    """One answer. A terminal is asked; a pipe is read."""
    if sys.stdin.isatty():
        return input(prompt).strip()
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line.strip()


def _password() -> str | None:
    """Typed twice at a terminal, unseen; None when the two differ."""
    if not sys.stdin.isatty():
        return _line("")
    first = getpass.getpass("Password, 10 characters or more: ")
    return first if getpass.getpass("Once more: ") == first else None


def _ask(port: int, body: dict[str, str]) -> tuple[int, dict[str, Any]]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=ASK_S)
    try:
        connection.request("POST", "/api/v1/join", json.dumps(body), {"Content-Type": "application/json"})
        answer = connection.getresponse()
        found: dict[str, Any] = json.loads(answer.read(ANSWER_MAX_BYTES))
        return answer.status, found
    finally:
        connection.close()
