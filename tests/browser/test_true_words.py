"""What the page says is true of what is known: off only if seen off, one number for one thing, the culprit marked."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import DESK, PHONE
from tests.browser.stand_in import StandIn, fixture, preview
from tests.browser.test_every_sheet import STORED
from tests.browser.test_page_alone import TRIPPED_AT_US, open_at, tripped
from tests.browser.test_pure_modules import NB, run

__all__ = ["run"]
UNKNOWN = {"state": "unknown", "current": False, "words": "not known: the board is not heard"}
PUT_AWAY = {"run": None, "setpoint_mc": None, "deviation_mc": None}
GUARDS = {row["id"]: row for row in fixture("guards")["guards"]}


def opened(name: str, why: str) -> dict[str, Any]:
    """The permit with one contact open, and no run that asks for heat."""
    contacts = fixture("soaking")["permit"]["contacts"]
    return {
        "given": False,
        "contacts": [
            {**one, "closed": False, "why": why}
            if one["name"] == name
            else {**one, "closed": False, "why": "No run asks for heat."}
            if one["name"] == "armed"
            else one
            for one in contacts
        ],
    }


def hung() -> dict[str, Any]:
    """A board that was never heard again after the trip; the ended run is put away."""
    guard = GUARDS["board_silent"]
    trip = tripped()
    latch = trip["latches"][0] | {name: guard[name] for name in ("cause", "why", "do", "worry", "unit")}
    circuit = dict.fromkeys(fixture("soaking")["circuit"], UNKNOWN)
    stop = {"by": "trip: board_silent", "accepted_utc_us": TRIPPED_AT_US, "off_seen_utc_us": None}
    board = {**fixture("soaking")["board"], "present": False}
    silent = {"latches": [{**latch, "guard": "board_silent"}], "circuit": circuit, "stop": stop, "board": board}
    return trip | PUT_AWAY | silent | {"heat_off": None}


def door_open() -> dict[str, Any]:
    """The door was opened in a run: an interlock, no trip."""
    guard = GUARDS["door"]
    alarm = {name: guard[name] for name in ("cause", "why", "do", "worry", "unit")}
    now = fixture("soaking")
    return {
        "permit": opened("door", guard["cause"]),
        "run": {**now["run"], "state": "held", "heat_withheld": True, "next": None},
        "circuit": tripped()["circuit"] | {"modulator": {"state": "not passing", "current": False, "words": ""}},
        "alarms": [
            {**alarm, "guard": "door", "state": "unacknowledged", "utc_us": 1, "value": 1, "limit": 1, "detail": ""}
        ],
        "sentence": f"Held with the heat off. {guard['cause']}",
    }


def stop_pressed() -> dict[str, Any]:
    """The stop at the chamber is held down after it ended the run."""
    cause = GUARDS["local_stop"]["cause"]
    run_now = {**fixture("soaking")["run"], "state": "aborted", "end": cause, "next": None}
    return {"permit": opened("board", cause), "local_stop": True, "run": run_now, "circuit": door_open()["circuit"]}


@pytest.mark.parametrize(
    ("state", "counting", "words"),
    [
        ("held", "false", f"clock paused, 1{NB}h{NB}40 of 8{NB}h"),
        ("holding", "true", f"clock paused, 1{NB}h{NB}40 of 8{NB}h"),
        ("restarting", "false", f"clock paused, 1{NB}h{NB}40 of 8{NB}h"),
        ("running", "false", f"not in band, 1{NB}h{NB}40 of 8{NB}h"),
        ("running", "true", f"in band 1{NB}h{NB}40 of 8{NB}h"),
    ],
)
def test_a_held_soak_has_its_clock_paused_not_its_part_out_of_band(run, state, counting, words):
    soak = f"segments: [{{kind: 'soak', soak_us: 8 * 3600e6}}], segment: 0, counting: {counting}, counted_us: 6000e6, end: ''"
    part = "{role: 'part', quality: 'good', mc: 104800, age_us: 0, uncertainty_mc: 600}"
    now = f"{{counts: 'part', chamber: {{hot_mc: 45000}}, readings: [{part}], run: {{state: '{state}', {soak}}}}}"
    assert run("parts/readings", f"m.presentBig({now}, 0, 'C')[0].caption") == f"part, {words}"


def test_list_and_start_say_from_where_a_schedules_time_is_counted(new_page, stand_in):
    curve = {"curve": [[0, 21_400], [2_316_000_000, 60_000]], "duration_us": 2_316_000_000, "from_mc": 21_400}
    stand_in.answers |= {
        "GET /schedules": (200, {"schedules": [STORED]}),
        "GET /schedules/1": (200, STORED),
        "POST /schedules/preview": (200, {**curve, "mistakes": [], "cannot_start": []}),
    }
    page = open_at(new_page, stand_in, "schedules")
    expect(page.locator("table.schedules")).to_contain_text(re.compile(r"39\smin\s+from 25\s°C"))
    page = open_at(new_page, stand_in, "schedules/1/start")
    expect(page.locator("table.summary")).to_contain_text(
        re.compile(r"39\smin from 21\.4\s°C, the air at \d\d:\d\d, at most")
    )


@pytest.mark.parametrize(
    ("state", "end", "words"),
    [
        ("aborted", "The board is silent.", "Aborted at 11:00. The cause then: the board is silent."),
        ("aborted", "Heat stopped by a person.", "Aborted at 11:00. Heat stopped by a person."),
        ("stopped", "Cooled down early by a person.", "Ended early at 11:00. Cooled down early by a person."),
        ("running", "", ""),
    ],
)
def test_the_cause_of_an_ended_run_is_told_as_past(run, state, end, words):
    ended = f"{{state: '{state}', end: '{end}', started_utc_us: 1764061234000000, elapsed_us: 3600e6}}"
    assert run("sheets/now", f"m.endedWords({ended})") == words


def test_the_lead_of_an_ended_run_never_says_what_is(new_page, stand_in):
    run_now = {**stand_in.now["run"], "state": "aborted", "end": "The board is silent.", "next": None}
    stand_in.now |= {
        "run": run_now,
        "sentence": "Heat is off. The run was aborted.",
        "sentence_more": "The board is silent.",
    }
    page = open_at(new_page, stand_in)
    expect(page.locator(".now-head .more")).to_have_text(
        re.compile(r"^Aborted at \d\d:\d\d\. The cause then: the board is silent\.$")
    )


@pytest.mark.parametrize(
    ("what", "count", "words", "missing"),
    [
        ("bad lines", 410, "410 lines from the board could not be read", False),
        (
            "bad lines, the last: flags: 6 of 7",
            1,
            "1 line from the board could not be read, the last: flags: 6 of 7",
            False,
        ),
        ("reports not looked at", 3, "gap: 3 reports of the board were not looked at", True),
        ("ticks that could not be written", 9, "gap: 9 ticks could not be written", True),
        (
            "record.db was deleted or exchanged while in use",
            0,
            "gap: record.db was deleted or exchanged while in use",
            True,
        ),
    ],
)
def test_a_line_that_cannot_be_read_is_no_gap_in_the_record(run, what, count, words, missing):
    event = f"{{kind: 'gap', fields: {{what: '{what}', count: {count}}}}}"
    assert run("parts/events", f"[m.eventWords({event}), m.isGap({event})]") == [words, missing]


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_clear_stands_apart_and_says_what_it_will_not_do(new_page, stand_in, size):
    stand_in.now |= tripped()
    page = open_at(new_page, stand_in, "alarms", size)
    expect(page.locator(".guardlist details").first).to_be_visible()
    seen = page.get_by_role("button", name="Acknowledge").bounding_box()
    clear = page.get_by_role("button", name="Clear this trip").bounding_box()
    assert clear["y"] - (seen["y"] + seen["height"]) >= 24, "a thumb that slips does not clear"
    assert clear["height"] >= 44
    block = page.locator(".clearing")
    expect(block).to_contain_text("refused while the cause stands")
    expect(block).to_contain_text("brings no heat back")
    expect(block.get_by_role("button")).to_have_count(1)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Now 21.2 °C, over 20 K for 3 min.", f"Now 21.2{NB}°C, over 20{NB}K for 3{NB}min."),
        ("Rose 2 °C/min in 1.5 s at 24 %.", f"Rose 2{NB}°C/min in 1.5{NB}s at 24{NB}%."),
        ("Segment 2 took 3 sensors and 4 hours.", "Segment 2 took 3 sensors and 4 hours."),
        ("Null stays empty.", "Null stays empty."),
    ],
)
def test_a_number_keeps_its_unit_on_its_line(run, text, words):
    assert run("text", f"m.together('{text}')") == words


def test_a_controllers_cause_is_drawn_with_its_numbers_whole(new_page, stand_in):
    trip = tripped()
    trip["latches"][0]["detail"] = "the air is at 21.2 °C."
    stand_in.now |= trip
    page = open_at(new_page, stand_in)
    assert f"21.2{NB}°C" in page.locator(".four dd").first.text_content()


@pytest.mark.parametrize("sheet", ["now", "alarms"])
def test_heat_is_never_called_off_when_nobody_saw_it_off(new_page, stand_in, sheet):
    stand_in.now |= hung()
    stand_in.answers["GET /events"] = (200, {"events": []})
    page = open_at(new_page, stand_in, sheet)
    told = "Heat was told to go off; nobody has seen it off. The chamber tripped at"
    expect(page.locator(".now-head h1" if sheet == "now" else ".small-head p")).to_contain_text(told)
    expect(page.locator(".besides")).to_have_text(
        "The board is not heard: whether it was told is not known. In doubt, unplug the chamber."
    )
    said = page.locator("body").inner_text()
    assert not re.search(
        r"[Hh]eat (is|stays) off|It stays off|Off already", said.split("Everything that is watched")[0]
    )


def test_heat_is_off_only_while_it_is_seen_off(run):
    said = run(
        "heat",
        """(async () => {
      const now = await (await fetch('/api/v1/now')).json();
      const at = (heat_off, given, stop) => m.heatWords({...now, heat_off, run: null,
        board: {present: heat_off !== null, accepted: true},
        permit: {given}, stop: stop ?? {accepted_utc_us: null, off_seen_utc_us: null}});
      const told = {accepted_utc_us: 5, off_seen_utc_us: null};
      const seen = {accepted_utc_us: 5, off_seen_utc_us: 1764061234100000};
      return [at(true, false), at(true, true), at(false, false, told), at(false, false, seen),
        at(null, false, told), at(null, false, seen), at(null, false)]; })()""",
    )
    off, told = "Heat is off.", "Heat was told to go off."
    unseen = "Heat was told to go off; nobody has seen it off."
    before = "Heat was seen off at 10:00:34; the board has not been heard since."
    nobody = "Whether the heat is off is not known: the board is not heard."
    assert said == [off, told, told, told, unseen, before, nobody]


def test_a_silence_after_a_trip_that_was_seen_off_is_no_off(new_page, stand_in):
    """Switches may weld while nobody hears the board; an old sight of off is told as old, everywhere."""
    stand_in.now |= hung() | {"stop": {"by": "trip: smoke", "accepted_utc_us": 1, "off_seen_utc_us": 1764061234100000}}
    stand_in.answers["GET /events"] = (200, {"events": []})
    for sheet in ("now", "alarms"):
        page = open_at(new_page, stand_in, sheet)
        expect(page.locator(".besides")).to_have_text("The board is not heard. The button still works.")
        expect(page.locator("#stations li").nth(2)).to_contain_text("10:00:34.1, not heard since")
        said = page.locator("body").inner_text().split("Everything that is watched")[0]
        assert "the board has not been heard since" in said
        assert not re.search(r"[Hh]eat (is|stays) off|It stays off|Off already", said)


def test_an_alarm_that_has_gone_is_told_as_gone(new_page, stand_in):
    guard = GUARDS["door"]
    alarm = {**guard, "guard": "door", "state": "returned-to-normal unacknowledged", "value": 1, "limit": 1,
             "utc_us": 1764061234100000, "detail": "", "done": ""}
    stand_in.now["alarms"] = [alarm]
    page = open_at(new_page, stand_in)
    expect(page.locator(".four dd").first).to_contain_text("It has gone, since 10:00:34. It was:")
    expect(page.locator(".four")).not_to_contain_text("Shut the door")
    expect(page.locator(".four")).to_contain_text("Acknowledge that you have seen it.")


def test_a_latch_whose_cause_has_gone_says_so(new_page, stand_in):
    trip = tripped()
    trip["latches"][0]["stands"] = False
    stand_in.now |= trip
    page = open_at(new_page, stand_in)
    expect(page.locator(".four dd").first).to_contain_text("It has gone by now.")


def test_a_press_at_the_chamber_is_somebodys_deed(run):
    causes = "[['stop_heating', 'local_stop'], ['trip', 'trip: rise_with_heat_off']]"
    made = "({kind: 'run_state', fields: {before: 'running', after: 'aborting', cause, by}})"
    words = "(one) => [m.eventWords(one), m.isOfPeople(one)]"
    said = run("parts/events", f"{causes}.map(([cause, by]) => {made}).map({words})")
    assert said == [
        ["local stop pressed at the chamber: the heat was told to go off and the run ends", True],
        ["the heat was told to go off and the run ends, by the trip: rise with heat off", False],
    ]


@pytest.mark.parametrize(
    ("changes", "name", "tone"),
    [(door_open(), "door", "warned"), (stop_pressed(), "board", "warned"), (tripped(), "no trip", "bad")],
    ids=["door", "local stop", "trip"],
)
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_the_open_contact_that_counts_has_mark_and_word(new_page, stand_in, changes, name, tone, size):
    stand_in.now |= changes
    page = open_at(new_page, stand_in, size=size)
    mark = ".m-trip" if tone == "bad" else ".m-warn"
    if size is DESK:
        expect(page.locator(f"svg.circuit text.{tone}", has_text=name)).to_have_count(1)
        expect(page.locator(f"svg.circuit text.{tone}", has_text="open")).to_have_count(1)
        expect(page.locator(f"svg.circuit {mark}")).to_have_count(1)
        expect(page.locator("svg.circuit .symbol.asks")).to_have_count(0 if tone == "bad" else 1)
    else:
        words = page.locator(f".permit-words.{tone}")
        expect(words).to_contain_text(f"the contact “{name}” is open")
        expect(words.locator(mark)).to_have_count(1)


def test_at_rest_an_open_door_is_no_fault(new_page, stand_in: StandIn):
    stand_in.now |= {**PUT_AWAY, "permit": opened("door", GUARDS["door"]["cause"]), "circuit": door_open()["circuit"]}
    page = open_at(new_page, stand_in)
    expect(page.locator("svg.circuit .symbol[data-state=open]").first).to_be_attached()
    assert page.locator(".asks, .culprit, svg.circuit .m-warn").count() == 0


def test_heat_that_stays_on_is_said_first_everywhere(new_page, stand_in):
    """Both switches stuck after a trip of something else: never off, the culprits red, power to be cut."""
    trip = tripped()
    do = ["Cut the power now, from outside the room.", "Stay until it cools."]
    stays = {
        "guard": "heat_stays_on",
        "first_out": False,
        "cause": "The heat is still on though it is switched off.",
        "do": do,
    }
    amp = {"current": True, "words": ""}
    circuit = trip["circuit"] | {
        "contactor": {"state": "closed", **amp},
        "modulator": {"state": "passing", **amp},
        "element": {"state": "heating", "watts": 500, **amp},
    }
    latches = [*trip["latches"], trip["latches"][0] | stays]
    stand_in.now |= trip | {"latches": latches, "circuit": circuit, "still_on": True, "gravest": "heat_stays_on"}
    page = open_at(new_page, stand_in)
    expect(page.locator("h1")).to_contain_text("The heat is still on. Cut the power now.")
    expect(page.locator(".four .steps li").first).to_have_text(re.compile("Cut the power now"))
    expect(page.locator(".four dd").nth(1)).to_contain_text("The heat is still on.")
    expect(page.locator(".besides")).to_have_text("The heat is still on: cut the power.")
    expect(page.locator("#stations li").nth(2)).to_have_text("heat still on")
    expect(page.locator("#stations li").nth(2).locator(".m-diamond")).to_have_count(1)
    expect(page.locator(".circuit-list .bad")).to_have_text(["still closed", "stuck on"])
    assert not re.search(r"[Hh]eat is off|stays off|Off already|seen off at", page.locator("body").inner_text())


def test_a_chamber_not_yet_commissioned_has_not_tripped(new_page, stand_in):
    trip = tripped()
    stand_in.now |= trip | {"latches": [trip["latches"][0] | {"guard": "not_commissioned"}]}
    page = open_at(new_page, stand_in)
    expect(page.locator("h1")).to_contain_text("This chamber is not commissioned yet.")
    expect(page.locator("h1")).not_to_contain_text("tripped")
    expect(page.locator(".now-head .m-octagon")).to_have_count(0)
    expect(page.locator(".four.ink")).to_have_count(1)


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_a_held_run_names_no_clock_for_its_next_step(new_page, stand_in, size):
    stand_in.now["run"]["state"] = "held"
    page = open_at(new_page, stand_in, size=size)
    if size is DESK:
        expect(page.locator(".next-step text").nth(1)).to_have_text("then cooling starts, once it goes on")
    else:
        expect(page.locator(".under-plan li").first).to_have_text(
            re.compile(r"^cooling starts 4.h.54.min after it goes on$")
        )


def test_a_modulator_that_reads_open_by_now_was_stuck_on(new_page, stand_in):
    trip = tripped()
    trip["circuit"]["modulator"] = {"state": "not passing", "current": False, "words": "off at the last report"}
    stand_in.now |= trip
    page = open_at(new_page, stand_in)
    expect(page.locator(".circuit-list .bad")).to_have_text("was stuck on")


def test_a_mark_in_a_lead_stands_in_its_line(new_page, stand_in):
    mistake = {"field": "segment 1 band_c", "value": "9", "allowed": "0.1 to 5", "advice": ""}
    stand_in.answers["POST /schedules/preview"] = preview(mistake)
    page = open_at(new_page, stand_in, "schedules/new")
    mark, words = page.locator(".lead .mark").bounding_box(), page.locator(".lead b", has_text="mistake").bounding_box()
    assert mark["y"] < words["y"] + words["height"] and words["y"] < mark["y"] + mark["height"]


@pytest.mark.parametrize("run_state", [None, "complete"], ids=["no run", "an ended run lies there"])
def test_a_start_that_came_to_nothing_is_told_until_the_next_one(new_page, stand_in, run_state):
    reason = "Nobody pressed the arm button at the chamber until 30 min past the named time."
    at_us = stand_in.now["utc_us"]
    run_now = run_state and {**stand_in.now["run"], "state": run_state, "end": "as planned", "next": None}
    lapsed = {"reason": reason, "utc_us": at_us - 20 * 3_600_000_000, "at_utc_us": at_us - 21 * 3_600_000_000}
    stand_in.now |= {"run": run_now, "pending": None, "lapsed": lapsed}
    page = open_at(new_page, stand_in)
    expect(page.locator(".notice.must")).to_contain_text(re.compile(r"The start named for .* came to nothing, at"))
    expect(page.locator(".notice.must")).to_contain_text(reason.replace("30 min", f"30{NB}min"))
    stand_in.push(lapsed=None)
    expect(page.locator(".notice")).to_have_count(0)
