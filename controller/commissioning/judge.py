"""Typed values against what a step allows, one by one and against each other and the chamber file.

What is no value at all (missing, text where a number belongs, NaN, huge) is refused and stored nowhere. What is one, and out of
range, is `Wrong`: asked once more, and then stored as what it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from controller.commissioning.step import YES, Field, Step
from controller.core.leaving import ARRIVAL_HOLDS_US
from controller.core.schedule import Mistake
from controller.core.setup import Chamber

Values = Mapping[str, Any]
"""By field: a float, or one of the field's choices."""
HUGE = 1e9
SHOWN_MAX = 60
ELEMENT_OFF = 0.15
"""A cold element's resistance may differ so much from what its power asks for: hot wire is some percent above cold, and powers
are printed in round numbers (common practice, no source)."""
MESSAGES = "message_channels"
SHORT = {
    "earth_ohm": "earth", "insulation_mohm": "insulation", "link_ohm": "link", "element_ohm": "element", "mains_v": "mains",
    "fuse_a": "fuse", "cable_a": "cable", "clearance_cm": "clearance", "to_element_mohm": "to the element",
    "sheath_ohm": "sheath to earth", "mark_c": "mark", "case_c": "outside",
}
"""What a number is of, in the table's words, by its field; what is not here needs none."""
NONE_YET = "No test message has arrived yet: send one on the sheet Messages, and press the button in it when it has arrived."
AGED = "Send a test message by every channel, and press the button in it when it has arrived."
ARRIVED_KEYS = ("arrived_age_us", "channel", "way")


class Wrong(NamedTuple):
    """A value that does not pass."""

    field: str
    value: str
    allowed: str
    advice: str


class BadValues(ValueError):
    """What was typed is no set of values for this step. `mistakes` says what is wrong with each."""

    def __init__(self, mistakes: list[Mistake]) -> None:
        self.mistakes = mistakes
        super().__init__(" ".join(str(one) for one in mistakes))


class Typed(NamedTuple):
    """Values that can be values, and which of them do not pass."""

    values: dict[str, Any]
    wrong: tuple[Wrong, ...]

    @property
    def advice(self) -> str:
        return " ".join(dict.fromkeys(one.advice for one in self.wrong))


def typed(step: Step, given: Any, chamber: Chamber) -> Typed:
    """What was typed for a step, judged. Raises BadValues for what cannot be judged."""
    if step.id == MESSAGES:
        return _arrived(given)
    values, mistakes = _read(step.fields, given)
    if mistakes:
        raise BadValues(mistakes)
    wrong = [_wrong(field, values[field.key]) for field in step.fields if not _passes(field, values[field.key])]
    crossed = [one for rule in CROSS.get(step.id, ()) if (one := rule(values, chamber)) is not None]
    named = {one.field for one in wrong}
    return Typed(values, (*wrong, *(one for one in crossed if one.field not in named)))


def words(step: Step, values: Values) -> str:
    """The values in short, for a table."""
    if step.id == MESSAGES:
        arrived = _age_ok(values.get("arrived_age_us"))
        return f"arrived by {values.get('channel') or 'a channel'}" if arrived else "none has arrived within a day"
    parts = [f"{SHORT.get(field.key, '')} {values[field.key]:g} {field.unit}".strip() for field in step.fields if field.number]
    parts += [str(values[field.key]) for field in step.fields if field.choices and field.choices != YES]
    agreed = [field for field in step.fields if field.choices == YES]
    noes = sum(values[field.key] != YES[0] for field in agreed)
    parts += [f"{len(agreed) - noes} of {len(agreed)} agreed"] if agreed else []
    return ", ".join(parts)


def _read(fields: tuple[Field, ...], given: Any) -> tuple[dict[str, Any], list[Mistake]]:
    if not isinstance(given, Mapping):
        return {}, [Mistake("values", _shown(given), "an object with a value for each field", "Type every value.")]
    known = {field.key: field for field in fields}
    mistakes = [Mistake(str(key)[:SHOWN_MAX], "an unknown field", ", ".join(known) or "none", "Leave it out.")
                for key in given if key not in known]
    values: dict[str, Any] = {}
    for key, field in known.items():
        value = _value(field, given.get(key))
        if value is None:
            mistakes.append(Mistake(key, _shown(given.get(key)), allowed(field), f"Type it: {field.ask}."))
        else:
            values[key] = value
    return values, mistakes


