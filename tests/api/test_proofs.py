"""Commissioning over HTTP: passed on word for word, for maintainers alone, and mistakes told before anything is asked."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from api.proofs import ARRIVES
from api.runs import Start
from controller.commissioning.step import Way
from controller.commissioning.steps import BY_ID, STEPS
from controller.core.leaving import NEVER_US
from tests.api.elsewhere import invited, maintainer
from tests.api.rig import Rig

KEY = {"Idempotency-Key": "the-first-key"}
TRIAL = {"trial": "silence", "level": "at_the_chamber"}
ME = {"by": "local, not signed in", "role": "maintainer"}
NONE = {"sensor": "", "spot": "", "values": {}, "sure": False}
ACTS: list[tuple[str, Any, dict[str, Any]]] = [
    ("/proofs/ice_point/begin", {"sensor": "control"}, {**NONE, "act": "begin", "step": "ice_point", "sensor": "control"}),
    ("/proofs/wiring/values", {"values": {"earth_ohm": 0.2, "joints": "yes"}},
     {**NONE, "act": "type", "step": "wiring", "values": {"earth_ohm": 0.2, "joints": "yes"}}),
    ("/proofs/wiring/values", {"values": {}, "sure": True}, {**NONE, "act": "type", "step": "wiring", "sure": True}),
    ("/proofs/contacts/confirm", {"seen": "lamp_armed", "yes": False},
     {**NONE, "act": "confirm", "step": "contacts", "values": {"seen": "lamp_armed", "yes": False}}),
    ("/proofs/cancel", {}, {**NONE, "act": "cancel", "step": ""}),
]


def asked(rig: Rig, do: str = "prove") -> list[dict[str, Any]]:
    return [{name: value for name, value in line.items() if name not in ("id", "do")}
            for line in rig.fake.asked if line["do"] == do]


@pytest.mark.parametrize("path, body, passed_on", ACTS, ids=[f"{row[0]} {row[1]}" for row in ACTS])
def test_each_address_asks_its_own_act_as_who_is_asking(shared: Rig, path: str, body: Any, passed_on: Any) -> None:
    assert shared.post(path, body).status_code == 200
    assert asked(shared)[-1] == {**passed_on, **ME}


def test_the_guide_comes_as_the_controller_tells_it(shared: Rig) -> None:
    guide = shared.get("/proofs").json()
    assert [step["id"] for step in guide["steps"]] == [step.id for step in STEPS]
    assert guide["steps"][0]["fields"][0]["unit"] == "Ω"


def test_a_change_is_passed_on_and_answered_with_what_it_voids(rig: Rig) -> None:
    rig.fake.world.proofs.states["place"] = "done"
    answer = rig.post("/proofs/changed", {"change": "moved", "note": "to the cellar"})
    assert answer.json() == {"voided": ["place"], "minutes": BY_ID["place"].minutes, "words": ""}
    assert asked(rig, "changed")[-1] == {"change": "moved", "sensor": "", "note": "to the cellar", **ME}


def test_a_change_that_there_is_not_is_refused(shared: Rig) -> None:
    answer = shared.post("/proofs/changed", {"change": "painted"})
    assert (answer.status_code, answer.json()["code"]) == (404, "unknown_name")


def test_out_of_range_is_an_answer_and_not_an_error_and_stored_when_sure(rig: Rig) -> None:
    body = {"values": {"rcd_trips": "no", "socket_earthed": "yes", "straight_into_wall": "yes", "clearance_cm": 45}}
    again = rig.post("/proofs/place/values", body)
    assert (again.status_code, again.json()["outcome"], again.json()["wrong"][0]["field"]) == (200, "again", "rcd_trips")
    assert rig.fake.world.proofs.states["place"] == "to_do", "nothing was stored"
    assert rig.post("/proofs/place/values", {**body, "sure": True}).json()["outcome"] == "failed"
    assert rig.fake.world.proofs.states["place"] == "failed"


def test_the_desk_adds_what_it_knows_of_arrivals_whatever_was_typed(shared: Rig) -> None:
    shared.post(f"/proofs/{ARRIVES}/values", {"values": {"arrived_age_us": 1, "channel": "x"}})
    assert asked(shared)[-1]["values"] == {"arrived_age_us": NEVER_US, "channel": "", "way": ""}


def test_an_arrival_that_was_pressed_is_told_as_an_unattended_start_tells_it(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    from api.messages import Arrived

    async def pressed(_service: object) -> Arrived:
        return Arrived("phone", 60_000_000, "json 1")

    monkeypatch.setattr("api.messages.arrival", pressed)
    rig.post(f"/proofs/{ARRIVES}/values", {"values": {}})
    assert asked(rig)[-1]["values"] == {"arrived_age_us": 60_000_000, "channel": "phone", "way": "json 1"}


@pytest.mark.parametrize("path, body, field", [
    ("/proofs/wiring/values", {}, "values"), ("/proofs/wiring/values", {"values": {"earth_ohm": None}}, "values.earth_ohm"),
    ("/proofs/wiring/values", {"values": {"earth_ohm": [1]}}, "values.earth_ohm"),
    ("/proofs/wiring/values", {"values": {"earth_ohm": 1e300}}, "values.earth_ohm"),
    ("/proofs/wiring/values", {"values": {"earth_ohm": 10**400}}, "values.earth_ohm"),
    ("/proofs/wiring/values", {"values": {"earth_ohm": "x" * 201}}, "values.earth_ohm"),
    ("/proofs/wiring/values", {"values": {"earth_ohm": "a\nb"}}, "values.earth_ohm"),
    ("/proofs/wiring/values", {"values": {}, "sure": "yes"}, "sure"), ("/proofs/wiring/values", {"values": []}, "values"),
    ("/proofs/wiring/values", {"values": {}, "also": 1}, "also"), ("/proofs/ice_point/begin", {"sensor": "a b"}, "sensor"),
    ("/proofs/survey/begin", {"spot": 3}, "spot"), ("/proofs/contacts/confirm", {"seen": "door"}, "yes"),
    ("/proofs/contacts/confirm", {"seen": "door", "yes": 1}, "yes"), ("/proofs/changed", {}, "change"),
    ("/proofs/changed", {"change": "moved", "note": "x" * 201}, "note"),
    ("/proofs/changed", {"change": "moved", "note": "a\x00b"}, "note"), ("/proofs/cancel", {"now": True}, "now"),
], ids=str)
def test_bad_input_names_its_field_and_asks_the_controller_nothing(shared: Rig, path: str, body: Any, field: str) -> None:
    before = len(shared.fake.asked)
    answer = shared.post(path, body)
    assert (answer.status_code, answer.json()["code"]) == (422, "bad_request")
    assert field in {row["field"].removesuffix(".[key]") for row in answer.json()["mistakes"]}, answer.text
    assert len(shared.fake.asked) == before


@pytest.mark.parametrize("text", ['{"values": {"earth_ohm": NaN}}', '{"values": {"earth_ohm": Infinity}}',
                                  '{"values": {"earth_ohm": "\\ud800"}}', '{"values": {"Earth Ohm": 1}}'])
def test_what_is_no_number_and_no_text_never_reaches_the_controller(shared: Rig, text: str) -> None:
    before = len(shared.fake.asked)
    answer = shared.ask("POST", "/proofs/wiring/values", content=text, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422 and len(shared.fake.asked) == before


@pytest.mark.parametrize("act, body", [("begin", {}), ("values", {"values": {}}), ("confirm", {"seen": "door", "yes": True})])
def test_a_step_that_there_is_not_is_not_found(shared: Rig, act: str, body: Any) -> None:
    answer = shared.post(f"/proofs/painting/{act}", body)
    assert (answer.status_code, answer.json()["code"]) == (404, "not_found") and "painting" in answer.json()["detail"]


def test_only_a_maintainer_proves_and_whoever_may_look_looks(tmp_path: Path) -> None:
    """Of a real chamber this computer itself is a viewer until somebody signs in."""
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        assert rig.get("/proofs").status_code == 200
        acts = [*[(path, body) for path, body, _ in ACTS], ("/proofs/changed", {"change": "moved"})]
        for path, body in acts:
            assert rig.post(path, body).json()["code"] == "not_allowed_role"
        assert rig.get("/chamber/bundle").json()["code"] == "not_allowed_role"
        assert rig.post("/runs", TRIAL, headers=KEY).json()["code"] == "not_allowed_role"
        assert not asked(rig) and not asked(rig, "changed") and not asked(rig, "bundle") and not rig.fake.commands


def test_an_operator_starts_runs_and_no_proofs(rig: Rig) -> None:
    keeper = maintainer(rig)
    operator = invited(rig, keeper, "Ben", "operator")
    assert "prove" in keeper.get("/me").json()["may"] and "prove" not in operator.get("/me").json()["may"]
    answer = operator.post("/runs", TRIAL, headers=KEY)
    assert (answer.status_code, answer.json()["code"]) == (403, "not_allowed_role") and not rig.fake.commands


def test_the_bundle_is_a_file_to_keep(shared: Rig) -> None:
    answer = shared.get("/chamber/bundle")
    assert answer.json()["body"]["board"] == "5a17c0"
    assert answer.headers["content-disposition"] == f'attachment; filename="soakwarden-{shared.folder.name}.bundle.json"'


def test_a_proof_that_heats_is_a_start_without_a_schedule(rig: Rig) -> None:
    answer = rig.post("/runs", TRIAL, headers=KEY)
    assert (answer.status_code, answer.json()["trial"], answer.json()["state"]) == (202, "silence", "running")
    command = rig.fake.commands[-1]
    assert (command["trial"], command["schedule"], command["level"], command["name"]) == ("silence", None, "at_the_chamber", "")
    assert rig.post("/runs", TRIAL, headers=KEY).json() == answer.json() and len(rig.fake.commands) == 1


def test_a_place_of_the_survey_goes_along_as_the_name(rig: Rig) -> None:
    rig.post("/runs", {"trial": "survey", "spot": "centre", "level": "at_the_chamber"}, headers=KEY)
    assert (rig.fake.commands[-1]["trial"], rig.fake.commands[-1]["name"]) == ("survey", "centre")


def test_a_plain_start_says_nothing_of_a_trial(rig: Rig) -> None:
    rig.post("/runs", {"schedule_id": 1, "level": "at_the_chamber"}, headers=KEY)
    assert "trial" not in rig.fake.commands[-1]


@pytest.mark.parametrize("body, field", [
    ({"level": "at_the_chamber"}, "schedule_id"), ({**TRIAL, "schedule_id": 1}, "schedule_id"),
    ({**TRIAL, "revision": 1}, "revision"),
    ({**TRIAL, "level": "unattended"}, "level"), ({**TRIAL, "at_utc_us": 5}, "at_utc_us"),
    ({**TRIAL, "spot": "centre"}, "spot"),
    ({**TRIAL, "trial": "survey"}, "spot"), ({**TRIAL, "leaving": {"answers": []}}, "leaving"),
    ({**TRIAL, "trial": "wiring"}, "trial"),
    ({**TRIAL, "trial": "painting"}, "trial")], ids=str)
def test_a_start_of_a_proof_takes_nothing_of_a_schedules(shared: Rig, body: Any, field: str) -> None:
    answer = shared.post("/runs", body, headers=KEY)
    assert (answer.status_code, answer.json()["field"]) == (422, field) and not shared.fake.commands


def test_the_trials_of_a_start_are_the_steps_that_heat() -> None:
    words = json.dumps(Start.model_json_schema()["properties"]["trial"])
    assert set(json.loads(words)["anyOf"][0]["enum"]) == {step.id for step in STEPS if step.way is Way.HEATED}
