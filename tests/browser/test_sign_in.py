"""Signing in and out on the page: the forms, what was refused, a session that ends meanwhile, and stopping without one."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import PHONE
from tests.browser.rooms import KEEPER, furnished, until_asked
from tests.browser.stand_in import NOBODY, WEB, problem
from tests.browser.test_page_alone import open_at

REFUSED = ["401", "403", "429", "Failed to load resource", "net::ERR"]


@pytest.fixture
def barred(new_page, stand_in):
    """A service that answers nobody, and a page in front of it."""
    new_page.allowed += REFUSED
    stand_in.signed_out = True
    stand_in.answers["GET /me"] = (200, NOBODY)

    def let_in() -> None:
        stand_in.signed_out = False
        furnished(stand_in)

    stand_in.let_in = let_in
    return stand_in


def visit(new_page, world, hash_: str = "now", **more):
    page = new_page(**more)
    page.goto(f"{world.url}/#/{hash_}")
    return page


def fill(page, **fields: str) -> None:
    for name, value in fields.items():
        page.locator(f"#{name}").fill(value)
    page.locator("main form button[type=submit]").click()


def test_signed_out_there_is_a_form_in_place_of_every_sheet(new_page, barred):
    page = visit(new_page, barred, "record")
    expect(page.locator("h1")).to_have_text("Sign in.")
    expect(page).to_have_title("Sign in · Soakwarden")
    expect(page.get_by_label("Password")).to_have_attribute("autocomplete", "current-password")
    expect(page.locator("#margin .sheets")).to_have_count(0)
    assert barred.streams_ever == 0


def test_after_signing_in_the_sheet_that_was_asked_for_is_shown(new_page, barred):
    page = visit(new_page, barred, "chamber")
    barred.answers["POST /sign-in"] = (200, lambda: barred.let_in() or {"name": "Runa", "role": "maintainer"})
    expect(page.locator("h1")).to_have_text("Sign in.")
    fill(page, name="Runa", password="not a real password")
    expect(page.locator("h1")).to_have_text("It may run unattended.")
    until_asked(page, barred, ("/sign-in", {"name": "Runa", "password": "not a real password"}))
    expect(page.locator("#margin .sheets")).to_be_visible()


def test_a_wrong_password_tells_nothing_about_accounts_and_keeps_the_name(new_page, barred):
    barred.answers["POST /sign-in"] = (401, problem("wrong_sign_in", "Name and password do not belong together."))
    page = visit(new_page, barred)
    fill(page, name="Runa", password="wrong")
    expect(page.get_by_role("alert").filter(has_text="do not belong together")).to_be_visible()
    assert "no such" not in page.locator("main").inner_text().lower()
    expect(page.get_by_label("Name")).to_have_value("Runa")


def test_too_many_tries_say_how_long_to_wait_and_stopping_is_not_held_up(new_page, barred):
    barred.answers["POST /sign-in"] = (429, problem("too_many_tries", "Too many."), {"Retry-After": "40"})
    page = visit(new_page, barred)
    fill(page, name="Runa", password="wrong")
    expect(page.get_by_role("alert").filter(has_text=re.compile(r"Wait (40|39|38)\ss"))).to_be_visible()
    expect(page.locator("main form button[type=submit]")).to_be_disabled()
    expect(page.locator("#stop")).to_be_enabled()


def test_the_first_account_is_made_with_the_code(new_page, barred):
    barred.answers["GET /me"] = (200, {**NOBODY, "accounts": False})
    barred.answers["POST /join"] = (201, lambda: barred.let_in() or {"name": "Runa", "role": "maintainer"})
    page = visit(new_page, barred)
    expect(page.locator("h1")).to_have_text("Make the first account.")
    expect(page.get_by_label("A new password")).to_have_attribute("autocomplete", "new-password")
    fill(page, code="ABCD-EFGH", name="Runa", password="four words in a row")
    expect(page.locator("h1")).to_contain_text("Soaking")
    until_asked(page, barred, ("/join", {"code": "ABCD-EFGH", "name": "Runa", "password": "four words in a row"}))


@pytest.mark.parametrize(
    ("code", "words"), [("wrong_code", "This code is not valid."), ("name_taken", "Somebody has this name.")]
)
def test_a_refused_code_says_why(new_page, barred, code, words):
    barred.answers["POST /join"] = (403, problem(code, "Refused."))
    page = visit(new_page, barred, "join")
    expect(page.locator("h1")).to_have_text("Join with a code.")
    fill(page, code="ABCD", name="Runa", password="four words in a row")
    expect(page.locator("main .trouble")).to_contain_text(words)


def test_a_session_that_ends_meanwhile_loses_nothing_that_was_typed(new_page, stand_in):
    new_page.allowed += REFUSED
    furnished(stand_in)
    stand_in.answers["POST /schedules/preview"] = (
        200,
        {"curve": [[0, 1], [1, 2]], "duration_us": 1, "from_mc": 1, "cannot_start": [], "mistakes": []},
    )
    page = open_at(new_page, stand_in, "schedules/new")
    with page.expect_response(lambda answer: "Half done" in (answer.request.post_data or "")):
        page.get_by_label("Name").fill("Half done")
    stand_in.signed_out = True
    page.get_by_label("Name").press("End")
    page.get_by_label("Name").press_sequentially(".")
    expect(page.locator("h1")).to_have_text("Your session has ended.")
    stand_in.answers["POST /sign-in"] = (200, lambda: setattr(stand_in, "signed_out", False) or {"name": "Runa"})
    fill(page, name="Runa", password="four words in a row")
    expect(page.get_by_label("Name")).to_have_value("Half done.")
    assert page.url.endswith("#/schedules/new")


def test_a_stream_refused_for_want_of_a_session_leads_to_the_form(new_page, stand_in):
    new_page.allowed += REFUSED
    furnished(stand_in)
    page = open_at(new_page, stand_in)
    stand_in.signed_out = True
    stand_in.answers["GET /me"] = (200, NOBODY)
    stand_in.tell("cut")
    expect(page.locator("h1")).to_have_text("Your session has ended.")


@pytest.mark.parametrize("size", [None, PHONE], ids=["desk", "phone"])
def test_stop_heating_stays_and_says_the_truth_when_signed_out(new_page, barred, size):
    page = visit(new_page, barred, **({"size": size} if size else {}))
    expect(page.locator("#besides")).to_contain_text("Signed out, this button is not accepted.")
    expect(page.locator("#besides a")).to_have_attribute("href", "/stop")
    expect(page.locator("#besides a")).to_be_visible()
    page.locator("#stop").click()
    expect(page.locator("#stations")).to_contain_text("not accepted")
    expect(page.locator("#stations")).to_contain_text("nobody is signed in")
    expect(page.locator("#stations .station.solid")).to_have_count(1)


def test_signing_out_shows_the_form_and_closes_the_stream(new_page, stand_in):
    new_page.allowed += REFUSED
    furnished(stand_in)

    def out():
        stand_in.signed_out = True
        stand_in.answers["GET /me"] = (200, NOBODY)
        return {}

    stand_in.answers["POST /sign-out"] = (200, out)
    page = open_at(new_page, stand_in, "people")
    page.get_by_role("button", name="Sign out").click()
    expect(page.locator("h1")).to_have_text("Sign in.")
    assert "Bench chamber" not in page.locator("body").inner_text(), "what was seen before is gone from the page"


def test_on_the_chambers_own_computer_a_viewer_may_sign_in_to_do_more(new_page, stand_in):
    stand_in.answers["GET /me"] = (200, {**KEEPER, "name": "local, not signed in", "role": "viewer", "via": "local"})
    page = open_at(new_page, stand_in, "people")
    expect(page.locator("h1")).to_have_text("You are not signed in.")
    page.get_by_role("link", name="Sign in with an account").click()
    expect(page.get_by_label("Password")).to_be_visible()
    stand_in.answers["POST /sign-in"] = (200, lambda: furnished(stand_in) and {"name": "Runa"})
    fill(page, name="Runa", password="four words in a row")
    expect(page.locator("h1")).to_contain_text("Soaking")
    page.goto(f"{stand_in.url}/#/people")
    expect(page.locator("h1")).to_have_text("You are signed in as Runa.")


def test_without_scripting_the_page_says_what_works(new_page, stand_in):
    """As a browser reads it whose scripting is off: what is in noscript is part of the page, and no script runs."""
    text = (WEB / "index.html").read_text(encoding="utf-8")
    assert text.count("<noscript>") == 1
    bare = re.sub(r"</?noscript>|<script.*?</script>", "", text)
    page = new_page(PHONE)
    page.route(stand_in.url + "/", lambda route: route.fulfill(body=bare, content_type="text/html; charset=utf-8"))
    page.goto(stand_in.url)
    expect(page.get_by_text("Scripting is off")).to_be_visible()
    link = page.get_by_role("link", name=re.compile("Stop heating, and the last known state"))
    expect(link).to_have_attribute("href", "/stop")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
