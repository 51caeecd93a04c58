"""The guided sequence as one JSON object: what holds, what is next, what each step asks for. Pure; nothing here decides."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from controller.commissioning import corrections
from controller.commissioning.changes import CHANGES, minutes_of
from controller.commissioning.proofs import Proof
from controller.commissioning.proving import HALVES, half_there
from controller.commissioning.step import Bound, Part, Step
from controller.commissioning.steps import BY_ID
from controller.commissioning.store import Kept
from controller.commissioning.survey import FIVE, NINE
from controller.commissioning.validity import (
    EVALUATION,
    SURVEY,
    Facts,
    Judged,
    One,
    Standing,
    Stands,
    held,
    newest,
    one,
    sensor_called,
)
from controller.core.readings import Role
from controller.core.setup import LEVEL_WORDS, Level

Json = dict[str, Any]
NUMBERS = ("None", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve")
SENTENCES = {
    Level.MEASURE_ONLY: "Not to be heated yet.",
    Level.AT_THE_CHAMBER: "To be heated only while somebody stays at it.",
    Level.IN_THE_BUILDING: "Not to be left alone yet.",
    Level.UNATTENDED: "Proven: it may be left alone.",
}
NO_TRAVELLER = "no sensor travels: declare one with the role travelling in the chamber file"


class Told(NamedTuple):
    """What the guide is made from."""

    kept: Kept
    judged: Judged
    facts: Facts
    level: Level
    why: str
    next_thing: str
    doing: Json | None
    tries: Mapping[str, Json] = {}
    """By step: utc_us, outcome and words of how it ended last without being proven."""


def guide(told: Told) -> Json:
    """The GUIDE object of socket.md."""
    here = [stands for stands in told.judged.values() if stands.standing is not Standing.NOT_HERE]
    hold = sum(stands.holds for stands in here)
    number = NUMBERS[hold] if hold < len(NUMBERS) else str(hold)
    return {
        "sentence": SENTENCES[told.level], "lead": f"{number} of {len(here)} proofs hold.",
        "may_do": LEVEL_WORDS[told.level], "why": told.why, "next_thing": told.next_thing,
        "known": _known(told), "invented": told.facts.chamber.simulated, "board": told.facts.chamber.board, "next": _next(here),
        "parts": [_part(part, here) for part in Part], "steps": [_step(stands, told) for stands in told.judged.values()],
        "doing": told.doing, "changes": [_change(row, told.judged) for row in range(len(CHANGES))],
        "spots": [dict(spot._asdict()) for spot in NINE], "survey": _survey(told),
    }


def _known(told: Told) -> str:
    """Whether the usual claim may be made of the control sensor; empty where there is none."""
    sensors = corrections.corrected(told.kept, told.facts.chamber, told.facts.utc_us).sensors
    control = next((row for row in sensors if row.role is Role.CONTROL), None)
    return "" if control is None else corrections.claim_words(control.uncertainty_mc)


def _next(here: list[Stands]) -> Json | None:
    """The first that lacks and can be done."""
    step = next((stands.step for stands in here if not stands.holds and not stands.blocked_by), None)
    return None if step is None else {"step": step.id, "title": step.title, "minutes": step.minutes}


def _part(part: Part, here: list[Stands]) -> Json:
    rows = [stands for stands in here if stands.step.part is part]
    left = sum(stands.step.minutes for stands in rows if not stands.holds)
    return {"part": part.value, "minutes": sum(stands.step.minutes for stands in rows), "left_minutes": left, "done": not left}


def _step(stands: Stands, told: Told) -> Json:
    step, worst = stands.step, stands.worst
    going = told.doing is not None and told.doing["step"] == step.id and not told.doing["outcome"]
    half = half_there(told.kept, step.id, told.facts.utc_us)
    words = NO_TRAVELLER if step.id == SURVEY and not stands.holds and _stays(told) else \
        stands.words if stands.holds else HALVES.get(half, stands.words)
    row = worst.proof
    return {
        "id": step.id, "title": step.title, "part": step.part.value, "way": step.way.value, "bound": step.bound.value,
        "layer": step.layer, "hazards": step.hazards, "minutes": step.minutes, "why": step.why, "do": list(step.do),
        "caution": step.caution, "fields": [{**field._asdict(), "choices": list(field.choices)} for field in step.fields],
        "state": "doing" if going else stands.standing.value, "state_words": words, "half": half,
        "found": _found(stands), "by": row.by if row else "", "done_utc_us": row.utc_us if row else None,
        "valid_until_utc_us": _least(one.until_us for _, one in stands.each),
        "switchings_left": _least(one.switchings_left for _, one in stands.each),
        "advice": row.advice if row else "", "last_try": told.tries.get(step.id), "blocked_by": list(stands.blocked_by),
        "each": _each(step, stands, told),
    }


def _stays(told: Told) -> bool:
    have = told.facts.switches
    return not (have.get("travelling_sensor") or have.get("part_sensor"))


def _least(values: Any) -> int | None:
    there = [value for value in values if value is not None]
    return min(there) if there else None


def _found(stands: Stands) -> str:
    rows = [(name, row.proof) for name, row in stands.each if row.proof is not None]
    if len(rows) == 1 or not stands.each[0][0]:
        return rows[0][1].found if rows else ""
    return "; ".join(dict.fromkeys(proof.found if proof.invented and not proof.sensor else f"{name} {proof.found}"
                                   for name, proof in rows))


def _each(step: Step, stands: Stands, told: Told) -> list[Json]:
    if step.id == SURVEY:
        return [{"spot": spot, **_one(row)} for spot, row in _places(step, told)]
    if step.bound is not Bound.SENSOR:
        return []
    return [{"sensor": name, "label": _label(told, name), **_one(row)} for name, row in stands.each]


def _places(step: Step, told: Told) -> list[tuple[str, One]]:
    """The five, and of the nine those that were taken."""
    five = {spot.id for spot in FIVE}
    rows = [(spot.id, one(told.kept, step, told.facts, "", spot.id)) for spot in NINE]
    return [(spot, row) for spot, row in rows if spot in five or (row.proof is not None and row.proof.spot)]


def _one(row: One) -> Json:
    proof = row.proof
    return {"state": row.standing.value, "state_words": row.words, "found": proof.found if proof else "",
            "done_utc_us": proof.utc_us if proof else None, "advice": proof.advice if proof else ""}


def _label(told: Told, sensor: str) -> str:
    there = sensor_called(told.facts.chamber, sensor)
    return "" if there is None else there.label


def _change(number: int, judged: Judged) -> Json:
    change = CHANGES[number]
    steps = tuple(step for step in change.steps if judged[step].standing is not Standing.NOT_HERE)
    return {"id": change.id, "words": change.words, "why": change.why, "steps": list(steps),
            "minutes": minutes_of(held(steps, judged)), "of_sensor": change.of_sensor}


def _survey(told: Told) -> Json | None:
    """The figures of the newest evaluation; null before the first, and where it was invented without figures."""
    row: Proof | None = newest(told.kept, SURVEY, "", EVALUATION)
    figures = row.values.get("survey") if row is not None and row.passed else None
    return figures if isinstance(figures, dict) else None


def minutes(part: Part, judged: Judged) -> int:
    """A person's minutes of a part, by the guide's own count, over what applies."""
    return sum(BY_ID[name].minutes for name, stands in judged.items()
               if stands.step.part is part and stands.standing is not Standing.NOT_HERE)
