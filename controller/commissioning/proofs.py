"""What was shown, as it is stored: one row a proof, newest last, in proofs.json beside the chamber file.

A failed proof is stored as what it is. A row is never changed: what voids it is a later row or a `Voided` mark. Times are
UTC microseconds; values are what was typed or seen, as plain JSON with units in their names.
"""

from __future__ import annotations

from typing import Any, NamedTuple


class Proof(NamedTuple):
    """One step done once, for one sensor where the step hangs on sensors, for one place of a survey."""

    step: str
    passed: bool
    utc_us: int
    by: str
    found: str
    """In words, short: what a table shows."""
    values: dict[str, Any]
    sensor: str = ""
    """Id of the sensor; empty where the step hangs on none."""
    spot: str = ""
    """Place of a survey's reading, such as "centre"."""
    switchings: int = 0
    """The board's count of modulator switchings then."""
    advice: str = ""
    """When failed: what is likely wrong, and what to do."""
    invented: bool = False
    """Made with a simulated chamber; counts for simulated ones alone."""


class Voided(NamedTuple):
    """Something changed (`changes.CHANGES`): proofs of these steps from before then hold no more."""

    change: str
    utc_us: int
    by: str
    steps: tuple[str, ...]
    sensor: str = ""
    """Only of this sensor; empty: of all."""
    note: str = ""
