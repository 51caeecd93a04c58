"""Commissioning as a stand-in tells it: the real table of steps with invented proofs, for tests of what stands above.

It judges a number by its row alone and knows no validity but a fixed date; the real one is `controller.commissioning`.
"""

from __future__ import annotations

from typing import Any

from controller.commissioning.step import Bound, Field, Part, Step, Way
from controller.commissioning.steps import BY_ID, STEPS

DAY_US = 86_400_000_000
SENSORS = (("control", "air, control sensor"), ("over_temperature", "air, over-temperature sensor"))
SPOTS = (("centre", "in the middle"), *((f"{height}_{depth}_{side}", f"{height} {depth}, {side}")
         for height in ("lower", "upper") for depth in ("front", "back") for side in ("left", "right")))
FIVE = ("centre", "lower_front_left", "lower_back_right", "upper_front_right", "upper_back_left")
FOUND = {
    "wiring": "0.12 Ω to earth, 40 MΩ", "place": "trips, 45 cm clear", "contacts": "all ten seen",
    "sensor_identity": "both right",
    "live_parts": "200 MΩ, 0.2 Ω", "ice_point": "0.0 and +0.2 °C", "boiling_point": "−0.4 and −0.1 °C at 99.6 °C",
    "start_proof": "+0.1 °C, 0.0 °C, rises 1.8 °C", "silence": "4.6 s", "watchdog": "0.3 s",
    "over_temperature_trip": "off at 52.1 °C",
    "limiter": "23 °C, 0.4 s", "burn_off": "outside 41 °C", "terminals": "0.12 Ω, no colour", "survey": "±1.4 °C at 105 °C",
    "smoke_alarm": "heard", "message_channels": "by phone, in 3 s"}
CHANGES: tuple[dict[str, Any], ...] = (
    {"id": "moved", "words": "The chamber stands in another place.", "why": "Socket, earth and surroundings are others.",
     "steps": ["place", "smoke_alarm", "message_channels"], "minutes": 9, "of_sensor": False},
    {"id": "sensor", "words": "A sensor was replaced or taken out.", "why": "A new one is another thermometer.",
     "steps": ["sensor_identity", "live_parts", "ice_point", "boiling_point"], "minutes": 22, "of_sensor": True},
    {"id": "firmware", "words": "The board got another firmware.", "why": "What it decides by itself may be another thing.",
     "steps": ["contacts", "silence", "watchdog", "over_temperature_trip"], "minutes": 13, "of_sensor": False})
SURVEY = {"uniformity_mc": 1_400, "stability_mc": 300, "expanded_mc": 1_900, "set_mc": 105_000, "spots": [
    {"spot": spot, "mean_mc": mean, "least_mc": mean - 200, "most_mc": mean + 260}
    for spot, mean in zip(FIVE, (105_100, 104_300, 106_200, 104_700, 105_700), strict=True)]}


def field_row(field: Field) -> dict[str, Any]:
    return {**field._asdict(), "choices": list(field.choices)}


def step_row(step: Step, utc_us: int, state: str = "to_do", **more: Any) -> dict[str, Any]:
    """One step of the guide. A state that was ever done has a date and what was found."""
    was_done = state in ("done", "ending", "ended", "failed", "void")
    done = utc_us - 3 * DAY_US if was_done else None
    until = done and done + step.valid.days * DAY_US if state in ("done", "ending") else None
    each = [{"sensor": sensor, "label": label, "state": state, "found": FOUND[step.id] if was_done else "", "done_utc_us": done}
            for sensor, label in SENSORS] if step.bound is Bound.SENSOR else []
    if step.id == "survey":
        each = [{"spot": spot, "state": state, "found": "", "done_utc_us": done} for spot in FIVE]
    return {
        "id": step.id, "title": step.title, "part": step.part.value, "way": step.way.value, "bound": step.bound.value,
        "layer": step.layer, "hazards": step.hazards, "minutes": step.minutes, "why": step.why, "do": list(step.do),
        "caution": step.caution, "fields": [field_row(field) for field in step.fields], "state": state, "state_words": "",
        "half": "", "last_try": None,
        "found": FOUND[step.id] if was_done else "", "by": "Anna" if was_done else "", "done_utc_us": done,
        "valid_until_utc_us": until, "switchings_left": step.valid.switchings or None, "advice": "", "blocked_by": [],
        "each": each, **more}


