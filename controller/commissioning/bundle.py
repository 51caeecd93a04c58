"""A chamber as one JSON document, to take to another computer or to a borrower: its file, its proofs, its model, its survey.

No accounts, no channels, no names of people, no port. A bundle is sealed like every file of the controller's; what is not whole
is refused. Opened elsewhere it comes without what hangs on the place, and for another board without what hangs on that.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from typing import Any, NamedTuple

from controller.commissioning import store
from controller.commissioning.changes import CHANGE_BY_ID
from controller.commissioning.store import Kept
from controller.drivers import sealed

FORMAT = "soakwarden-bundle-1"
LENDER = "the lender"
BYTES_MAX = 4 * sealed.FILE_MAX_BYTES
TEXT_MAX_BYTES = 65_536
KEYS = frozenset({"format", "name", "board", "simulated", "chamber", "proofs", "model", "survey"})
PORT = re.compile(r'^(\s*port\s*=\s*).*$', re.MULTILINE)
BOARD = re.compile(r'^(\s*board\s*=\s*).*$', re.MULTILINE)
CARRIED = ("moved", "computer")
"""What a bundle that is opened has always been through; what was given with a simulated chamber hangs on no place."""
Json = dict[str, Any]


class BadBundle(ValueError):
    """It is no bundle, or not whole, or of another board. The text says what, and what to do."""


class Opened(NamedTuple):
    """What a bundle becomes."""

    chamber: str
    """Text of the chamber file."""
    kept: Kept
    model: Json | None
    board: str
    simulated: bool
    left_out: tuple[str, ...]
    """Steps whose proofs stayed behind."""


def made(chamber_text: str, kept: Kept, model: Json | None, survey: Json | None) -> Json:
    """The document."""
    told = tomllib.loads(chamber_text)
    anonymous = kept._replace(
        proofs=tuple(row if store.is_given(row) else row._replace(by=LENDER) for row in kept.proofs),
        voided=tuple(mark._replace(by=LENDER, note="") for mark in kept.voided), halves=())
    body = {
        "format": FORMAT, "name": told["name"], "board": kept.board or told.get("board", ""), "simulated": told["simulated"],
        "chamber": PORT.sub(r'\1""', chamber_text), "proofs": store.body_of(store.bounded(anonymous)), "model": model,
        "survey": survey,
    }
    return {"body": body, "sha256": _seal(body)}


def render(document: Json) -> str:
    """The document as a file holds it."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True) + "\n"


def opened(data: bytes, board: str = "") -> Opened:
    """What a bundle holds, for this computer. `board`: another board than it was made with; empty: the same.

    Raises BadBundle for what is no whole bundle.
    """
    body = _body(data)
    chamber, kept = body["chamber"], _kept(body)
    if board and board == body["board"]:
        board = ""
    if board and not re.fullmatch(r"[0-9a-f]{6}", board):
        raise BadBundle(f"board is {board!r}; six digits are, each 0-9 or a-f, as the board's reports say them")
    changes = (*CARRIED, *(("board",) if board else ()))
    gone = frozenset(step for change in changes for step in CHANGE_BY_ID[change].steps)
    stays = [row.step in gone and (bool(board) or not store.is_given(row)) for row in kept.proofs]
    rows = tuple(row for row, stay in zip(kept.proofs, stays, strict=True) if not stay)
    left = tuple(dict.fromkeys(row.step for row, stay in zip(kept.proofs, stays, strict=True) if stay))
    if board:
        chamber = BOARD.sub(rf'\1"{board}"', chamber, count=1)
    whose = board or body["board"]
    return Opened(chamber, kept._replace(board=whose, proofs=rows), body["model"], whose, body["simulated"], left)


def check_board(data: bytes, board: str) -> None:
    """Raises BadBundle where a bundle is of another board than the one that is there."""
    theirs = _body(data)["board"]
    if theirs != board:
        raise BadBundle(f"this bundle is of board {theirs}, and here is {board}; with --board {board} it opens without "
                        "everything that hangs on board and place")


def _kept(body: Json) -> Kept:
    try:
        return store.of_body(body["proofs"])
    except ValueError as error:
        raise BadBundle(f"its proofs are none: {error}") from None


def _body(data: bytes) -> Json:
    if len(data) > BYTES_MAX:
        raise BadBundle(f"{len(data)} bytes; a bundle has at most {BYTES_MAX}")
    try:
        document = json.loads(data.decode())
        body = document["body"]
        whole = set(document) == {"body", "sha256"} and document["sha256"] == _seal(body)
    except (ValueError, KeyError, TypeError, RecursionError):
        raise BadBundle("not a whole bundle: cut, or changed by another program; ask for it again") from None
    if not whole:
        raise BadBundle("changed since it was made: its checksum does not fit; ask for it again")
    if not isinstance(body, dict) or set(body) != KEYS or body["format"] != FORMAT:
        raise BadBundle(f"not a bundle of format {FORMAT}; ask for one from this version")
    kinds = {"board": str, "simulated": bool, "chamber": str, "proofs": dict}
    if not all(type(body[key]) is kind for key, kind in kinds.items()) or len(body["chamber"].encode()) > TEXT_MAX_BYTES \
            or not isinstance(body["model"], (dict, type(None))):
        raise BadBundle("a field of it is of another type, or too long; ask for it again")
    return body


def _seal(body: Any) -> str:
    inner = json.dumps(body, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return hashlib.sha256(inner.encode()).hexdigest()
