"""One run of the record: what was asked of it stands beside what it did, and who did what is told in sentences."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser import rooms
from tests.browser.conftest import DESK, PHONE
from tests.browser.test_page_alone import open_at
from tests.browser.test_pure_modules import NB, run

__all__ = ["run"]
CURVE = """{run_id: '2', utc_us: [0, 60, 120, 180], gaps: [[121, 179]], columns: {
  setpoint_mc: {min: [20000, 30000, 40000, null], max: [20000, 30500, 40000, null]},
  control_mc: {min: [21000, null, 39000, 40000], max: [21500, null, 39000, 40000]},
  duty_e4: {min: [9000, 9040, 0, 2000], max: [10000, 9060, 0, 3000]},
  seen_e4: {min: [9000, null, 0, 2000], max: [9000, null, 0, 2100]}}}"""


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_a_run_shows_air_part_set_point_and_duty_by_name(new_page, stand_in, size):
    rooms.with_run(rooms.furnished(stand_in))
    page = open_at(new_page, stand_in, "record/2", size=size)
    expect(page.locator(".plan .setpoint")).to_have_attribute("d", re.compile("^M.*L"))
    expect(page.locator(".duty .dutyline")).to_have_attribute("d", re.compile("^M.*L"))
    for name in ("air", "part", "set point"):
        expect(page.locator(".plan text", has_text=re.compile(f"^{name}$"))).to_be_attached()
    expect(page.locator(".duty text")).to_have_text(["0", "100", "%", "duty asked"])
    plan, strip = page.locator(".plan").bounding_box(), page.locator(".duty").bounding_box()
    assert strip["y"] >= plan["y"] + plan["height"] and strip["height"] <= 64 and strip["width"] == plan["width"]
    top = page.locator(".duty .dutyline").evaluate("(one) => one.getBBox().y")
    assert 12 <= top < 20, "95 % is near the top of its ruler"


def test_the_readout_names_every_line(run):
    words = [run("parts/duty", f"m.readoutWords({CURVE}, {at}, 'C')").replace(NB, " ") for at in (0, 1, 3)]
    assert words == [
        "set point 20.0 °C, air 21.0 to 21.5 °C, duty asked 90 to 100 %, seen 90 %",
        "set point 30.0 to 30.5 °C, duty asked 90 to 91 %",
        "air 40.0 °C, duty asked 20 to 30 %, seen 20 to 21 %",
    ]


def test_a_gap_breaks_the_duty_as_it_breaks_every_line(run):
    spans = run("parts/duty", f"m.spansOf({CURVE}, 'duty_e4', 60, 180)")
    assert spans == [[60, 9040, 9060], [120, 0, 0], None, [180, 2000, 3000]]
    assert run("parts/duty", f"m.spansOf({CURVE}, 'setpoint_mc', 120, 180)") == [[120, 40000, 40000], None, None]


def test_what_was_agreed_to_before_leaving_is_told_in_its_sentences(new_page, stand_in):
    rooms.with_run(rooms.furnished(stand_in))
    page = open_at(new_page, stand_in, "record/2")
    did = page.locator("section", has=page.get_by_role("heading", name="Who did what"))
    expect(did).to_contain_text("2 statements of the checklist were agreed to")
    expect(did).to_contain_text("a test message over phone had arrived less than an hour before")
    expect(did.locator(".agreed li")).to_have_text([re.compile("smoke alarm in the room"), re.compile("Nothing that burns")])
    expect(page.locator("main")).not_to_contain_text("arrived_age_us")


@pytest.mark.parametrize(("seconds", "words"), [(1799, "0 h 30"), (1770, "0 h 30"), (1769, "0 h 29"), (7200, "2 h")])
def test_time_in_band_is_told_to_the_next_minute(run, seconds, words):
    done = f"{{kind: 'soak', part_in_band_us: {seconds}e6}}"
    page = "(await import('/sheets/run.js')).inBand"
    assert run("sheets/record", f"{page}({done}, 'part')").replace(NB, " ") == words


def test_nobody_is_called_by_the_records_name(run):
    assert run("text", "m.together('Heat stopped by local, not signed in.')") == "Heat stopped by somebody at this computer."
    assert run("parts/events", "m.whoWords('local, not signed in')") == "somebody at this computer"
