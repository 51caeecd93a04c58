"""Who may do what, whose turn it is, and what another device needs: keys that are not one's own, marks of other chambers,
stations of a stop that is past, addresses that open elsewhere, mistakes in people's words."""

from __future__ import annotations

import json
import re
from copy import deepcopy

import pytest
from playwright.sync_api import expect

from tests.browser import rooms
from tests.browser.conftest import DESK, PHONE
from tests.browser.rooms import until_asked
from tests.browser.stand_in import chamber_row, fixture, problem
from tests.browser.test_every_sheet import STORED
from tests.browser.test_page_alone import open_at, tripped
from tests.browser.test_pure_modules import NB, run

__all__ = ["run"]
SCHEDULES = {
    "GET /schedules": (200, {"schedules": [STORED]}),
    "GET /schedules/1": (200, STORED),
    "POST /schedules/preview": (
        200,
        {
            "curve": [[0, 21_000], [3_600_000_000, 60_000]],
            "duration_us": 3_600_000_000,
            "from_mc": 21_000,
            "mistakes": [],
            "cannot_start": [],
        },
    ),
}


def test_a_viewer_is_told_whose_turn_it_is_and_offered_nothing_else(new_page, stand_in):
    rooms.furnished(stand_in, rooms.LOOKER).answers |= SCHEDULES
    page = open_at(new_page, stand_in)
    expect(page.locator(".titleblock")).to_contain_text("Hold, Cool down: for an operator.")
    expect(page.locator(".titleblock .m-not")).not_to_have_count(0)
    assert page.get_by_role("button", name=re.compile("^(Hold|Cool down)$")).count() == 0
    stand_in.push(**rooms.idle(stand_in.now))
    for sheet in ("schedules", "schedules/1/start"):
        page.goto(f"{stand_in.url}/#/{sheet}")
        expect(page.locator(".notyours").first).to_contain_text("for an operator.")
        assert page.locator("a.key, .startkey:enabled, .contact-row").count() == 0, sheet
    expect(page.locator("h1")).to_have_text("It can’t start now.")
    expect(page.locator(".lead")).to_contain_text("Starting a run is for an operator.")


def test_a_start_that_cannot_be_says_why_in_the_head(new_page, stand_in):
    new_page.allowed.append("404")
    stand_in.answers |= SCHEDULES
    stand_in.now |= tripped() | {"run": None}
    page = open_at(new_page, stand_in, "schedules/1/start")
    expect(page.locator(".sheet-head .lead b").first).to_have_text("A trip is latched. A maintainer clears it first.")


@pytest.mark.parametrize(("urgency", "first"), [("get out and call the fire service", True), ("get up now", False)])
def test_smoke_comes_first_on_every_sheet(new_page, stand_in, urgency, first):
    trip = tripped()
    trip["latches"][0]["urgency"] = urgency
    stand_in.now |= trip | {"alarms": []}
    page = open_at(new_page, stand_in, "record")
    words = "Get everybody out. The air kept rising" if first else "The chamber tripped"
    expect(page.locator(".small-head p")).to_contain_text(words)
    assert ("Get everybody out." in page.locator(".small-head p").inner_text()) == first


STOPPED = "{by: 'Anna', accepted_utc_us: 1e9, off_seen_utc_us: 1e9 + 2e5}"
MIN = 60_000_000


@pytest.mark.parametrize(
    ("now", "solid"),
    [
        (f"run: {{state: 'aborted'}}, utc_us: 1e9 + 9 * {MIN}", 3),
        (f"run: {{state: 'aborted'}}, utc_us: 1e9 + 11 * {MIN}", 0),
        (f"run: {{state: 'aborted'}}, utc_us: 1e9 + 11 * {MIN}, speed: 600", 3),
        (f"run: null, utc_us: 1e9 + 2 * {MIN}", 0),
        ("run: null, utc_us: 1e9 + 5e6", 3),
        (f"run: null, utc_us: 1e9 + 99 * {MIN}, still_on: true", 2),
        (f"run: null, utc_us: 1e9 + 99 * {MIN}, latches: [1]", 3),
    ],
)
def test_a_stop_that_is_past_does_not_look_like_one_under_way(run, now, solid):
    three = run("stop", f"m.stations({{askedMs: null}}, {{stop: {STOPPED}, board: {{present: true}}, {now}}}, 0)")
    assert sum(bool(one.get("solid")) for one in three) == solid