def guide(utc_us: int, states: dict[str, str] | None = None, doing: dict[str, Any] | None = None,
          **of_steps: dict[str, Any]) -> dict[str, Any]:
    """The whole guide, every step done but those of `states`; `of_steps` changes fields of a step by its id."""
    states = states or {}
    steps = [step_row(step, utc_us, states.get(step.id, "done"), **of_steps.get(step.id, {})) for step in STEPS]
    holds = [row for row in steps if row["state"] in ("done", "ending")]
    left = [row for row in steps if row not in holds and row["state"] != "not_for_this_chamber"]
    for row in left:
        row["blocked_by"] = row["blocked_by"] or [before for before in BY_ID[row["id"]].after
                                                  if any(other["id"] == before for other in left)]
    following = next((row for row in left if not row["blocked_by"]), None)
    return {
        "sentence": "Not to be left alone yet." if left else "It may be left alone.",
        "lead": f"{len(holds)} of {len(steps)} proofs hold.", "may_do": "at the chamber" if left else "unattended",
        "why": "Not every proof holds." if left else "Every proof holds.", "next_thing": "",
        "known": '"Within 2 °C" may be said of the control sensor: it is known to ±1.4 °C.',
        "invented": True, "board": "5a17c0",
        "next": following and {"step": following["id"], "title": following["title"], "minutes": following["minutes"]},
        "parts": [_part(part, steps, left) for part in Part], "steps": steps, "doing": doing,
        "changes": [dict(one) for one in CHANGES], "spots": [{"id": spot, "words": words} for spot, words in SPOTS],
        "survey": dict(SURVEY) if states.get("survey", "done") == "done" else None}


def _part(part: Part, steps: list[dict[str, Any]], left: list[dict[str, Any]]) -> dict[str, Any]:
    mine = [row for row in steps if row["part"] == part.value]
    todo = sum(row["minutes"] for row in left if row["part"] == part.value)
    return {"part": part.value, "minutes": sum(row["minutes"] for row in mine), "left_minutes": todo, "done": todo == 0}


def doing(step: str, *rows: tuple[str, str, str], **more: Any) -> dict[str, Any]:
    """A step that is watched; rows are (id, words, state)."""
    return {"step": step, "sensor": "", "spot": "", "words": "Open the door.", "share": 0.4, "left_us": None,
            "list": [{"id": row[0], "words": row[1], "state": row[2]} for row in rows],
            "seen": [{"label": label, "mc": 21_400} for _, label in SENSORS], "outcome": "", **more}


LIST = (("door", "Open the door and shut it.", "seen"), ("local_stop", "Press the local stop and let it out.", "waiting"),
        ("lamp_armed", "Is the lamp at the button lit?", "asks"))


class FakeProofs:
    """Answers of the socket for these asks; remembers which steps hold."""

    def __init__(self) -> None:
        self.states = {step.id: "to_do" for step in STEPS}
        self.doing: dict[str, Any] | None = None

    def guide(self, utc_us: int) -> dict[str, Any]:
        return guide(utc_us, self.states, self.doing)

    def prove(self, ask: dict[str, Any]) -> dict[str, Any]:
        return {"begin": self._begin, "type": self._type, "confirm": self._confirm, "cancel": self._cancel}[ask["act"]](ask)

    def _answer(self, outcome: str, words: str, wrong: list[dict[str, str]] | None = None) -> dict[str, Any]:
        return {"outcome": outcome, "words": words, "wrong": wrong or []}

    def _begin(self, ask: dict[str, Any]) -> dict[str, Any]:
        self.doing = doing(ask["step"], *LIST, sensor=ask["sensor"], spot=ask["spot"])
        return self._answer("watching", "It is watched.")

    def _type(self, ask: dict[str, Any]) -> dict[str, Any]:
        wrong = [row for field in BY_ID[ask["step"]].fields for row in wrong_of(field, ask["values"].get(field.key))]
        if wrong and not ask["sure"]:
            return self._answer("again", "Something is out of range.", wrong)
        if BY_ID[ask["step"]].way is not Way.TYPED:
            return self._answer("watching", "Kept; the rest is watched.")
        self.states[ask["step"]] = "failed" if wrong else "done"
        return self._answer("failed", "Stored as failed.", wrong) if wrong else self._answer("passed", "It holds.")

    def _confirm(self, ask: dict[str, Any]) -> dict[str, Any]:
        rows = self.doing["list"] if self.doing else []
        for row in rows:
            if row["id"] == ask["values"]["seen"]:
                row["state"] = "seen" if ask["values"]["yes"] else "failed"
        return self._answer("watching", "Noted.")

    def _cancel(self, _ask: dict[str, Any]) -> dict[str, Any]:
        self.doing = None
        return self._answer("ended", "Nothing was stored.")

    def changed(self, ask: dict[str, Any]) -> dict[str, Any]:
        row = next(one for one in CHANGES if one["id"] == ask["change"])
        voided = [step for step in row["steps"] if self.states[step] == "done"]
        self.states |= dict.fromkeys(voided, "void")
        return {"voided": voided, "minutes": sum(BY_ID[step].minutes for step in voided), "words": ""}


def wrong_of(field: Field, value: Any) -> list[dict[str, str]]:
    """What is wrong with a value, as a row; nothing where it is right."""
    if field.number:
        right = isinstance(value, int | float) and field.low <= value <= field.high
        allowed = f"{field.low:g} to {field.high:g} {field.unit}"
    else:
        right, allowed = value in (("yes",) if field.choices == ("yes", "no") else field.choices), field.choices[0]
    return [] if right else [{"field": field.key, "value": str(value), "allowed": allowed, "advice": field.wrong}]
