"""What is said of a mistake in a chamber file: the value as it was written, and limits that stand in another order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.chamber_fields import LIMITS, Order
from controller.core.schedule import Mistake

HUGE = 10 ** 15
"""A whole number from here on is not written out: it may have thousands of digits."""


def told(value: Any, wanted: type, unit: str = "") -> Any:
    """A wrong value as it stands in the file, so that text does not look like the number or the word it spells."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str) and wanted is not str:
        return f'the text "{value}"'
    if not isinstance(value, (int, float)):
        return value
    shown = f"{value}" if abs(value) < HUGE or not isinstance(value, int) else "a huge number"
    return f"the number {shown}" if wanted is str else f"{shown} {unit}".rstrip()


def in_order(step: Order, written: Mapping[str, float]) -> bool:
    return written[step.lower] < written[step.upper] - (written[step.minus] if step.minus else 0)


UNITS = {row.key: row.unit for row in LIMITS}


def order_mistake(step: Order, written: Mapping[str, float]) -> Mistake:
    unit = UNITS[step.lower]
    upper = written[step.upper] - (written[step.minus] if step.minus else 0)
    less = f" less {step.minus}" if step.minus else ""
    return Mistake(f"limits {step.lower}", f"{written[step.lower]:g} {unit}",
                   f"below {step.upper}{less}, {upper:g} {unit}", f"{step.why} Lower it, or raise the other.")
