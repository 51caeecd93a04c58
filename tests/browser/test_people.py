"""Sheet 8 and notes: accounts, invitations, tokens, what was done at the desk, and who wrote what about a run."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import PHONE
from tests.browser.rooms import DAY_US, KEEPER, LOOKER, furnished, now_us, until_asked, with_run
from tests.browser.stand_in import problem
from tests.browser.test_page_alone import open_at


@pytest.fixture
def house(stand_in):
    return furnished(stand_in)


def test_a_viewer_sees_who_they_are_and_no_accounts(new_page, house):
    house.answers["GET /me"] = (200, LOOKER)
    page = open_at(new_page, house, "people")
    expect(page.locator("h1")).to_have_text("You are signed in as Odo.")
    lead = page.locator(".sheet-head .lead")
    expect(lead).to_contain_text("You may look, stop the heat and acknowledge.")
    expect(lead).not_to_contain_text("near")  # a check-in keeps the heat on: for an operator
    expect(page.locator("table.people")).to_have_count(0)
    assert not any(path == "/people" for path, _ in house.asked)


def test_an_operator_is_told_of_the_check_in(new_page, house):
    may = [ask for ask in KEEPER["may"] if ask not in ("clear", "tighten", "edit_messages", "look_after_people")]
    house.answers["GET /me"] = (200, {**KEEPER, "role": "operator", "may": may})
    page = open_at(new_page, house, "people")
    expect(page.locator(".sheet-head .lead")).to_contain_text("say that you are near, which keeps the heat on")


def test_a_maintainer_sees_everybody_and_changes_a_role(new_page, house):
    house.answers["PUT /people/2"] = (200, {})
    page = open_at(new_page, house, "people")
    expect(page.locator("table.people tbody tr")).to_have_count(2)
    expect(page.locator("table.people")).to_contain_text("signed in on 2 devices")
    page.get_by_label("Role of Odo").select_option("operator")
    page.locator("tr", has_text="Odo").get_by_role("button", name="Give this role").click()
    expect(page.locator("main .trouble")).to_have_count(0)
    until_asked(page, house, ("/people/2", {"role": "operator"}))


def test_removing_asks_once_more_and_says_what_ends(new_page, house):
    house.answers["DELETE /people/2"] = (200, {})
    page = open_at(new_page, house, "people")
    row = page.locator("tr", has_text="Odo")
    row.get_by_role("button", name="Remove… Odo").click()
    expect(row).to_contain_text("Ends every session and token of Odo.")
    assert ("/people/2", {}) not in house.asked
    row.get_by_role("button", name="Remove Odo", exact=True).click()
    expect(page.get_by_role("button", name="Remove… Odo")).to_be_visible()
    until_asked(page, house, ("/people/2", {}))


def test_the_last_maintainer_can_not_go_and_it_is_said_why(new_page, house):
    new_page.allowed.append("409")
    house.answers["DELETE /people/1"] = (
        409,
        problem("last_maintainer", "Nobody else could look after accounts.", advice="Make somebody else a maintainer first."),
    )
    page = open_at(new_page, house, "people")
    page.get_by_role("button", name="Remove… Runa").click()
    page.get_by_role("button", name="Remove Runa", exact=True).click()
    expect(page.get_by_role("alert").filter(has_text="Make somebody else a maintainer first.")).to_be_visible()


def test_an_invitation_shows_its_code_once_and_how_long_it_holds(new_page, house):
    made = {"code": "KLMN-PQRS", "role": "operator", "expires_utc_us": now_us() + DAY_US}
    house.answers["POST /people/invitations"] = (201, made)
    page = open_at(new_page, house, "people")
    page.get_by_text("Invite somebody").click()
    page.get_by_role("radio", name=re.compile("Operator")).check()
    page.get_by_role("button", name="Make a code").click()
    expect(page.locator("#invitation")).to_have_value("KLMN-PQRS")
    expect(page.locator("#invitation-hint")).to_contain_text(re.compile(r"works once, and until .*24\sh from now"))
    until_asked(page, house, ("/people/invitations", {"role": "operator"}))
    page.goto(f"{house.url}/#/legend")
    expect(page.locator("h1")).to_have_text("Legend")
    page.goto(f"{house.url}/#/people")
    expect(page.locator("table.people")).to_be_visible()
    expect(page.locator("#invitation")).to_have_count(0)


def test_a_stop_token_comes_with_an_address_for_a_bookmark(new_page, house):
    house.answers["POST /tokens"] = (201, {"id": 9, "token": "invented-token", "url": "/stop?key=invented-token"})
    page = open_at(new_page, house, "people")
    page.get_by_text("Make a token").click()
    page.get_by_label("What is it for?").fill("phone")
    page.get_by_role("button", name="Make it").click()
    expect(page.locator("#stop-address")).to_have_value(f"{house.url}/stop?key=invented-token")
    expect(page.locator("#token")).to_have_value("invented-token")
    expect(page.locator("#stop-address-hint")).to_contain_text("Opening it does nothing yet")
    until_asked(page, house, ("/tokens", {"label": "phone", "scope": "stop", "days": 90}))


def test_a_token_is_ended(new_page, house):
    house.answers["DELETE /tokens/1"] = (200, {})
    page = open_at(new_page, house, "people")
    page.get_by_role("button", name="End it phone in the hall").click()
    expect(page.locator("main .trouble")).to_have_count(0)
    until_asked(page, house, ("/tokens/1", {}))


def test_a_new_password_must_be_typed_twice_alike(new_page, house):
    house.answers["POST /me/password"] = (200, {})
    page = open_at(new_page, house, "people")
    page.get_by_text("Change my password").click()
    page.get_by_label("The password now").fill("old words")
    page.get_by_label("The new password").fill("new words in a row")
    page.get_by_label("The new one again").fill("new words in a rov")
    page.get_by_role("button", name="Change it").click()
    expect(page.get_by_role("alert").filter(has_text="The two new passwords differ.")).to_be_visible()
    assert not any(path == "/me/password" for path, _ in house.asked)
    page.get_by_label("The new one again").fill("new words in a row")
    page.get_by_role("button", name="Change it").click()
    expect(page.get_by_text("Every other session and token of yours has ended.")).to_be_visible()
    until_asked(page, house, ("/me/password", {"old": "old words", "new": "new words in a row"}))


def test_a_wrong_old_password_is_said_and_does_not_sign_out(new_page, house):
    new_page.allowed.append("401")
    house.answers["POST /me/password"] = (401, problem("wrong_sign_in", "The old password is not right."))
    page = open_at(new_page, house, "people")
    page.get_by_text("Change my password").click()
    for label in ("The password now", "The new password", "The new one again"):
        page.get_by_label(label).fill("words in a row")
    page.get_by_role("button", name="Change it").click()
    expect(page.get_by_role("alert").filter(has_text="The old password is not right.")).to_be_visible()
    expect(page.locator("h1")).to_have_text("You are signed in as Runa.")


def test_what_was_done_at_the_desk_is_a_list(new_page, house):
    page = open_at(new_page, house, "people")
    page.get_by_text("What was done at the desk").click()
    expect(page.locator(".audit")).to_contain_text("Runa: changed the role person 2, viewer to operator")


@pytest.mark.parametrize("size", [None, PHONE], ids=["desk", "phone"])
def test_people_fits_the_screen(new_page, house, size):
    page = open_at(new_page, house, "people", **({"size": size} if size else {}))
    expect(page.locator("table.people")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_notes_say_who_wrote_them_and_only_ones_own_can_go(new_page, stand_in):
    with_run(furnished(stand_in))
    page = open_at(new_page, stand_in, "record/2")
    notes = page.locator(".notes li")
    expect(notes).to_have_count(2)
    expect(notes.first).to_contain_text("Runa, Fri 27 Nov")
    expect(notes.first.get_by_role("button", name=re.compile("Take it away"))).to_be_visible()
    expect(notes.nth(1).get_by_role("button")).to_have_count(0)
    stand_in.answers |= {"POST /runs/2/notes": (201, {"id": 3}), "DELETE /runs/2/notes/1": (200, {})}
    page.get_by_label("Add a note").fill("Warm by eight.")
    page.get_by_role("button", name="Keep it").click()
    expect(page.get_by_label("Add a note")).to_have_value("")
    notes.first.get_by_role("button").click()
    until_asked(page, stand_in, ("/runs/2/notes", {"text": "Warm by eight."}))
    expect(notes).to_have_count(2)
    until_asked(page, stand_in, ("/runs/2/notes/1", {}))


def test_a_refused_note_stays_in_its_field(new_page, stand_in):
    new_page.allowed.append("503")
    with_run(furnished(stand_in, KEEPER))
    stand_in.answers["POST /runs/2/notes"] = (503, problem("desk_failing", "The disk is full.", advice="Free space on it."))
    page = open_at(new_page, stand_in, "record/2")
    page.get_by_label("Add a note").fill("Warm by eight.")
    page.get_by_role("button", name="Keep it").click()
    expect(page.get_by_role("alert").filter(has_text="The disk is full.")).to_be_visible()
    expect(page.get_by_label("Add a note")).to_have_value("Warm by eight.")


def test_a_run_says_for_how_long_air_and_part_were_in_band_and_where_every_event_was(new_page, stand_in):
    with_run(furnished(stand_in))
    page = open_at(new_page, stand_in, "record/2")
    soak = page.locator("table.fold tbody tr").nth(1)
    expect(soak.locator("[data-label='air in band']")).to_have_text(re.compile(r"^2\sh$"))
    expect(soak.locator("[data-label='part in band']")).to_have_text(re.compile(r"^1\sh\s43$"))
    expect(page.locator(".event-ticks path")).to_have_count(5)
    expect(page.locator("circle.balloon[r='10.5']")).to_have_count(3)
