"""Several chambers on one page, several pages in one browser: each stop goes where it was meant, one stream serves all."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import DESK, PHONE
from tests.browser.rooms import furnished, two_chambers
from tests.browser.stand_in import chamber_row
from tests.browser.test_page_alone import TRIPPED_AT_US, open_at

EIGHT = 8


def one_stream(page, world, within_ms: int = 6_000) -> None:
    """A server hears of a page that went only when it writes to it, which is once a second."""
    for _ in range(within_ms // 200):
        if world.open_streams == 1:
            return
        page.wait_for_timeout(200)
    raise AssertionError(f"{world.open_streams} streams are open")


@pytest.fixture
def two(stand_in):
    return two_chambers(furnished(stand_in))


def test_one_chamber_has_no_switch_and_the_title_names_it(new_page, stand_in):
    page = open_at(new_page, stand_in)
    expect(page.locator(".chambers")).to_have_count(0)
    expect(page).to_have_title("SIMULATED · Now · Bench chamber (invented) · Soakwarden")
    expect(page.get_by_role("button", name="Stop heating Bench chamber (invented)")).to_be_visible()


LONGEST = "The long, flat chamber under the workbench in the old cellar"


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("name", [LONGEST, "W" * 60], ids=["words", "no spaces"])
def test_the_stop_key_shows_the_longest_name_whole_and_the_bar_hides_nothing(new_page, stand_in, size, name):
    stand_in.now["chamber"] |= {"name": name}
    page = open_at(new_page, stand_in, size=size)
    expect(page.locator("#stop-at")).to_have_text(name)
    key, words, bar = (page.locator(where).bounding_box() for where in ("#stop", "#stop-at", ".stopbar"))
    assert words["x"] >= key["x"] and words["x"] + words["width"] <= key["x"] + key["width"]
    assert key["y"] < words["y"] and words["y"] + words["height"] <= key["y"] + key["height"]
    assert key["y"] + key["height"] <= bar["y"] + bar["height"] <= size["height"]
    page.evaluate("scrollTo(0, document.body.scrollHeight)")
    page.wait_for_timeout(100)
    last = page.locator("main > *:last-child").bounding_box()
    assert last["y"] + last["height"] <= bar["y"], "the end of the sheet lies under the bar"


def test_before_the_controller_was_ever_heard_the_stop_key_names_nothing(new_page, stand_in):
    new_page.allowed += ["503", "Failed to load resource"]
    stand_in.stream, stand_in.controller_away = "refused", True
    stand_in.answers["GET /chambers"] = (200, {"chambers": [chamber_row("data", None, "away")], "circuits": {}})
    page = new_page()
    page.goto(stand_in.url)
    expect(page.locator("h1")).to_have_text("No news from the controller.")
    expect(page.locator("#stop")).to_have_text("Stop heating")


def test_the_margin_lists_every_chamber_with_its_state(new_page, two):
    page = open_at(new_page, two)
    rows = page.locator("#margin .chambers li")
    expect(rows).to_have_count(2)
    expect(rows.nth(0)).to_contain_text("running, may heat")
    expect(rows.nth(1)).to_contain_text("idle, heat off")
    expect(rows.nth(0).locator("a")).to_have_attribute("aria-current", "true")


@pytest.mark.parametrize("high", [900, 640])
def test_that_all_is_invented_stands_above_the_bar_however_long_the_margin(new_page, two, high):
    row = chamber_row("attic", {**two.now, "chamber": {**two.now["chamber"], "name": LONGEST}})
    two.answers["GET /chambers"][1]["chambers"].append(row)
    two.nows["garage"]["chamber"] |= {"name": LONGEST}
    two.answers["GET /chambers"][1]["chambers"][1] = chamber_row("garage", two.nows["garage"])
    page = open_at(new_page, two, size={"width": 1440, "height": high})
    expect(page.locator("#margin .chambers li")).to_have_count(3)
    bar, said = page.locator(".stopbar").bounding_box(), page.locator(".invented").bounding_box()
    assert said["y"] + said["height"] <= bar["y"], "cut by the bar"
    page.evaluate("document.querySelector('#margin').scrollTo(0, 9999)")
    last, said = page.locator(".unit-switch").bounding_box(), page.locator(".invented").bounding_box()
    assert last["y"] + last["height"] <= said["y"], "the margin's end can't be reached"


def test_another_chamber_is_shown_whole_and_stays_in_the_address(new_page, two):
    page = open_at(new_page, two)
    page.locator("#margin .chambers").get_by_role("link", name=re.compile("Garage oven")).click()
    expect(page.locator("h1")).to_have_text("Nothing runs.")
    expect(page).to_have_title("Now · Garage oven · Soakwarden")
    assert "SIMULATED" not in page.locator("main").inner_text(), "nothing of the chamber before stands on the page"
    page.locator("#margin .sheets").get_by_role("link", name=re.compile("Chamber")).click()
    expect(page).to_have_url(re.compile(r"#/at/garage/chamber$"))
    page.reload()
    expect(page).to_have_title("Chamber · Garage oven · Soakwarden")


def test_the_stop_key_names_its_chamber_and_stops_that_one_only(new_page, two):
    two.nows["garage"]["stop"] = {"by": "x", "accepted_utc_us": TRIPPED_AT_US, "off_seen_utc_us": TRIPPED_AT_US + 1}
    page = open_at(new_page, two, "at/garage/now")
    expect(page.locator("#stop")).to_contain_text("Garage oven")
    page.get_by_role("button", name="Stop heating").click()
    expect(page.locator("#stations .station.solid")).to_have_count(3)
    assert [path for path, _ in two.asked if path.endswith("stop-heating")] == ["/at/garage/stop-heating"]


def test_a_press_goes_on_being_sent_to_its_own_chamber_when_another_is_shown(new_page, two):
    new_page.allowed += ["503", "Failed to load resource"]
    page = open_at(new_page, two, "at/garage/now")
    two.stops_answer = False
    page.locator("#stop").click()
    expect(page.locator("#stations")).to_contain_text("asked")
    page.goto(f"{two.url}/#/at/bench/now")
    expect(page.locator("#stop")).to_contain_text("Bench chamber")
    expect(page.locator("#stations .station.solid")).to_have_count(0)
    before = len(two.asked)
    page.wait_for_timeout(1_500)
    later = [path for path, _ in two.asked[before:] if path.endswith("stop-heating")]
    assert later and set(later) == {"/at/garage/stop-heating"}
    page.goto(f"{two.url}/#/at/garage/now")
    expect(page.locator("#stations .station.solid")).to_have_count(1)


def test_the_phones_list_has_the_chambers_with_their_sentences(new_page, two):
    page = open_at(new_page, two, size=PHONE)
    page.locator(".opens").click()
    rows = page.locator(".phone-list .chambers li")
    expect(rows).to_have_count(2)
    expect(rows.nth(0)).to_contain_text("Soaking.")
    expect(rows.nth(0)).to_contain_text("SIMULATED.")
    rows.nth(1).get_by_role("link").click()
    expect(page.locator("h1")).to_have_text("Nothing runs.")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_circuit_that_is_asked_for_too_much_is_told_in_words(new_page, two):
    page = open_at(new_page, two)
    expect(page.locator(".notice.warn")).to_contain_text("One circuit is asked for too much.")
    expect(page.locator(".notice.warn")).to_contain_text("Together these chambers may draw 2700 W; one circuit bears 2300 W.")


def test_an_address_of_a_chamber_that_is_not_there_shows_the_first(new_page, two):
    new_page.allowed.append("404")
    page = open_at(new_page, two, "at/attic/now")
    expect(page).to_have_url(re.compile(r"#/now$"))
    expect(page.locator("h1")).to_contain_text("Soaking")


def test_eight_pages_share_one_stream_and_the_eighth_stops_the_heat(new_page, stand_in):
    first = open_at(new_page, stand_in)
    pages = [first] + [first.context.new_page() for _ in range(EIGHT - 1)]
    for page in pages[1:]:
        page.goto(stand_in.url)
    for page in pages:
        expect(page.locator(".reading.first.good")).to_be_visible()
    one_stream(first, stand_in)
    stand_in.push(sentence="Told to all.")
    for page in pages:
        expect(page.locator("h1")).to_contain_text("Told to all.")
    stand_in.now["stop"] = {"by": "x", "accepted_utc_us": TRIPPED_AT_US, "off_seen_utc_us": TRIPPED_AT_US + 200_000}
    pages[-1].get_by_role("button", name="Stop heating").click()
    expect(pages[-1].locator("#stations .station.solid")).to_have_count(3)


def test_when_the_page_that_listens_goes_another_takes_over(new_page, stand_in):
    first = open_at(new_page, stand_in)
    others = [first.context.new_page() for _ in range(2)]
    for page in others:
        page.goto(stand_in.url)
        expect(page.locator(".reading.first.good")).to_be_visible()
    one_stream(first, stand_in)
    first.close()
    others[0].wait_for_timeout(500)
    stand_in.push(sentence="Still told.")
    for page in others:
        expect(page.locator("h1")).to_contain_text("Still told.")
    one_stream(others[0], stand_in)


def test_a_newcomer_gets_the_curve_that_the_others_have(new_page, stand_in):
    first = open_at(new_page, stand_in)
    expect(first.locator(".plan .part")).to_be_attached()
    second = first.context.new_page()
    second.goto(stand_in.url)
    expect(second.locator(".plan .part")).to_be_attached()
    second.wait_for_timeout(300)
    drawn = [page.locator(".plan path.part").first.get_attribute("d") for page in (first, second)]
    assert len(drawn[1]) > 0.5 * len(drawn[0])


def test_without_a_channel_between_pages_each_listens_by_itself(new_page, stand_in):
    page = new_page()
    page.add_init_script("delete globalThis.BroadcastChannel")
    page.goto(stand_in.url)
    expect(page.locator(".reading.first.good")).to_be_visible()
    assert stand_in.open_streams == 1


def test_a_stop_that_is_not_accepted_is_sent_plainly_too_and_the_way_out_is_offered(new_page, stand_in):
    new_page.allowed += ["503", "Failed to load resource"]
    page = open_at(new_page, stand_in)
    stand_in.stops_answer = False
    page.locator("#stop").click()
    expect(page.locator(".wayout")).to_be_visible(timeout=8_000)
    expect(page.locator("#stations")).to_contain_text("not confirmed")
    assert stand_in.plain_stops == ["at=data"]
    with page.expect_popup() as opened:
        page.get_by_role("button", name="Stop on the plain page").click()
    assert opened.value.url == f"{stand_in.url}/stop"
    assert stand_in.plain_stops == ["at=data", "at=data"]
    expect(page.locator("#stations")).to_contain_text("not confirmed")


def test_a_stop_whose_answer_was_lost_is_accepted_once_the_controller_tells_of_it(new_page, stand_in):
    new_page.allowed += ["503", "Failed to load resource"]
    page = open_at(new_page, stand_in)
    stand_in.stops_answer = False
    page.locator("#stop").click()
    expect(page.locator("#stations .m-diamond")).to_be_visible(timeout=8_000)
    at = stand_in.now["utc_us"] + 1
    stand_in.push(stop={"by": "somebody", "accepted_utc_us": at, "off_seen_utc_us": at + 200_000})
    expect(page.locator("#stations")).to_contain_text(re.compile(r"accepted \d\d:"))


def test_a_chamber_whose_controller_ended_keeps_its_name_and_says_how_it_comes_back(new_page, two):
    """On pages that were opened since, which never heard it themselves."""
    new_page.allowed += ["503", "Failed to load resource"]
    listed = two.answers["GET /chambers"][1]["chambers"]
    listed[0] |= {"away": "the controller went away", "now": None}
    other = open_at(new_page, two, "at/garage/now")
    said = other.locator(".elsewhere")
    expect(said).to_contain_text("Bench chamber (invented), SIMULATED: no news from its controller. Go and look.")
    expect(said).to_contain_text("end the service and start it anew")
    expect(other.locator("#margin .chambers li").first).to_contain_text("not heard")
    expect(other.locator("#margin .chambers li").first).not_to_contain_text("yet")
    two.stream, two.controller_away = "refused", True
    page = new_page(PHONE)
    page.goto(f"{two.url}/#/at/bench/now")
    expect(page.locator("h1")).to_contain_text("SIMULATED. No news from the controller.")
    expect(page.locator("main")).to_contain_text("end the service and start it anew")
    expect(page).to_have_title("SIMULATED · Now · Bench chamber (invented) · Soakwarden")
    expect(page.locator("#phone-head .which")).to_have_text("Bench chamber (invented)")
    expect(page.locator("#stop")).to_contain_text("Bench chamber (invented)")


@pytest.mark.parametrize("sheet", ["now", "record", "messages", "people", "alarms", "legend", "chamber", "schedules"])
@pytest.mark.parametrize(("at", "words"), [("bench", "Bench chamber (invented), SIMULATED, up to"), ("garage", "Garage oven")])
def test_every_title_block_names_its_chamber(new_page, two, sheet, at, words):
    """Printed or in a picture, it is the only head that a sheet has."""
    page = open_at(new_page, two, f"at/{at}/{sheet}")
    expect(page.locator("main .titleblock")).to_contain_text(words)
    assert page.locator("main .titleblock").inner_text().count(words) == 1
    if at == "garage":
        expect(page.locator("main .titleblock")).not_to_contain_text("SIMULATED")
