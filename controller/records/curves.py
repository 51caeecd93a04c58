"""Thins rows to minimum/maximum pairs. Every value of the span is inside some pair, so a spike is never lost."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from controller.records.schema import CURVE_COLUMNS, ROLLUP_SPANS_S

US_PER_S = 1_000_000
SLACK = 1.1
"""A span may be this much coarser than asked: 930 pairs of 60 s are about 1,000, and a sixth of the rows of 10 s."""

RAW_JOINED_MAX = 4
"""More rows than this to a pair are not read one by one: 10 s buckets draw the same picture from a tenth of the rows."""


Column = Sequence[int | None]


class Pieces(NamedTuple):
    """Ticks or buckets, oldest first, side by side as columns of one length: their times, the gap before each, and the
    pairs in the order of `CURVE_COLUMNS`."""

    first_utc_us: Sequence[int]
    last_utc_us: Sequence[int]
    gap_us: Sequence[int]
    least: Sequence[Column]
    most: Sequence[Column]

    def then(self, later: Pieces) -> Pieces:
        """These, and later ones after them."""
        if not later.gap_us:
            return self
        return Pieces(
            [*self.first_utc_us, *later.first_utc_us], [*self.last_utc_us, *later.last_utc_us],
            [*self.gap_us, *later.gap_us], _after(self.least, later.least), _after(self.most, later.most))


NONE = Pieces((), (), (), ((),) * len(CURVE_COLUMNS), ((),) * len(CURVE_COLUMNS))


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


def join(pieces: Pieces, count: int) -> Pieces:
    """Every `count` pieces made one; a piece after a gap always begins a new one."""
    if count <= 1:
        return pieces
    groups = list(_groups(pieces.gap_us, count))
    return Pieces(
        [pieces.first_utc_us[begin] for begin, _ in groups], [pieces.last_utc_us[end - 1] for _, end in groups],
        [pieces.gap_us[begin] for begin, _ in groups],
        [[_least(column[begin:end]) for begin, end in groups] for column in pieces.least],
        [[_most(column[begin:end]) for begin, end in groups] for column in pieces.most])


def curve(run_id: str, span_us: int, pieces: Pieces) -> Curve:
    """The pieces as a curve."""
    gaps = [(pieces.last_utc_us[place - 1], pieces.first_utc_us[place])
            for place, gap_us in enumerate(pieces.gap_us) if gap_us and place]
    columns = {name: Pairs(list(low), list(high))
               for name, low, high in zip(CURVE_COLUMNS, pieces.least, pieces.most, strict=True)}
    return Curve(run_id, span_us, list(pieces.first_utc_us), columns, gaps)


def _after(before: Sequence[Column], later: Sequence[Column]) -> list[Column]:
    return [[*one, *other] for one, other in zip(before, later, strict=True)]


def _groups(gap_us: Sequence[int], count: int) -> Iterable[tuple[int, int]]:
    """(begin, end) of the pieces that become one."""
    begin = 0
    for place in range(1, len(gap_us)):
        if place - begin == count or gap_us[place]:
            yield begin, place
            begin = place
    if gap_us:
        yield begin, len(gap_us)


def _least(column: Column) -> int | None:
    return min((value for value in column if value is not None), default=None)


def _most(column: Column) -> int | None:
    return max((value for value in column if value is not None), default=None)
