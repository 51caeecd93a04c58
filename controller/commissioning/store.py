"""proofs.json: what a chamber has shown, beside its file. Sealed; what cannot be read whole proves nothing, and says why.

Files of before commissioning (`OLD_FORMAT`) hold the proofs that were invented with a simulated chamber; there never were
others. They are read as what they stand for: everything was given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from controller.commissioning.proofs import Proof, Voided
from controller.commissioning.steps import BY_ID, STEPS
from controller.drivers import sealed

FORMAT = "soakwarden-proofs-2"
OLD_FORMAT = "soakwarden-proofs-1"
GIVEN = "invented with the chamber"
"""Who made the proofs of a simulated chamber that begins with all of them: they hang on no sensor, and do not age."""
OLD_IDS = frozenset({"silence", "sensor_identity", "start_proof", "over_temperature_trip", "watchdog", "limiter", "survey",
                     "message_channels"})
ROOM_BYTES = sealed.FILE_MAX_BYTES - 16_384
"""Above this the superseded rows go; the rest is room for one more row and for what the seal adds."""
ROWS_MAX = 2_000
BEGUN = "begun"
"""What marks a step that is going on."""
TEXT_MAX = 2_000


class Half(NamedTuple):
    """One half of a proof that needs two: what was typed, or what a run or a watch has seen. A third one, `begun`, marks a
    step that was going on; found at a start, it says that somebody has to begin it again."""

    step: str
    what: str
    """"typed", "seen" or "begun"."""
    utc_us: int
    by: str
    found: str
    values: dict[str, Any]
    sensor: str = ""
    spot: str = ""


class Kept(NamedTuple):
    """Everything that the file holds."""

    board: str
    invented: bool = False
    proofs: tuple[Proof, ...] = ()
    voided: tuple[Voided, ...] = ()
    halves: tuple[Half, ...] = ()
    unreadable: str = ""
    """Why the file proves nothing; empty while it is whole."""


def given(board: str, utc_us: int) -> Kept:
    """What a simulated chamber begins with: every step shown, and marked as invented."""
    rows = tuple(Proof(step.id, True, utc_us, GIVEN, "invented", {}, invented=True) for step in STEPS)
    return Kept(board, True, rows)


def is_given(proof: Proof) -> bool:
    """Was it made with the chamber? Such a row counts for every sensor and place."""
    return proof.invented and proof.by == GIVEN


def read(path: Path) -> Kept:
    """What the file holds; a file that is missing holds nothing, one that cannot be trusted says so. Never raises."""
    if not path.exists():
        return Kept("")
    try:
        return of_body(sealed.read(path))
    except sealed.Unsealed as error:
        return Kept("", unreadable=error.reason)
    except ValueError as error:
        return Kept("", unreadable=f"holds something else: {error}")


def write(path: Path, kept: Kept) -> None:
    """Replace the file atomically. Raises OSError; the old one then stands."""
    sealed.write(path, body_of(bounded(kept)))


def body_of(kept: Kept) -> dict[str, Any]:
    """The sealed body, as plain JSON."""
    return {
        "format": FORMAT, "board": kept.board, "invented": kept.invented,
        "proofs": [dict(row._asdict()) for row in kept.proofs],
        "voided": [{**row._asdict(), "steps": list(row.steps)} for row in kept.voided],
        "halves": [dict(row._asdict()) for row in kept.halves],
    }


def of_body(body: Mapping[str, Any]) -> Kept:
    """The same back. Raises ValueError for anything that is not exactly that."""
    if body.get("format") == OLD_FORMAT:
        return _of_old(body)
    if body.get("format") != FORMAT or set(body) != {"format", "board", "invented", "proofs", "voided", "halves"}:
        raise ValueError(f"format {str(body.get('format'))[:40]!r} is not {FORMAT!r}, or a part is missing or too many")
    rows = [body["proofs"], body["voided"], body["halves"]]
    if not all(isinstance(one, list) and len(one) <= ROWS_MAX for one in rows):
        raise ValueError(f"rows must be lists of at most {ROWS_MAX}")
    invented = _is(body["invented"], bool)
    proofs = tuple(_row(Proof, one) for one in body["proofs"])
    return Kept(_is(body["board"], str), invented, tuple(one._replace(invented=one.invented or invented) for one in proofs),
                tuple(_voided(one) for one in body["voided"]), tuple(_row(Half, one) for one in body["halves"]))


def bounded(kept: Kept) -> Kept:
    """Small enough to be written: when it has grown too large, only what can still count is kept."""
    if max(len(kept.proofs), len(kept.voided)) < ROWS_MAX // 2 and len(sealed.render(body_of(kept))) <= ROOM_BYTES:
        return kept
    return thinned(kept)


def thinned(kept: Kept) -> Kept:
    """Of every step, sensor and spot the newest pass and the newest fail, in their order, and of each mark the newest."""
    newest: dict[tuple[object, ...], int] = {}
    for number, row in enumerate(kept.proofs):
        newest[row.step, row.sensor, row.spot, row.passed] = number
    marks: dict[tuple[object, ...], int] = {}
    for number, mark in enumerate(kept.voided):
        marks[mark.change, mark.sensor] = number
    return kept._replace(proofs=tuple(kept.proofs[at] for at in sorted(newest.values())),
                         voided=tuple(kept.voided[at] for at in sorted(marks.values())), halves=kept.halves[-64:])


def with_proof(kept: Kept, *rows: Proof) -> Kept:
    """With these as the newest."""
    return kept._replace(proofs=(*kept.proofs, *rows))


def with_mark(kept: Kept, mark: Voided) -> Kept:
    """With this mark. A row from the future proves nothing already; it is dropped, so that its time cannot outlive the mark. So
    is half of a proof: what was typed or seen before the change says nothing of what is there now."""
    hit = tuple(row for row in kept.proofs if not (row.utc_us > mark.utc_us and touches(mark, row)))
    halves = tuple(half for half in kept.halves if half.what == BEGUN or not touches(mark, half))
    return kept._replace(proofs=hit, voided=(*kept.voided, mark), halves=halves)


def touches(mark: Voided, row: Proof | Half) -> bool:
    """Does this mark mean that row? A half that names no sensor is of all of them."""
    every = is_given(row) if isinstance(row, Proof) else not row.sensor
    return row.step in mark.steps and (not mark.sensor or every or mark.sensor == row.sensor)


def changed_since(kept: Kept, step: str) -> bool:
    """Was this step voided while it was going on?"""
    begun = half_of(kept, step, BEGUN)
    return begun is not None and any(mark.utc_us >= begun.utc_us and step in mark.steps for mark in kept.voided)


def with_half(kept: Kept, half: Half) -> Kept:
    """With this half in the place of an older one like it."""
    left = without_half(kept, half.step, half.what, half.spot)
    return left._replace(halves=(*left.halves, half))


def without_half(kept: Kept, step: str, what: str = "", spot: str | None = None) -> Kept:
    """Without the halves of a step; `what` empty: all of them."""
    left = tuple(one for one in kept.halves
                 if one.step != step or (what and one.what != what) or (spot is not None and one.spot != spot))
    return kept._replace(halves=left)


def half_of(kept: Kept, step: str, what: str) -> Half | None:
    """The half of a step, or None."""
    return next((one for one in reversed(kept.halves) if one.step == step and one.what == what), None)


def _of_old(body: Mapping[str, Any]) -> Kept:
    """Everything was invented, or nothing holds."""
    rows = body.get("proofs")
    shown = {row.get("proof") for row in rows if isinstance(row, Mapping) and row.get("passed") is True} \
        if isinstance(rows, list) else set()
    if body.get("invented") is not True or not shown >= OLD_IDS:
        raise ValueError("proofs of an older program that no simulated chamber was made with")
    return given(_is(body.get("board"), str), 0)


def _voided(row: Any) -> Voided:
    steps = row.get("steps") if isinstance(row, Mapping) else None
    if not isinstance(steps, list) or not all(isinstance(one, str) for one in steps):
        raise ValueError("a mark without steps")
    mark: Voided = _row(Voided, {**row, "steps": tuple(steps)})
    return mark


def _row(shape: Any, row: Any) -> Any:
    """One named tuple of plain fields. Raises ValueError where a field is missing, unknown or of another type."""
    if not isinstance(row, Mapping) or set(row) != set(shape._fields):
        raise ValueError(f"a row of another shape than {shape.__name__.lower()}")
    made = shape(**row)
    texts: Sequence[str] = [value for name, value in row.items() if TYPES.get(name) is str]
    if not all(type(value) is TYPES[name] for name, value in row.items()) or any(len(text) > TEXT_MAX for text in texts):
        raise ValueError(f"a {shape.__name__.lower()} with a field of another type, or too long")
    if "step" in row and row["step"] not in BY_ID:
        raise ValueError(f"step {row['step'][:40]!r} is none")
    return made


def _is(value: Any, kind: type) -> Any:
    if type(value) is not kind:
        raise ValueError(f"{str(value)[:40]!r} is no {kind.__name__}")
    return value


TYPES: Mapping[str, type] = {
    "step": str, "passed": bool, "utc_us": int, "by": str, "found": str, "values": dict, "sensor": str, "spot": str,
    "switchings": int, "advice": str, "invented": bool, "change": str, "steps": tuple, "note": str, "what": str,
}
"""By field, of every row."""
