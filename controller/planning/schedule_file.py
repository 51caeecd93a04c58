"""A schedule as people write it, °C and hours in JSON, to and from the integers that the tick runs.

One format serves the page, the interface and the exported text file. Whatever is wrong is told all at once, each
mistake with its field, value, what is allowed, and what to do. Numbers are read to 0.001 °C and to the microsecond.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from controller.core.schedule import (
    FIELDS,
    SEGMENTS_MAX,
    US_PER_H,
    WRITTEN,
    Bound,
    Kind,
    Mistake,
    Of,
    Resume,
    Schedule,
    Segment,
    mistakes,
)

FORMAT = "soakwarden-schedule-1"
TEXT_MAX_BYTES = 65_536
NOTE_MAX = 2_000
NUMBER_MAX = 1_000_000.0
"""No field is near this; a larger number is refused before it is multiplied."""

TOP_KEYS = ("format", "name", "temperature_of", "resume", "note", "segments")
SCALE = {"target_mc": 1_000, "rate_mc_per_h": 1_000, "soak_us": US_PER_H, "band_mc": 1_000, "longest_us": US_PER_H}
ASKED = {kind: [field for field, bound in bounds.items() if bound.high > 0] for kind, bounds in FIELDS.items()}
"""The fields that each kind of segment has on paper: those that may be other than nothing."""


class BadSchedule(ValueError):
    """What was written is not a schedule. `mistakes` holds everything that is wrong with it."""

    def __init__(self, found: list[Mistake]) -> None:
        self.mistakes = found
        super().__init__(" ".join(str(mistake) for mistake in found))


def parse(source: str | Mapping[str, Any]) -> Schedule:
    """The schedule that a text or an already decoded object describes.

    Raises BadSchedule with every mistake at once, also those of values that are readable but not allowed.
    """
    return parse_with_note(source)[0]


def parse_with_note(source: str | Mapping[str, Any]) -> tuple[Schedule, str]:
    """The schedule and its note, which is for people and does not reach the controller. Raises BadSchedule."""
    data = _decoded(source) if isinstance(source, str) else source
    if not isinstance(data, Mapping):
        raise BadSchedule([_mistake("the whole text", data, "one JSON object", 'Begin with { and "format".')])
    found: list[Mistake] = []
    schedule = _schedule(data, found)
    note = _text(data, "note", found, default="", most=NOTE_MAX)
    told = tuple(mistake.field for mistake in found)
    unread = tuple(f"{field} " for field in told)
    found += [one for one in mistakes(schedule) if one.field not in told and not one.field.startswith(unread)]
    if found:
        raise BadSchedule(found)
    return schedule, note


def write(schedule: Schedule, note: str = "") -> dict[str, Any]:
    """The object people read and write; `parse` gives the same schedule back."""
    return {
        "format": FORMAT,
        "name": schedule.name,
        "temperature_of": schedule.of.value,
        "resume": schedule.resume.value,
        "note": note,
        "segments": [_written(segment) for segment in schedule.segments],
    }


def text(schedule: Schedule, note: str = "") -> str:
    """The same as one text file: a line a segment, so that two versions compare well."""
    data = write(schedule, note)
    segments = data.pop("segments")
    head = "".join(f"  {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)},\n" for key, value in data.items())
    rows = ",\n".join(f"    {json.dumps(row)}" for row in segments)
    return f'{{\n{head}  "segments": [\n{rows}\n  ]\n}}\n'


def plan(schedule: Schedule, from_mc: int) -> list[tuple[int, int]]:
    """The planned curve as corners (µs from the start, m°C), if nothing waits: every soak is in band from its start.

    `from_mc` is what the air has at the start. The last corner's time is the shortest that the run can take.
    """
    return plan_from(schedule, 0, 0, from_mc, 0)


def plan_from(schedule: Schedule, at_us: int, segment: int, setpoint_mc: int, counted_us: int) -> list[tuple[int, int]]:
    """The rest of the curve from the middle of a run: `counted_us` of the present soak are already behind it."""
    points = [(at_us, setpoint_mc)]
    for step in schedule.segments[segment:]:
        corners = SHAPES[step.kind](step, setpoint_mc, counted_us)
        for after_us, mc in corners:
            at_us, setpoint_mc = at_us + after_us, mc
            if points[-1] != (at_us, mc):
                points.append((at_us, mc))
        counted_us = 0
    return points


def _sloped(step: Segment, from_mc: int, _counted_us: int) -> list[tuple[int, int]]:
    return [(abs(step.target_mc - from_mc) * US_PER_H // step.rate_mc_per_h, step.target_mc)]


def _cooled(step: Segment, from_mc: int, counted_us: int) -> list[tuple[int, int]]:
    """Cooling never heats: from below its target it is over at once."""
    return _sloped(step, from_mc, counted_us) if from_mc > step.target_mc else []


def _level(step: Segment, _from_mc: int, counted_us: int) -> list[tuple[int, int]]:
    return [(0, step.target_mc), (max(0, step.soak_us - counted_us), step.target_mc)]


SHAPES: dict[Kind, Callable[[Segment, int, int], list[tuple[int, int]]]] = {
    Kind.RAMP: _sloped, Kind.SOAK: _level, Kind.COOL: _cooled,
}


def _decoded(source: str) -> Any:
    """JSON without repeated names. Raises BadSchedule naming line and column. A NaN is found with its field, by `_number`."""
    if len(source.encode()) > TEXT_MAX_BYTES:
        raise BadSchedule([Mistake("the whole text", f"{len(source.encode())} bytes", f"at most {TEXT_MAX_BYTES} bytes",
                                   "A schedule is short; this is something else.")])
    try:
        return json.loads(source, object_pairs_hook=_no_repeats)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno} column {error.colno}"
        raise BadSchedule([Mistake(where, error.msg, "JSON", "Mend the text there, or import it anew.")]) from None
    except ValueError:  # more digits than Python turns into a number
        raise BadSchedule([Mistake("the whole text", "a number of thousands of digits", "numbers of a few digits",
                                   "Mend the number, or import the text anew.")]) from None
    except RecursionError:
        raise BadSchedule([Mistake("the whole text", "brackets nested very deep", "JSON two levels deep",
                                   "A schedule is a list of segments; this is something else.")]) from None


def _no_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    names = [name for name, _ in pairs]
    repeated = sorted({name for name in names if names.count(name) > 1})
    if repeated:
        raise BadSchedule([Mistake(name, "given twice", "each field once", "Delete one of the two.")
                           for name in repeated])
    return dict(pairs)


def _schedule(data: Mapping[str, Any], found: list[Mistake]) -> Schedule:
    _unknown("", data, TOP_KEYS, found)
    if data.get("format") != FORMAT:
        found.append(_mistake("format", data.get("format", "missing"), FORMAT, "Say which format this text has."))
    return Schedule(
        name=_text(data, "name", found, most=80),
        of=_word(data, "temperature_of", Of, Of.PART, found),
        resume=_word(data, "resume", Resume, Resume.NEVER, found),
        segments=_segments(data.get("segments"), found),
    )


def _segments(rows: Any, found: list[Mistake]) -> tuple[Segment, ...]:
    if not isinstance(rows, list) or not 1 <= len(rows) <= SEGMENTS_MAX:
        shown = f"{len(rows)} segments" if isinstance(rows, list) else "missing" if rows is None else rows
        found.append(_mistake("segments", shown, f"a list of 1 to {SEGMENTS_MAX} segments", "Add a segment."))
        return ()
    return tuple(_segment(number, row, found) for number, row in enumerate(rows, 1))


Word = TypeVar("Word", Of, Resume)
NOTHING = Segment(Kind.RAMP, 20_000, 20_000, 0, 2_000, US_PER_H)
"""Stands for a segment that could not be read, so that only what was written is called wrong."""


def _segment(number: int, row: Any, found: list[Mistake]) -> Segment:
    where = f"segment {number} "
    if not isinstance(row, Mapping):
        found.append(_mistake(where.strip(), row, "an object with kind and target_c", "Write one object a segment."))
        return NOTHING
    kinds = [kind.value for kind in Kind]
    if row.get("kind") not in kinds:
        found.append(_mistake(where + "kind", row.get("kind", "missing"), ", ".join(kinds), "Choose one of these."))
        return NOTHING
    kind = Kind(row["kind"])
    asked = ASKED[kind]
    _unknown(where, row, ("kind", *(WRITTEN[field] for field in asked)), found)
    values = {field: _number(where, row, field, FIELDS[kind][field], found) for field in asked}
    return Segment(kind=kind, target_mc=values["target_mc"], rate_mc_per_h=values.get("rate_mc_per_h", 0),
                   soak_us=values.get("soak_us", 0), band_mc=values["band_mc"], longest_us=values["longest_us"])


def _number(where: str, row: Mapping[str, Any], field: str, bound: Bound, found: list[Mistake]) -> int:
    """The field in integers; a value that is no plain number becomes a mistake and 0."""
    name = WRITTEN[field]
    value = row.get(name, "missing")
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not plain or not abs(value) < NUMBER_MAX:  # a NaN is not less either
        found.append(_mistake(where + name, value, bound.words(), "Write a number."))
        return 0
    return round(float(value) * SCALE[field])


def _text(data: Mapping[str, Any], field: str, found: list[Mistake], most: int, default: str | None = None) -> str:
    value = data.get(field, default)
    if not isinstance(value, str):
        found.append(_mistake(field, "missing" if value is None else value, f"text of at most {most} characters",
                              "Write it in quotation marks."))
        return ""
    if len(value) > most or (field == "name" and not value.isprintable()):
        found.append(Mistake(field, f"{len(value)} characters", f"at most {most} printable characters", "Shorten it."))
    return value


def _word(data: Mapping[str, Any], field: str, words: type[Word], default: Word, found: list[Mistake]) -> Word:
    value = data.get(field, default.value)
    try:
        return words(value)
    except ValueError:
        found.append(_mistake(field, value, ", ".join(word.value for word in words), "Choose one of these."))
        return default


def _unknown(where: str, data: Mapping[str, Any], known: tuple[str, ...], found: list[Mistake]) -> None:
    found += [Mistake(f"{where}{str(key)[:60]}", "an unknown field", ", ".join(known), "Delete it, or correct it.")
              for key in data if key not in known]


def _mistake(field: str, value: Any, allowed: str, advice: str) -> Mistake:
    shown = value if isinstance(value, str) else json.dumps(value, default=str)
    return Mistake(field, shown if len(shown) <= 60 else shown[:57] + "...", allowed, advice)


def _written(segment: Segment) -> dict[str, Any]:
    fields = {WRITTEN[field]: _plain(getattr(segment, field), SCALE[field]) for field in ASKED[segment.kind]}
    return {"kind": segment.kind.value, **fields}


def _plain(value: int, scale: int) -> int | float:
    return value // scale if value % scale == 0 else value / scale
