"""Sheet 11: who is told, whether it arrives, the demo mailbox, and what was told lately."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from controller.messenger.listening import LATE_LEAST_US, LATE_PART
from tests.browser.conftest import PHONE
from tests.browser.rooms import KEEPER, furnished, messages, until_asked
from tests.browser.stand_in import problem
from tests.browser.test_page_alone import open_at


@pytest.fixture
def house(stand_in):
    return furnished(stand_in)


def row(page, name: str):
    return page.locator(".told-row", has=page.get_by_role("heading", name=name, exact=True))


def test_each_channel_says_its_state_with_the_providers_own_answer(new_page, house):
    page = open_at(new_page, house, "messages")
    expect(page.locator("h1")).to_have_text("“hallway bell” fails.")
    expect(row(page, "phone")).to_contain_text("The provider answered: “250 queued”")
    expect(row(page, "phone")).to_contain_text(re.compile(r"Arrived at \d\d:\d\d.*, counts until \d\d:\d\d"))
    expect(row(page, "hallway bell")).to_contain_text("It fails. The provider answered: “404 no such hook” None has left yet.")
    expect(row(page, "hallway bell")).to_contain_text("No test has arrived yet.")


def test_without_a_channel_it_says_that_nobody_is_told(new_page, stand_in):
    page = open_at(new_page, stand_in, "messages")
    expect(page.locator("h1")).to_have_text("Nobody is told.")
    expect(page.get_by_label("Address").first).to_be_visible()


def test_a_channel_is_added_and_a_mistake_stands_at_its_field(new_page, house):
    new_page.allowed.append("422")
    mistake = {"field": "url", "value": "nonsense", "allowed": "an address", "advice": "See the forms below."}
    house.answers["POST /messages/channels"] = (422, problem("bad_request", "url: an address", mistakes=[mistake]))
    page = open_at(new_page, house, "messages")
    page.get_by_text("Add a channel").click()
    page.locator("#channel-name-new").fill("neighbour")
    page.locator("#channel-url-new").fill("nonsense")
    page.get_by_role("button", name="Add this channel").click()
    expect(page.locator("#channel-url-new-wrong")).to_contain_text("See the forms below.")
    expect(page.locator("#channel-url-new")).to_have_value("nonsense")
    house.answers["POST /messages/channels"] = (201, {"id": 9})
    page.locator("#channel-url-new").fill("jsons://hook.example/x")
    page.get_by_label("Told from").last.select_option("get_up")
    page.get_by_role("button", name="Add this channel").click()
    expect(page.locator("#channel-url-new")).to_have_value("")
    assert house.asked[-1] == ("/messages/channels", {"name": "neighbour", "url": "jsons://hook.example/x", "least": "get_up"})


def test_what_the_last_channel_means_for_a_run_is_said_once_it_is_taken_away(new_page, house):
    code, body = house.answers["GET /messages"]
    house.answers["GET /messages"] = (code, {**body, "channels": body["channels"][:1]})
    house.answers["DELETE /messages/channels/1"] = (200, {"id": 1, "warning": "That was the last channel."})
    page = open_at(new_page, house, "messages")
    row(page, "phone").get_by_role("button", name="Take away… phone").click()
    house.answers["GET /messages"] = (code, {**body, "channels": []})
    row(page, "phone").get_by_role("button", name="Take phone away").click()
    expect(page.get_by_role("alert").filter(has_text="That was the last channel.")).to_be_visible()


def test_a_changed_channel_keeps_its_address_when_none_is_typed(new_page, house):
    house.answers["PUT /messages/channels/1"] = (200, {})
    page = open_at(new_page, house, "messages")
    row(page, "phone").get_by_role("button", name="Change phone").click()
    page.locator("#least-1").select_option("get_out")
    page.get_by_role("button", name="Keep the change").click()
    expect(page.locator("#least-1")).to_have_count(0)
    until_asked(page, house, ("/messages/channels/1", {"name": "phone", "least": "get_out"}))


def test_a_test_message_that_does_not_leave_says_what_the_provider_answered(new_page, house):
    new_page.allowed.append("502")
    house.answers["POST /messages/channels/2/try"] = (
        502,
        problem("channel_failing", "404 no such hook", advice="Correct the channel by it."),
    )
    page = open_at(new_page, house, "messages")
    row(page, "hallway bell").get_by_role("button", name=re.compile("Send a test message")).click()
    expect(row(page, "hallway bell").get_by_role("alert")).to_contain_text("404 no such hook")


def test_a_test_message_that_left_still_has_to_arrive(new_page, house):
    left = messages()
    left["channels"][1] |= {"state": "working", "last_ok_utc_us": left["channels"][0]["last_ok_utc_us"]}
    house.answers["POST /messages/channels/2/try"] = (
        200,
        lambda: house.answers.__setitem__("GET /messages", (200, left)) or {"answer": "", "took_us": 1},
    )
    page = open_at(new_page, house, "messages")
    row(page, "hallway bell").get_by_role("button", name=re.compile("Send a test message")).click()
    expect(row(page, "hallway bell")).to_contain_text(re.compile(r"A message left at .*No test has arrived yet\.", re.DOTALL))


def test_taking_a_channel_away_asks_once_more(new_page, house):
    house.answers["DELETE /messages/channels/2"] = (200, {})
    page = open_at(new_page, house, "messages")
    row(page, "hallway bell").get_by_role("button", name="Take away… hallway bell").click()
    assert ("/messages/channels/2", {}) not in house.asked
    row(page, "hallway bell").get_by_role("button", name="Take hallway bell away").click()
    expect(page.get_by_role("button", name="Take away… hallway bell")).to_be_visible()
    until_asked(page, house, ("/messages/channels/2", {}))


def test_a_letter_of_the_demo_is_read_and_its_link_opened_here(new_page, house):
    page = open_at(new_page, house, "messages")
    page.get_by_text("SIMULATED. A test from").click()
    expect(page.locator(".letter")).to_contain_text("press the button there")
    with page.expect_popup() as opened:
        page.get_by_role("link", name="Open its link").click()
    assert opened.value.url == f"{house.url}/arrived?code=invented"


def test_a_real_chamber_has_no_demo_mailbox(new_page, house):
    house.now["chamber"]["simulated"] = False
    page = open_at(new_page, house, "messages")
    expect(page.get_by_role("heading", name="Told lately")).to_be_visible()
    expect(page.get_by_role("heading", name="Demo mailbox")).to_have_count(0)


def test_while_the_messenger_is_away_nothing_is_said_to_work(new_page, house):
    away = messages()
    away["messenger"]["away"] = "It does not answer."
    for one in (*away["channels"], *away["beats"]):
        one |= {"state": "unknown", "answer": "", "last_ok_utc_us": None}
    house.answers["GET /messages"] = (200, away)
    page = open_at(new_page, house, "messages")
    expect(page.locator("h1")).to_have_text("The messenger does not answer.")
    expect(row(page, "phone")).to_contain_text("How it fares is not known")


def test_an_operator_tries_channels_and_changes_none(new_page, house):
    house.answers["GET /me"] = (200, {**KEEPER, "role": "operator", "may": ["see_messages", "write_notes"]})
    page = open_at(new_page, house, "messages")
    expect(row(page, "phone").get_by_role("button")).to_have_count(1)
    expect(page.get_by_text("A maintainer adds and changes channels.")).to_be_visible()


def test_the_address_in_links_is_the_pages_as_a_phone_opens_it(new_page, house):
    house.answers["PUT /messages/page"] = (200, {})
    page = open_at(new_page, house, "messages")
    page.get_by_text("Links in messages begin with http://192.0.2.5:8650").click()
    page.get_by_label("Address of this page").fill("http://192.0.2.6:8650")
    page.locator("form[data-form=page]").get_by_role("button").click()
    expect(page.locator("main [role=alert]")).to_have_count(0)
    until_asked(page, house, ("/messages/page", {"page": "http://192.0.2.6:8650"}))


def test_a_second_computer_is_added_with_its_key(new_page, house):
    house.answers["POST /messages/beats"] = (201, {"id": 4})
    page = open_at(new_page, house, "messages")
    page.get_by_text("Add a second computer").click()
    page.locator("#beat-name").fill("cellar")
    page.locator("#beat-url").fill("http://192.0.2.8:8652/")
    page.locator("#beat-key").fill("00ff")
    page.get_by_role("button", name="Add it").click()
    expect(page.locator("#beat-key")).to_have_value("")
    assert house.asked[-1] == ("/messages/beats", {"name": "cellar", "url": "http://192.0.2.8:8652/", "key": "00ff"})


def test_a_second_computer_is_changed_and_keeps_what_is_not_typed(new_page, house):
    number = messages()["beats"][0]["id"]
    house.answers[f"PUT /messages/beats/{number}"] = (200, {})
    page = open_at(new_page, house, "messages")
    name = messages()["beats"][0]["name"]
    row(page, name).get_by_role("button", name="Change").click()
    expect(page.locator(f"#beat-name-{number}")).to_have_value(name)
    page.locator(f"#beat-url-{number}").fill("http://192.0.2.8:8652/")
    page.get_by_role("button", name="Keep the change").click()
    expect(page.locator(f"#beat-url-{number}")).to_have_count(0)
    until_asked(page, house, (f"/messages/beats/{number}", {"name": name, "url": "http://192.0.2.8:8652/"}))


def test_a_second_computer_that_hears_nothing_is_told_in_the_headline(new_page, house):
    told = messages()
    told["channels"] = told["channels"][:1]
    told["beats"][0] |= {"state": "failing", "answer": "cannot be reached: Connection refused"}
    house.answers["GET /messages"] = (200, told)
    page = open_at(new_page, house, "messages")
    expect(page.locator("h1")).to_have_text(f"“{told['beats'][0]['name']}” does not take the heartbeat.")
    told = messages()
    told["beats"][0] |= {"state": "failing", "answer": "gone"}
    house.answers["GET /messages"] = (200, told)
    page = open_at(new_page, house, "messages")
    expect(page.locator("h1")).to_have_text(f"“hallway bell” and “{told['beats'][0]['name']}” fail.")


def test_the_sheet_says_when_the_second_computer_calls_a_run_late(new_page, house):
    page = open_at(new_page, house, "messages")
    late = f"{LATE_LEAST_US // 60_000_000} min past the end it first promised, or a tenth of its planned length if that is more"
    assert LATE_PART == 10
    expect(page.get_by_text(late)).to_be_visible()


def test_what_was_told_says_what_became_of_each_delivery(new_page, house):
    page = open_at(new_page, house, "messages")
    told = page.locator(".told-message")
    expect(told).to_contain_text("The run is complete.")
    expect(told).to_contain_text("Do: Let it cool with the door shut.")
    expect(told).to_contain_text(re.compile(r"hallway bell: failed \d\d:\d\d, “404 no such hook”"))
    expect(page.get_by_text("Left means that the provider took it, not that somebody read it.")).to_be_visible()


def test_a_viewer_is_told_whose_role_is_needed(new_page, house):
    new_page.allowed.append("403")
    house.answers["GET /messages"] = (403, problem("not_allowed_role", "This needs the role operator; you are viewer."))
    page = open_at(new_page, house, "messages")
    expect(page.locator("main .trouble")).to_contain_text("This needs the role operator")


def test_a_messenger_that_does_not_answer_is_said_and_the_heat_does_not_depend_on_it(new_page, house):
    new_page.allowed.append("503")
    house.answers["GET /messages"] = (503, problem("messenger_away", "The messenger does not answer."))
    page = open_at(new_page, house, "messages")
    expect(page.locator("main .trouble")).to_contain_text("The messenger does not answer.")
    expect(page.locator("main .trouble")).to_contain_text("The heat does not depend on messages.")


@pytest.mark.parametrize("size", [None, PHONE], ids=["desk", "phone"])
def test_messages_fit_the_screen(new_page, house, size):
    page = open_at(new_page, house, "messages", **({"size": size} if size else {}))
    expect(page.locator(".told-row").first).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
