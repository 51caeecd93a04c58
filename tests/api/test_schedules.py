"""Schedules: revisions that never change, mistakes told all at once, one text file there and back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from api.desk.demo import DEMO
from controller.planning.schedule_file import FORMAT, parse, plan
from tests.api.rig import Rig

GOOD: dict[str, Any] = {"format": FORMAT, "name": "Mine", "temperature_of": "part", "resume": "never", "note": "", "segments": [
    {"kind": "ramp", "target_c": 80, "rate_c_per_h": 20, "band_c": 2, "longest_h": 6},
    {"kind": "soak", "target_c": 80, "soak_h": 1.5, "band_c": 2, "longest_h": 4}]}


def test_a_new_demo_desk_has_three_invented_schedules_that_say_so(shared: Rig) -> None:
    rows = shared.get("/schedules").json()["schedules"]
    assert len(rows) == 3 and all("Invented" in row["schedule"]["note"] for row in rows)
    assert "common practice, no source" in rows[0]["schedule"]["note"]


def test_the_demo_is_the_trades_own_four_up_eight_held_and_about_four_down() -> None:
    """Common practice, no source: about 4 h up, 8 h held, 4 h down, within a couple of degrees."""
    first = parse({"format": FORMAT, **DEMO[0]})
    times_h = [us / 3.6e9 for us, _ in plan(first, 25_000)]
    assert times_h == pytest.approx([0, 4, 12, 12 + 65 / 20])
    assert {segment.band_mc for segment in first.segments} == {2_000}
    assert first.segments[2].longest_us >= 12 * 3_600_000_000, "passive cooling is slow in a well insulated chamber"


def test_only_a_new_desk_is_seeded(tmp_path: Path) -> None:
    with Rig(tmp_path / "data") as rig:
        rig.ask("DELETE", "/schedules/2", json={})
    with Rig(tmp_path / "data") as rig:
        assert [row["id"] for row in rig.get("/schedules").json()["schedules"]] == [1, 3]


def test_a_schedule_goes_in_and_comes_back_the_same(rig: Rig) -> None:
    made = rig.post("/schedules", GOOD)
    assert (made.status_code, made.json()["schedule"], made.json()["revision"]) == (201, GOOD, 1)
    assert rig.ask("GET", f"/!{made.headers['location']}").json() == made.json()


def test_a_change_is_a_new_revision_and_the_old_one_stays(rig: Rig) -> None:
    before = rig.get("/schedules/1").json()["schedule"]
    changed = rig.ask("PUT", "/schedules/1", json=GOOD)
    assert (changed.json()["revision"], changed.headers["etag"]) == (2, '"2"')
    assert rig.get("/schedules/1/revisions/1").json()["schedule"] == before
    assert [row["revision"] for row in rig.get("/schedules/1/revisions").json()["revisions"]] == [2, 1]
    assert rig.ask("PUT", "/schedules/1", json=GOOD).json()["revision"] == 2, "the same again is no change"


def test_a_change_of_an_old_revision_does_not_run_over_a_newer_one(rig: Rig) -> None:
    rig.ask("PUT", "/schedules/1", json=GOOD, headers={"If-Match": '"1"'})
    stale = rig.ask("PUT", "/schedules/1", json={**GOOD, "name": "Other"}, headers={"If-Match": '"1"'})
    assert (stale.status_code, stale.json()["code"]) == (412, "stale_revision")
    assert rig.get("/schedules/1").json()["schedule"]["name"] == "Mine"


def test_a_deleted_schedule_is_gone_and_its_number_is_not_given_again(rig: Rig) -> None:
    assert rig.ask("DELETE", "/schedules/3", json={}).json() == {"deleted": 3}
    for path in ("/schedules/3", "/schedules/3/revisions", "/schedules/3/text"):
        assert rig.get(path).json()["code"] == "not_found"
    assert rig.ask("DELETE", "/schedules/3", json={}).status_code == 404
    assert rig.post("/schedules", GOOD).json()["id"] == 4


def test_the_text_file_goes_there_and_back(rig: Rig) -> None:
    text = rig.get("/schedules/1/text")
    assert text.headers["content-type"] == "text/plain; charset=utf-8" and ".txt" in text.headers["content-disposition"]
    for body, kind in ((text.text.encode(), "text/plain"), (json.dumps({"text": text.text}).encode(), "application/json")):
        made = rig.ask("POST", "/schedules/import", content=body, headers={"Content-Type": kind})
        assert (made.status_code, made.json()["schedule"]) == (201, rig.get("/schedules/1").json()["schedule"])


def test_a_preview_is_the_planned_curve_and_stores_nothing(shared: Rig) -> None:
    answer = shared.post("/schedules/preview?from_c=20", GOOD).json()
    assert answer["curve"] == [[0, 20_000], [10_800_000_000, 80_000], [16_200_000_000, 80_000]]
    assert (answer["duration_us"], answer["mistakes"], answer["cannot_start"]) == (16_200_000_000, [], [])
    assert len(shared.get("/schedules").json()["schedules"]) == 3


@pytest.mark.parametrize("words", [{"name": ""}, {"note": "x" * 9_999}])
def test_words_that_are_missing_or_too_long_change_no_curve(shared: Rig, words: dict[str, str]) -> None:
    answer = shared.post("/schedules/preview?from_c=20", {**GOOD, **words}).json()
    assert answer["curve"] == [[0, 20_000], [10_800_000_000, 80_000], [16_200_000_000, 80_000]]
    assert [row["field"] for row in answer["mistakes"]] == list(words)
    broken = {**GOOD, **words, "segments": [{**GOOD["segments"][0], "band_c": 99}]}
    assert shared.post("/schedules/preview", broken).json()["curve"] == []


def test_a_preview_begins_at_the_present_air(shared: Rig) -> None:
    air = shared.get("/now").json()["air_mc"]
    assert shared.post("/schedules/preview", GOOD).json()["from_mc"] == air


def test_a_schedule_too_hot_for_this_chamber_can_be_stored_and_says_that_it_cannot_be_started(rig: Rig) -> None:
    hot = json.loads(json.dumps(GOOD).replace("80", "124"))
    [row] = rig.post("/schedules/preview", hot).json()["cannot_start"][:1]
    assert row["field"] == "segment 1 target_c" and "123 °C" in row["allowed"]
    assert rig.post("/schedules", hot).status_code == 201


@pytest.mark.parametrize("path", ["/schedules", "/schedules/preview"])
def test_every_mistake_is_told_at_once_with_value_and_limit(shared: Rig, path: str) -> None:
    bad = {**GOOD, "name": "", "segments": [{**GOOD["segments"][0], "target_c": 900, "rate_c_per_h": 0}]}
    answer = shared.post(path, bad)
    assert answer.status_code == (200 if "preview" in path else 422)
    rows = {row["field"]: row for row in answer.json()["mistakes"]}
    assert set(rows) == {"name", "segment 1 target_c", "segment 1 rate_c_per_h"}
    assert rows["segment 1 target_c"]["value"] == "900 °C" and rows["segment 1 target_c"]["allowed"] == "0 to 400 °C"


BODIES = [b"", b"[]", b"nonsense", b"\xff\xfe", b'{"format": NaN}', b'{"name":1,"name":2}', b"[" * 5_000, b'{"a":' * 3_000]


@pytest.mark.parametrize("body", BODIES, ids=lambda body: repr(body[:12]))
@pytest.mark.parametrize("path", ["/schedules", "/schedules/preview", "/schedules/import"])
def test_any_body_gets_a_problem_or_mistakes_and_never_a_crash(shared: Rig, path: str, body: bytes) -> None:
    answer = shared.ask("POST", path, content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == (200 if "preview" in path else 422)
    assert answer.json().get("mistakes") or answer.json()["code"] == "not_json"


@pytest.mark.parametrize("value", ["true", "1e400", '"80"', "null", "-1e308"])
def test_a_temperature_is_a_plain_number(shared: Rig, value: str) -> None:
    body = json.dumps(GOOD).replace('"target_c": 80', f'"target_c": {value}', 1)
    answer = shared.ask("POST", "/schedules", content=body.encode(), headers={"Content-Type": "application/json"})
    assert (answer.status_code, answer.json()["field"]) == (422, "segment 1 target_c")


@pytest.mark.parametrize("number", ["0", "-1", "x", "99999999999999999999", "1.5", "true"])
def test_a_number_that_is_none_is_a_problem(shared: Rig, number: str) -> None:
    assert shared.get(f"/schedules/{number}").json()["code"] in ("bad_request", "not_found")


def test_of_a_real_chamber_loopback_edits_nothing(tmp_path: Path) -> None:
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        assert rig.post("/schedules", GOOD).json()["code"] == "not_allowed_role"
        assert rig.post("/schedules/preview", GOOD).status_code == 200
        assert rig.get("/schedules").json() == {"schedules": [], "set_aside": []}


def test_a_number_of_thousands_of_digits_is_a_mistake_and_no_fault_of_the_program(rig: Rig) -> None:
    digits = b"1" * 10_000
    for method, path, code in (("POST", "/schedules", "bad_schedule"), ("PUT", "/schedules/1", "bad_schedule"),
                               ("POST", "/schedules/import", "not_json")):
        answer = rig.ask(method, path, content=digits, headers={"Content-Type": "application/json"})
        assert (answer.status_code, answer.json()["code"]) == (422, code), path
    preview = rig.ask("POST", "/schedules/preview", content=digits, headers={"Content-Type": "application/json"})
    assert preview.status_code == 200 and preview.json()["mistakes"]
    for method, path in (("POST", "/runs"), ("POST", "/messages/channels"), ("PUT", "/messages/page"), ("POST", "/sign-in")):
        for body in (digits, b'{"schedule_id": ' + digits + b"}"):
            answer = rig.ask(method, path, content=body, headers={"Content-Type": "application/json"})
            assert answer.status_code == 422, (path, answer.text)


def test_the_role_is_looked_at_before_the_schedule(tmp_path: Path) -> None:
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as real:
        for method, path in (("POST", "/schedules"), ("PUT", "/schedules/1")):
            answer = real.ask(method, path, json={"format": "none"})
            assert (answer.status_code, answer.json()["code"]) == (403, "not_allowed_role")
