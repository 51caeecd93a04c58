"""Before you leave, the start of an unattended run, and what Now says while one waits, is watched or may be left."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import PHONE
from tests.browser.rooms import HOUR_US, furnished, idle, messages, now_us, until_asked
from tests.browser.stand_in import fixture, problem
from tests.browser.test_every_sheet import STORED
from tests.browser.test_page_alone import open_at
from tests.browser.test_pure_modules import NB

MINUTE_US = 60_000_000
ANSWERS = [row["id"] for row in fixture("leaving")["checklist"]]
CURVE = [[0, 21_000], [4 * HOUR_US, 60_000], [12 * HOUR_US, 60_000]]


def known() -> dict:
    """Everything the machine can know before a start is done."""
    leaving = fixture("leaving")
    for row in leaving["machine"]:
        row["done"] = row["id"] != "armed"
    return leaving


@pytest.fixture
def ready(stand_in):
    """A cold chamber, a stored schedule, and everything known but a test message."""
    furnished(stand_in)
    stand_in.now |= idle(stand_in.now) | {"clock_synced": True, "speed": 1.0, "utc_us": now_us()}
    preview = {"curve": CURVE, "duration_us": 12 * HOUR_US, "from_mc": 21_000, "mistakes": [], "cannot_start": []}
    stand_in.answers |= {
        "GET /schedules/1": (200, STORED),
        "POST /schedules/preview": (200, preview),
        "POST /runs": (202, {"run_id": "9", "detail": "The start waits for the arm button.", "state": "idle"}),
    }
    return stand_in


def started(world) -> dict:
    bodies = [body for path, body in world.asked if path == "/runs"]
    assert len(bodies) == 1
    return bodies[0]


def tick_all(page) -> None:
    for answer in ANSWERS:
        page.locator(f"input[name=answer][value={answer}]").check()


def test_the_line_is_open_until_machine_and_person_have_closed_it(new_page, ready):
    page = open_at(new_page, ready, "schedules/1/start")
    expect(page.locator(".leaving")).to_contain_text("Seven contacts are open.")
    key = page.locator(".startkey")
    expect(key).to_be_disabled()
    expect(key).to_contain_text("seven to do: message arrived; smoke alarm and more")
    tick_all(page)
    expect(page.locator(".leaving")).to_contain_text("One contact is open.")
    expect(key).to_be_disabled()
    ready.answers["GET /leaving"] = (200, known())
    expect(page.locator(".leaving")).to_contain_text("The line is whole.", timeout=12_000)
    expect(key).to_be_enabled()
    key.click()
    expect(page).to_have_url(re.compile("#/now$"))
    body = started(ready)
    assert sorted(body["leaving"]["answers"]) == sorted(ANSWERS)
    assert body["level"] == "unattended" and "at_utc_us" not in body


def test_what_the_machine_knows_can_not_be_touched_and_says_how_to_get_it(new_page, ready):
    page = open_at(new_page, ready, "schedules/1/start")
    row = page.locator(".contact-row", has_text="A test message arrived")
    expect(row.locator("input")).to_have_count(0)
    expect(row).to_contain_text("Send one from Messages, open its link and press the button there.")
    expect(row.get_by_role("link", name="Who is told")).to_have_attribute("href", "#/messages")
    expect(page.locator(".contact-row", has_text="Armed")).to_have_count(0)


@pytest.mark.parametrize("size", [None, PHONE], ids=["desk", "phone"])
def test_a_row_is_a_checkbox_over_its_whole_width(new_page, ready, size):
    page = open_at(new_page, ready, "schedules/1/start", **({"size": size} if size else {}))
    row = page.locator(".contact-row label").first
    row.scroll_into_view_if_needed()
    box = row.bounding_box()
    assert box["height"] >= 44
    row.click(position={"x": box["width"] - 30, "y": 20})
    expect(page.get_by_role("checkbox").first).to_be_checked()
    expect(row).to_contain_text("yes")
    page.get_by_role("checkbox").first.focus()
    page.keyboard.press("Space")
    expect(page.get_by_role("checkbox").first).not_to_be_checked()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_watched_run_needs_no_checklist(new_page, ready):
    page = open_at(new_page, ready, "schedules/1/start")
    page.get_by_role("radio", name=re.compile("in the building, awake")).check()
    expect(page.locator(".leaving")).to_have_count(0)
    page.locator(".startkey").click()
    expect(page).to_have_url(re.compile("#/now$"))
    assert started(ready) == {"schedule_id": 1, "revision": 1, "level": "in_the_building"}


def test_the_answers_stand_when_one_looks_at_another_sheet_meanwhile(new_page, ready):
    page = open_at(new_page, ready, "schedules/1/start")
    page.locator("input[value=smoke_alarm]").check()
    page.goto(f"{ready.url}/#/messages")
    expect(page.locator("h1")).to_contain_text("fails")
    page.goto(f"{ready.url}/#/schedules/1/start")
    expect(page.locator("input[value=smoke_alarm]")).to_be_checked()


def test_a_refused_start_has_a_row_for_each_thing_that_is_missing(new_page, ready):
    new_page.allowed.append("409")
    mistakes = [
        {"field": "message_arrived", "value": "25 h ago", "allowed": "within 24 h", "advice": "Send a test again."},
        {"field": "smoke_alarm", "value": "not answered", "allowed": "", "advice": "Press its test button."},
    ]
    ready.answers |= {
        "GET /leaving": (200, known()),
        "POST /runs": (409, problem("not_ready_to_leave", "Two things are missing.", mistakes=mistakes)),
    }
    page = open_at(new_page, ready, "schedules/1/start")
    tick_all(page)
    page.locator(".startkey").click()
    rows = page.locator(".lacks li")
    expect(rows).to_have_count(2)
    expect(rows.first).to_contain_text(
        "message arrived, now: 25 h ago; needed: within 24 h. Send a test again."
    )
    page.locator("input[value=smoke_alarm]").uncheck()
    expect(rows).to_have_count(2)


def test_a_start_at_a_time_of_ones_own(new_page, ready):
    page = open_at(new_page, ready, "schedules/1/start")
    page.get_by_role("radio", name=re.compile("in the building, awake")).check()
    page.get_by_role("radio", name=re.compile("At a time of my own")).check()
    expect(page.locator(".startkey")).to_be_disabled()
    at = page.evaluate(
        "(() => { const at = new Date(Date.now() + 3 * 3600e3); return at.toTimeString().slice(0, 5); })()"
    )
    page.get_by_label("Start at").fill(at)
    expect(page.locator("#own-time-words")).to_contain_text(f"{at}: in")
    expect(page.locator(".startkey")).to_contain_text(f"Start heating at {at}")
    page.locator(".startkey").click()
    expect(page).to_have_url(re.compile("#/now$"))
    assert 2.9 * HOUR_US < started(ready)["at_utc_us"] - now_us() < 3.1 * HOUR_US


def test_a_suggested_start_is_sent_as_it_was_shown(new_page, ready):
    page = new_page()
    page.add_init_script("localStorage.setItem('soakwarden.waking', '{\"fromMin\": 0, \"toMin\": 60}')")
    page.goto(f"{ready.url}/#/schedules/1/start")
    page.get_by_role("radio", name=re.compile("in the building, awake")).check()
    second = page.locator("input[name=when]").nth(1)
    second.check()
    page.locator(".startkey").click()
    expect(page).to_have_url(re.compile("#/now$"))
    assert 0 < started(ready)["at_utc_us"] - now_us() <= 24 * HOUR_US
    assert started(ready)["at_utc_us"] % (15 * MINUTE_US) == 0


def test_waking_hours_stay_on_this_device(new_page, ready):
    page = open_at(new_page, ready, "schedules/1/start")
    page.get_by_text("You are awake from 07:00 to 23:00").click()
    page.get_by_label("From", exact=True).fill("09:30")
    expect(page.get_by_text("You are awake from 09:30 to 23:00")).to_be_visible()
    page.reload()
    expect(page.get_by_text("You are awake from 09:30 to 23:00")).to_be_visible()
    assert not any("09:30" in str(body) for _, body in ready.asked)


def test_a_checklist_that_can_not_be_read_says_what_still_works(new_page, ready):
    new_page.allowed.append("503")
    ready.answers["GET /leaving"] = (503, problem("controller_away", "The controller does not answer."))
    page = open_at(new_page, ready, "schedules/1/start")
    expect(page.locator("main")).to_contain_text("An unattended start needs it; a watched one does not.")


def test_the_card_is_one_printed_sheet(new_page, ready):
    page = open_at(new_page, ready, "schedules/1/start/card")
    expect(page.locator("h1")).to_contain_text("SIMULATED. A heating chamber is on in this building")
    expect(page.locator(".card")).to_contain_text("What normal looks like")
    expect(page.locator(".card")).to_contain_text("Off is not isolated")
    page.emulate_media(media="print")
    expect(page.locator(".stopbar")).to_be_hidden()
    for number in range(2):
        expect(page.locator(".screen-only").nth(number)).to_be_hidden()
    assert "home" not in page.locator(".card").inner_text().lower()


def waiting(kind: str, **more) -> dict:
    pending = {"seconds_left": 240, "waits_for": kind, "at_utc_us": None, "words": "", **more}
    return {"pending": pending, "sentence": "A start waits.", "sentence_more": ""}


@pytest.mark.parametrize(
    ("kind", "more", "words"),
    [
        ("arm", {}, f"The start waits for the arm button at the chamber, 4{NB}min left."),
        ("clock", {"words": "It waits for a synchronised clock."}, "It waits for a synchronised clock."),
        ("board", {}, "The start waits for the board to take the enable."),
    ],
)
def test_a_start_that_waits_says_for_what(new_page, ready, kind, more, words):
    ready.now |= waiting(kind, **more)
    page = open_at(new_page, ready)
    expect(page.locator(".now-head .more")).to_contain_text(words)


def test_a_named_start_says_when_and_how_long_the_arming_holds_and_can_be_taken_back(new_page, ready):
    at = ready.now["utc_us"] + 5 * HOUR_US
    ready.now |= waiting("time", at_utc_us=at) | {"armed_until_utc_us": at + HOUR_US // 2, "speed": 1.0}
    page = open_at(new_page, ready)
    expect(page.locator(".now-head .more")).to_contain_text(re.compile(r"It starts at .*\d\d:\d\d, in 5\sh"))
    expect(page.locator(".notice")).to_contain_text("The arm button was pressed; that holds until")
    page.get_by_role("button", name="Take this start back").click()
    expect(page.locator("#stations")).to_contain_text("accepted")
    until_asked(page, ready, ("/stop-heating", {}))


def test_a_clock_that_is_not_synchronised_is_told_where_it_matters(new_page, ready):
    ready.now |= {"clock_synced": False}
    page = open_at(new_page, ready)
    expect(page.locator(".notice")).to_have_count(0)
    ready.push(**waiting("clock"))
    expect(page.locator(".notice.warn")).to_contain_text("This computer’s clock is not synchronised.")


@pytest.mark.parametrize(
    ("by", "left_min", "words", "keys"),
    [
        ("page or button", 41, f"Say that you watch: 41{NB}min left", 1),
        ("button", 4, f"Press the button at the chamber: 4{NB}min left", 0),
    ],
)
def test_a_check_in_says_how_long_is_left_and_whose_press_counts(new_page, stand_in, by, left_min, words, keys):
    stand_in.now["run"]["level"] = "in_the_building"
    stand_in.now["check_in"] = {"every_us": HOUR_US, "left_us": left_min * MINUTE_US, "by": by}
    stand_in.answers["POST /check-in"] = (200, {})
    page = open_at(new_page, stand_in)
    notice = page.locator(".notice")
    expect(notice).to_contain_text(words)
    expect(notice.get_by_role("button")).to_have_count(keys)
    if keys:
        notice.get_by_role("button", name="I am here").click()
        until_asked(page, stand_in, ("/check-in", {}))
        assert "must" not in notice.get_attribute("class")
    else:
        expect(notice).to_contain_text("Only the button at the chamber counts.")
        assert "must" in notice.get_attribute("class")


@pytest.mark.parametrize(
    ("may", "in_us", "words"),
    [
        (True, None, "Nothing needs you. You may leave. This is advice: nothing here checks who is near."),
        (False, 12 * MINUTE_US, f"Stay for now. The first half hour is not over. At the earliest in 12{NB}min, at"),
        (False, None, "Stay for now. The first half hour is not over."),
    ],
)
def test_whether_one_may_leave_stands_in_words(new_page, stand_in, may, in_us, words):
    followed = "The first half hour followed the plan. You may leave it alone; nothing here checks who is near."
    said = followed if may else "The first half hour is not over."
    stand_in.now["leave"] = {"may": may, "words": said, "in_us": in_us}
    page = open_at(new_page, stand_in)
    expect(page.locator(".now-head .more" if may or in_us else ".notice")).to_contain_text(words)
    if in_us:
        expect(page.locator(".now-head")).not_to_contain_text("Nothing needs you")
    assert page.evaluate("document.documentElement.scrollHeight <= innerHeight") or not (may or in_us)


@pytest.mark.parametrize(
    ("state", "bold"),
    [("failing", "Messages fail."), ("unknown", "Whether messages leave is not known."), ("working", "")],
)
def test_messages_that_fail_are_told_where_the_run_is(new_page, stand_in, state, bold):
    stand_in.now["messages"] = {"state": state, "words": "The messenger does not answer."}
    page = open_at(new_page, stand_in)
    if bold:
        expect(page.locator(".notice")).to_contain_text(bold)
        expect(page.locator(".notice").get_by_role("link", name="Who is told")).to_be_visible()
    else:
        expect(page.locator(".notice")).to_have_count(0)


def test_the_channel_that_fails_is_named_and_nothing_is_said_of_the_others(new_page, stand_in):
    stand_in.now["messages"] = {"state": "failing", "words": "Channel neighbour fails: 550 no such mailbox; try later"}
    page = open_at(new_page, stand_in)
    expect(page.locator(".notice.warn")).to_contain_text("“neighbour” is not told: 550 no such mailbox; try later")
    expect(page.locator("main")).not_to_contain_text("anybody")


@pytest.mark.parametrize("armed", [False, True])
def test_a_named_start_waits_without_amber_and_without_a_ghost(new_page, ready, armed):
    at = ready.now["utc_us"] + 5 * HOUR_US
    ready.answers["GET /schedules"] = (200, {"schedules": [STORED]})
    named = {"at_utc_us": at, "schedule": "Invented", "level": "unattended", "armed": armed, "run_id": "9"}
    contacts = [{**one, "closed": one["name"] != "armed" or armed} for one in ready.now["permit"]["contacts"]]
    contacts[-1]["why"] = "" if armed else "A start waits for the arm button."
    permit = {"given": False, "contacts": contacts}
    ready.now |= waiting("time" if armed else "arm", **named) | {"permit": permit}
    page = open_at(new_page, ready)
    expect(page.locator(".notice")).to_contain_text("Invented, unattended.")
    expect(page.locator(".notice")).to_contain_text("By its plan it ends")
    expect(page.locator(".preview .part")).to_be_attached()
    expect(page.locator(".ghost")).to_have_count(0)
    assert page.locator(".warned, .m-warn, .bad").count() == 0


def test_once_the_cause_has_gone_going_on_is_what_there_is_to_do(new_page, stand_in):
    stand_in.now["run"] |= {"state": "held", "heat_withheld": True, "next": None}
    stand_in.now["possible"] = ["restart", "stop_heating"]
    page = open_at(new_page, stand_in)
    notice = page.locator(".notice.must")
    expect(notice).to_contain_text("The heat waits until you say go on.")
    stand_in.answers["POST /runs/current/restart"] = (200, {})
    notice.get_by_role("button", name="Go on").click()
    until_asked(page, stand_in, ("/runs/current/restart", {}))


def test_nothing_old_is_said_to_be_due(new_page, stand_in):
    stand_in.now["check_in"] = {"every_us": HOUR_US, "left_us": MINUTE_US, "by": "page or button"}
    page = new_page()
    page.clock.install()
    page.goto(stand_in.url)
    expect(page.locator(".notice")).to_be_visible()
    stand_in.tell("silent")
    page.clock.run_for(5_600)
    expect(page.locator("h1")).to_contain_text("No news for")
    expect(page.locator(".notice")).to_have_count(0)


@pytest.mark.parametrize(("address", "warned"), [("http://127.0.0.1:8650", True), ("http://192.0.2.5:8650", False)])
def test_before_leaving_it_is_told_that_no_phone_could_open_a_messages_link(new_page, ready, address, warned):
    ready.answers["GET /messages"] = (200, {**messages(), "page": address})
    page = open_at(new_page, ready, "schedules/1/start")
    expect(page.locator(".leaving")).to_contain_text("Before you leave")
    todo = page.locator(".leaving .to-do")
    if warned:
        expect(todo).to_contain_text(f"They begin with {address}, which no phone can open.")
        expect(todo.get_by_role("link", name="Who is told")).to_have_attribute("href", "#/messages")
    else:
        page.wait_for_timeout(500)
        expect(todo).to_have_count(0)


def test_a_later_start_is_reckoned_from_a_chamber_that_has_cooled(new_page, ready):
    """At 60 °C now it heats up in 2 h 15; tomorrow it begins from a room's temperature, and that takes 4 h."""
    warm = {"curve": [[0, 60_000], [9 * HOUR_US // 4, 105_000], [10 * HOUR_US, 105_000]], "from_mc": 60_000}
    cool = {"curve": [[0, 25_000], [4 * HOUR_US, 105_000], [12 * HOUR_US, 105_000]], "from_mc": 25_000}
    page = new_page()

    def previewed(route):
        one = cool if route.request.url.endswith("?from_c=25") else warm
        route.fulfill(json={**one, "duration_us": one["curve"][-1][0], "mistakes": [], "cannot_start": []})

    page.route("**/schedules/preview*", previewed)
    page.add_init_script("Date.now = () => Date.UTC(2026, 10, 10, 20)")  # 21:00 in Berlin
    ready.now |= {"air_mc": 60_000, "utc_us": 1_794_340_800_000_000}
    page.goto(f"{ready.url}/#/schedules/1/start")
    page.get_by_role("radio", name=re.compile("in the building, awake")).check()
    times, summary = page.locator("fieldset.times"), page.locator("table.summary")
    expect(times).to_contain_text("Heats up until 23:15")
    expect(times).to_contain_text("Heats up until 11:00, in your waking hours. Ends")
    expect(page.locator("form.editor")).to_contain_text(re.compile(r"30\smin ahead is reckoned from 25\s°C, a room’s"))
    expect(summary).to_contain_text(re.compile(r"10\sh from 60\s°C, the air at"))
    page.locator("input[name=when]").nth(1).check()
    expect(summary).to_contain_text(re.compile(r"12\sh from 25\s°C, a room’s temperature"))
    expect(summary).to_contain_text(re.compile(r"not before Wed 11 Nov 19:00"))
    expect(page.locator("svg.preview")).to_have_attribute("aria-label", re.compile(r"12\sh long"))


def test_a_chamber_at_a_rooms_temperature_needs_one_reckoning_only(new_page, ready):
    page = open_at(new_page, ready, "schedules/1/start")
    page.get_by_role("radio", name=re.compile("in the building, awake")).check()
    expect(page.locator("table.summary")).to_contain_text(re.compile(r"12\sh from 21\s°C, the air at"))
    expect(page.locator("form.editor")).not_to_contain_text("is reckoned from")
    assert [path for path, _ in ready.asked].count("/schedules/preview") == 1
