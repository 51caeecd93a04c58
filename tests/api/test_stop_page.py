"""The plain page for stopping: opening it never acts, pressing it does, and it never says done before the heat is seen off."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from api.presses import SAME_US, Press, said, stations, tells_of
from tests.api.elsewhere import BASE, PASSWORD, Elsewhere, maintainer, token
from tests.api.rig import BASE as LOCAL
from tests.api.rig import Rig


@pytest.fixture
def real(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        yield rig


def pressed(rig: Rig) -> int:
    return sum(ask.get("command", {}).get("ask") == "stop_heating" for ask in rig.fake.asked)


def local_form(rig: Rig, fields: dict[str, str], **headers: str) -> httpx.Response:
    return rig.ask("POST", "/!/stop", data=fields, headers={"Origin": LOCAL, **headers})


def words(answer: httpx.Response) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", answer.text))


def hidden(answer: httpx.Response) -> dict[str, str]:
    return dict(re.findall(r'name="(\w+)" value="([^"]*)"', answer.text))


def test_the_page_runs_no_script_and_names_its_chamber(rig: Rig):
    answer = rig.get("/!/stop")
    assert answer.status_code == 200 and "<script" not in answer.text and " on" + "click" not in answer.text
    policy = answer.headers["content-security-policy"]
    assert "script-src" not in policy and policy.startswith("default-src 'none'") and "form-action 'self'" in policy
    assert answer.headers["referrer-policy"] == "same-origin" and answer.headers["cache-control"] == "no-store"
    assert "Bench chamber SIMULATED" in words(answer) and "<title>Stop heating: Bench chamber, SIMULATED</title>" in answer.text
    for sheet in re.findall(r'href="(/style/[^"]+)"', answer.text):
        assert (Path(__file__).parents[2] / f"web{sheet}").is_file()


def test_opening_it_never_acts(real: Rig):
    key = token(maintainer(real), "stop")
    device = Elsewhere(real)
    for path in ("/stop", f"/stop?key={key}", f"/stop/said?at=data&ref=x&key={key}", "/stop/said"):
        for method in ("GET", "HEAD", "PUT", "DELETE", "OPTIONS"):
            device.ask(method, f"/!{path}", headers={"Content-Type": "application/x-www-form-urlencoded"})
            real.ask(method, f"/!{path}", headers={"Content-Type": "application/x-www-form-urlencoded"})
    assert pressed(real) == 0


def test_a_press_is_said_asked_accepted_and_seen_off_each_with_its_time(rig: Rig):
    answer = local_form(rig, {"at": "data"})
    assert answer.status_code == 303 and pressed(rig) == 1
    said = rig.get(f"/!{answer.headers['location']}")
    assert said.headers["refresh"] == "1" and "was seen off" not in said.text
    assert re.search(r"asked 09:00:01.0 accepted 09:00:01.0 heat seen off waiting", words(said))
    rig.step()
    said = rig.get(f"/!{answer.headers['location']}")
    assert "refresh" not in said.headers and "The heat was seen off." in words(said)
    assert re.search(r"heat seen off 09:00:02.0", words(said))


def test_loading_the_answer_again_presses_nothing(rig: Rig):
    answer = local_form(rig, {"at": "data"})
    for _ in range(3):
        rig.get(f"/!{answer.headers['location']}")
    assert pressed(rig) == 1


def test_a_stop_from_before_does_not_pass_for_this_one(rig: Rig):
    """The heat was seen off before; the new press is not done by that."""
    local_form(rig, {"at": "data"})
    rig.step()
    rig.fake.world.stop = {**rig.fake.world.stop}
    second = local_form(rig, {"at": "data"})
    assert "was seen off" not in rig.get(f"/!{second.headers['location']}").text
    rig.step()
    assert "was seen off" in rig.get(f"/!{second.headers['location']}").text


def test_with_a_silent_controller_it_says_not_confirmed_and_is_sent_again(rig: Rig, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("api.presses.WAIT_S", 0.05)
    monkeypatch.setattr("api.presses.LATE_US", 0)
    monkeypatch.setattr("api.presses.GAP_S", 0.01)
    monkeypatch.setattr("api.presses.LOOK_S", 0.05)
    monkeypatch.setattr("controller.client.ASK_S", 0.1)
    for one in rig.app.state.house:
        one.upstream._client.timeout_s = 0.1
    rig.fake.mute = True
    answer = local_form(rig, {"at": "data"})
    said = rig.get(f"/!{answer.headers['location']}")
    assert answer.status_code == 303 and "Not confirmed." in words(said) and "Pull the plug if you can" in words(said)
    assert said.headers["refresh"] == "1" and "was seen off" not in said.text
    rig.fake.mute = False
    press = rig.app.state.presses.find(re.search(r"ref=(\w+)", answer.headers["location"])[1], "data")
    rig.loop.run(rig.until(lambda: press.accepted_utc_us is not None))
    assert pressed(rig) >= 1
    rig.step()
    assert "was seen off" in rig.get(f"/!{answer.headers['location']}").text


def test_without_a_controller_it_never_says_done(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("api.presses.WAIT_S", 0.1)
    monkeypatch.setattr("api.presses.SEND_FOR_S", 0.05)
    monkeypatch.setattr("api.presses.GAP_S", 0.01)
    with Rig(tmp_path / "data", controller=False) as rig:
        assert "Its state is not known." in words(rig.get("/!/stop"))
        said = rig.get(f"/!{local_form(rig, {'at': 'data'}).headers['location']}")
        assert "Nobody knows whether the heat is off." in words(said) and "not accepted" in words(said)


def test_it_works_with_the_stream_dead(rig: Rig):
    rig.loop.loop.call_soon_threadsafe(rig.hub.lost, "for this test")
    assert "No news from the controller." in words(rig.get("/!/stop"))
    answer = local_form(rig, {"at": "data"})
    rig.fake.step()
    said = rig.get(f"/!{answer.headers['location']}")
    assert "was seen off" in said.text and "Stop heating again: Bench chamber" in words(said)


@pytest.mark.parametrize(("speed", "own_time"), [(1.0, False), (60.0, True)])
@pytest.mark.parametrize("away", [False, True])
def test_a_press_in_a_quick_simulation_is_told_in_its_own_time_throughout(rig: Rig, speed: float, own_time: bool, away: bool):
    rig.fake.speed = speed
    rig.step()
    rig.loop.run(rig.until(lambda: rig.hub.now["speed"] == speed))
    if away:
        rig.loop.loop.call_soon_threadsafe(rig.hub.lost, "for this test")
    answer = local_form(rig, {"at": "data"})
    press = rig.app.state.presses.find(re.search(r"ref=(\w+)", answer.headers["location"])[1], "data")
    since_us = press.asked_utc_us - rig.hub.now["utc_us"]
    assert (0 <= since_us < 600_000_000) is own_time
    assert ("quick clock" in words(rig.get(f"/!{answer.headers['location']}"))) is own_time


def test_heat_that_is_still_on_is_said_whatever_else_stands(rig: Rig):
    press = Press("r", "data", "Anna", 1_000_000, 0.0, {}, accepted_utc_us=1_200_000, off_seen_utc_us=1_700_000)
    assert [one.word for one in stations(press, {"still_on": True})] == ["asked", "accepted", "heat still on"]
    assert not stations(press, {"still_on": True})[2].solid


def test_after_five_seconds_unseen_it_says_so():
    press = Press("r", "data", "Anna", 1_000_000, -1e6, {}, accepted_utc_us=1_200_000)
    third = stations(press, {"heat_off": False})[2]
    assert (third.word, third.bad, third.solid) == ("not seen off", True, False)


def test_with_a_board_that_is_not_heard_it_says_at_once_that_nothing_can_be_told():
    press = Press("r", "data", "Anna", 1_000_000, time.monotonic(), {}, accepted_utc_us=1_200_000)
    steps = stations(press, {"heat_off": None})
    assert steps[2].bad and "the board is not heard" in steps[2].word
    sentence, more = said(press, steps)
    assert "nothing can be told to it" in sentence and more.startswith("Pull the plug")


@pytest.mark.parametrize("before, stop, tells", [
    ({}, {"accepted_utc_us": None}, False), ({}, {"accepted_utc_us": 5}, True),
    ({"accepted_utc_us": 5, "off_seen_utc_us": 6}, {"accepted_utc_us": 5 + SAME_US}, False),
    ({"accepted_utc_us": 5, "off_seen_utc_us": None}, {"accepted_utc_us": 5}, True),
    ({"accepted_utc_us": 5, "off_seen_utc_us": 6}, {"accepted_utc_us": 6 + SAME_US}, True)])
def test_whose_stop_a_snapshot_tells_of(before, stop, tells):
    assert tells_of(Press("r", "data", "Anna", 0, 0.0, before), stop) is tells


# who may

def test_signed_out_it_asks_for_a_name_and_nothing_is_pressed(real: Rig):
    device = Elsewhere(real)
    answer = device.get("/!/stop")
    assert answer.status_code == 401 and "Nobody is signed in here." in words(answer) and 'type="password"' in answer.text
    assert device.form("/stop", {"at": "data"}).status_code == 401 and pressed(real) == 0


def test_a_link_from_elsewhere_comes_without_the_cookie_and_is_opened_once_more_from_here(real: Rig):
    device = Elsewhere(real)
    answer = device.get("/!/stop", headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.headers["refresh"] == "0; url=/stop"
    assert "refresh" not in device.get("/!/stop", headers={"Sec-Fetch-Site": "same-origin"}).headers


def test_signing_in_without_script_then_stopping(real: Rig):
    maintainer(real)
    device = Elsewhere(real, "192.0.2.90")
    answer = device.form("/stop/sign-in", {"name": "Anna", "password": PASSWORD})
    assert (answer.status_code, answer.headers["location"]) == (303, "/stop")
    fields = hidden(device.get("/!/stop"))
    assert device.form("/stop", fields).status_code == 303 and pressed(real) == 1
    assert real.fake.asked[-1].get("command", {}).get("by") == "Anna" or real.fake.world.stop["by"] == "Anna"


def test_signing_in_without_script_is_held_up_too_and_only_from_here(real: Rig):
    maintainer(real)
    device = Elsewhere(real, "192.0.2.90")
    found = [device.form("/stop/sign-in", {"name": "Anna", "password": "wrong"}) for _ in range(6)]
    assert [answer.status_code for answer in found] == [401] * 5 + [429]
    assert "Stop heating does not wait." in words(found[5])
    for origin in ("https://example.org", "null", None):
        assert device.form("/stop/sign-in", {"name": "Anna", "password": PASSWORD}, origin).status_code == 403
    assert device.cookie == ""


def test_a_stop_key_is_a_bookmark_that_needs_no_sign_in(real: Rig):
    key = token(maintainer(real), "stop", "kitchen")
    device = Elsewhere(real)
    shown = device.get(f"/!/stop?key={key}")
    assert shown.status_code == 200 and re.search(r"Here: Anna with the key “kitchen”, good until \d+ \w+ 20\d\d", words(shown))
    for origin in (BASE, "null", None):  # the key itself is the proof: no other page can know it
        answer = device.form("/stop", hidden(shown), origin)
        assert answer.status_code == 303 and f"key={key}" in answer.headers["location"]
    assert pressed(real) == 3
    said = device.get(f"/!{answer.headers['location']}")
    assert said.status_code == 200 and "Anna (kitchen)" in said.text


@pytest.mark.parametrize("key", ["wrong", "x" * 43, "<script>"])
def test_a_wrong_key_presses_nothing_even_on_this_computer(real: Rig, key: str):
    assert "not good any more" in words(real.get("/!/stop", params={"key": key}))
    assert local_form(real, {"at": "data", "key": key}).status_code == 401 and pressed(real) == 0


def test_a_key_for_looking_does_not_stop(real: Rig):
    key = token(maintainer(real), "look")
    assert Elsewhere(real).form("/stop", {"at": "data", "key": key}).status_code == 401 and pressed(real) == 0


def test_another_sites_form_is_refused_whatever_it_leaves_away(real: Rig):
    """With the cookie along, as a browser without SameSite would send it."""
    anna = maintainer(real)
    for origin in ("https://example.org", "null", None):
        assert anna.form("/stop", {"at": "data"}, origin).status_code == 403
    answer = anna.ask("POST", "/!/stop", data={"at": "data"}, headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.status_code == 403 and pressed(real) == 0
    for kind in ("application/json", "text/plain", "multipart/form-data; boundary=x"):
        answer = anna.ask("POST", "/!/stop", content=b"at=data", headers={"Content-Type": kind, "Origin": BASE})
        assert answer.status_code == 415
    assert pressed(real) == 0


def test_a_browser_that_names_no_origin_passes_with_the_proof_of_the_page(real: Rig):
    anna = maintainer(real)
    fields = hidden(anna.get("/!/stop"))
    assert anna.form("/stop", fields, None).status_code == 303
    assert anna.form("/stop", fields, "null").status_code == 303
    other = hidden(real.get("/!/stop"))
    assert anna.form("/stop", {**fields, "proof": other["proof"]}, None).status_code == 403, "another one's proof"
    assert pressed(real) == 2


def test_what_is_shown_is_escaped(rig: Rig):
    rig.hub.now["chamber"]["name"] = "<b>&\"'{0}"
    answer = rig.get("/!/stop")
    assert "<b>&\"" not in answer.text and "&lt;b&gt;&amp;&quot;&#x27;{0}" in answer.text
    assert local_form(rig, {"at": "<b>"}).status_code == 422


def test_a_chamber_that_is_not_there_is_refused(rig: Rig):
    for at in ("nowhere", "../data", "\x00"):
        assert local_form(rig, {"at": at}).status_code == 422
    assert pressed(rig) == 0


@pytest.mark.parametrize("body", [b"\xff\xfe", b"&" * 100, b"at=data&" * 40, b"a=%ff"])
def test_a_form_that_cannot_be_read_is_an_empty_one(rig: Rig, body: bytes):
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    answer = rig.ask("POST", "/!/stop", content=body, headers={"Origin": LOCAL, **kind})
    assert answer.status_code == 303, "one chamber: it is meant"


def test_a_press_that_this_service_has_forgotten_leads_back_to_the_button(rig: Rig):
    answer = rig.get("/!/stop/said?at=data&ref=gone")
    assert (answer.status_code, answer.headers["location"]) == (303, "/stop")


def test_presses_that_nobody_answers_are_bounded(rig: Rig, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("api.presses.WAIT_S", 0.0)
    monkeypatch.setattr("api.presses.KEPT_MAX", 5)
    rig.fake.mute = True
    presses = rig.app.state.presses
    for _ in range(12):
        assert local_form(rig, {"at": "data"}).status_code == 303
    sending = [press for press in presses._kept["data"].values() if press.task and not press.task.done()]
    assert len(presses._kept["data"]) == len(sending) == 5


def test_two_chambers_have_two_buttons_and_each_stops_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    with Rig(tmp_path / "data") as rig:
        house = rig.app.state.house
        both = replace(house.first.settings, chambers=(rig.folder, rig.folder / "attic"))
        house._parts = {at: replace(house.first, at=at, settings=both) for at in ("data", "attic")}
        shown = rig.get("/!/stop")
        assert "Stop heating: Bench chamber (attic)" in words(shown)
        assert re.findall(r'name="at" value="(\w+)"', shown.text) == ["data", "attic"]
        assert local_form(rig, {"key": ""}).status_code == 422, "which one?"
        pressed = local_form(rig, {"at": "attic"}).headers["location"]
        assert "at=attic" in pressed
        monkeypatch.setattr("api.presses.KEPT_MAX", 2)
        for _ in range(4):
            local_form(rig, {"at": "data"})
        assert rig.get(f"/!{pressed}").status_code == 200, "many presses of one chamber push none of another out"
