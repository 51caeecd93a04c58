"""What a step's page says of a try that came to nothing, of one half, and of a run that still lies there."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import expect

from tests.api.fake_proofs import guide
from tests.browser.conftest import DESK, PHONE
from tests.browser.rooms import idle
from tests.browser.test_page_alone import open_at

WORDS = "Nothing was seen for 10 min, so it ended. Nothing was stored, and heat is off: begin this step again."


def told(world: Any, step: str, **more: Any) -> None:
    """A chamber at rest whose guide says this of one step."""
    at = world.now["utc_us"]
    world.now |= idle(world.now)
    world.now["commissioning"] = None
    shown = guide(at, {})
    next(one for one in shown["steps"] if one["id"] == step).update(more)
    world.answers["GET /proofs"] = (200, shown)


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_a_watch_that_ended_of_itself_is_told_once_its_outcome_is_gone(new_page, stand_in, size):
    last = {"utc_us": stand_in.now["utc_us"] - 600_000_000, "outcome": "ended", "words": WORDS}
    told(stand_in, "contacts", last_try=last)
    page = open_at(new_page, stand_in, "proofs/contacts", size)
    expect(page.locator(".standing-now").first).to_contain_text("nothing was seen for 10 min")
    expect(page.locator("#sheet")).not_to_contain_text("Watching.")


@pytest.mark.parametrize(("half", "words"), [("seen", "its values still lack"), ("typed", "Its values are kept")])
def test_which_half_of_a_step_is_there_stands_in_words(new_page, stand_in, half, words):
    told(stand_in, "burn_off", half=half)
    page = open_at(new_page, stand_in, "proofs/burn_off")
    expect(page.locator(".standing-now").first).to_contain_text(words)
