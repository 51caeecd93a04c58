"""What other sheets show of proofs: the start proof of a run on Now, and every state on the Legend."""

from __future__ import annotations

import re

from playwright.sync_api import expect

from tests.browser.test_page_alone import open_at
from tests.browser.test_proofs import PROOF


def test_now_shows_the_start_proof_of_a_run_and_nothing_of_it_afterwards(new_page, stand_in):
    stand_in.now["run"] |= {"trial": "", "proof": PROOF}
    page = open_at(new_page, stand_in)
    expect(page.locator(".start-proof")).to_contain_text(
        "Start proof, step 1 of 3. Contactor open, modulator on: no rise may be seen."
    )
    expect(page.locator(".start-proof")).to_contain_text(re.compile(r"41\ss left, until \d\d:\d\d:\d\d"))
    expect(page.locator(".titleblock")).to_contain_text("step 1 of 3")
    stand_in.push(run={**stand_in.now["run"], "proof": None})
    expect(page.locator(".start-proof")).to_have_count(0)


def test_the_legend_shows_a_proof_in_every_state(new_page, stand_in):
    page = open_at(new_page, stand_in, "legend")
    expect(
        page.locator(".proofs .until").filter(has_text=re.compile("ended|ends|failed|void|not done|being done|not for"))
    ).to_have_count(8)
    expect(page.locator(".watched li")).to_have_count(4)
