"""Commands as they come over the socket: JSON to `core.commands.Command`, strictly, or a refusal with every mistake.

The role is vouched for by whoever asks: the socket is open to the service's own group alone, and the interface in it knows
who has signed in. The tick judges every command by that role, and the record keeps who gave it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from controller.commissioning.survey import NINE
from controller.commissioning.validity import SURVEY
from controller.core.commands import Ask, Command, PersonRole
from controller.core.events import Event
from controller.core.events import Kind as EventKind
from controller.core.leaving import NEVER_US, QUESTION_IDS, Leaving
from controller.core.schedule import SEGMENTS_MAX, Kind, Mistake, Of, Resume, Schedule, Segment
from controller.core.setup import Level

TEXT_MAX = 120
KEYS = ("ask", "by", "role", "ref", "schedule", "level", "name", "value", "at_utc_us", "leaving", "trial")
LEAVING_KEYS = ("answers", "arrived_age_us", "channel", "way")
SCHEDULE_KEYS = ("name", "of", "resume", "segments")
SEGMENT_NUMBERS = ("target_mc", "rate_mc_per_h", "soak_us", "band_mc", "longest_us")
NUMBER_MAX = 1 << 53
SPOT_IDS = tuple(spot.id for spot in NINE)


class NotACommand(ValueError):
    """What came is no command. `code` is one of the socket's refusal codes."""

    def __init__(self, code: str, reason: str, mistakes: list[Mistake]) -> None:
        self.code = code
        self.reason = reason
        self.mistakes = mistakes
        super().__init__(reason)


def command_of(data: Any, run_id: str) -> Command:
    """The command that `data` describes; a start gets `run_id`. Raises NotACommand."""
    if not isinstance(data, Mapping):
        raise NotACommand("bad_command", "command is no object", [])
    found: list[Mistake] = [_wrong(key, "an unknown field", ", ".join(KEYS)) for key in data if key not in KEYS]
    ask = _word(data, "ask", [one.value for one in Ask], found)
    role = _word(data, "role", [one.name.lower() for one in PersonRole], found)
    level = _word(data, "level", [one.name.lower() for one in Level], found, "unattended")
    texts = {key: _text(data, key, found) for key in ("by", "ref", "name")}
    value = _number(data, "value", "value", found, 0)
    at_utc_us = _number(data, "at_utc_us", "at_utc_us", found, 0)
    if at_utc_us < 0:
        found.append(_wrong("at_utc_us", at_utc_us, "microseconds since 1970 UTC, or 0 for now"))
    leaving = _leaving(data.get("leaving"), found)
    trial = _trial(data, texts["name"], found)
    if found:
        raise NotACommand("bad_command", " ".join(str(mistake) for mistake in found), found)
    start = Ask(ask) is Ask.START
    return Command(
        ask=Ask(ask), by=texts["by"], role=PersonRole[role.upper()], ref=texts["ref"],
        schedule=schedule_of(data.get("schedule")) if start and not trial else None, run_id=run_id if start else "",
        level=Level[level.upper()], name=texts["name"], value=value, at_utc_us=at_utc_us if start else 0,
        leaving=leaving if start else None, trial=trial if start else "")


def _leaving(data: Any, found: list[Mistake]) -> Leaving | None:
    """What was answered before leaving; None where nothing was said."""
    if data is None:
        return None
    if not isinstance(data, Mapping):
        found.append(_wrong("leaving", data, "an object"))
        return None
    found += [_wrong(f"leaving {key}", "an unknown field", ", ".join(LEAVING_KEYS)) for key in data if key not in LEAVING_KEYS]
    answers = data.get("answers", [])
    if not isinstance(answers, list) or not all(isinstance(one, str) and one in QUESTION_IDS for one in answers):
        found.append(_wrong("leaving answers", answers, f"a list of {', '.join(sorted(QUESTION_IDS))}"))
        answers = []
    age_us = _number(data, "arrived_age_us", "leaving arrived_age_us", found, NEVER_US)
    if age_us < NEVER_US:
        found.append(_wrong("leaving arrived_age_us", age_us, "microseconds, or -1 for never"))
    return Leaving(tuple(answers), age_us, _text(data, "channel", found), _text(data, "way", found))


