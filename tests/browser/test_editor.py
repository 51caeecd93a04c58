"""The schedule editor: what was typed is neither blamed too soon nor lost."""

from __future__ import annotations

from playwright.sync_api import expect

from controller.demo import SCHEDULE
from tests.browser.stand_in import preview
from tests.browser.test_page_alone import open_at
from tests.browser.test_pure_modules import NB


def test_a_new_schedule_is_not_blamed_for_a_name_before_it_is_stored(new_page, stand_in):
    mistake = {"field": "name", "value": "", "allowed": "a name", "advice": "Give it one."}
    status, answer = preview(mistake)
    stand_in.answers["POST /schedules/preview"] = status, answer | {"curve": [[0, 21_000], [14_400_000_000, 105_000]]}
    stand_in.answers["POST /schedules"] = (422, {"detail": "mistakes", "mistakes": [mistake]})
    page = open_at(new_page, stand_in, "schedules/new")
    expect(page.locator("#verdict")).to_contain_text("It takes at least")
    expect(page.locator(".mistake")).to_have_count(0)
    new_page.allowed.append("422")
    page.get_by_role("button", name="Store it").click()
    expect(page.locator("#why-name")).to_contain_text("Give it one.")


def test_what_was_typed_waits_for_whoever_looks_at_another_sheet(new_page, stand_in):
    stand_in.answers["POST /schedules/preview"] = preview()
    page = open_at(new_page, stand_in, "schedules/new")
    page.get_by_label("Name").fill("Half done")
    page.goto(f"{stand_in.url}/#/legend")
    expect(page.locator("h1")).to_have_text("Legend")
    page.goto(f"{stand_in.url}/#/schedules/new")
    expect(page.get_by_label("Name")).to_have_value("Half done")
    page.get_by_role("button", name="Drop the changes").click()
    expect(page.get_by_label("Name")).to_have_value("")


def test_a_start_promises_no_longer_time_than_the_chamber_allows(new_page, stand_in):
    page = open_at(new_page, stand_in, "schedules")
    said = page.evaluate(
        "import('/sheets/schedule_start.js').then((m) => "
        "[m.longestWords(108e9, 86.4e9), m.longestWords(36e9, 86.4e9), m.longestWords(36e9)])"
    )
    words = ["at most 24 h, the longest that this chamber may run", "at most 10 h", "at most 10 h"]
    assert [one.replace(NB, " ") for one in said] == words


STORED = {
    "id": 1,
    "revision": 3,
    "hottest_mc": 105_000,
    "shortest_us": 57_600_000_000,
    "longest_us": 108_000_000_000,
    "changed_utc_us": 1764061200000000,
    "changed_by": "local, not signed in",
    "schedule": SCHEDULE,
}


def test_a_start_never_leaves_typed_changes_out_without_a_word(new_page, stand_in):
    stand_in.answers |= {
        "POST /schedules/preview": preview(),
        "GET /schedules/1": (200, STORED),
        "GET /schedules/1/revisions": (200, {"revisions": []}),
    }
    page = open_at(new_page, stand_in, "schedules/1")
    expect(page.get_by_role("link", name="Start…")).to_be_visible()
    page.locator("#segment-1-target_c").fill("60")
    expect(page.get_by_role("link", name="Start…")).to_have_count(0)
    page.goto(f"{stand_in.url}/#/schedules/1/start")
    expect(page.locator("main")).to_contain_text("Changes to it are not stored.")


def test_the_keyboard_goes_on_at_the_new_sheets_head(new_page, stand_in):
    page = open_at(new_page, stand_in)
    page.evaluate("location.hash = '#/legend'")
    expect(page.locator("h1")).to_have_text("Legend")
    page.wait_for_function("document.activeElement.tagName === 'H1'")
