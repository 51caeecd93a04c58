"""Minimum, mean and maximum over spans of record time, kept as rows arrive, so that any curve is quick and no spike is
lost from a picture. A bucket ends with its span, at a gap, and at the start and end of a run, so that a run's buckets hold
nothing but the run."""

from __future__ import annotations

from typing import Any, NamedTuple

from controller.records.schema import CURVE_COLUMNS


class Sample(NamedTuple):
    """What a rollup takes of a tick."""

    id: int
    utc_us: int
    mono_us: int
    gap_us: int
    values: tuple[int | None, ...]
    """In the order of `CURVE_COLUMNS`."""


class Rollup:
    """The bucket of one span that is being filled."""

    def __init__(self, span_s: int) -> None:
        self._span_us = span_s * 1_000_000
        self._samples: list[Sample] = []

    def add(self, sample: Sample) -> dict[str, Any] | None:
        """Take one tick; gives the row of the bucket before it, if that is finished now."""
        finished = self._samples and (sample.gap_us or self._bucket(sample) != self._bucket(self._samples[0]))
        row = self.flush() if finished else None
        self._samples.append(sample)
        return row

    def flush(self) -> dict[str, Any] | None:
        """End the bucket now; None if it is empty."""
        if not self._samples:
            return None
        first, last = self._samples[0], self._samples[-1]
        row: dict[str, Any] = {
            "id": first.id, "ticks": len(self._samples), "gap_us": first.gap_us,
            "first_utc_us": first.utc_us, "last_utc_us": last.utc_us,
        }
        columns = zip(*(sample.values for sample in self._samples), strict=True)
        for name, column in zip(CURVE_COLUMNS, columns, strict=True):
            known = [value for value in column if value is not None]
            row[f"min_{name}"] = min(known, default=None)
            row[f"mean_{name}"] = (2 * sum(known) + len(known)) // (2 * len(known)) if known else None
            row[f"max_{name}"] = max(known, default=None)
        self._samples.clear()
        return row

    def _bucket(self, sample: Sample) -> int:
        return sample.mono_us // self._span_us
