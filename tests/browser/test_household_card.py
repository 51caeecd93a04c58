"""The card for the household: what it promises holds for somebody without an account, and it is one sheet of paper."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from api.leaving import CARD
from tests.browser import rooms
from tests.browser.conftest import DESK, PHONE
from tests.browser.test_page_alone import open_at
from tests.browser.test_whose_turn import SCHEDULES


@pytest.fixture
def card(new_page, stand_in):
    """Opens the card with the words that the api serves."""
    rooms.furnished(stand_in).answers |= SCHEDULES
    status, leaving = stand_in.answers["GET /leaving"]
    stand_in.answers["GET /leaving"] = (status, {**leaving, "card": CARD})
    stand_in.now |= rooms.idle(stand_in.now)
    return lambda **more: open_at(new_page, stand_in, "schedules/1/start/card", **more)


def test_the_card_says_what_stops_the_heat_without_an_account(card):
    """An address alone stops nothing: nobody is signed in on a visitor's phone."""
    page = card()
    words = page.locator(".card")
    expect(words).to_contain_text("Both addresses need an account; opened without one they stop nothing.")
    expect(words).to_contain_text("stops with the stop bookmark: its key is made on the sheet People")
    expect(words).not_to_contain_text(re.compile("any device|any room"))
    owner = page.locator(".by-hand", has=page.get_by_role("heading", name="The stop bookmark is on the device of"))
    expect(owner.locator(".write-line")).to_be_visible()


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_card_is_one_sheet_of_paper(card, size, paper):
    page = card(size=size)
    expect(page.locator(".card .write-line").first).to_have_css("height", "40px")  # its style comes after the page's own
    for own_size in (True, False):
        printed = page.pdf(format=paper, prefer_css_page_size=own_size)
        assert len(re.findall(rb"/Type /Page\b(?!s)", printed)) == 1
