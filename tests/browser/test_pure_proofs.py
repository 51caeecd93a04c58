"""The pure modules of the sheet Proofs, run inside Chromium: words of states, dates, what was typed, the plan of a survey."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest

from controller.commissioning.steps import STEPS
from tests.api.fake_proofs import CHANGES, DAY_US, SPOTS, guide, step_row
from tests.browser.test_pure_modules import run

__all__ = ["run"]
NB = "\u00a0"
NOW_US = int(datetime(2026, 11, 2, 12, tzinfo=UTC).timestamp()) * 1_000_000
DATED = {"done_utc_us": NOW_US - 3 * DAY_US, "valid_until_utc_us": NOW_US + 28 * DAY_US}
ENDED = {"done_utc_us": NOW_US - 370 * DAY_US, "valid_until_utc_us": NOW_US - 5 * DAY_US}
STANDS = [
    ({"state": "done", **DATED}, ["", "30 Nov"]),
    ({"state": "done"}, ["", "holds"]),
    ({"state": "ending", **DATED}, ["", "ends 30 Nov"]),
    ({"state": "ended", **ENDED}, ["alarm", "ended 28 Oct"]),
    ({"state": "failed", **DATED}, ["trip", "failed"]),
    ({"state": "void"}, ["stale", "void"]),
    ({"state": "to_do", "blocked_by": []}, ["todo", "not done yet"]),
    ({"state": "to_do", "blocked_by": ["wiring"]}, ["", "not done yet"]),
    ({"state": "void", "blocked_by": ["wiring"]}, ["", "waits for others"]),
    ({"state": "doing"}, ["", "being done"]),
    ({"state": "not_for_this_chamber"}, ["notallowed", "not for this chamber"]),
    ({"state": "a later one"}, ["unconfirmed", "not known"]),
]


def said(value: Any) -> str:
    return json.dumps(value)


@pytest.mark.parametrize(("row", "says"), STANDS, ids=[row["state"] for row, _ in STANDS])
def test_every_state_has_its_mark_and_its_word(run, row, says):
    assert run("proving", f"(({{mark, words}}) => [mark, words])(m.standing({said(row)}, {NOW_US}))") == says


@pytest.mark.parametrize("state", [row["state"] for row, _ in STANDS])
def test_every_state_has_a_whole_sentence(run, state):
    words = run("proving", f"m.standingWords({said({'state': state, 'switchings_left': 50_000})}, {NOW_US})")
    assert words.endswith(".") and "undefined" not in words


def test_a_proof_that_switchings_end_too_says_how_many_are_left(run):
    row = {"state": "done", "switchings_left": 50_000, **DATED}
    assert (
        run("proving", f"m.standingWords({said(row)}, {NOW_US})")
        == "It holds until 30 Nov, or after 50,000 more switchings."
    )


def test_a_proof_that_rests_on_a_voided_one_says_when_it_counts_again(run):
    row = {"state": "void", "blocked_by": ["wiring"], "state_words": "counts again once this holds: Earth"}
    assert (
        run("proving", f"m.standingWords({said(row)}, {NOW_US})") == "It waits; it counts again once this holds: Earth."
    )


DONE = [
    ("Anna", "Done by Anna, Mon 2 Nov 13:00."),
    ("", "Done Mon 2 Nov 13:00."),
    ("invented with the chamber", "Invented with the chamber, Mon 2 Nov 13:00."),
    ("local, not signed in", "Done by somebody at this computer, Mon 2 Nov 13:00."),
]


@pytest.mark.parametrize(("by", "words"), DONE)
def test_who_did_it_is_said_in_words(run, by, words):
    assert run("proving", f"m.doneWords({said({'state': 'done', 'by': by, 'done_utc_us': NOW_US})}, {NOW_US})") == words


TYPED = [
    ("0.12", 0.12),
    ("0,12", 0.12),
    (" .5 ", 0.5),
    ("\u22120.4", -0.4),
    ("+3", 3),
    ("", None),
    ("a", None),
    ("1e3", None),
    ("1.2.3", None),
]


@pytest.mark.parametrize(("text", "value"), TYPED)
def test_numbers_are_read_as_people_write_them(run, text, value):
    assert run("proving", f"m.number({said(text)})") == value


def test_what_is_missing_or_no_number_is_said_before_anybody_is_asked(run):
    fields = step_row(STEPS[0], NOW_US)["fields"]
    found = run("proving", f"m.read({said(fields)}, {{earth_ohm: 'abc', insulation_mohm: '40', joints: 'yes'}}, 'C')")
    assert found["values"] == {"insulation_mohm": 40, "joints": "yes"}
    wrong = {row["field"]: row["advice"] for row in found["wrong"]}
    assert wrong["earth_ohm"].startswith("Type a number") and wrong["link_ohm"] == "Type what you found."
    assert wrong["no_own_thermostat"] == "Choose one." and len(wrong) == len(fields) - 2


def test_a_temperature_is_typed_in_the_unit_that_is_shown_and_sent_in_celsius(run):
    field = {"key": "case_c", "ask": "", "unit": "°C", "low": 15, "high": 60, "choices": [], "wrong": ""}
    assert run("proving", f"m.read([{said(field)}], {{case_c: '104'}}, 'F').values") == {"case_c": 40}
    assert run("proving", f"m.rangeWords(m.asked({said(field)}, 'F'))") == f"59 to 140{NB}°F"
    assert run("proving", f"m.read([{said(field)}], {{case_c: '40'}}, 'C').values") == {"case_c": 40}


def test_bars_are_drawn_once_there_is_more_than_one_date_to_compare(run):
    one = guide(NOW_US, {step.id: "to_do" for step in STEPS[1:]})["steps"]
    assert run("proving", f"m.comparable({said(one)})") is False
    assert run("proving", f"m.comparable({said(guide(NOW_US)['steps'])})") is True


def test_a_line_goes_from_done_to_its_end_and_stops_before_today_where_it_ended(run):
    steps = [{"state": "done", **DATED}, {"state": "ended", **ENDED}, {"state": "failed", "done_utc_us": NOW_US},
             {"state": "void", "done_utc_us": NOW_US - 30 * DAY_US}, {"state": "to_do"}]  # fmt: skip
    body = f"const s = {said(steps)}; const r = m.monthRuler(s, {NOW_US}); return [s.map((one) => m.bar(one, r)), r.today];"
    bars, today = run("proving", f"(() => {{ {body} }})()")
    assert bars[0]["from"] < today < bars[0]["to"]
    assert bars[1]["to"] < today, "an ended proof's line stops before today"
    assert (bars[2]["kind"], bars[2]["to"]) == ("failed", None)
    assert (bars[3]["kind"], bars[3]["to"]) == ("void", today) and bars[4] is None


def test_the_ruler_names_as_many_months_as_fit_and_holds_every_date(run):
    for most in (5, 9):
        ruler = run("proving", f"m.monthRuler({said(guide(NOW_US)['steps'])}, {NOW_US}, {most})")
        assert 3 <= len(ruler["months"]) <= most and all(0 < month["at"] < 1 for month in ruler["months"])
        assert ruler["months"] == sorted(ruler["months"], key=lambda month: month["us"])


def test_a_change_says_what_it_voids_and_how_long_redoing_takes_and_names_only_what_holds(run):
    steps = guide(NOW_US, {"ice_point": "to_do"})["steps"]
    found = run("proving", f"m.changeWords({said(CHANGES[1])}, {said(steps)})")
    assert (
        found["words"]
        == f"It voids 3 proofs; doing them again takes about 22{NB}min of yours. What rests on them waits meanwhile."
    )
    assert [step["id"] for step in found["lost"]] == ["sensor_identity", "live_parts", "boiling_point"]


def test_a_countdown_has_its_clock(run):
    assert run("parts/filling", f"m.leftWords(41e6, {NOW_US})") == f"41{NB}s left, until 13:00:41"
    assert run("parts/filling", f"m.leftWords(1200e6, {NOW_US})") == f"20{NB}min left, until 13:20"
    assert run("parts/filling", f"m.leftWords(null, {NOW_US})") == ""


def test_a_ruler_that_fills_tells_a_screen_reader_how_far(run):
    text = run("parts/filling", "m.drawFilling({head: 'Watching.', words: 'x', share: 0.4}).text")
    assert 'role="progressbar"' in text and 'aria-valuenow="40"' in text
    assert "aria-valuenow" not in run(
        "parts/filling", "m.drawFilling({head: 'Watching.', words: 'x', share: null}).text"
    )


def test_places_of_a_survey_lie_apart_and_where_their_names_say(run):
    places = {spot: run("parts/surveyplan", f"m.placeOf({said(spot)})") for spot, _ in SPOTS}
    assert len({(round(place["x"]), round(place["y"])) for place in places.values()}) == len(SPOTS)
    low, high, back = (
        places[f"{height}_{depth}_left"]
        for height, depth in (("lower", "front"), ("upper", "front"), ("lower", "back"))
    )
    assert low["y"] > high["y"] and back["x"] > low["x"] and back["y"] < low["y"]


ABOUT = [("live_parts", {}, ["control", ""]), ("ice_point", {}, ["", ""]), ("wiring", {}, ["", ""]),
         ("survey", {}, ["", "centre"]), ("ice_point", {"about": "over_temperature"}, ["over_temperature", ""])]  # fmt: skip


@pytest.mark.parametrize(("step", "chosen", "meant"), ABOUT)
def test_a_step_is_about_the_first_that_does_not_hold_or_all_together(run, step, chosen, meant):
    row = next(one for one in guide(NOW_US, {step: "to_do"})["steps"] if one["id"] == step)
    assert run("sheets/prove", f"(({{sensor, spot}}) => [sensor, spot])(m.about({said(row)}, {said(chosen)}))") == meant