def _value(field: Field, value: Any) -> Any:
    """The value as it is kept, or None for none."""
    if field.number:
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        return float(value) if number and math.isfinite(value) and abs(value) < HUGE else None
    if isinstance(value, bool) and field.choices == YES:
        return YES[0] if value else YES[1]
    return value if isinstance(value, str) and value in field.choices else None


def _passes(field: Field, value: Any) -> bool:
    return field.low <= value <= field.high if field.number else field.choices != YES or value == YES[0]


def _wrong(field: Field, value: Any) -> Wrong:
    shown = f"{value:g} {field.unit}".rstrip() if field.number else str(value)
    return Wrong(field.key, shown, allowed(field), field.wrong)


def allowed(field: Field) -> str:
    """What a field may be, in words."""
    if field.number:
        return f"{field.low:g} to {field.high:g} {field.unit}".rstrip()
    return YES[0] if field.choices == YES else ", ".join(field.choices)


def _shown(value: Any) -> str:
    if value is None:
        return "missing"
    text = repr(value) if isinstance(value, str) else str(value) if not isinstance(value, int) or abs(value) < HUGE else "huge"
    return text if len(text) <= SHOWN_MAX else text[:SHOWN_MAX - 3] + "..."


def _element(values: Values, chamber: Chamber) -> Wrong | None:
    """Power in the file, mains voltage and resistance belong together: R = U²/P."""
    wanted = values["mains_v"] ** 2 / chamber.heater.element_w
    low, high = wanted * (1 - ELEMENT_OFF), wanted * (1 + ELEMENT_OFF)
    if low <= values["element_ohm"] <= high:
        return None
    return Wrong("element_ohm", f"{values['element_ohm']:g} Ω",
                 f"{low:.1f} to {high:.1f} Ω for {chamber.heater.element_w} W at {values['mains_v']:g} V",
                 "It is another element than the chamber file says, or partly broken. Correct element_w there, or replace it.")


def _fuse_for_cable(values: Values, _chamber: Chamber) -> Wrong | None:
    if values["fuse_a"] <= values["cable_a"]:
        return None
    return Wrong("fuse_a", f"{values['fuse_a']:g} A", f"at most {values['cable_a']:g} A, which the cable may carry",
                 "The cable would burn before the fuse opens. Fit a smaller fuse, or a stronger cable and plug.")


def _fuse_for_element(values: Values, chamber: Chamber) -> Wrong | None:
    needed = chamber.heater.element_w / values["mains_v"] if values["mains_v"] > 0 else math.inf
    if needed <= values["fuse_a"]:
        return None
    return Wrong("fuse_a", f"{values['fuse_a']:g} A", f"at least {needed:.1f} A, which the element takes",
                 "The fuse would open in a good run. Fit a smaller element, or a fuse and cable that carry its current.")


def _limiter_mark(values: Values, chamber: Chamber) -> Wrong | None:
    limits = chamber.limits
    set_c, off_c = limits.limiter_mc / 1000, limits.limiter_tolerance_mc / 1000
    if abs(values["mark_c"] - set_c) <= off_c:
        return None
    return Wrong("mark_c", f"{values['mark_c']:g} °C", f"{set_c:g} °C, give or take {off_c:g} °C, as the chamber file says",
                 "Turn it to what the chamber file says, or correct limiter_c there.")


CROSS: Mapping[str, tuple[Callable[[Values, Chamber], Wrong | None], ...]] = {
    "wiring": (_element, _fuse_for_cable, _fuse_for_element),
    "limiter": (_limiter_mark,),
}
"""Rules between values, by step. Each may assume that every value is there."""


def _arrived(given: Any) -> Typed:
    """Whether a message arrived is known where messages are kept; its age and its channel come with the ask."""
    if not isinstance(given, Mapping) or type(given.get("arrived_age_us")) is not int:
        raise BadValues([Mistake("arrived_age_us", _shown(None), "how long ago a message was pressed as arrived, µs",
                                 "Send a test message on the sheet Messages and press the button in it; prove it there.")])
    values = {key: str(given.get(key, ""))[:SHOWN_MAX * 2] for key in ARRIVED_KEYS[1:]}
    age_us = given["arrived_age_us"]
    wrong = () if _age_ok(age_us) else (Wrong(
        "arrived_age_us", "no test message" if age_us < 0 else f"{age_us // 3_600_000_000} h ago", "within the last 24 h",
        NONE_YET if age_us < 0 else AGED),)
    return Typed({**values, "arrived_age_us": max(-1, min(age_us, 1 << 53))}, wrong)


def _age_ok(age_us: Any) -> bool:
    return type(age_us) is int and 0 <= age_us < ARRIVAL_HOLDS_US