@pytest.mark.parametrize(
    ("run_now", "after_min", "over"),
    [
        ("null", 0.5, False),
        ("null", 2, True),
        ("{state: 'aborted'}", 2, False),
        ("{state: 'aborted'}", 11, True),
    ],
)
def test_a_press_of_this_page_is_history_too(run, run_now, after_min, over):
    press = "{askedMs: 0, offUtcUs: 5}"
    assert run("stop", f"m.outlived({press}, {{stop: {{}}, run: {run_now}}}, {after_min * 60_000})") == over


def test_on_a_phone_the_asked_time_may_still_have_been_earlier(new_page, stand_in):
    at = stand_in.now["utc_us"]
    stand_in.now |= {"run": {**stand_in.now["run"], "state": "aborted", "end": "x", "next": None}}
    stand_in.now["stop"] = {"by": "Anna", "accepted_utc_us": at - 2_000_000, "off_seen_utc_us": at - 1_000_000}
    stand_in.now["permit"] |= {"given": False}
    page = open_at(new_page, stand_in, size=PHONE)
    first = page.locator("#stations li").first
    expect(first).to_contain_text("at the latest")
    assert "Anna" not in first.inner_text()


def test_another_chambers_alarm_hold_and_trip_are_marked_in_the_list(run):
    base = "state: 'running', permit: true, latched: false, sentence: 'x'"
    found = ["", ", alarms: true", ", state: 'held'", ", latched: true"]
    marks = [run("parts/filing", f"m.chamberLine({{now: {{{base}{more}}}}}).mark") for more in found]
    assert marks == ["", "alarm", "todo", "trip"]


def test_the_chamber_in_view_is_told_from_the_stream_and_named_on_a_phone(new_page, stand_in):
    rooms.two_chambers(stand_in)
    old = {**stand_in.now, **rooms.idle(deepcopy(stand_in.now))}
    listed = stand_in.answers["GET /chambers"][1]
    listed["chambers"][0] = chamber_row("bench", old)
    page = open_at(new_page, stand_in)
    expect(page.locator("#margin .chambers li").first).to_contain_text("running, may heat")
    page.set_viewport_size(PHONE)
    expect(page.locator("#phone-head .which")).to_have_text("Bench chamber (invented)")
    page.locator(".opens").click()
    expect(page.get_by_role("heading", name="Which chamber")).to_be_visible()
    expect(page.locator(".phone-list .chambers li").nth(1)).to_contain_text("Show this one.")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_without_script_the_key_leads_to_the_plain_page(new_page, stand_in):
    new_page.allowed.append("404")  # a plain page has no icon here
    page = new_page(java_script_enabled=False)
    page.goto(stand_in.url)
    expect(page.get_by_text("Asking the controller what is true now.")).to_be_hidden()
    page.get_by_role("button", name="Stop heating").click()
    expect(page).to_have_url(re.compile(r"/stop\??$"))


COVERED = """() => { const one = document.activeElement;
  if (!one || one === document.body || one.closest('.stopbar, .margin, .phone-head')) return '';
  const box = (one.closest('label') ?? one).getBoundingClientRect();
  const bar = document.querySelector('.stopbar').getBoundingClientRect();
  return box.bottom > bar.top + 1 || box.top < 0 ? `${one.outerHTML.slice(0, 80)} ${box.top} ${box.bottom}` : ''; }"""


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_what_has_the_focus_is_never_under_the_bar(new_page, stand_in, size):
    rooms.furnished(stand_in).answers |= SCHEDULES
    stand_in.now |= rooms.idle(stand_in.now)
    page = open_at(new_page, stand_in, "schedules/1/start", size=size)
    expect(page.get_by_role("checkbox").first).to_be_visible()
    covered = []
    for _ in range(45):
        page.keyboard.press("Tab")
        covered.append(page.evaluate(COVERED))
    assert [one for one in covered if one] == []


