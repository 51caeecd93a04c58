"""What the messenger says of itself over the controller's socket, every few seconds: silence counts as failing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

WORDS_MAX = 1_000
WAYS_MAX = 64


class MessengerSaid(NamedTuple):
    """How the messenger is, and when it said so."""

    mono_us: int
    failing: str
    ways: frozenset[str] | None = None
    """Marks of the channels that take "get up now"; None from a messenger that does not tell them."""


def messenger_said(ask: Mapping[str, Any], mono_us: int) -> MessengerSaid:
    """What came, as it is kept. Raises ValueError in words."""
    failing, ways = ask.get("failing"), ask.get("ways")
    if not isinstance(failing, str) or len(failing) > WORDS_MAX:
        raise ValueError(f"failing must be text of at most {WORDS_MAX} characters; empty: all channels work")
    if ways is None:
        return MessengerSaid(mono_us, failing)
    if not isinstance(ways, list) or len(ways) > WAYS_MAX or not all(isinstance(one, str) for one in ways):
        raise ValueError(f"ways must be a list of at most {WAYS_MAX} marks")
    return MessengerSaid(mono_us, failing, frozenset(ways))
