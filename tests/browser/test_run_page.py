"""One run of the record: what was asked of it stands beside what it did, and who did what is told in sentences."""

from __future__ import annotations

import json
import math
import re

import pytest
from playwright.sync_api import expect

from controller.core.alarms import ALARM_MOVES
from controller.core.events import EVENT_KINDS
from controller.core.run_states import MOVES as MOVE
from controller.core.run_states import S
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


@pytest.mark.parametrize(("seconds", "fine", "least"), [(60, True, 3), (600, False, 4), (3600, False, 3), (57_600, False, 3)])
def test_a_time_axis_has_marks_however_short_the_run(run, seconds, fine, least):
    found = run("parts/scales", f"m.hourMarks(1764061230e6, 1764061230e6 + {seconds}e6, 8)")
    assert found["fine"] is fine and least <= len(found["marks"]) <= 9


def test_a_note_keeps_its_lines_and_says_who_wrote_it(new_page, stand_in):
    rooms.with_run(rooms.furnished(stand_in))
    note = {"id": 1, "utc_us": 1764061230000000, "by": "local, not signed in", "text": "First.\nSecond.", "yours": True}
    stand_in.answers["GET /runs/2/notes"] = (200, {"notes": [note]})
    page = open_at(new_page, stand_in, "record/2")
    expect(page.locator(".notes .kept")).to_be_visible()
    lines = page.locator(".notes .kept").evaluate("(one) => one.offsetHeight / parseFloat(getComputedStyle(one).lineHeight)")
    assert round(lines) == 2 and "Somebody at this computer" in page.locator(".notes").inner_text()


@pytest.mark.parametrize(("ended_us", "now_us", "most_s"), [(7_000_000, "null", 90), (None, "7e6", 700)])
def test_a_run_of_seconds_fills_its_drawing_once_it_is_over(run, ended_us, now_us, most_s):
    given = f"""{{started_utc_us: 0, elapsed_us: 7e6, plan: [[0, 25000], [7e6, 25100]], run_ceiling_mc: 112000, end: '',
      state: 'aborted', segments: [], next: null, ended_utc_us: {json.dumps(ended_us)}}}"""
    trace = "{columns: () => []}"
    made = f"m.presentPlan({{run: {given}, trace: {trace}, nowUs: {now_us}, dataUs: 7e6, hotMc: 45000, unit: 'C'}})"
    view = run("parts/plan", f"(view => view.toUs - view.fromUs)({made})")
    assert 60e6 <= view <= most_s * 1e6


@pytest.mark.parametrize(
    ("stale_ms", "words"), [("null", "Run 2 is on."), ("9000", "Run 2 was on when its controller was last heard.")]
)
def test_a_run_is_on_only_as_long_as_its_controller_is_heard(run, stale_ms, words):
    row = {**rooms.a_run(), "going": True, "state": "running", "end": "", "ended_utc_us": None}
    row |= {"segments_done": [], "first_out": None}
    held = f"{{run: {{row: {json.dumps(row)}, events: [], whole: {{utc_us: [], gaps: [], columns: {{}}}}}}}}"
    state = f"{{held: {held}, now: {{}}, me: null, unit: 'C', staleMs: () => {stale_ms}}}"
    text = run("sheets/record", f"(await import('/sheets/run.js')).render({state}).text")
    assert words in text


def test_the_next_day_is_named_among_a_runs_events(new_page, stand_in):
    world = rooms.with_run(rooms.furnished(stand_in))
    told = world.answers["GET /runs/2/events"][1]["events"]
    told[-1]["utc_us"] += 24 * 3_600_000_000
    page = open_at(new_page, stand_in, "record/2")
    expect(page.locator(".balloons .day")).to_have_count(1)


def test_the_events_of_a_run_can_be_taken_as_csv(new_page, stand_in):
    rooms.with_run(rooms.furnished(stand_in))
    page = open_at(new_page, stand_in, "record/2")
    assert page.locator("a", has_text="Events as CSV").get_attribute("href").endswith("/runs/2/events/csv")


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


