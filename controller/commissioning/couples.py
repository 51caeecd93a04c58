"""What is wrong with a thermocouple that reads wrongly in ice and in boiling water: causes, and what each would show.

Every cause predicts a reading from the ITS-90 reference functions (`its90`); the causes whose predictions lie nearest to what
was seen are named, with what to do. Most mistakes read right at room temperature, so nothing is judged there. Where two
causes show the same, both are named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

from controller.commissioning.its90 import KINDS, converted_c, emf_mv, temperature_c

FITS_MC = 4_000
"""A prediction so near fits: class 2 wire and a simple converter may be off by nearly that themselves."""
ALSO_MC = 2_500
"""What fits no worse than the best by this is named too."""
LOOSE_MC = 1_500
"""A cause that leaves a temperature open fits more easily, so it stands behind one that does not by this."""
GOOD_MC = {"K": 3_200, "J": 3_200, "T": 2_240}
"""Wire of class 2 (IEC 60584-1: 2.5 °C, type T 1 °C) and a cold junction good to 2 °C, in squares."""
HOT_MC = 50_000
HEAD_OVER_COLD_BATH_MC, HEAD_OVER_HOT_BATH_MC = (-12_000, 3_000), (2_000, 50_000)
"""Where the head of the sensor, between its own wire and the extension, may be against the board's terminals."""
ROOM_MC = (-8_000, 5_000)
"""Where the room's air may be against them."""
BATH_OFF_MC = 8_000
COLD_JUNCTION_OFF_MC = 30_000

Span = tuple[int, int]


class InBath(NamedTuple):
    """One sensor's steady reading in one bath."""

    true_mc: int
    seen_mc: int
    cold_mc: int
    """The converter's cold junction: its terminals."""
    head_mc: int | None = None
    """The sensor's head or feed-through, if somebody measured it."""
    others_mc: tuple[int, ...] = ()
    """What sensors that are *not* in this bath read meanwhile."""
    u_mc: int = 0
    """Standard uncertainty of bath and reading (`fixed_points.Point.u_mc`)."""


class Cause(NamedTuple):
    """One thing that can be wrong. `predict` gives for each bath the least and the most that it would show."""

    id: str
    words: str
    do: str
    predict: Callable[[str, Sequence[InBath]], list[Span] | None]
    """From the converter's letter and the baths; None when it cannot be so."""
    loose: bool = False


class Finding(NamedTuple):
    """A cause that fits, nearest first."""

    cause: str
    words: str
    do: str
    predicts_mc: tuple[Span, ...]
    """Least and most for each bath, in the order given."""
    off_mc: int
    """By how much the worst bath misses it."""


def _span(*values_c: float) -> Span:
    return math.floor(min(values_c) * 1000.0), math.ceil(max(values_c) * 1000.0)


def _head_span(bath: InBath) -> Span:
    if bath.head_mc is not None:
        return bath.head_mc, bath.head_mc
    low_mc, high_mc = HEAD_OVER_HOT_BATH_MC if bath.true_mc >= HOT_MC else HEAD_OVER_COLD_BATH_MC
    return bath.cold_mc + low_mc, bath.cold_mc + high_mc


def _as_true(_: str, baths: Sequence[InBath]) -> list[Span]:
    return [(bath.true_mc, bath.true_mc) for bath in baths]


def _reversed(table: str, baths: Sequence[InBath]) -> list[Span]:
    return [_span(converted_c(bath.true_mc / 1000, bath.cold_mc / 1000, wire=table, table=table, reversed_leads=True))
            for bath in baths]


def _wire(wire: str, table: str, baths: Sequence[InBath]) -> list[Span] | None:
    if wire == table:
        return None
    return [_span(converted_c(bath.true_mc / 1000, bath.cold_mc / 1000, wire=wire, table=table)) for bath in baths]


def _uncompensated(table: str, baths: Sequence[InBath]) -> list[Span]:
    return [_span(converted_c(bath.true_mc / 1000, bath.cold_mc / 1000, wire=table, table=table, cold_read_c=0.0))
            for bath in baths]


def _head_lost(times: int, table: str, baths: Sequence[InBath]) -> list[Span]:
    """Copper loses the EMF between head and terminals once; an extension reversed at both its ends loses it twice."""
    def shown_c(bath: InBath, head_mc: int) -> float:
        lost_mv = emf_mv(table, head_mc / 1000) - emf_mv(table, bath.cold_mc / 1000)
        return temperature_c(table, emf_mv(table, bath.true_mc / 1000) - times * lost_mv)

    return [_span(*(shown_c(bath, head_mc) for head_mc in _head_span(bath))) for bath in baths]


def _shorted(_: str, baths: Sequence[InBath]) -> list[Span]:
    """The junction is now where the wires touch."""
    return [_head_span(bath) for bath in baths]


def _in_air(_: str, baths: Sequence[InBath]) -> list[Span]:
    return [(bath.cold_mc + ROOM_MC[0], bath.cold_mc + ROOM_MC[1]) for bath in baths]


def _exchanged(table: str, baths: Sequence[InBath]) -> list[Span] | None:
    """Another sensor, said to be elsewhere, shows the bath."""
    for bath in baths:
        if not any(abs(other_mc - bath.true_mc) <= FITS_MC for other_mc in bath.others_mc):
            return None
    return _in_air(table, baths)


