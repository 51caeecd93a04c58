"""What the page says before, at and after a moment that counts: a check-in that was missed, a date of another year, a stop
that nobody can see carried out, a start that waits."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser import rooms
from tests.browser.conftest import DESK, PHONE
from tests.browser.stand_in import NOBODY
from tests.browser.test_page_alone import open_at, tripped
from tests.browser.test_pure_modules import run

__all__ = ["run"]
HOUR_US = 3_600_000_000
A_TUESDAY_US = 1_796_083_200_000_000  # 1 Dec 2026, 00:00 UTC


@pytest.mark.parametrize(
    ("by", "withheld", "seen_off", "words"),
    [
        ("page or button", True, True, ["A check-in was missed.", "The heat is off, and the run waits.", "press Go on."]),
        ("page or button", True, False, ["The heat was told to go off, and"]),
        ("page or button", False, False, ["The heat goes off now, and"]),
        ("button", True, True, ["was not pressed in time.", "press the button there, then press Go on."]),
    ],
)
def test_a_check_in_that_was_missed_counts_no_more(run, by, withheld, seen_off, words):
    run_now = f"{{state: 'held', heat_withheld: {str(withheld).lower()}, level: 'in_the_building'}}"
    due = f"{{every_us: {HOUR_US}, left_us: 0, by: '{by}'}}"
    now = f"""{{run: {run_now}, check_in: {due}, utc_us: {A_TUESDAY_US}, heat_off: {str(seen_off).lower()}, latches: [],
      alarms: [{{state: 'unacknowledged'}}], possible: ['restart'], permit: {{given: false}}}}"""
    (said,) = run("parts/notices", f"m.presentNotices({now})")
    text = f"{said['bold']} {said['more']}"
    assert all(word in text for word in words), text
    assert said["tone"] == "must" and "left" not in text and "when it is missed" not in text
    assert [key["act"] for key in said["keys"]] == (["check-in"] if "page" in by else [])


@pytest.mark.parametrize("may", [["check_in"], ["stop_heating"]])
def test_whose_a_check_in_is_stands_where_its_key_would(run, may):
    notice = "[{bold: '', more: '', tone: 'must', keys: [{word: 'I am here', act: 'check-in', need: 'check_in'}]}]"
    text = run("parts/notices", f"m.drawNotices({notice}, {{may: {may}}}).text")
    assert ("<button" in text, "I am here: for an operator" in text) == ("check_in" in may, "check_in" not in may)


@pytest.mark.parametrize(
    ("at_us", "words"),
    [(A_TUESDAY_US, "Tue 1 Dec"), (A_TUESDAY_US + 365 * 24 * HOUR_US, "Wed 1 Dec 2027")],
)
def test_a_date_of_another_year_names_it(run, at_us, words):
    assert run("text", f"m.day({at_us}, {A_TUESDAY_US + HOUR_US})") == words


def test_a_key_that_is_good_for_a_year_does_not_end_today(run):
    """The sheet's own call, by this device's clock: the same day of the next year is another day."""
    rows = "[{id: 1, label: 'hall', scope: 'stop', expires_utc_us: Date.now() * 1000 + 366 * 864e8}]"
    state = f"{{me: {{via: 'session'}}, held: {{tokens: {{tokens: {rows}}}}}}}"
    year = run("text", "new Date(Date.now() + 366 * 864e5).getFullYear()")
    assert f" {year} " in run("sheets/tokens", f"m.draw({state}).text")


BOARDS = [
    ({"present": False, "accepted": False}, ", so nothing can be told."),
    ({"present": False, "accepted": True}, ": whether it was told"),
]


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
@pytest.mark.parametrize(("board", "words"), BOARDS, ids=["none", "silent"])
def test_a_stop_that_reaches_no_board_says_so_at_once_and_what_to_do(new_page, stand_in, size, board, words):
    quiet = {**rooms.idle(stand_in.now), "heat_off": None, "board": {**stand_in.now["board"], **board}}
    stand_in.now |= quiet
    told = "no board of this chamber answers, so nothing can be told; in doubt, unplug the chamber"
    stand_in.answers["POST /stop-heating"] = (200, {"ask": "stop_heating", "detail": told, "run_id": None, "state": "idle"})
    page = open_at(new_page, stand_in, size=size)
    stand_in.now["stop"] = {"by": "Anna", "accepted_utc_us": stand_in.now["utc_us"] + 1, "off_seen_utc_us": None}
    page.get_by_role("button", name="Stop heating").click()
    last = page.locator("#stations li").nth(2)
    expect(last).to_have_text("board not heard", timeout=3_000)
    expect(last.locator(".m-diamond")).to_be_visible()
    expect(page.locator(".besides")).to_be_visible()
    expect(page.locator(".besides")).to_contain_text(f"The board is not heard{words}")
    expect(page.locator(".besides")).to_contain_text("In doubt, unplug the chamber.")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_the_answer_alone_tells_that_no_board_was_told(run):
    """Before the first snapshot after the press, and with none at all."""
    press = "{askedMs: 0, askedUtcUs: 0, accepted: true, acceptedUtcUs: null, offUtcUs: null, unheard: true}"
    assert run("stop", f"m.stations({press}, null, 10)[2]") == {"word": "board not heard", "time": "", "unconfirmed": True}
    heard, told = "{board: {present: true, accepted: true}, stop: {}, run: null}", press.replace("true}", "false}")
    assert run("stop", f"m.stations({told}, {heard}, 10)[2].word") == "heat seen off"


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_a_stop_that_nobody_pressed_says_so_on_every_width(new_page, stand_in, size):
    new_page.allowed.append("404")
    stand_in.now |= tripped()
    page = open_at(new_page, stand_in, size=size)
    expect(page.locator("#stations li").first).to_have_text(re.compile(r"asked \d\d:\d\d:\d\d\.\d, by the trip"))
    assert "by the trip" in page.locator("#stations li").first.inner_text(), "it is seen, not only in the page"


def test_a_start_that_waits_begins_with_empty_stations(run):
    stop = "{by: 'Anna', accepted_utc_us: 1e9, off_seen_utc_us: 1e9 + 2e5}"
    now = f"{{stop: {stop}, board: {{present: true, accepted: true}}, run: null, pending: {{}}, utc_us: 1e9 + 9e6}}"
    assert not any(one.get("solid") for one in run("stop", f"m.stations({{askedMs: null}}, {now}, 0)"))
    press = "{askedMs: 0, offUtcUs: 1e9 + 2e5}"
    assert run("stop", f"m.outlived({press}, {now}, 9000)"), "this page's own press is history too"
    taken_back = now.replace("1e9 + 9e6", "1e9 + 1e5")
    assert not run("stop", f"m.outlived({press}, {taken_back}, 9000)"), "older than the press"


@pytest.mark.parametrize(
    ("waits_for", "words"),
    [("board", "the start waits for the board"), ("arm", "the start waits for arming"), (None, "no run asks for heat")],
)
def test_a_permit_with_every_contact_closed_says_what_it_waits_for(run, waits_for, words):
    pending = "null" if waits_for is None else f"{{waits_for: '{waits_for}'}}"
    lines = run(
        "parts/circuit",
        f"""(async () => {{
      const now = await (await fetch('/api/v1/now')).json();
      now.permit.given = false; now.pending = {pending};
      now.circuit.contactor = {{state: 'open', current: false, words: 'open'}};
      const view = m.presentCircuit(now);
      return [view.parts[3].lines.join(' '), view.permit.caption]; }})()""",
    )
    assert lines[0] == f"no permit yet: {words}"
    assert lines[1] == ("Permit: none asked for" if waits_for is None else f"Permit: none yet. T{words[1:]}")


def test_the_chambers_own_computer_is_not_promised_what_a_proxy_takes_away(new_page, stand_in):
    """Behind a proxy every request seems to come from this computer, so none of them is trusted for it."""
    new_page.allowed += ["401", "Failed to load resource"]
    stand_in.signed_out = True
    stand_in.answers["GET /me"] = (200, NOBODY)
    page = new_page()
    page.goto(stand_in.url)
    expect(page.locator(".more-ways")).to_contain_text("unless the service was started to stand behind a proxy")
    expect(page.locator(".besides")).to_contain_text("A stop key needs no sign-in")
    expect(page.locator(".besides")).to_contain_text("where no proxy stands before the service")
