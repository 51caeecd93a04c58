"""Every way to fail is a problem (RFC 9457), every route is described for people, and no NaN leaves."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.errors import MEDIA_TYPE, PREFIX, PROBLEMS, Problem
from api.wire import encode, finite
from tests.api.rig import Rig
from tests.api.test_guard_origin import ROUTES, filled

MEMBERS = {"type", "title", "status", "detail", "code", "advice", "mistakes"}


def is_problem(answer: Any) -> bool:
    body = answer.json()
    return bool(answer.headers["content-type"] == MEDIA_TYPE and set(body) >= MEMBERS
                and body["status"] == answer.status_code and body["type"].startswith(PREFIX))


@pytest.mark.parametrize("method, path", ROUTES, ids=[" ".join(route) for route in ROUTES])
@pytest.mark.parametrize("wrong", ["PATCH", "DELETE", "PUT", "POST", "GET"])
def test_a_wrong_method_is_a_problem(shared: Rig, method: str, path: str, wrong: str) -> None:
    if (wrong, path) in ROUTES or (wrong == "GET" and ("GET", path) not in ROUTES):
        return
    body = {} if wrong == "GET" else {"json": {}}
    answer = shared.ask(wrong, path, **body)
    assert is_problem(answer) and answer.status_code in (404, 405, 422), answer.text


def test_a_wrong_field_is_told_in_our_words(shared: Rig) -> None:
    answer = shared.ask("POST", "/runs", json={"schedule_id": "one", "level": 7, "more": True})
    told = {row["field"]: row["allowed"] for row in answer.json()["mistakes"]}
    assert is_problem(answer) and told["schedule_id"] == "a whole number"
    assert not any("Input should" in allowed or "{" in allowed for allowed in told.values()), told


def test_a_body_that_is_no_json_is_told_with_its_place(shared: Rig) -> None:
    answer = shared.ask("POST", "/runs", content=b'{"schedule_id":', headers={"content-type": "application/json"})
    (mistake,) = answer.json()["mistakes"]
    assert is_problem(answer) and mistake["field"] == "character 15 of the body" and mistake["allowed"] == "JSON"


def test_looking_at_a_command_says_what_the_address_takes(shared: Rig) -> None:
    """A chat preview that fetches a link must not act, and a person who does it learns why."""
    answer = shared.get("/stop-heating")
    assert is_problem(answer) and answer.status_code == 405
    assert answer.headers["allow"] == "POST"


def test_an_address_that_is_not_there_is_a_problem(shared: Rig) -> None:
    for path in ("/nothing", "/schedules/1/nothing", "/!/api/v2/now", "/!/api", "/now/"):
        answer = shared.get(path)
        assert is_problem(answer) and answer.status_code == 404


def test_a_mistake_of_the_program_is_a_problem_without_its_inside(shared: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("api.health.own_version", lambda: 1 / 0)
    answer = shared.get("/health")
    assert is_problem(answer) and answer.status_code == 500 and "division" not in answer.text


@pytest.mark.parametrize("code", PROBLEMS)
def test_the_type_of_a_problem_can_be_looked_up(shared: Rig, code: str) -> None:
    body = Problem(code, "x").body()
    answer = shared.ask("GET", f"/!{body['type']}")
    assert answer.json() == {"code": code, **PROBLEMS[code]._asdict()}


def test_a_problem_nobody_knows_is_not_found(shared: Rig) -> None:
    assert is_problem(shared.get("/problems/unheard-of"))


def test_every_advice_is_a_sentence_and_every_title_is_not() -> None:
    assert all(row.advice.endswith(".") and not row.title.endswith(".") for row in PROBLEMS.values())


@pytest.fixture(scope="module")
def document(shared: Rig) -> Any:
    return shared.get("/openapi.json").json()


def test_the_openapi_text_is_3_1_and_lists_every_route(document: Any) -> None:
    listed = sorted((method.upper(), filled(path.removeprefix(PREFIX)))
                    for path, item in document["paths"].items() for method in item)
    assert document["openapi"] == "3.1.0" and listed == ROUTES


def test_every_route_has_a_summary_and_a_description_for_people(document: Any) -> None:
    for path, item in document["paths"].items():
        for method, route in item.items():
            assert len(route["summary"]) > 8 and len(route.get("description", "")) > 10, (method, path)
            assert len(route["tags"]) == 1, (method, path)


def test_every_unsafe_route_says_how_it_can_be_refused(document: Any) -> None:
    for path, item in document["paths"].items():
        for method, route in item.items():
            told = [answer for status, answer in route["responses"].items() if int(status) >= 400
                    and MEDIA_TYPE in answer.get("content", {})]
            assert told or method == "get", (method, path)


def test_examples_of_problems_are_problems(document: Any) -> None:
    found = 0
    for item in document["paths"].values():
        for route in item.values():
            for status, answer in route["responses"].items():
                for example in answer.get("content", {}).get(MEDIA_TYPE, {}).get("examples", {}).values():
                    found += 1
                    assert set(example["value"]) >= MEMBERS and example["value"]["status"] == int(status)
    assert found > 50


ANY_JSON = st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
                        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=20)


def _refuse(name: str) -> None:
    raise AssertionError(f"{name} left")


@given(ANY_JSON)
def test_no_nan_leaves_whatever_an_answer_holds(content: Any) -> None:
    json.loads(encode(content), parse_constant=_refuse)


@given(ANY_JSON)
def test_what_is_finite_leaves_unchanged(content: Any) -> None:
    clean = finite(content)
    assert json.loads(encode(content)) == clean and finite(clean) == clean


def test_a_snapshot_with_a_nan_leaves_without_it(shared: Rig) -> None:
    now = {**shared.hub.now, "air_mc": math.nan}
    shared.loop.loop.call_soon_threadsafe(shared.hub._took, now)
    assert shared.get("/now").json()["air_mc"] is None
    shared.step()
