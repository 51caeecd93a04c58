"""Holding up guesses: wrong tries fill buckets that leak. Pure; the time is passed in.

Four buckets look at each try: this name from this address, this name, this address, everybody. A try counts before it is
judged, so that many at once cannot slip through, and a right one is taken back. Somebody who hammers on a name must not lock
its owner out: where that owner has signed in before, only the first and the third count. "Stop heating" passes by none.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from typing import NamedTuple

from api.door.names import alike

KEYS_MAX = 2_048
KNOWN_MAX = 256


class Size(NamedTuple):
    """How many wrong tries at once, and after how many seconds one more."""

    most: int
    leak_s: float


PAIR, NAME, ADDRESS, ALL = Size(5, 60.0), Size(20, 45.0), Size(30, 30.0), Size(100, 9.0)


class Bucket:
    """One kind of key, each with its own level."""

    def __init__(self, size: Size) -> None:
        self._size = size
        self._levels: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait_s(self, key: str, now_s: float) -> float:
        """Seconds until one more try fits; 0 when it does."""
        over = self._level(key, now_s) - (self._size.most - 1)
        return max(0.0, over * self._size.leak_s)

    def add(self, key: str, now_s: float) -> None:
        self._levels[key] = (self._level(key, now_s) + 1, now_s)
        self._levels.move_to_end(key)
        while len(self._levels) > KEYS_MAX:  # the one that was added to longest ago has leaked most
            self._levels.popitem(last=False)

    def forgive(self, key: str, now_s: float) -> None:
        """Take one try back."""
        self._levels[key] = (max(0.0, self._level(key, now_s) - 1), now_s)

    def _level(self, key: str, now_s: float) -> float:
        level, at_s = self._levels.get(key, (0.0, now_s))
        return max(0.0, level - (now_s - at_s) / self._size.leak_s)


class Tries:
    """All four."""

    def __init__(self) -> None:
        self._pair, self._name, self._address, self._all = (Bucket(size) for size in (PAIR, NAME, ADDRESS, ALL))
        self._known: OrderedDict[str, None] = OrderedDict()

    def begin(self, name: str, address: str, now_s: float) -> int:
        """Count a try; 0 when it may go on, else the whole seconds to wait, and nothing is counted."""
        looks = self._looks(name, address)
        wait_s = max(bucket.wait_s(key, now_s) for bucket, key in looks)
        if wait_s > 0:
            return math.ceil(wait_s)
        for bucket, key in looks:
            bucket.add(key, now_s)
        return 0

    def was_right(self, name: str, address: str, now_s: float) -> None:
        """The try that began was right."""
        for bucket, key in self._looks(name, address):
            bucket.forgive(key, now_s)
        self._known[_pair(name, address)] = None
        self._known.move_to_end(_pair(name, address))
        while len(self._known) > KNOWN_MAX:
            self._known.popitem(last=False)

    def _looks(self, name: str, address: str) -> list[tuple[Bucket, str]]:
        pair = _pair(name, address)
        near = [(self._pair, pair), (self._address, address)]
        return near if pair in self._known else [*near, (self._name, alike(name)), (self._all, "")]


def _pair(name: str, address: str) -> str:
    return f"{alike(name)}\n{address}"
