"""Commands: passed on word for word, judged by the controller alone, carried out once a key."""

from __future__ import annotations

import asyncio
import re
import socket
from pathlib import Path
from typing import Any

import pytest

from api.commands import NOT_DONE, NOT_KNOWN
from api.errors import PROBLEMS
from controller.client import Client, Unreachable
from controller.core.commands import Ask
from tests.api.rig import Rig

KEY = {"Idempotency-Key": "the-first-key"}
START = {"schedule_id": 1, "level": "at_the_chamber"}
SIMPLE = [("/stop-heating", Ask.STOP_HEATING, ""), ("/runs/current/hold", Ask.HOLD, ""),
          ("/runs/current/restart", Ask.RESTART, ""), ("/runs/current/cool-down", Ask.COOL_DOWN, ""),
          ("/runs/current/reset", Ask.RESET, ""), ("/alarms/door/acknowledge", Ask.ACKNOWLEDGE, "door"),
          ("/latches/smoke/clear", Ask.CLEAR, "smoke"), ("/check-in", Ask.CHECK_IN, "")]


def commands(rig: Rig) -> list[dict[str, Any]]:
    return [line["command"] for line in rig.fake.asked if line["do"] == "command"]


@pytest.mark.parametrize("path, ask, name", SIMPLE, ids=[row[0] for row in SIMPLE])
def test_each_address_asks_its_own_command_as_who_is_asking(shared: Rig, path: str, ask: Ask, name: str) -> None:
    shared.post(path)
    command = commands(shared)[-1]
    assert (command["ask"], command["name"], command["by"], command["role"]) == \
        (ask.value, name, "local, not signed in", "maintainer")