def test_no_number_in_the_curve_hides_another(run):
    """Sixteen events within a second, at the plot's foot, head and right edge; and each where it was wanted if it may."""
    plot = "{top: 20, bottom: 300, left: 60, right: 800}"
    module = "(await import('/sheets/run.js')).apart"
    for cx, by in ((400, 300), (61, 20), (799, 160)):
        wanted = f"Array.from({{length: 16}}, (_, at) => ({{no: at + 1, cx: {cx} + at / 4 * ({cx} < 799), cy: 90, by: {by}}}))"
        placed = run("sheets/record", f"{module}({wanted}, {plot})")
        gaps = [math.dist((a["bx"], a["by"]), (b["bx"], b["by"])) for a in placed for b in placed if a["no"] < b["no"]]
        assert min(gaps) >= 21, "two circles of radius 10.5 touch at 21"
        assert all(60 <= one["bx"] <= 800 and 20 <= one["by"] <= 300 for one in placed)
    stacked = run("sheets/record", f"{module}([1, 2, 3].map((no) => ({{no, cx: 100, cy: 9, by: 200, side: -1}})), {plot})")
    ups = [one["by"] for one in stacked]
    assert ups == sorted(ups, reverse=True) and len({one["bx"] for one in stacked}) == 1, "a column in order, off the curve"
    lonely = run("sheets/record", f"{module}([{{no: 1, cx: 100, cy: 9, by: 55}}, {{no: 2, cx: 200, cy: 9, by: 55}}], {plot})")
    assert [(one["bx"], one["by"]) for one in lonely] == [(100, 55), (200, 55)]


MOVES = [
    ("running", "holding", "interlock", "check_in_overdue", "and the schedule waits: nobody checked in in time"),
    ("held", "restarting", "restart", "Anna", "the run is to go on, by Anna"),
    ("restarting", "running", "settled", "controller", "the run goes on where it stood"),
    ("aborting", "aborted", "settled", "controller", "the run is over, aborted"),
    ("running", "stopping", "cool_down", "Anna", "the run ends early and cools down, by Anna"),
    ("running", "complete", "done", "schedule", "the run is complete"),
]


@pytest.mark.parametrize(("before", "after", "cause", "by", "words"), MOVES)
def test_what_a_run_did_is_told_in_words_for_a_household(run, before, after, cause, by, words):
    fields = f"{{before: '{before}', after: '{after}', cause: '{cause}', by: '{by}'}}"
    said = run("parts/events", f"m.eventWords({{kind: 'run_state', fields: {fields}}})")
    assert said.endswith(words) and "interlock" not in said and "_" not in said


def test_every_move_of_a_run_and_every_state_of_an_alarm_has_its_words(run):
    """Driven by the controller's own tables: a new row without words is found here."""
    moves = [(before, MOVE[before, cause], cause) for before, cause in MOVE if MOVE[before, cause] is not before]
    rows = [{"before": before, "after": after, "cause": cause, "by": "door"} for before, after, cause in moves]
    said = run("parts/events", f"{json.dumps(rows)}.map((fields) => m.eventWords({{kind: 'run_state', fields}}))")
    assert not [words for words in said if " to " in words and words.split(" to ")[0] in set(S)] and all(said)
    states = sorted({after.value for after in ALARM_MOVES.values()})
    alarm = "m.eventWords({kind: 'alarm', fields: {guard: 'door', after}})"
    told = run("parts/events", f"{json.dumps(states)}.map((after) => {alarm})")
    assert all(words.startswith("alarm door: it ") for words in told) and len(set(told)) == len(states)
    assert not any("acknowledged" in words for words in told)


