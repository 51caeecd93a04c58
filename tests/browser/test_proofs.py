"""Sheet 6, Proofs: the table, a step by the hand, what changed; on a desk and a phone, for those who may and those who look."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import expect

from controller.commissioning.steps import BY_ID, STEPS
from tests.api.fake_proofs import DAY_US, LIST, doing, guide
from tests.browser.conftest import DESK, PHONE
from tests.browser.rooms import LOOKER, idle
from tests.browser.stand_in import problem
from tests.browser.test_every_sheet import _flawless
from tests.browser.test_page_alone import open_at

NARROW = {"width": 360, "height": 740}
STATES = {
    "limiter": "ended",
    "contacts": "failed",
    "burn_off": "to_do",
    "place": "void",
    "smoke_alarm": "ending",
    "watchdog": "not_for_this_chamber",
}
AGAIN = {
    "outcome": "again",
    "words": "One value is out of range.",
    "wrong": [
        {
            "field": "clearance_cm",
            "value": "12 cm",
            "allowed": "30 to 1000 cm",
            "advice": BY_ID["place"].fields[3].wrong,
        }
    ],
}
PROOF = {
    "step": 1,
    "of": 3,
    "words": "Contactor open, modulator on: no rise may be seen.",
    "left_us": 41_000_000,
    "share": 0.4,
}


@pytest.fixture
def bench(stand_in):
    """A chamber at rest with proofs in every state."""
    stand_in.now |= idle(stand_in.now)
    stand_in.now["commissioning"] = None
    shows(stand_in, STATES)
    return stand_in


def shows(world: Any, states: dict[str, str], **more: Any) -> None:
    at = world.now["utc_us"]
    dated = (
        {"limiter": {"done_utc_us": at - 380 * DAY_US, "valid_until_utc_us": at - 15 * DAY_US}}
        if states.get("limiter") == "ended"
        else {}
    )
    world.answers["GET /proofs"] = (200, guide(at, states, **dated, **more))


def row(page: Any, step: str) -> Any:
    return page.locator(f"tr[data-key=proof-{step}]")


def posts(world: Any, path: str) -> list[Any]:
    return [body for asked, body in world.asked if asked == path]


def fill_place(page: Any, clearance: str) -> None:
    for field in BY_ID["place"].fields[:3]:
        page.locator(f"[name={field.key}][value=yes]").check()
    page.get_by_label("Free space to the nearest thing that burns").fill(clearance)


def test_the_sentence_the_next_step_and_every_proof_stand_in_their_groups(new_page, bench):
    page = open_at(new_page, bench, "proofs")
    expect(page.locator("h1")).to_have_text("Not to be left alone yet.")
    expect(page.locator(".next")).to_contain_text("next, about 3 min, values to type")
    expect(page.locator(".next a")).to_have_text(BY_ID["place"].title)
    assert page.locator("tr.proof").count() == len(STEPS)
    expect(page.locator("[data-key=part-core] .part")).to_contain_text(
        re.compile(r"Core.*\d+\smin done, \d+\smin left")
    )
    expect(page.locator(".sheet-head")).to_contain_text("SIMULATED. All proofs on this sheet are invented.")


def test_every_state_stands_in_words_beside_its_mark(new_page, bench):
    page = open_at(new_page, bench, "proofs")
    for step, words, marks in (
        ("wiring", r"\d+ \w+", 0), ("limiter", r"ended \d+ \w+", 1), ("contacts", "failed", 1), ("place", "void", 1),
        ("burn_off", "not done yet", 1), ("terminals", r"\d+ \w+", 0), ("watchdog", "not for this chamber", 1),
        ("smoke_alarm", r"ends \d+ \w+", 0),
    ):  # fmt: skip
        expect(row(page, step).locator(".until")).to_have_text(re.compile(words))
        assert row(page, step).locator("th .mark").count() == marks, step


def test_bars_and_the_plumb_line_come_with_dates_to_compare_and_not_before(new_page, bench):
    page = open_at(new_page, bench, "proofs")
    expect(page.locator(".bobs")).to_contain_text("today, ")
    done, ended = row(page, "wiring").locator(".bar .w.volt"), row(page, "limiter").locator(".bar .w.dots")
    plumb = row(page, "limiter").locator(".bar .plumb").bounding_box()["x"]
    assert done.bounding_box()["x"] + done.bounding_box()["width"] > plumb
    assert ended.bounding_box()["x"] + ended.bounding_box()["width"] < plumb, "an ended proof stops before today"
    shows(bench, {step.id: "to_do" for step in STEPS[1:]})
    page.reload()
    expect(row(page, "wiring").locator(".until")).to_have_text(re.compile(r"\d+ \w+"))
    expect(page.locator(".bar")).to_have_count(0)


def test_a_value_out_of_range_is_asked_once_more_and_then_stored_as_failed(new_page, bench):
    bench.answers["POST /proofs/place/values"] = (200, AGAIN)
    page = open_at(new_page, bench, "proofs/place")
    fill_place(page, "12")
    expect(page.get_by_role("button", name="Store it as failed")).to_have_count(0)
    page.get_by_role("button", name="Store these values").click()
    expect(page.locator("main [role=alert]")).to_contain_text("Measure once more.")
    expect(page.locator(".mistake")).to_contain_text(f"Allowed is 30 to 1,000 cm. {BY_ID['place'].fields[3].wrong}")
    expect(page.get_by_label("Free space")).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Free space")).to_have_value("12")
    failed = {"outcome": "failed", "words": "It is stored with what was found.", "wrong": []}
    bench.answers["POST /proofs/place/values"] = (200, failed)
    shows(
        bench, {**STATES, "place": "failed"}, place={"advice": "Move it, or move what burns.", "found": "12 cm clear"}
    )
    page.get_by_role("button", name="Store it as failed").click()
    expect(page.locator(".outcome")).to_contain_text("Stored as failed.")
    expect(page.locator(".standing-now").first).to_contain_text("Found: 12 cm clear. Move it, or move what burns.")
    values = {"rcd_trips": "yes", "socket_earthed": "yes", "straight_into_wall": "yes", "clearance_cm": 12}
    first, second = posts(bench, "/proofs/place/values")
    assert first == {"values": values, "sensor": "", "spot": "", "sure": False} and second == {**first, "sure": True}


def test_another_value_is_another_question(new_page, bench):
    """Whoever measures anew is not one press away from storing a failure."""
    bench.answers["POST /proofs/place/values"] = (200, AGAIN)
    page = open_at(new_page, bench, "proofs/place")
    fill_place(page, "12")
    page.get_by_role("button", name="Store these values").click()
    expect(page.get_by_role("button", name="Store it as failed")).to_be_visible()
    page.get_by_label("Free space").fill("45")
    expect(page.get_by_role("button", name="Store it as failed")).to_have_count(0)
    expect(page.locator(".mistake")).to_have_count(0)


def test_what_is_missing_is_said_at_its_field_and_nobody_is_asked(new_page, bench):
    page = open_at(new_page, bench, "proofs/place")
    page.get_by_label("Free space").fill("about a metre")
    page.get_by_role("button", name="Store these values").click()
    expect(page.locator(".mistake")).to_have_text(
        ["Choose one.", "Choose one.", "Choose one.", "Type a number in digits, such as 0.3."]
    )
    assert not posts(bench, "/proofs/place/values")


def test_a_passed_step_says_so_empties_its_fields_and_leads_to_the_next(new_page, bench):
    bench.answers["POST /proofs/place/values"] = (
        200,
        {"outcome": "passed", "words": "It holds for a year.", "wrong": []},
    )
    page = open_at(new_page, bench, "proofs/place")
    fill_place(page, "0,5e")
    page.get_by_label("Free space").fill("45,5")
    shows(bench, {**STATES, "place": "done"})
    page.get_by_role("button", name="Store these values").click()
    expect(page.locator(".outcome")).to_contain_text("It passed. It holds for a year.")
    expect(page.get_by_label("Free space")).to_have_value("")
    assert posts(bench, "/proofs/place/values")[0]["values"]["clearance_cm"] == 45.5
    page.get_by_role("link", name=re.compile("^Next: ")).first.click()
    expect(page.locator("h1")).to_have_text(BY_ID["contacts"].title)


def test_what_was_begun_to_type_is_there_after_a_look_at_another_sheet(new_page, bench):
    page = open_at(new_page, bench, "proofs/place")
    page.get_by_label("Free space").fill("77")
    page.goto(f"{bench.url}/#/chamber")
    expect(page.locator("h1")).to_contain_text("It may run")
    page.goto(f"{bench.url}/#/proofs/place")
    expect(page.get_by_label("Free space")).to_have_value("77")


def test_each_sensor_is_typed_for_itself(new_page, bench):
    shows(bench, {"live_parts": "to_do"})
    bench.answers["POST /proofs/live_parts/values"] = (200, {"outcome": "passed", "words": "", "wrong": []})
    page = open_at(new_page, bench, "proofs/live_parts")
    page.get_by_label("air, over-temperature sensor").check()
    for field in BY_ID["live_parts"].fields:
        page.get_by_label(field.ask).fill("1")
    page.get_by_role("button", name="Store these values").click()
    expect(page.locator(".outcome")).to_contain_text("It passed.")
    assert posts(bench, "/proofs/live_parts/values")[0]["sensor"] == "over_temperature"


def test_temperatures_are_asked_in_the_unit_that_is_shown(new_page, bench):
    shows(bench, {"burn_off": "to_do"})
    page = open_at(new_page, bench, "proofs/burn_off")
    expect(page.locator("main")).to_contain_text(re.compile("15 to 60.°C"))
    page.get_by_label("Hottest touchable spot").fill("41")
    page.locator(".margin .unit-switch").click()
    expect(page.locator("main")).to_contain_text(re.compile("59 to 140.°F"))
    expect(page.get_by_label("Hottest touchable spot")).to_have_value("")


def test_a_watched_step_shows_live_what_was_seen_and_asks_what_only_a_person_knows(new_page, bench):
    bench.answers |= {
        "POST /proofs/contacts/begin": (200, {"outcome": "watching", "words": "", "wrong": []}),
        "POST /proofs/contacts/confirm": (200, {"outcome": "watching", "words": "", "wrong": []}),
        "POST /proofs/cancel": (200, {"outcome": "ended", "words": "Nothing was stored.", "wrong": []}),
    }
    shows(bench, {"contacts": "to_do"})
    page = open_at(new_page, bench, "proofs/contacts")
    page.get_by_role("button", name=re.compile("^Begin")).click()
    bench.push(commissioning=doing("contacts", *LIST, left_us=41_000_000))
    watched = page.locator(".watched li")
    expect(watched).to_have_count(3)
    expect(watched.nth(0)).to_contain_text("seen")
    expect(watched.nth(1)).to_contain_text("waiting")
    expect(page.get_by_role("progressbar")).to_have_attribute("aria-valuenow", "40")
    expect(page.locator(".filling")).to_contain_text(re.compile(r"41\ss left, until \d\d:\d\d:\d\d"))
    bench.push(commissioning=doing("contacts", LIST[0], (*LIST[1][:2], "seen"), LIST[2]))
    expect(watched.nth(1)).to_contain_text("seen")
    watched.nth(2).get_by_role("button", name="No").click()
    page.wait_for_timeout(200)
    assert posts(bench, "/proofs/contacts/confirm") == [{"seen": "lamp_armed", "yes": False}]
    page.get_by_role("button", name="Cancel").click()
    bench.push(commissioning=doing("contacts", words="Cancelled. Nothing was stored.", outcome="ended"))
    expect(page.get_by_role("button", name=re.compile("^Begin"))).to_be_enabled()
    expect(page.locator(".outcome")).to_contain_text("Ended. Cancelled. Nothing was stored.")
    assert posts(bench, "/proofs/cancel") == [{}]


def test_how_a_watched_step_ended_is_said_also_to_a_page_that_comes_later(new_page, bench):
    bench.now["commissioning"] = doing("contacts", words="The fan was not seen.", outcome="failed")
    page = open_at(new_page, bench, "proofs/contacts")
    expect(page.locator(".outcome")).to_contain_text("Stored as failed. The fan was not seen.")
    page.goto(f"{bench.url}/#/proofs")
    expect(page.locator(".next")).not_to_contain_text("being done now")


def test_a_page_that_is_opened_meanwhile_shows_where_the_step_stands(new_page, bench):
    bench.now["commissioning"] = doing("contacts", *LIST)
    page = open_at(new_page, bench, "proofs")
    expect(page.locator(".next")).to_contain_text("being done now")
    page.locator(".next a").click()
    expect(page.locator(".watched li")).to_have_count(3)
    page.reload()
    expect(page.locator(".watched li")).to_have_count(3)


def test_a_step_that_another_comes_before_says_which_and_cannot_begin(new_page, bench):
    shows(bench, {"wiring": "to_do", "contacts": "to_do"})
    page = open_at(new_page, bench, "proofs/contacts")
    expect(page.locator("main").get_by_role("link", name=BY_ID["wiring"].title).first).to_be_visible()
    expect(page.get_by_role("button", name=re.compile("^Begin"))).to_be_disabled()


def test_a_step_that_heats_is_started_waits_for_the_button_and_shows_its_start_proof(new_page, bench):
    shows(bench, {"silence": "to_do"})
    bench.answers["POST /runs"] = (
        202,
        {"ask": "start", "detail": "waits", "run_id": "3", "state": "idle", "trial": "silence"},
    )
    page = open_at(new_page, bench, "proofs/silence")
    page.get_by_role("button", name=re.compile("^Start, and stay beside it")).click()
    pending = {"asked_utc_us": 1, "seconds_left": 90, "schedule": "", "run_id": "3", "armed": False, "level": "at_the_chamber",
               "by": "x", "at_utc_us": None, "waits_for": "arm", "words": ""}  # fmt: skip
    bench.push(pending=pending)
    expect(page.locator(".go")).to_contain_text("The start waits for the arm button at the chamber")
    assert posts(bench, "/runs") == [{"trial": "silence", "level": "at_the_chamber"}]
    bench.push(pending=None, run={**fixture_run(), "trial": "silence", "proof": PROOF})
    expect(page.locator(".filling")).to_contain_text("Start proof, step 1 of 3.")
    bench.push(
        run={**fixture_run(), "trial": "silence", "proof": None}, commissioning=doing("silence", words="Heating.")
    )
    expect(page.locator(".filling")).to_contain_text("Heating.")
    shows(bench, {}, silence={"found": "4.6 s"})
    bench.push(
        run={**fixture_run(), "trial": "silence", "proof": None, "state": "complete", "end": ""},
        commissioning=None,
    )
    expect(page.locator(".standing-now").first).to_contain_text(re.compile("It holds until .* Found: 4.6.s."))
    expect(page.locator("main")).to_contain_text("Run 2 is over.")


def fixture_run() -> dict[str, Any]:
    from tests.browser.stand_in import fixture

    run: dict[str, Any] = fixture("soaking")["run"]
    return run


def test_a_refused_start_says_why(new_page, bench):
    new_page.allowed.append("409")
    shows(bench, {"silence": "to_do"})
    bench.answers["POST /runs"] = (409, problem("busy", "A start already waits."))
    page = open_at(new_page, bench, "proofs/silence")
    page.get_by_role("button", name=re.compile("^Start, and stay beside it")).click()
    expect(page.locator("main .trouble")).to_contain_text("A start already waits.")


def test_the_survey_goes_place_by_place(new_page, bench):
    shows(bench, {"survey": "to_do"})
    bench.answers["POST /runs"] = (
        202,
        {"ask": "start", "detail": "", "run_id": "3", "state": "idle", "trial": "survey"},
    )
    page = open_at(new_page, bench, "proofs/survey")
    expect(page.locator(".spots circle.balloon")).to_have_count(9)
    page.get_by_label("2. lower front, left").check()
    page.get_by_role("button", name=re.compile("^Start, and stay beside it")).click()
    page.wait_for_timeout(200)
    assert posts(bench, "/runs") == [{"trial": "survey", "level": "at_the_chamber", "spot": "lower_front_left"}]


def test_a_survey_that_is_done_shows_its_figures_in_the_unit_that_is_shown(new_page, bench):
    page = open_at(new_page, bench, "proofs/survey")
    expect(page.locator(".survey-part")).to_contain_text(re.compile(r"Uniformity ±1\.4.°C, stability ±0\.3.°C"))
    expect(page.locator("svg.survey")).to_contain_text(re.compile(r"1\.9.°C from place to place"))
    page.locator(".margin .unit-switch").click()
    expect(page.locator(".survey-part")).to_contain_text(re.compile(r"Uniformity ±2\.5.°F"))


def test_something_changed_says_what_it_voids_before_it_is_pressed(new_page, bench):
    bench.answers["POST /proofs/changed"] = (200, {"voided": ["sensor_identity", "live_parts"], "minutes": 6})
    page = open_at(new_page, bench, "proofs")
    send = page.get_by_role("button", name="It changed: void what hangs on it")
    expect(send).to_be_disabled()
    page.get_by_label("What changed").select_option("sensor")
    expect(page.locator(".voids")).to_contain_text(
        re.compile(r"It voids 4 proofs; doing them again takes about 22.min")
    )
    expect(page.locator(".voids")).to_contain_text(BY_ID["ice_point"].title)
    assert not posts(bench, "/proofs/changed")
    page.get_by_label("Which sensor").select_option("control")
    page.get_by_label("Note, if you like").fill("the old one was bent")
    send.click()
    expect(page.locator(".something [role=status]").last).to_contain_text(
        re.compile(r"2 proofs hold no more\. .* 6.min")
    )
    assert posts(bench, "/proofs/changed") == [
        {"change": "sensor", "sensor": "control", "note": "the old one was bent"}
    ]


def test_whoever_only_looks_sees_all_and_can_press_nothing(new_page, bench):
    bench.answers["GET /me"] = (200, LOOKER)
    page = open_at(new_page, bench, "proofs")
    expect(page.locator(".next")).to_contain_text("Proving: for a maintainer.")
    expect(page.locator("main").get_by_role("button")).to_have_count(0)
    expect(page.get_by_role("link", name="Keep the chamber as a file")).to_have_count(0)
    page.goto(f"{bench.url}/#/proofs/place")
    expect(page.locator("main")).to_contain_text("Proving: for a maintainer.")
    expect(page.locator("main input")).to_have_count(0)


def test_proofs_that_cannot_be_read_say_what_goes_on(new_page, bench):
    new_page.allowed.append("503")
    bench.answers["GET /proofs"] = (503, problem("controller_away", "The controller does not answer."))
    page = new_page()
    page.goto(f"{bench.url}/#/proofs")
    expect(page.locator("h1")).to_have_text("The proofs can’t be read.")


def test_a_step_that_there_is_not_leads_back(new_page, bench):
    page = open_at(new_page, bench, "proofs/painting")
    expect(page.locator("h1")).to_have_text("There is no such step.")


@pytest.mark.parametrize(
    ("size", "scheme"), [(DESK, "dark"), (NARROW, "light"), (PHONE, "dark")], ids=["desk", "narrow", "phone"]
)
def test_every_step_fits_the_screen_and_axe_finds_nothing(new_page, bench, size, scheme):
    page = new_page(size, scheme, bypass_csp=True)
    for at in ("proofs", "proofs/wiring", "proofs/ice_point", "proofs/limiter", "proofs/survey", "proofs/contacts"):
        bench.push(commissioning=doing("contacts", *LIST) if at.endswith("contacts") else None)
        page.goto(f"{bench.url}/#/{at}")
        expect(page.locator("main .titleblock")).to_be_visible()
        page.wait_for_timeout(300)
        _flawless(page, at)
        wide = page.evaluate(
            """[...document.querySelectorAll("main :is(p, td, th, li, input, button, a, svg, label)")]
              .filter((one) => one.getBoundingClientRect().right > innerWidth + 0.5).map((one) => one.outerHTML.slice(0, 90))"""
        )
        assert not wide, (at, wide)


@pytest.mark.parametrize("width", [600, 760, 900, 1200])
def test_the_table_fits_every_width(new_page, bench, width):
    page = open_at(new_page, bench, "proofs", size={"width": width, "height": 900})
    expect(page.locator("tr.proof")).to_have_count(len(STEPS))
    page.wait_for_timeout(300)
    cells = "[...document.querySelectorAll('.proofs td, .proofs th')]"
    assert page.evaluate(f"{cells}.every((one) => one.getBoundingClientRect().right <= innerWidth + 0.5)")