def test_the_household_card_has_whole_addresses_and_no_live_state_on_paper(new_page, stand_in):
    rooms.furnished(stand_in).answers |= SCHEDULES
    stand_in.now |= rooms.idle(stand_in.now)
    page = open_at(new_page, stand_in, "schedules/1/start/card")
    expect(page.locator(".card")).to_contain_text(f"{stand_in.url}/stop")
    expect(page.locator(".card")).to_contain_text(f"The page: {stand_in.url}/")
    expect(page.locator(".card")).not_to_contain_text("____")
    expect(page.get_by_role("heading", name="The wall switch or breaker is here")).to_be_visible()
    expect(page.locator(".card .asks")).to_contain_text("work on this computer only")
    page.emulate_media(media="print")
    for live in (".small-head", ".stopbar", ".kicker"):
        expect(page.locator(live)).to_be_hidden()
    expect(page.locator(".card .asks")).to_be_visible()  # paper that leads nowhere has to say so itself


LOOPBACK = [
    ("http://127.0.0.1:8650", True),
    ("http://localhost", True),
    ("http://[::1]:8650", True),
    ("http://192.0.2.5:8650", False),
    ("http://chamber.example", False),
    ("", False),
]


@pytest.mark.parametrize(("address", "here"), LOOPBACK)
def test_addresses_that_open_on_this_computer_only_are_known(run, address, here):
    """RFC 5735, RFC 4291 2.5.3 and RFC 6761 6.3 name them; read from memory."""
    assert run("told", f"m.isLoopback('{address}')") is here


def test_links_that_lead_to_this_computer_only_are_told_and_mended(new_page, stand_in):
    rooms.furnished(stand_in)
    stand_in.answers["GET /messages"] = (200, {**rooms.messages(), "page": "http://127.0.0.1:8650"})
    stand_in.answers["PUT /messages/page"] = (200, {})
    page = open_at(new_page, stand_in, "messages")
    expect(page.locator(".to-do")).to_contain_text("Links in messages lead to this computer only.")
    assert page.locator(".to-do").get_by_role("button").count() == 0, "this page too was opened under such an address"


def test_a_channel_that_was_begun_is_still_there_after_a_look_elsewhere(new_page, stand_in):
    rooms.furnished(stand_in)
    page = open_at(new_page, stand_in, "messages")
    page.get_by_text("Add a channel").click()
    page.locator("#channel-name-new").fill("neighbour")
    page.locator("#channel-url-new").fill("jsons://hook.example/pa")
    page.goto(f"{stand_in.url}/#/legend")
    expect(page.locator("h1")).to_have_text("Legend")
    page.goto(f"{stand_in.url}/#/messages")
    expect(page.locator("#channel-name-new")).to_have_value("neighbour")
    page.get_by_text("Add a channel").click()
    stand_in.answers["POST /messages/channels"] = (201, {"id": 9})
    page.get_by_role("button", name="Add this channel").click()
    body = {"name": "neighbour", "url": "jsons://hook.example/pa", "least": "can_wait"}
    until_asked(page, stand_in, ("/messages/channels", body))
    expect(page.locator("#channel-name-new")).to_have_value("")


EMPTY = "Correct this field."
MISTAKES = [
    (("name", "?", "text of the form ^[a-z]+$", EMPTY), "It is “?”. Allowed: 1 to 40 letters and digits"),
    (("new", "short", "at least 10 characters", EMPTY), "Allowed: at least 10 characters."),
    (("days", "900", "1 to 365", "Take fewer."), "It is “900”. Allowed: 1 to 365. Take fewer."),
]


