"""`python -m controller.messenger.send`: tries to send, each in a process of its own. On stdin an ask a line, on stdout an
answer a line, JSON, in the order in which they end.

The ways are loaded once, and every try is a fork of that: so a dozen that hang need little memory, and each is ended when it
takes too long, whatever it hangs in. The messenger ends the whole when nothing is left to do, and its memory is free again;
addresses with passwords stand on no command line. Only here is apprise loaded.
"""

from __future__ import annotations

import contextlib
import gc
import json
import logging
import os
import select
import signal
import sys
import urllib.error
import urllib.request
from http.client import HTTPException
from typing import Any, NamedTuple

from controller.messenger.answers import HEADS, NO_ANSWER, QUOTED_MAX, joined, plain, quoted, reason, unanswered
from controller.messenger.channels import kind

READ_BYTES = 65_536
LOOK_S = 0.1
"""How often it is looked whether a try has ended."""
BEAT_TIMEOUT_S = 10.0
MESSAGE_TIMEOUT_S = 25.0
"""A little less than `sending.ATTEMPT_S`: what takes the whole try is ended there, and the library's own few seconds would take
a slow answer for none and send the same again."""
ANSWER_MAX_BYTES = 2_048
Json = dict[str, Any]


class Sent(NamedTuple):
    """How a try ended, with what the other end or the way to it said."""

    left: bool
    answer: str
    known: bool = True
    """False where the try itself failed: then nothing is known of the address."""


class _Refused(urllib.request.HTTPRedirectHandler):
    """A beat is not carried elsewhere: whoever redirects it has not taken it."""

    def redirect_request(self, *_given: Any) -> None:
        return None


class _Heard(logging.Handler):
    """Keeps what the library says of a failure."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[str] = []
        self.unanswered = ""

    def emit(self, record: logging.LogRecord) -> None:
        line = record.getMessage().strip()
        if record.levelno >= logging.WARNING or line.startswith(HEADS):
            self.lines.append(plain(line))
            self.unanswered = self.unanswered or unanswered(line)


def message(url: str, title: str, body: str, failure: bool) -> Sent:
    """Send a message through apprise."""
    import apprise

    heard, log = _Heard(), logging.getLogger("apprise")
    log.addHandler(heard)
    log.setLevel(logging.DEBUG)
    asset = apprise.AppriseAsset(app_id="Soakwarden", app_desc="Soakwarden", app_url="", image_url_mask="", image_url_logo="",
                                 http_redirects=False)
    way = apprise.Apprise.instantiate(url, asset=asset, suppress_exceptions=True)
    if way is None:
        return Sent(False, joined(heard.lines, url) or "the address cannot be understood")
    way.socket_connect_timeout = way.socket_read_timeout = MESSAGE_TIMEOUT_S
    way.redirects = False  # as for beats, whatever the address says: whoever redirects a message has not taken it
    kind_of = apprise.NotifyType.FAILURE if failure else apprise.NotifyType.INFO
    left = bool(way.notify(title=title, body=body, notify_type=kind_of, body_format=apprise.NotifyFormat.TEXT))
    lines = [f"{NO_ANSWER}{heard.unanswered}"] if heard.unanswered else heard.lines
    return Sent(left, "taken" if left else joined(lines, url) or "not taken, without a reason")


def understood(url: str) -> Sent:
    """Would a message know its way? Nothing is sent."""
    import apprise

    heard, log = _Heard(), logging.getLogger("apprise")
    log.addHandler(heard)
    way = apprise.Apprise.instantiate(url, suppress_exceptions=True)
    if way is None:
        return Sent(False, joined(heard.lines, url) or "the address cannot be understood")
    return Sent(True, str(getattr(way, "service_name", "") or kind(url)))


def beat(url: str, body: str, headers: dict[str, str]) -> Sent:
    """POST a heartbeat; taken is an answer of class 2xx (RFC 9110, 15.3)."""
    try:
        request = urllib.request.Request(url, body.encode(), {
            "Content-Type": "application/json", "User-Agent": "soakwarden", **headers}, method="POST")
        opener = urllib.request.build_opener(_Refused)
        with opener.open(request, timeout=BEAT_TIMEOUT_S) as answer:
            said = f"{answer.status} {_said(answer)}".strip()
            return Sent(200 <= answer.status < 300, joined([said], url))
    except urllib.error.HTTPError as error:
        with error:
            said = _said(error)
        return Sent(False, joined([f"{error.code} {error.reason}{': ' if said else ''}{said}"], url))
    except urllib.error.URLError as error:
        return Sent(False, joined([f"cannot be reached: {reason(error.reason)}"], url))
    except (OSError, HTTPException, ValueError) as error:
        return Sent(False, joined([f"cannot be reached: {reason(error)}"], url))


def _said(answer: Any) -> str:
    return quoted(answer.read(ANSWER_MAX_BYTES).decode(errors="replace"))


WAYS = {
    "message": lambda ask: message(ask["url"], ask["title"], ask["body"], ask["failure"]),
    "understood": lambda ask: understood(ask["url"]),
    "beat": lambda ask: beat(ask["url"], ask["body"], ask["headers"]),
}


def main() -> int:
    """Until stdin ends."""
    gone = False
    going: dict[int, int] = {}
    begun = b""
    while not gone:
        if select.select([0], [], [], LOOK_S if going else None)[0]:
            read = os.read(0, READ_BYTES)
            gone = not read
            *lines, begun = (begun + read).split(b"\n")
            for line in lines:
                ask = json.loads(line)
                if ask["way"] != "beat":
                    _load()
                going[_forked(ask)] = ask["id"]
        while going:
            pid, status = os.waitpid(-1, os.WNOHANG)
            if not pid:
                break
            _answer({"id": going.pop(pid), "ended": os.waitstatus_to_exitcode(status)})
    return 0


def _load() -> None:
    """Load the ways here, for all that are forked; whoever needs them says what is wrong with them."""
    if "apprise" not in sys.modules:
        with contextlib.suppress(ImportError, OSError, ValueError, AttributeError):
            import apprise

            apprise.Apprise.instantiate("json://127.0.0.1")  # the library loads its ways when it is first asked for one
            gc.freeze()  # a page of memory that nobody writes to is shared


def _forked(ask: Json) -> int:
    pid = os.fork()
    if pid:
        return pid
    try:
        signal.setitimer(signal.ITIMER_REAL, ask["most_s"])  # the kernel ends it, whatever it hangs in
        _answer({"id": ask["id"], "sent": WAYS[ask["way"]](ask)._asdict()})
    except (ImportError, OSError, ValueError, LookupError, TypeError, AttributeError, RuntimeError) as error:
        said = f"the try failed: {type(error).__name__} {error}"[:QUOTED_MAX]
        _answer({"id": ask["id"], "sent": Sent(False, said, False)._asdict()})
    finally:
        os._exit(1)  # whatever else it is: what has answered is not asked how it ended


def _answer(said: Json) -> None:
    """One write of less than PIPE_BUF bytes: lines of two processes do not mix (POSIX.1-2017, write)."""
    os.write(1, json.dumps(said, ensure_ascii=True).encode() + b"\n")


if __name__ == "__main__":
    sys.exit(main())
