"""A whole commissioning of a simulated chamber over the socket, from nothing to unattended; and what interrupts it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.commissioning import store
from controller.commissioning.survey import FIVE
from controller.config import load
from controller.core.setup import Level
from controller.drivers.clocks import utc_us
from controller.records.queries import Reader
from tests.commissioning.proven import TYPED
from tests.service.proving import Person, turn_limiter_down, uncommissioned


@pytest.fixture
def person(tmp_path: Path) -> Iterator[Person]:
    made = Person(uncommissioned(tmp_path))
    yield made
    made.close()


def may(person: Person) -> Level:
    return person.rig.service.state.chamber.may_do


def test_nothing_is_heated_before_what_comes_first_is_shown(person):
    assert may(person) is Level.MEASURE_ONLY and not person.rig.service.state.chamber.trials
    person.clear()
    refused = person.command("start", trial="start_proof", level="at_the_chamber")["refused"]
    assert refused["code"] == "not_provable"
    refused = person.prove("begin", "contacts")["refused"]
    assert refused["code"] == "not_provable" and "Earth, insulation" in refused["reason"]
    assert person.guide()["next"] == {"step": "wiring", "title": "Earth, insulation, fuse and element", "minutes": 14}


def test_a_value_out_of_range_is_asked_for_once_more_and_then_stored_as_failed(person):
    before = person.rig.commissioner.wish
    assert person.typed("wiring", earth_ohm=3.2) == "again"
    assert person.rig.commissioner.wish == before, "nothing is stored"
    answer = person.prove("type", "wiring", values={**TYPED["wiring"], "earth_ohm": 3.2}, sure=True)
    assert answer["outcome"] == "failed" and answer["wrong"][0]["field"] == "earth_ohm"
    step = person.guide()["steps"][0]
    assert step["state"] == "failed" and "earth wire" in step["advice"] and step["by"] == "Anna"
    assert person.typed("wiring") == "passed" and person.state("wiring") == "done"


@pytest.mark.parametrize(("role", "code"), [
    ("operator", "not_allowed_role"), ("viewer", "not_allowed_role"), ("king", "bad_command")])
@pytest.mark.parametrize("do", ["prove", "changed", "bundle"])
def test_only_a_maintainer_may(person, role, code, do):
    answer = person.line.ask(do, act="type", step="wiring", change="room", values=TYPED["wiring"], by="x", role=role)
    assert answer["refused"]["code"] == code


@pytest.mark.parametrize(("fields", "code"), [
    ({"act": "dance"}, "bad_command"), ({"step": "dance"}, "unknown_name"), ({"sensor": "none"}, "unknown_name"),
    ({"spot": "cellar"}, "unknown_name"), ({"act": "begin"}, "not_possible_state"), ({"act": "confirm"}, "not_possible_state"),
    ({"act": "cancel"}, "not_possible_state"), ({"values": {}}, "bad_command"), ({"values": 7}, "bad_command"),
    ({"by": "x" * 300}, "bad_command"), ({"by": "\n"}, "bad_command"), ({"step": 7}, "bad_command"),
    ({"step": "start_proof"}, "not_provable"), ({"step": "terminals"}, "not_provable"),
], ids=str)
def test_what_cannot_be_done_is_refused_by_its_name(person, fields, code):
    ask = {"act": "type", "step": "wiring", "values": TYPED["wiring"], "by": "x", "role": "maintainer", **fields}
    answer = person.line.ask("prove", **ask)
    assert answer["refused"]["code"] == code and answer["refused"]["reason"]


def test_a_watch_goes_on_in_the_snapshot_and_one_at_a_time(person):
    person.typed("wiring")
    assert person.prove("begin", "contacts")["outcome"] == "watching"
    assert person.prove("begin", "contacts")["refused"]["code"] == "busy"
    doing = person.line.now()["commissioning"]
    assert doing["step"] == "contacts" and {row["state"] for row in doing["list"]} >= {"waiting", "seen"}
    assert person.state("contacts") == "doing"
    assert person.prove("cancel", "")["outcome"] == "ended"
    assert person.line.now()["commissioning"]["outcome"] == "ended" and person.state("contacts") == "to_do"


def recorded(person: Person, *kinds: str) -> list[tuple[str, dict[str, object]]]:
    """The events of these kinds that the record holds once all is written."""
    person.rig.steps(3)
    person.rig.writer.close()
    stored = Reader(person.rig.folder / "record.db").events(limit=2000)
    return [(event.kind, dict(event.fields)) for event in stored if event.kind in kinds]


def test_the_record_has_who_proved_what_and_what_was_refused(person):
    person.typed("wiring")
    person.prove("begin", "contacts")
    person.prove("cancel", "")
    person.line.ask("changed", change="moved", note="to the cellar", by="Ben", role="maintainer")
    person.prove("begin", "ice_point")
    told = recorded(person, "proof", "proof_watch", "proofs_voided", "command_refused")
    assert [kind for kind, _ in told] == ["proof", "proof_watch", "proof_watch", "proofs_voided", "command_refused"]
    stored, began, ended, voided, refused = (fields for _, fields in told)
    assert (stored["step"], stored["passed"], stored["by"]) == ("wiring", True, "Anna") and stored["found"]
    assert (began["step"], began["by"], began["outcome"]) == ("contacts", "Anna", "began")
    assert ended["outcome"] == "ended" and "Ended by Anna" in str(ended["words"])
    assert (voided["change"], voided["by"], voided["note"]) == ("moved", "Ben", "to the cellar")
    assert "place" in str(voided["steps"])
    assert (refused["ask"], refused["by"], refused["code"]) == ("prove", "Anna", "not_provable")
    assert str(refused["reason"]).startswith("begin ice_point: ")


def test_the_guide_tells_the_last_try_until_the_step_is_proven(person):
    person.typed("wiring")
    person.prove("begin", "contacts")
    person.prove("cancel", "")
    person.rig.steps(20)
    step = next(one for one in person.guide()["steps"] if one["id"] == "contacts")
    assert step["last_try"]["outcome"] == "ended" and "begin this step again" in step["last_try"]["words"]
    assert person.contacts() == "passed"
    assert next(one for one in person.guide()["steps"] if one["id"] == "contacts")["last_try"] is None


def test_a_step_that_a_restart_interrupted_must_begin_again_and_says_so(tmp_path):
    first = Person(uncommissioned(tmp_path))
    first.typed("wiring")
    first.prove("begin", "contacts")
    first.close()
    second = Person(uncommissioned(tmp_path))
    try:
        doing = second.line.now()["commissioning"]
        assert doing["step"] == "contacts" and "interrupted" in doing["words"] and doing["outcome"] == "ended"
        assert second.state("wiring") == "done" and second.state("contacts") == "to_do"
        assert second.contacts() == "passed"
    finally:
        second.close()


def test_the_sensor_that_moved_is_named_when_two_are_exchanged(person):
    person.typed("wiring")
    assert person.identity("control", warmed="part") == "failed"
    each = next(one for one in person.guide()["steps"] if one["id"] == "sensor_identity")["each"]
    assert each[0]["state"] == "failed" and "part" in each[0]["advice"] and each[1]["state"] == "to_do"


@pytest.mark.slow
def test_the_core_unlocks_the_attended_levels_one_after_the_other(person):
    person.unheated_core()
    state = person.rig.service.state
    assert state.chamber.trials == ("start_proof",) and may(person) is Level.MEASURE_ONLY
    assert all(sensor.uncertainty_mc < 2_500 for sensor in state.chamber.sensors), "ice and boiling points count at once"
    assert person.heated("start_proof") == "passed" and may(person) is Level.MEASURE_ONLY
    assert person.heated("silence") == "passed" and may(person) is Level.AT_THE_CHAMBER
    assert person.heated("watchdog") == "passed" and may(person) is Level.AT_THE_CHAMBER
    assert person.heated("over_temperature_trip") == "passed" and may(person) is Level.IN_THE_BUILDING
    core = person.guide()["parts"][0]
    assert core["done"] and core["left_minutes"] == 0
    path = person.rig.chamber.path
    assert load(path, utc_us() + 10 ** 12).chamber.sensors == person.rig.service.state.chamber.sensors, "a restart keeps them"
    answer = person.line.ask("changed", change="switch", by="Anna", role="maintainer")["ok"]
    person.written()
    assert "start_proof" in answer["voided"] and may(person) is Level.MEASURE_ONLY
    person.clear()
    assert person.command("start", trial="silence", level="at_the_chamber")["refused"]["code"] == "not_provable"


@pytest.mark.campaign
@pytest.mark.timeout(1200)
def test_from_nothing_to_unattended(person):
    """Five hot hours of survey pass in lock-step: minutes of ours."""
    person.unheated_core()
    for trial in ("start_proof", "silence", "watchdog", "over_temperature_trip"):
        assert person.heated(trial) == "passed", trial
    assert person.typed("limiter") == "watching"
    assert person.heated("limiter", during=turn_limiter_down) == "passed" and person.state("limiter") == "done"
    assert person.heated("burn_off") == "passed" and person.state("burn_off") == "to_do", "its values are still to be typed"
    assert person.typed("burn_off") == "passed" and person.state("burn_off") == "done"
    person.line.until(lambda now: now["air_mc"] < 40_000 and now["part_mc"] < 40_000, 40_000)  # nobody opens a hot one
    for step in ("terminals", "smoke_alarm", "message_channels"):
        assert person.typed(step) == "passed"
    assert may(person) is Level.IN_THE_BUILDING
    for spot in FIVE:
        assert person.heated("survey", spot.id) == "passed", spot
    assert may(person) is Level.UNATTENDED
    guide = person.guide()
    assert guide["sentence"] == "Proven: it may be left alone." and guide["next"] is None
    survey = guide["survey"]
    assert len(survey["spots"]) == 5 and 0 <= survey["uniformity_mc"] < survey["expanded_mc"]
    assert person.line.now()["chamber"]["may_do"] == "unattended"
    kept = store.read(person.rig.chamber.path / "proofs.json")
    assert kept.invented and all(row.invented for row in kept.proofs) and not kept.halves