@pytest.mark.parametrize(("mistake", "words"), MISTAKES)
def test_a_mistake_is_told_in_peoples_words(run, mistake, words):
    row = dict(zip(("field", "value", "allowed", "advice"), mistake, strict=True))
    said = run("parts/forms", f"m.mistakeWords({json.dumps(row)})")
    assert said.startswith(words) and not re.search(r"[\^\\$]|Correct this", said)


def test_a_short_password_is_told_once(new_page, stand_in):
    new_page.allowed.append("422")
    rooms.furnished(stand_in)
    row = {"field": "new", "value": "short", "allowed": "at least 10 characters", "advice": "Correct this field."}
    stand_in.answers["POST /me/password"] = (
        422,
        problem("bad_request", "new: at least 10 characters") | {"mistakes": [row]},
    )
    page = open_at(new_page, stand_in, "people")
    page.get_by_text("Change my password").click()
    for name in ("old", "new", "again"):
        page.locator(f"#{name}").fill("short")
    page.get_by_role("button", name="Change it").click()
    expect(page.locator("#new-wrong")).to_contain_text("at least 10 characters")
    assert page.locator(".mine").inner_text().lower().count("at least 10 characters") == 1


def test_less_than_an_hour_is_no_zero(run):
    row = "{id: 'message_arrived', words: 'w', done: true, detail: 'A message by phone arrived 0 h ago; it counts.', how: ''}"
    rows = run("leaving", f"m.presentLeaving({{machine: [{row}]}}, new Set()).rows")
    assert rows[0]["detail"] == "A message by phone arrived less than an hour ago; it counts."


def test_an_alarm_whose_cause_has_gone_offers_going_on(run):
    alarm = next(one for one in fixture("guards")["guards"] if one["id"] == "door")
    row = "{guard: 'door', state: 'returned unacknowledged', cause: 'The door is open.', utc_us: 0}"
    now = "{run: {heat_withheld: true}, possible: ['restart'], permit: {}}"
    guard = f"{{action: '{alarm['action']}'}}"
    said = run("parts/fourparts", f"m.presentAlarm({row}, {guard}, 'C', {now}).parts[2][1].text")
    assert "press Go on" in said and NB not in said


@pytest.mark.parametrize(
    ("page", "origin", "todo"),
    [
        ("http://127.0.0.1:8650", "http://127.0.0.1:8650", {"offer": ""}),
        ("http://127.0.0.1:8650", "http://192.0.2.5:8650", {"offer": "http://192.0.2.5:8650"}),
        ("http://192.0.2.5:8650", "http://127.0.0.1:8650", None),
    ],
)
def test_a_page_under_another_address_offers_its_own_for_the_links(run, page, origin, todo):
    assert run("told", f"m.linksTodo('{page}', '{origin}')") == todo


@pytest.mark.parametrize(("row", "words"), [
    ("{at: 'small', now: {name: 'Small', latched: true, sentence: 'Heat is off. The smoke contact has closed.', "
     "urgency: 'get out and call the fire service'}}",
     ["Get everybody out.", "Small", "The smoke contact has closed.", "#/at/small/now"]),
    ("{at: 'small', now: {name: 'Small', alarms: true, sentence: 'Heating up.'}}", ["Small", "Heating up."]),
    ("{at: 'small', away: 'no answer', now: null}", ["small", "no news from its controller. Go and look."])])
def test_what_asks_for_somebody_at_another_chamber_is_told_on_every_sheet(run, row, words):
    rows = f"[{{at: 'bench', now: null}}, {row}]"
    said = run("parts/filing", f"m.elsewhere({{at: 'bench', chambers: {{chambers: {rows}}}}}).join('')")
    assert all(word in said for word in words), said


@pytest.mark.parametrize("rows", [
    "[{at: 'bench', now: {name: 'Bench', latched: true}}]",
    "[{at: 'bench', now: {name: 'Bench', latched: true}}, {at: 'small', now: {name: 'Small', state: 'running'}}]"])
def test_calm_chambers_elsewhere_are_not_told(run, rows):
    assert run("parts/filing", f"m.elsewhere({{at: '', chambers: {{chambers: {rows}}}}}).join('')") == ""
