"""Thins rows to minimum/maximum pairs. Every value of the span is inside some pair, so a spike is never lost."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from controller.records.schema import CURVE_COLUMNS, ROLLUP_SPANS_S

US_PER_S = 1_000_000
SLACK = 1.05
"""A span may be this much coarser than asked: 960 pairs of 60 s are about 1,000."""

RAW_JOINED_MAX = 4
"""More rows than this to a pair are not read one by one: 10 s buckets draw the same picture from a tenth of the rows."""


class Piece(NamedTuple):
    """One tick or one bucket: its time, the gap before it, and the pairs in the order of `CURVE_COLUMNS`."""

    first_utc_us: int
    last_utc_us: int
    gap_us: int
    least: tuple[int | None, ...]
    most: tuple[int | None, ...]


class Pairs(NamedTuple):
    """One column of a curve; None where no reading was good."""

    min: list[int | None]
    max: list[int | None]


class Curve(NamedTuple):
    """Buckets of about `span_us`: their first times, a minimum and a maximum a column, and the gaps (from, to) where
    nothing is in the record."""

    run_id: str
    span_us: int
    utc_us: list[int]
    columns: dict[str, Pairs]
    gaps: list[tuple[int, int]]


def choose(length_us: int, points: int) -> tuple[int, int]:
    """(seconds of the rows to read: 1 or a rollup's span, how many of them to join) for about `points` buckets."""
    step_s = max(1.0, length_us / US_PER_S / max(1, points)) * SLACK
    source_s = max(span_s for span_s in (1, *ROLLUP_SPANS_S) if span_s <= step_s)
    if source_s == 1 and step_s > RAW_JOINED_MAX:
        source_s = ROLLUP_SPANS_S[0]
    return source_s, max(1, round(step_s / SLACK / source_s))


def join(pieces: Sequence[Piece], count: int) -> list[Piece]:
    """Every `count` pieces made one; a piece after a gap always begins a new one."""
    if count <= 1:
        return list(pieces)
    return [_one(group) for group in _groups(pieces, count)]


def curve(run_id: str, span_us: int, pieces: Sequence[Piece]) -> Curve:
    """Columns from pieces, oldest first."""
    gaps = [
        (before.last_utc_us, piece.first_utc_us)
        for before, piece in pairwise(pieces)
        if piece.gap_us
    ]
    least = list(zip(*(piece.least for piece in pieces), strict=True)) or [()] * len(CURVE_COLUMNS)
    most = list(zip(*(piece.most for piece in pieces), strict=True)) or [()] * len(CURVE_COLUMNS)
    columns = {
        name: Pairs(list(low), list(high)) for name, low, high in zip(CURVE_COLUMNS, least, most, strict=True)
    }
    return Curve(run_id, span_us, [piece.first_utc_us for piece in pieces], columns, gaps)


def _groups(pieces: Sequence[Piece], count: int) -> Iterable[list[Piece]]:
    group: list[Piece] = []
    for piece in pieces:
        if group and (len(group) == count or piece.gap_us):
            yield group
            group = []
        group.append(piece)
    if group:
        yield group


def _one(group: list[Piece]) -> Piece:
    least = tuple(map(_least, zip(*(piece.least for piece in group), strict=True)))
    most = tuple(map(_most, zip(*(piece.most for piece in group), strict=True)))
    return Piece(group[0].first_utc_us, group[-1].last_utc_us, group[0].gap_us, least, most)


def _least(column: tuple[int | None, ...]) -> int | None:
    known = [value for value in column if value is not None]
    return min(known) if known else None


def _most(column: tuple[int | None, ...]) -> int | None:
    known = [value for value in column if value is not None]
    return max(known) if known else None
