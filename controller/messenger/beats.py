"""The outward heartbeat: what a receiver elsewhere is told every two minutes while a run is on or waits. Pure.

Silence is the failure that nobody reports; so the beat says by when the next one must have come, and its absence is the
alarm. It says when the run is expected to end, and when it was first promised to: what is expected moves on with a run that
waits, a promise does not. The signature is HMAC-SHA-256 (RFC 2104) over the body's bytes; the number rises, so
that an old beat sent again keeps nobody quiet.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Iterable
from typing import Any, NamedTuple

from controller.core.run_states import ACTIVE, ENDED
from controller.messenger.words import S1, whom

EVERY_US = 120 * S1
AGAIN_US = 20 * S1
"""After a beat that did not arrive."""
NEXT_WITHIN_S = 600
SIGNATURE = "X-Soakwarden-Signature"
SILENT = "controller_silent"
WAITING = "waiting"
IDLE = "idle"
Json = dict[str, Any]


class Pulse(NamedTuple):
    """Beats of one chamber."""

    sequence: int = 0
    state: str = IDLE
    run: str = ""
    tripped: bool = False
    owed: tuple[int, ...] = ()
    """Receivers that have to hear of the last change and have not yet; a final beat is one of them."""
    promised_utc_us: int = 0
    """The end that was first expected of `run`, on the chamber's clock; 0 while none was."""
    page_silent: bool = False
    """The page was not heard for long."""


def signature(body: bytes, key: str) -> str:
    """The header's value; `key` is hexadecimal. Raises ValueError for a key that is not."""
    return f"sha256={hmac.new(bytes.fromhex(key), body, hashlib.sha256).hexdigest()}"


def signed(body: bytes, key: str, given: str) -> bool:
    """Does the signature fit? Takes the same time for every wrong one."""
    return hmac.compare_digest(signature(body, key).encode(), given.strip().encode())


def state_of(now: Json, silent: bool) -> str:
    """The word of a beat: the run's state, `waiting`, `idle`, or `controller_silent`."""
    run = now["run"]
    going = run is not None and run["state"] not in ENDED
    if silent and (going or now.get("pending")):
        return SILENT
    if going:
        return str(run["state"])
    if now.get("pending"):
        return WAITING
    return IDLE if run is None else str(run["state"])


def watched(state: str) -> bool:
    """Is somebody elsewhere to miss the next beat?"""
    return state not in ENDED and state != IDLE


def pulse(before: Pulse, now: Json, silent: bool, receivers: Iterable[int], page: bool | None = None) -> Pulse:
    """The chamber's pulse now. A change of what somebody elsewhere watches is owed to every receiver at once.
    `page`: does it answer? None while that is not known; then what was said last stands."""
    run = now["run"]
    after = before._replace(state=state_of(now, silent), run=run["id"] if run else "", tripped=bool(now["latches"]),
                            promised_utc_us=_promised(before, run),
                            page_silent=before.page_silent if page is None else not page)
    if after != before and (watched(before.state) or watched(after.state)):
        return after._replace(owed=tuple(receivers))
    return after._replace(owed=tuple(one for one in before.owed if one in set(receivers)))


def _promised(before: Pulse, run: Json | None) -> int:
    """Kept as it was first said, for as long as the run is the same."""
    if run is None:
        return 0
    if before.run == run["id"] and before.promised_utc_us:
        return before.promised_utc_us
    planned = run["state"] in ACTIVE and run["ends_utc_us"] > run["started_utc_us"]
    return int(run["ends_utc_us"]) if planned else 0


def taken(before: Pulse, receiver: int) -> Pulse:
    """A receiver has heard the newest."""
    return before._replace(owed=tuple(one for one in before.owed if one != receiver))


def next_sequence(last: int, utc_us: int) -> int:
    """Rises with every beat, also across restarts and a clock that went back; and past a state file that was lost."""
    return max(last + 1, utc_us // S1)


def body(now: Json, pulse: Pulse, utc_us: int, page: str = "") -> bytes:
    """One beat as JSON. It says neither who watches nor how. `utc_us`: on the chamber's clock. `page`: where its page is."""
    run, chamber, state = now["run"], now["chamber"], pulse.state
    going = run is not None and watched(state) and state != WAITING
    standing = [*(one["guard"] for one in now["latches"]), *_alarms(now)]
    whole = {"v": 1, "chamber": chamber["name"], "board": chamber["board"], "simulated": chamber["simulated"],
             "sequence": pulse.sequence, "utc_us": utc_us, "run": run["id"] if run else None, "state": state,
             "started_utc_us": run["started_utc_us"] if going else None,
             "promised_end_utc_us": (pulse.promised_utc_us or None) if going else None,
             "expects_end_utc_us": run["ends_utc_us"] if going else None, "next_within_s": NEXT_WITHIN_S,
             "sentence": whom(now["sentence"]), "page": page, "page_silent": pulse.page_silent,
             "tripped": bool(now["latches"]), "standing": list(dict.fromkeys(standing))}
    return json.dumps(whole, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _alarms(now: Json) -> Iterable[str]:
    return (one["guard"] for one in now["alarms"] if "returned" not in one["state"])
