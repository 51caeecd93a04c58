"""`python -m controller.messenger.send`: one try to send, in a process of its own. JSON in on stdin, JSON out on stdout.

The messenger ends it when it takes too long, whatever it hangs in; its memory is free again afterwards; addresses with
passwords stand on no command line. Only here is apprise loaded.
"""

from __future__ import annotations

import json
import logging
import sys
import urllib.error
import urllib.request
from http.client import HTTPException
from typing import Any, NamedTuple

from controller.messenger.answers import HEADS, joined, plain, quoted, reason
from controller.messenger.channels import kind

INPUT_MAX_BYTES = 65_536
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

    def emit(self, record: logging.LogRecord) -> None:
        line = record.getMessage().strip()
        if record.levelno >= logging.WARNING or line.startswith(HEADS):
            self.lines.append(plain(line))


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
    return Sent(left, "taken" if left else joined(heard.lines, url) or "not taken, without a reason")


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
    ask = json.loads(sys.stdin.buffer.read(INPUT_MAX_BYTES))
    sent = WAYS[ask["way"]](ask)
    sys.stdout.write(json.dumps(sent._asdict(), ensure_ascii=True))
    return 0


if __name__ == "__main__":
    sys.exit(main())
