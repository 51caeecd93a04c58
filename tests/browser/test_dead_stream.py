"""Something between page and service may let no stream through: the page asks instead, says so, and stops when it may."""

from __future__ import annotations

import re

from playwright.sync_api import expect

from tests.browser.conftest import DESK, PHONE
from tests.browser.test_page_alone import open_at

BY_REQUEST = re.compile(r"\d+(\.\d)?\ss old, by request")


def without_stream(new_page, world, **more):
    """A page whose every stream breaks before it begins."""
    new_page.allowed += ["net::ERR_FAILED", "Failed to load resource"]
    page = new_page(more.get("size", DESK))
    page.context.route("**/stream*", lambda route: route.abort())
    page.goto(world.url)
    return page


def test_a_page_that_never_had_a_stream_shows_what_it_asked_for(new_page, stand_in):
    stand_in.age_us = 1_200_000
    page = without_stream(new_page, stand_in)
    expect(page.locator("h1")).to_contain_text("Soaking.")
    data = page.locator(".titleblock .cell", has_text="Data")
    expect(data).to_contain_text(BY_REQUEST)
    assert float(re.search(r"([\d.]+)\ss old", data.inner_text())[1]) >= 1.2, "as old as the service says it is"
    stand_in.push(sentence="It goes on.")
    expect(page.locator("h1")).to_contain_text("It goes on.")
    page.set_viewport_size(PHONE)
    expect(page.locator("#phone-head")).to_contain_text(BY_REQUEST)
    page.goto(f"{stand_in.url}/#/legend")
    expect(page.locator(".small-head")).to_contain_text(BY_REQUEST)


def test_an_answer_that_tells_nothing_new_makes_nothing_younger(new_page, stand_in):
    page = without_stream(new_page, stand_in)
    expect(page.locator("h1")).to_contain_text("Soaking.")
    expect(page.locator("h1")).to_contain_text("No news for", timeout=12_000)
    expect(page.locator("dd").nth(1)).to_contain_text("This page’s server answers; the controller does not answer it.")


def test_a_stream_that_lives_is_the_only_one_that_tells(new_page, stand_in):
    """One that fell silent is asked around, and left at the first word of the next."""
    page = open_at(new_page, stand_in)
    page.wait_for_timeout(4_500)
    assert stand_in.nows_asked == 0
    stand_in.tell("silent")
    stand_in.push(sentence="Asked for.")
    expect(page.locator("h1")).to_contain_text("Asked for.")
    expect(page.locator(".titleblock .cell", has_text="Data")).to_contain_text(BY_REQUEST)
    stand_in.tell("live")
    stand_in.push(sentence="Told again.")
    expect(page.locator("h1")).to_contain_text("Told again.")
    expect(page.locator(".titleblock .cell", has_text="Data")).not_to_contain_text("by request", timeout=15_000)
    before = stand_in.nows_asked
    page.wait_for_timeout(4_500)
    assert stand_in.nows_asked == before


def test_of_many_pages_one_asks_and_tells_the_others(new_page, stand_in):
    first = without_stream(new_page, stand_in)
    others = [first.context.new_page() for _ in range(3)]
    for page in others:
        page.goto(stand_in.url)
    for page in (first, *others):
        expect(page.locator("h1")).to_contain_text("Soaking.")
    before = stand_in.nows_asked
    first.wait_for_timeout(6_000)
    assert 1 <= stand_in.nows_asked - before <= 4, "every 2 s, by one page"
    stand_in.push(sentence="Told to all.")
    for page in (first, *others):
        expect(page.locator("h1")).to_contain_text("Told to all.")
        expect(page.locator(".titleblock .cell", has_text="Data")).to_contain_text("by request")


def test_a_page_that_nobody_looks_at_asks_nothing(new_page, stand_in):
    page = without_stream(new_page, stand_in)
    expect(page.locator("h1")).to_contain_text("Soaking.")
    page.evaluate("""() => { Object.defineProperty(document, 'visibilityState', {get: () => 'hidden', configurable: true});
      document.dispatchEvent(new Event('visibilitychange')); }""")
    page.wait_for_timeout(300)
    before = stand_in.nows_asked
    page.wait_for_timeout(4_500)
    assert stand_in.nows_asked == before