@pytest.mark.parametrize("path, _ask, _name", SIMPLE, ids=[row[0] for row in SIMPLE])
@pytest.mark.parametrize("body", [b"", b"[]", b"null", b'{"force":true}', b"{", b"\xff"], ids=repr)
def test_a_command_takes_an_empty_object_and_nothing_else(shared: Rig, path: str, _ask: Ask, _name: str, body: bytes) -> None:
    before = len(shared.fake.asked)
    answer = shared.ask("POST", path, content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422 and len(shared.fake.asked) == before


def test_a_start_carries_the_whole_schedule_in_integers(rig: Rig) -> None:
    answer = rig.post("/runs", START, headers=KEY)
    assert (answer.status_code, answer.json()["state"], answer.json()["revision"]) == (202, "running", 1)
    command = commands(rig)[-1]
    assert command["level"] == "at_the_chamber" and command["ref"] == KEY["Idempotency-Key"]
    assert command["schedule"]["segments"][1] == {
        "kind": "soak", "target_mc": 105_000, "rate_mc_per_h": 0, "soak_us": 8 * 3_600_000_000, "band_mc": 2_000,
        "longest_us": 12 * 3_600_000_000}


def test_an_older_revision_can_be_started(rig: Rig) -> None:
    schedule = rig.get("/schedules/1").json()["schedule"]
    rig.ask("PUT", "/schedules/1", json={**schedule, "name": "Newer"})
    rig.post("/runs", {**START, "revision": 1}, headers=KEY)
    assert commands(rig)[-1]["schedule"]["name"] == schedule["name"]


@pytest.mark.parametrize("change, field", [
    ({"schedule_id": True}, "schedule_id"), ({"schedule_id": "1"}, "schedule_id"), ({"schedule_id": 1.0}, "schedule_id"),
    ({"schedule_id": 0}, "schedule_id"), ({"schedule_id": 2**60}, "schedule_id"), ({"level": "measure_only"}, "level"),
    ({"level": 3}, "level"), ({"revision": False}, "revision"), ({"also": 1}, "also")], ids=str)
def test_a_start_takes_strict_types_and_names_the_field(shared: Rig, change: dict[str, Any], field: str) -> None:
    answer = shared.post("/runs", {**START, **change}, headers=KEY)
    assert (answer.status_code, answer.json()["field"]) == (422, field)


def test_several_mistakes_are_told_at_once(shared: Rig) -> None:
    answer = shared.post("/runs", {"schedule_id": True, "level": "high", "also": 1}, headers=KEY)
    assert {row["field"] for row in answer.json()["mistakes"]} == {"schedule_id", "level", "also"}


@pytest.mark.parametrize("key, status", [(None, 400), ("short", 422), ("x" * 81, 422), ("with space", 422)])
def test_a_start_needs_a_proper_key(shared: Rig, key: str | None, status: int) -> None:
    assert shared.post("/runs", START, headers={} if key is None else {"Idempotency-Key": key}).status_code == status


def test_a_schedule_that_is_not_there_is_not_started_and_frees_nothing_else(rig: Rig) -> None:
    answer = rig.post("/runs", {**START, "schedule_id": 99}, headers=KEY)
    assert (answer.status_code, commands(rig)) == (404, [])


def test_the_same_key_gives_the_same_answer_and_does_nothing_more(rig: Rig) -> None:
    first = rig.post("/runs", START, headers=KEY)
    again = rig.post("/runs", START, headers=KEY)
    assert (again.status_code, again.json(), again.headers["idempotency-replayed"]) == (202, first.json(), "true")
    assert len(commands(rig)) == 1


def test_the_same_key_with_another_body_or_address_is_refused(rig: Rig) -> None:
    rig.post("/runs", START, headers=KEY)
    for path, body in (("/runs", {**START, "schedule_id": 2}), ("/runs/current/hold", {})):
        answer = rig.post(path, body, headers=KEY)
        assert (answer.status_code, answer.json()["code"]) == (409, "key_reused")
    assert len(commands(rig)) == 1


def test_a_refusal_is_kept_as_well(rig: Rig) -> None:
    first = rig.post("/runs/current/hold", headers=KEY)
    rig.post("/runs", START, headers={"Idempotency-Key": "another-key"})
    again = rig.post("/runs/current/hold", headers=KEY)
    assert (first.status_code, first.json()["code"]) == (409, "not_possible_state")
    assert (again.status_code, again.json(), again.headers["content-type"]) == \
        (409, first.json(), "application/problem+json")


def test_without_a_key_a_command_is_asked_each_time(rig: Rig) -> None:
    for _ in range(2):
        rig.post("/runs/current/hold")
    assert len(commands(rig)) == 2


def test_keys_survive_a_restart_of_the_interface(tmp_path: Path) -> None:
    with Rig(tmp_path / "data") as rig:
        first = rig.post("/runs", START, headers=KEY).json()
    with Rig(tmp_path / "data") as rig:
        assert rig.post("/runs", START, headers=KEY).json() == first and commands(rig) == []


def test_two_at_once_with_one_key_ask_once(rig: Rig) -> None:
    async def both() -> list[Any]:
        return list(await asyncio.gather(*(rig.client.post("/api/v1/runs", json=START, headers=KEY) for _ in range(5))))

    answers = rig.loop.run(both())
    assert {answer.status_code for answer in answers} == {202} and len(commands(rig)) == 1


def test_a_controller_that_was_never_asked_leaves_the_key_free(rig: Rig) -> None:
    rig.loop.run(rig.fake.stop())
    answer = rig.post("/runs", START, headers=KEY)
    assert (answer.status_code, answer.json()["code"]) == (503, "controller_away")
    rig.loop.run(rig.fake.start(rig.folder / "controller.sock"))
    assert rig.post("/runs", START, headers=KEY).status_code == 202


def test_an_answer_that_never_came_is_not_asked_again_under_the_same_key(rig: Rig) -> None:
    rig.app.state.house.first.upstream._client.timeout_s = 0.1
    rig.fake.mute = True
    answer = rig.post("/runs", START, headers=KEY)
    assert (answer.status_code, answer.json()["code"]) == (504, "no_answer")
    rig.fake.mute = False
    answer = rig.post("/runs", START, headers=KEY)
    assert (answer.status_code, answer.json()["code"], commands(rig)) == (409, "outcome_unknown", commands(rig)[:0])


def test_every_way_to_fail_that_keys_know_is_a_problem_of_the_table() -> None:
    assert set(PROBLEMS) >= NOT_DONE | NOT_KNOWN and not NOT_DONE & NOT_KNOWN


REFUSED = ["not_allowed_role", "not_possible_state", "not_armed", "measure_only", "level_too_high", "board_absent", "latched",
           "cause_stands", "over_ceiling", "bad_schedule", "record_failing", "loosens", "unknown_name", "busy", "bad_command",
           "not_provable"]


@pytest.mark.parametrize("code", REFUSED)
def test_every_refusal_of_the_socket_keeps_its_code_and_mistakes(
        shared: Rig, code: str, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [{"field": "segment 1 target_c", "value": "200 °C", "allowed": "at most 123 °C", "advice": "Lower it."}]
    monkeypatch.setattr(shared.fake, "_answer",
                        lambda ask, _: {"id": 1, "refused": {"code": code, "reason": "Because.", "mistakes": rows}})
    answer = shared.post("/check-in")
    assert answer.status_code == PROBLEMS[code].status and answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert (body["code"], body["detail"], body["mistakes"], body["field"]) == (code, "Because.", rows, rows[0]["field"])


@pytest.mark.parametrize("line", [
    {"id": 1, "error": {"code": "unknown_do", "reason": "do is 'x'"}}, {"id": 1, "refused": {"code": "new", "reason": "x"}}])
def test_a_controller_of_another_version_is_a_problem_and_not_a_crash(
        shared: Rig, line: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shared.fake, "_answer", lambda ask, _: line)
    assert (shared.post("/check-in").status_code, shared.post("/check-in").json()["code"]) == (502, "controller_error")


def test_of_a_real_chamber_loopback_looks_and_stops(tmp_path: Path) -> None:
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        assert rig.get("/me").json() == {"name": "local, not signed in", "role": "viewer",
                                         "may": ["stop_heating", "acknowledge"], "via": "local",
                                         "accounts": False, "expires_utc_us": None}
        assert rig.post("/stop-heating").status_code == 200
        for path in ("/runs/current/cool-down", "/latches/smoke/clear", "/runs/current/reset"):
            assert rig.post(path).json()["code"] == "not_allowed_role"
        assert {command["role"] for command in commands(rig)} == {"viewer"}, "the controller judges, and records it"


def test_a_service_told_that_the_chamber_is_real_is_never_a_maintainer(tmp_path: Path) -> None:
    with Rig(tmp_path / "data", simulated=True, demo=False, real=True) as rig:
        assert rig.get("/me").json()["role"] == "viewer"


def test_of_a_chamber_nobody_has_heard_of_loopback_is_a_viewer(tmp_path: Path) -> None:
    with Rig(tmp_path / "data", controller=False, demo=False) as rig:
        assert rig.get("/me").json()["role"] == "viewer"
        assert rig.post("/schedules", {}).status_code in (403, 422)


def test_what_the_chamber_is_and_may_do_comes_from_the_controller(shared: Rig) -> None:
    assert shared.get("/chamber").json()["limits"]["ceiling_mc"] == 130_000
    assert set(shared.get("/may-do").json()) == {"simulated", "may_do", "may_do_why", "next_thing"}
    assert len(shared.get("/guards").json()["guards"]) > 10


def test_health_answers_whoever_is_away(tmp_path: Path, shared: Rig) -> None:
    assert shared.get("/health").json()["controller"]["health"]["tick"] == shared.fake.world.tick
    with Rig(tmp_path / "data", controller=False) as rig:
        answer = rig.get("/health")
        away = "the controller does not answer: it is not running"
        assert (answer.status_code, answer.json()["controller"]["away"]) == (200, away)


@pytest.mark.parametrize(("left_behind", "words"), [(False, "it is not running"), (True, "connection refused")])
def test_no_page_names_a_folder_of_the_computer_when_the_controller_is_away(
        tmp_path: Path, left_behind: bool, words: str) -> None:
    """A household reads the plain stop page: plain words, as everywhere on this side."""
    data = tmp_path / "data"
    if left_behind:  # a controller that was killed leaves its socket, to which nobody listens
        data.mkdir()
        with socket.socket(socket.AF_UNIX) as dead:
            dead.bind(str(data / "controller.sock"))
    with Rig(data, controller=False) as rig:
        rig.loop.run(rig.until(lambda: words in rig.hub.away))
        said = [rig.get(path).text for path in ("/!/stop", "/chambers", "/health", "/now", "/guards")]
        said.append(rig.post("/alarms/acknowledge", {"guard": "door"}).text)
    assert f"The controller does not answer: {words}." in said[0] and f"answer: {words}" in said[1]
    assert not [text for text in said if ".sock" in text or str(tmp_path) in text]


def test_the_command_line_is_told_which_socket_did_not_answer(tmp_path: Path) -> None:
    with pytest.raises(Unreachable, match=re.escape(f"{tmp_path}/controller.sock: it is not running")) as unreachable:
        asyncio.run(Client(tmp_path / "controller.sock").now())
    assert str(tmp_path) not in unreachable.value.plain
