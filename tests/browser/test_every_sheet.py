"""Every sheet on a phone and a desk, light and dark: nothing wider than the screen, and axe-core finds nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.api.fake_proofs import guide
from tests.browser import rooms
from tests.browser.conftest import DESK, PHONE
from tests.browser.stand_in import NOBODY
from tests.browser.test_page_alone import tripped

AXE = Path(__file__).parent / "vendor/axe-core/axe.min.js"
SHEETS = ("now", "schedules/new", "schedules/1/start", "alarms", "people", "chamber", "legend", "messages", "proofs")
SCHEDULE = {
    "format": "soakwarden-schedule-1",
    "name": "Invented",
    "temperature_of": "part",
    "resume": "never",
    "note": "",
    "segments": [{"kind": "ramp", "target_c": 60, "rate_c_per_h": 60, "band_c": 3, "longest_h": 2}],
}
STORED = {
    "id": 1,
    "revision": 1,
    "created_utc_us": 1,
    "changed_utc_us": 1,
    "changed_by": "a person",
    "hottest_mc": 60_000,
    "shortest_us": 2_340_000_000,
    "longest_us": 7_200_000_000,
    "schedule": SCHEDULE,
}
RULES = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
}


@pytest.mark.parametrize("trip", [False, True], ids=["healthy", "tripped"])
@pytest.mark.parametrize(("size", "scheme"), [(DESK, "light"), (PHONE, "dark")], ids=["desk light", "phone dark"])
def test_axe_finds_nothing_and_nothing_is_too_wide(new_page, stand_in, size, scheme, trip):
    if trip:
        stand_in.now |= tripped()
    stand_in.answers |= {
        "GET /schedules/1": (200, STORED),
        "GET /schedules/1/revisions": (200, {"revisions": [STORED]}),
        "GET /schedules": (200, {"schedules": [STORED]}),
        "POST /schedules/preview": (
            200,
            {
                "curve": [[0, 21_000], [2_340_000_000, 60_000]],
                "duration_us": 2_340_000_000,
                "from_mc": 21_000,
                "mistakes": [],
                "cannot_start": [],
            },
        ),
    }
    stand_in.answers["GET /proofs"] = (200, guide(stand_in.now["utc_us"], {"limiter": "ended", "place": "void"}))
    page = new_page(size, scheme, bypass_csp=True)
    for sheet in ("now", "alarms") if trip else SHEETS:
        page.goto(f"{stand_in.url}/#/{sheet}")
        expect(page.locator("main h1")).to_have_count(1)
        expect(page.locator("main h1.loading-line")).to_have_count(0)
        expect(page.locator("main .titleblock")).to_be_visible()
        _flawless(page, sheet)


@pytest.mark.parametrize(("size", "scheme"), [(DESK, "dark"), (PHONE, "light")], ids=["desk dark", "phone light"])
def test_axe_finds_nothing_on_what_is_seldom_seen(new_page, stand_in, size, scheme):
    """A cold chamber before a start, its card, an open form for every purpose, two chambers, a run's notes, and signed out."""
    new_page.allowed += ["401", "Failed to load resource"]
    rooms.with_run(rooms.two_chambers(rooms.furnished(stand_in)))
    stand_in.now |= rooms.idle(stand_in.now)
    curve = {"curve": [[0, 21_000], [2_340_000_000, 60_000]], "duration_us": 2_340_000_000, "from_mc": 21_000}
    stand_in.answers |= {
        "GET /schedules/1": (200, STORED),
        "GET /schedules": (200, {"schedules": [STORED]}),
        "POST /schedules/preview": (200, {**curve, "mistakes": [], "cannot_start": []}),
    }
    page = new_page(size, scheme, bypass_csp=True)
    for sheet in ("schedules/1/start", "schedules/1/start/card", "people", "messages", "record/2", "at/garage/now", "join"):
        page.goto(f"{stand_in.url}/#/{sheet}")
        expect(page.locator("main h1:not(.loading-line)")).to_have_count(1)
        page.wait_for_timeout(400)
        page.evaluate("document.querySelectorAll('main details').forEach((one) => { one.open = true; })")
        _flawless(page, sheet)
    stand_in.signed_out = True
    stand_in.answers["GET /me"] = (200, NOBODY)
    page.goto("about:blank")
    page.goto(f"{stand_in.url}/#/now")
    expect(page.locator("h1")).to_have_text("Sign in.")
    _flawless(page, "signed out")


def _flawless(page, sheet: str) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), f"{sheet} is wider than the screen"
    if not page.evaluate("'axe' in globalThis"):
        page.add_script_tag(path=str(AXE))
    found = page.evaluate("(rules) => axe.run(document, rules)", RULES)["violations"]
    assert not found, [
        f"{sheet}: {one['id']}: {one['nodes'][0]['html'][:160]} {one['nodes'][0]['failureSummary'][:200]}" for one in found
    ]


def test_a_sheet_has_its_heading_before_any_answer(new_page, stand_in):
    page = new_page(PHONE)
    page.route("**/api/v1/**", lambda route: None)
    for sheet in (*SHEETS, "schedules", "schedules/1", "record", "record/1"):
        page.goto("about:blank")
        page.goto(f"{stand_in.url}/#/{sheet}")
        expect(page.locator("main h1")).to_have_count(1)


@pytest.mark.parametrize("width", [390, 600, 900, 1200, 1680])
def test_now_fits_every_width(new_page, stand_in, width):
    page = new_page({"width": width, "height": 900})
    page.goto(stand_in.url)
    expect(page.locator("svg.plan")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.locator(".upright").count() == (1 if width < 900 else 0)
