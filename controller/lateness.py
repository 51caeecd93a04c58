"""How late ticks were: a histogram of fixed size, for diagnostics."""

from __future__ import annotations

from bisect import bisect_left

EDGES_US = tuple(round(100 * 1.25**step) for step in range(60))
"""Upper edges of the bins, 0.1 ms to about a minute, each a quarter wider than the last."""


class Lateness:
    """Counts, never forgets, never grows."""

    def __init__(self) -> None:
        self._counts = [0] * (len(EDGES_US) + 1)
        self._total = 0
        self.largest_us = 0

    def add(self, late_us: int) -> None:
        """One tick."""
        self._counts[bisect_left(EDGES_US, late_us)] += 1
        self._total += 1
        self.largest_us = max(self.largest_us, late_us)

    def p99_us(self) -> int:
        """99 of 100 ticks were at most this late (the upper edge of their bin)."""
        left = self._total * 99 / 100
        for count, edge in zip(self._counts, EDGES_US, strict=False):
            left -= count
            if left <= 0:
                return min(edge, self.largest_us)
        return self.largest_us