def _trial(data: Mapping[str, Any], spot: str, found: list[Mistake]) -> str:
    """A heated step of commissioning in place of a schedule; the survey's is taken at a place."""
    trial = _text(data, "trial", found)
    if trial and data.get("schedule") is not None:
        found.append(_wrong("schedule", "given", "nothing beside a trial, which brings its own"))
    if trial == SURVEY and spot not in SPOT_IDS:
        found.append(_wrong("name", spot or "missing", ", ".join(SPOT_IDS)))
    return trial


def schedule_of(data: Any) -> Schedule:
    """A schedule in the tick's integers. Raises NotACommand for what is no schedule; values are judged by the tick."""
    found: list[Mistake] = []
    if not isinstance(data, Mapping):
        raise NotACommand("bad_schedule", "A start needs a schedule.", [_wrong("schedule", data, "an object")])
    found += [_wrong(f"schedule {key}", "an unknown field", ", ".join(SCHEDULE_KEYS))
              for key in data if key not in SCHEDULE_KEYS]
    rows = data.get("segments")
    if not isinstance(rows, list) or len(rows) > SEGMENTS_MAX:
        found.append(_wrong("segments", rows, f"a list of 1 to {SEGMENTS_MAX} segments"))
        rows = []
    name = _text(data, "name", found)
    of = _word(data, "of", [one.value for one in Of], found)
    resume = _word(data, "resume", [one.value for one in Resume], found)
    segments = tuple(_segment(number, row, found) for number, row in enumerate(rows, 1))
    if found:
        raise NotACommand("bad_schedule", " ".join(str(mistake) for mistake in found), found)
    return Schedule(name, Of(of), Resume(resume), segments)


def _segment(number: int, row: Any, found: list[Mistake]) -> Segment:
    where = f"segment {number} "
    if not isinstance(row, Mapping):
        found.append(_wrong(where.strip(), row, "an object"))
        row = {}
    found += [_wrong(f"{where}{key}", "an unknown field", ", ".join(("kind", *SEGMENT_NUMBERS)))
              for key in row if key not in ("kind", *SEGMENT_NUMBERS)]
    kind = _word(row, "kind", [one.value for one in Kind], found, where=where)
    numbers = [_number(row, key, where + key, found) for key in SEGMENT_NUMBERS]
    return Segment(Kind(kind) if kind else Kind.RAMP, *numbers)


def _word(data: Mapping[str, Any], key: str, words: list[str], found: list[Mistake], default: str | None = None,
          where: str = "") -> str:
    value = data.get(key, default)
    if isinstance(value, str) and value in words:
        return value
    found.append(_wrong(where + key, value, ", ".join(words)))
    return ""


def _text(data: Mapping[str, Any], key: str, found: list[Mistake]) -> str:
    value = data.get(key, "")
    if isinstance(value, str) and len(value) <= TEXT_MAX and value.isprintable():
        return value
    found.append(_wrong(key, value, f"at most {TEXT_MAX} printable characters"))
    return ""


def _number(data: Mapping[str, Any], key: str, where: str, found: list[Mistake], default: int | None = None) -> int:
    value = data.get(key, default)
    if type(value) is int and abs(value) <= NUMBER_MAX:
        return value
    found.append(_wrong(where, value, "a whole number"))
    return 0


def _wrong(field: str, value: Any, allowed: str) -> Mistake:
    shown = "missing" if value is None else str(value)
    return Mistake(field[:60], shown if len(shown) <= 60 else shown[:57] + "...", allowed, "Correct the request.")


def named(command: Command, user: str) -> Command:
    """Another user of this computer asked: the record says which."""
    return replace(command, by=f"{command.by} (computer user {user})")


def refused_event(data: Any, refusal: NotACommand, user: str) -> Event:
    """What was no command is recorded as refused, with as much of it as can be read."""
    given = data if isinstance(data, dict) else {}
    words = {key: str(given.get(key, ""))[:120] for key in ("ask", "by", "role", "ref")}
    if user:
        words["by"] += f" (computer user {user})"
    return Event(EventKind.COMMAND_REFUSED, {**words, "code": refusal.code, "reason": refusal.reason[:400]})