@pytest.mark.parametrize("size", [DESK, {"width": 1280, "height": 800}], ids=["desk", "narrower"])
def test_no_number_in_the_curve_covers_a_word(new_page, stand_in, size):
    """Sixteen events, by turns all along the run and about its names, its trip and its limit's words."""
    rooms.with_run(rooms.furnished(stand_in))
    row = stand_in.answers["GET /runs/2"][1]
    began, minute_us = row["started_utc_us"], 60_000_000
    fields = {"guard": "door", "first_out": True, "value": 1, "limit": 1, "unit": ""}
    trip = {"id": 99, "kind": "tripped", "utc_us": began + 150 * minute_us, "fields": fields}
    row |= {"first_out": trip, "state": "aborted"}
    for minutes in (range(8, 168, 10), range(20, 36), range(140, 156), range(16)):
        marked = [{"id": at, "kind": "segment", "utc_us": began + minute * minute_us,
                   "fields": {"segment": 0, "kind": "ramp", "target_mc": 60_000}} for at, minute in enumerate(minutes)]
        stand_in.answers["GET /runs/2/events"] = (200, {"events": marked})
        page = open_at(new_page, stand_in, "record/2", size=size)
        expect(page.locator(".plan circle.balloon")).to_have_count(16)
        words = page.evaluate("""[...document.querySelectorAll(".plan text.paper")].map((one) => {
          const {x, y, width, height} = one.getBBox();
          return {x, y, width, height, words: one.textContent}; })""")
        assert {"air", "part", "set point"} < {one["words"] for one in words} and len(words) == 5
        circles = page.evaluate("""[...document.querySelectorAll(".plan circle.balloon")]
          .map((one) => [one.cx.baseVal.value, one.cy.baseVal.value])""")
        for box in words:
            middle = box["y"] + box["height"] / 2  # a line's box is higher than its letters
            for x, y in circles:
                aside = max(box["x"] - x, 0, x - box["x"] - box["width"])
                assert math.hypot(aside, max(0, abs(y - middle) - 5)) >= 10.5, f"a number lies on {box['words']}"
        page.close()


def test_on_a_phone_the_list_has_no_numbers_since_the_curve_has_none(new_page, stand_in):
    rooms.with_run(rooms.furnished(stand_in))
    page = open_at(new_page, stand_in, "record/2", size=PHONE)
    expect(page.locator(".balloons li time").first).to_be_visible()
    assert page.locator("circle.balloon").count() == 0
    wide = open_at(new_page, stand_in, "record/2")
    expect(wide.locator(".balloons circle.balloon")).to_have_count(wide.locator(".plan circle.balloon").count())


PROVING = [
    ("commissioned", {"may_do": "in_the_building", "trials": "a b"},
     "by the proofs that hold now it may run: in the building, awake"),
    ("proof_step", {"run_id": "1", "step": 0, "excess_mc": None, "over_mc": None, "took_us": 14_000_000},
     "both switches open: the air’s own course was seen, in 14 s"),
    ("proof_step", {"run_id": "1", "step": 3, "excess_mc": 1_200, "over_mc": None, "took_us": 10_000_000},
     "both closed: a rise was seen, 1.2 °C above the air’s own course, in 10 s"),
    ("start_proof", {"run_id": "1", "grade": "passed", "finding": "", "words": "Proven.", "took_us": 46_000_000},
     "both switches proven apart, in 46 s"),
    ("start_proof", {"run_id": "1", "grade": "failed", "finding": "contactor_stuck", "words": "It rose.", "took_us": 1},
     "start proof failed: it rose."),
    ("proof", {"step": "ice_point", "sensor": "over_temperature", "spot": "", "passed": True, "found": "+0.2 °C", "by": "Anna"},
     "ice point, sensor over temperature: proven, +0.2 °C, by Anna"),
    ("proofs_voided", {"change": "moved", "steps": "place smoke_alarm", "sensor": "", "note": "cellar", "by": "Ben"},
     "something changed (moved), these proofs hold no more: place, smoke alarm; noted: cellar, by Ben"),
    ("proof_watch", {"step": "contacts", "sensor": "", "spot": "", "by": "Anna", "outcome": "ended", "words": "Again."},
     "contacts ended without a proof, by Anna: Again."),
    ("command_refused", {"ask": "prove", "by": "Anna", "role": "viewer", "ref": "", "code": "x", "reason": "No."},
     "proving refused, by Anna: No."),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "fields", "words"), PROVING)
def test_what_was_proven_is_told_in_sentences(run, kind, fields, words):
    event = json.dumps({"kind": kind, "fields": fields})
    assert run("parts/events", f"m.eventWords({event})").replace("\u00a0", " ") == words


def test_every_kind_of_event_has_its_words(run):
    kinds = json.dumps([kind.value for kind in EVENT_KINDS])
    bare = run("parts/events", f"{kinds}.filter((kind) => m.unworded(kind))")
    assert bare == []