def _cold_junction_off(_: str, baths: Sequence[InBath]) -> list[Span] | None:
    """Both baths are off by the same."""
    off_mc = round(sum(bath.seen_mc - bath.true_mc for bath in baths) / len(baths))
    if len(baths) < 2 or abs(off_mc) > COLD_JUNCTION_OFF_MC:
        return None
    return [(bath.true_mc + off_mc, bath.true_mc + off_mc) for bath in baths]


def _bath_off(hot: bool, _: str, baths: Sequence[InBath]) -> list[Span] | None:
    """The sensor is right and the bath is not what it is taken for; the other one agrees."""
    if all((bath.true_mc >= HOT_MC) is not hot for bath in baths):
        return None
    return [(bath.true_mc - BATH_OFF_MC * hot, bath.true_mc + BATH_OFF_MC) if (bath.true_mc >= HOT_MC) is hot
            else (bath.true_mc, bath.true_mc) for bath in baths]


def _wrong_wire(wire: str) -> Cause:
    return Cause(
        f"wire_{wire.lower()}",
        f"The wire is of type {wire}, and the converter is set to another letter.",
        "Look at the wire's colours (IEC 60584-3: K green, J black, T brown; other countries have others). "
        f"Set the converter to {wire}, or fit wire, plug and extension of the letter that it is set to.",
        partial(_wire, wire),
    )


CAUSES: tuple[Cause, ...] = (
    Cause("reversed", "The two wires are exchanged at the converter, or at one end of the extension.",
          "Exchange the two wires there. It must then rise when its tip is warmed.", _reversed),
    *map(_wrong_wire, KINDS),
    Cause("no_cold_junction", "The converter counts its cold junction as 0 °C: it is not compensated.",
          "Switch compensation on in the converter's settings, or replace a converter that has none.", _uncompensated),
    Cause("exchanged", "This sensor is exchanged with another: that one shows the bath, and this one the room.",
          "Exchange the two plugs, or their rows in the chamber file, and show again which is which.", _exchanged),
    Cause("air", "It shows the room: it is not in the bath.",
          "Put the tip 6 cm deep into the middle of the bath, and see that it is this sensor and no other.", _in_air),
    Cause("short", "Its wires touch each other on the way, at the feed-through or in the head: it measures there.",
          "Unplug it and bend the cable along its way while a meter shows its resistance; mend where it jumps.",
          _shorted, True),
    Cause("copper", "Between head and board runs copper or other plain wire.",
          "Replace it with extension or compensating cable of the sensor's letter, through the plug as well.",
          partial(_head_lost, 1), True),
    Cause("double_reversal", "The extension cable is reversed at both its ends.",
          "Exchange its two wires at the head and at the board.", partial(_head_lost, 2), True),
    Cause("cold_junction_off", "The converter measures its cold junction wrongly: both baths are off by the same.",
          "Keep warm parts and draughts away from its terminals. If it stays so, replace the converter.",
          _cold_junction_off, True),
    Cause("boil_not_true", "The boiling point is not what it is taken for: water not at a hard boil, or the pressure is wrong.",
          "Let it boil hard. Look whether the pressure is reduced to sea level, and whether the altitude is right.",
          partial(_bath_off, True), True),
    Cause("ice_not_true", "The ice bath is warmer than melting ice.",
          "Drain water off, pack crushed ice down to the bottom, stir, and wait ten minutes.", partial(_bath_off, False), True),
)
FINE = Cause("fine", "It shows what a good sensor shows.", "Nothing.", _as_true)
UNKNOWN = Cause("unknown", "None of the known mistakes shows this.",
                "Take it out and try it with another sensor and another converter, one exchanged at a time.", _as_true)


def diagnose(table: str, baths: Sequence[InBath]) -> tuple[Finding, ...]:
    """What fits what was seen, nearest first; at least one, `fine` or `unknown` alone.

    `table` is the converter's letter, `baths` what one sensor showed in one or two baths. Raises ValueError for another
    letter than K, J, T, for no bath, and for temperatures outside the reference functions.
    """
    if table not in KINDS:
        raise ValueError(f"thermocouple type {table!r} is none of {', '.join(KINDS)}; set the converter to one of them")
    if not baths:
        raise ValueError("no bath: take a reading in melting ice or in boiling water first")
    if all(abs(bath.seen_mc - bath.true_mc) <= GOOD_MC[table] + 2 * bath.u_mc for bath in baths):
        return (_finding(FINE, _as_true(table, baths), baths),)
    fits = [(finding.off_mc + LOOSE_MC * cause.loose, finding) for cause in CAUSES
            if (spans := cause.predict(table, baths)) is not None
            and (finding := _finding(cause, spans, baths)).off_mc <= FITS_MC]
    if not fits:
        return (_finding(UNKNOWN, _as_true(table, baths), baths),)
    best_mc = min(score_mc for score_mc, _ in fits)
    return tuple(finding for score_mc, finding in sorted(fits, key=lambda fit: fit[0]) if score_mc <= best_mc + ALSO_MC)


def sentence(findings: Sequence[Finding]) -> str:
    """All that fits in one text, the most likely first."""
    first, *others = findings
    also = [f"It may also be this: {other.words} {other.do}" for other in others]
    return " ".join([f"{first.words} {first.do}", *also])


def _finding(cause: Cause, spans: Sequence[Span], baths: Sequence[InBath]) -> Finding:
    off_mc = max(max(low_mc - bath.seen_mc, bath.seen_mc - high_mc, 0)
                 for (low_mc, high_mc), bath in zip(spans, baths, strict=True))
    return Finding(cause.id, cause.words, cause.do, tuple(spans), off_mc)
