"""How single fields are written on the wire and read again. `protocol.FRAMES` is made of these.

A pattern is exact where digits can be (no leading zeros, no plus sign, as many digits as the limit has).
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any, NamedTuple

from controller.core.messages import CHANNELS_MAX, Channel

WORST_INT = 10**15 - 1
new_tuple = tuple.__new__
"""Builds a named tuple from values known to fit: half the time of its own constructor, and reports are many."""


class LinkError(Exception):
    """Base of everything this package raises."""


class BadMessage(LinkError):
    """A message that cannot be written. Raised by `encode`; the fault is the caller's."""


class Form(NamedTuple):
    """How one field is written: a pattern with one group, and how the group is read (a tuple if it fills several)."""

    pattern: str
    read: Callable[[str], Any]
    low: int = 0
    high: int = 0
    """Bounds of a number; both 0 where the pattern says it all."""


class Field(NamedTuple):
    """One `key=value`: the attributes of the message that it fills, its form, its unit or meaning in words."""

    key: str
    names: tuple[str, ...]
    form: Form
    unit: str


def _digits(low: int, high: int) -> str:
    plus = f"0|[1-9][0-9]{{0,{len(str(high)) - 1}}}"
    return plus if low >= 0 else f"{plus}|-[1-9][0-9]{{0,{len(str(-low)) - 1}}}"


def number(low: int, high: int) -> Form:
    """A whole number that is always there."""
    return Form(f"({_digits(low, high)})", int, low, high)


def maybe_int(text: str) -> int | None:
    """`-` is None, never 0."""
    return None if text == "-" else int(text)


def maybe(low: int, high: int) -> Form:
    """A whole number, or `-` where the board has no such thing."""
    return Form(f"(-|{_digits(low, high)})", maybe_int, low, high)


FLAGS: dict[str, bool | None] = {"0": False, "1": True, "-": None}
FLAG = {False: "0", True: "1", None: "-"}
HEX = {f"{byte:02x}": byte for byte in range(256)}
HEX_TEXT = tuple(HEX)
THREE = {"".join(key): tuple(FLAGS[one] for one in key) for key in product("01", repeat=3)}
SIX = {"".join(key): tuple(FLAGS[one] for one in key) for key in product("01-", repeat=6)}
"""Every combination of flags is looked up whole: one group to read instead of six."""
BIT = Form("([01])", FLAGS.__getitem__)
THREE_BITS = Form("([01]{3})", THREE.__getitem__)
SIX_MAYBE_BITS = Form("([01-]{6})", SIX.__getitem__)
VALUE_MIN_MC, VALUE_MAX_MC = -99_999, 999_999
COLD_MIN_MC, COLD_MAX_MC = -9_999, 99_999
_VALUE, _COLD = _digits(VALUE_MIN_MC, VALUE_MAX_MC), _digits(COLD_MIN_MC, COLD_MAX_MC)
CHANNEL = f"(?:-|(?:{_VALUE})/(?:{_COLD})/[0-9a-f]{{2}}/[0-9a-f]{{2}})"


def channels_of(text: str) -> tuple[Channel | None, ...]:
    """Six channels from a text that has been matched already."""
    channels: list[Channel | None] = []
    for part in text.split(","):
        if part == "-":
            channels.append(None)
        else:
            value, cold, fault, conversions = part.split("/")
            channels.append(new_tuple(Channel, (int(value), int(cold), HEX[fault], HEX[conversions])))
    return tuple(channels)


CHANNELS = Form(f"({CHANNEL}(?:,{CHANNEL}){{{CHANNELS_MAX - 1}}})", channels_of)
WORD = number(0, 65_535)
SEQUENCE = number(0, 9_999_999)
SIX_HEX = Form("([0-9a-f]{6})", str)
EIGHT_HEX = Form("([0-9a-f]{8})", str)
NAME = Form("([0-9a-z.]{1,12})", str)
LIMIT = number(VALUE_MIN_MC, VALUE_MAX_MC)
MAYBE_LIMIT = maybe(VALUE_MIN_MC, VALUE_MAX_MC)


def channels_text(channels: tuple[Channel | None, ...]) -> str:
    """Six channels as text. Raises BadMessage."""
    if len(channels) != CHANNELS_MAX:
        raise BadMessage(f"there are {len(channels)} channels; a report has {CHANNELS_MAX}, None where there is none")
    texts = []
    for channel in channels:
        if channel is None:
            texts.append("-")
            continue
        value_mc, cold_mc, fault, conversions = channel
        if not (VALUE_MIN_MC <= value_mc <= VALUE_MAX_MC and COLD_MIN_MC <= cold_mc <= COLD_MAX_MC
                and 0 <= fault <= 255 and 0 <= conversions <= 255):
            raise BadMessage(f"channel is {value_mc}/{cold_mc}/{fault}/{conversions}; allowed is {VALUE_MIN_MC} to "
                             f"{VALUE_MAX_MC} / {COLD_MIN_MC} to {COLD_MAX_MC} (0.001 °C) / 0 to 255 / 0 to 255; "
                             "beyond the range send fault OUT_OF_RANGE")
        texts.append(f"{value_mc}/{cold_mc}/{HEX_TEXT[fault]}/{HEX_TEXT[conversions]}")
    return ",".join(texts)
