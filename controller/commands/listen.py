"""`soakwarden listen`: on a second computer, hear a chamber's heartbeat and alarm when it stops.

A computer that is off, a network that is cut, a service that hangs: none of them can send a message. This one misses them.
It needs nothing of the chamber's computer but the beats, and commands nothing. Ctrl-C ends it.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
from pathlib import Path
from typing import Any

from controller.commands.out import Out
from controller.drivers.locks import Taken, lock_folder
from controller.exit_codes import Exit
from controller.messenger.hearing import Hearing
from controller.messenger.listener import Listener, Unfit
from controller.messenger.sending import Sending
from controller.messenger.words import Need, Text

PORT = 8652
DATA = Path(".soakwarden/listen")
TURN_S = 0.5
PORT_MAX = 65_535


def add(verbs: Any) -> None:
    """Options of the command."""
    made = verbs.add_parser("listen", help="on a second computer: alarm when a chamber falls silent", description=__doc__)
    made.add_argument("--address", default="0.0.0.0", help="address to listen on (default: every one of this computer)")
    made.add_argument("--port", type=int, default=PORT, help=f"port to listen on (default {PORT}; 0: the system chooses)")
    made.add_argument("--data", type=Path, default=DATA, help=f"folder of its key and memory (default {DATA})")
    made.add_argument("--tell", action="append", default=[], metavar="URL",
                      help="send alarms to this address too, in apprise's form; may be given several times")
    made.add_argument("--tell-file", type=Path, metavar="FILE",
                      help="the same from a file, one address a line: a command line can be read by others on this computer")
    made.add_argument("--try", action="store_true", dest="tries",
                      help="send one trial to every address, say how each answered, and end")
    made.add_argument("--json", action="store_true", help="one JSON object a line")
    made.set_defaults(act=act)


def act(options: argparse.Namespace, out: Out) -> int:
    """Listen until a signal comes."""
    if not 0 <= options.port <= PORT_MAX:
        out.refuse(f"--port is {options.port}; allowed is 0 to {PORT_MAX}.")
        return Exit.USAGE
    try:
        options.data.mkdir(parents=True, exist_ok=True)
        lock = lock_folder(options.data)
    except Taken as error:
        out.refuse(f"{error}. Nothing was started.")
        return Exit.TAKEN
    except OSError as error:
        out.refuse(f"{options.data}: {error.strerror}; name a folder that this user may write, with --data.")
        return Exit.FILES
    with lock:
        try:
            options.tell += _addresses(options.tell_file)
        except (OSError, UnicodeDecodeError) as error:
            out.refuse(f"--tell-file {options.tell_file} cannot be read: {error}")
            return Exit.FILES
        try:
            return asyncio.run(_listen(options, out))
        except Unfit as error:
            out.refuse(str(error))
            return Exit.FILES
        except OSError as error:
            out.refuse(f"{options.address} port {options.port} cannot be listened on ({error.strerror}); name another with "
                       "--address or --port.")
            return Exit.TAKEN


def _addresses(path: Path | None) -> list[str]:
    """One a line; empty lines and those that begin with # say nothing."""
    lines = [] if path is None else path.read_text(encoding="utf-8").splitlines()
    return [line.strip() for line in lines if line.strip() and not line.strip().startswith("#")]


def told(text: Text, need: Need) -> str:
    """An alarm on the terminal: which chamber, then everything once; with the bell where somebody has to get up."""
    bell = "\a" if need.rank >= Need.GET_UP.rank else ""
    return f"{bell}{text.head}\n{text.body}\n"


async def _listen(options: argparse.Namespace, out: Out) -> int:
    def say(text: Text, need: Need) -> None:
        out.say(text.title if options.json else told(text, need), need=need.value, body=text.body)

    listener = Listener(options.data, options.tell, Sending(), say)
    unusable = await listener.unusable()
    if unusable:
        out.refuse(f"Nothing can be sent to {'; '.join(unusable)}. Correct it in --tell or --tell-file; its form is apprise's.")
        return Exit.USAGE
    if options.tries:
        return await _try(listener, out)
    hearing = Hearing(listener.hear, listener.line)
    port = await hearing.open(options.address, options.port)
    ending = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        asyncio.get_running_loop().add_signal_handler(number, ending.set)
    out.say(f"Listening on {options.address} port {port}. On the chamber's page, under who is told, enter "
            f"http://THIS-COMPUTER:{port}/ as a receiver of the heartbeat, with this key: {listener.key}", port=port)
    if not options.tell:
        out.say("Alarms come on this terminal only; --tell sends them to people as well, --try shows whether they arrive.")
    trouble = ""
    while not ending.is_set():
        listener.turn()
        while listener.news:
            out.say(listener.news.pop(0))
        if listener.trouble != trouble:
            trouble = listener.trouble
            out.say(f"An alarm could not be sent or kept: {trouble}. It is tried again." if trouble
                    else "Alarms can be sent again.", trouble=trouble)
        try:
            async with asyncio.timeout(TURN_S):
                await ending.wait()
        except TimeoutError:
            continue
    await hearing.close()
    await listener.close()
    return Exit.GOOD


async def _try(listener: Listener, out: Out) -> int:
    """One trial to every address; nothing is listened for."""
    answers = await listener.tried()
    for name, left, answer in answers:
        said = "took it. Look whether it has arrived." if left else f"did not take it: {answer.rstrip('.')}."
        out.say(f"{name} {said}", address=name, left=left, answer=answer)
    if not answers:
        out.refuse("There is nobody to try: name addresses with --tell or --tell-file.")
        return Exit.USAGE
    return Exit.GOOD if all(left for _, left, _ in answers) else Exit.PEER
