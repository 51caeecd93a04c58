"""The snapshot: every state says its own sentence, unknown is never a number, the plan begins where the run began."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from controller.circuit import circuit
from controller.core.alarms import AlarmState
from controller.core.commands import Ask, Command, PersonRole
from controller.core.guards import GUARDS, INDEX
from controller.core.program import CoolDown
from controller.core.readings import Good
from controller.core.run_states import S
from controller.core.schedule import Kind
from controller.core.setup import Level, Role
from controller.core.start import first_state
from controller.core.state import Alarm, Pending, State, Stop
from controller.core.supervisor import Latch, Standing
from controller.core.watch import UNKNOWN, known
from controller.rehearse import Rehearsal
from controller.rehearse_world import InProcess
from controller.run_plan import Planned
from controller.sentence import duration
from controller.snapshot import Facts, Snapshots, guard_rows, row
from tests.answered import ANSWERED
from tests.service.chambers import short, simulated
from tests.service.runs import running, state_in

NOW_US = 1_764_061_234_000_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return simulated(tmp_path_factory.mktemp("snapshot") / "c")


@pytest.fixture(scope="module")
def going(folder) -> State:
    return running(folder.chamber, 100)


def told(folder, state: State) -> dict[str, Any]:
    snapshots = Snapshots(Facts("t", 3, folder, "wall", 1.0))
    snapshots.see(state)
    now = snapshots.now(state, NOW_US, ("", 0))
    json.dumps(now, allow_nan=False)
    return now


def test_a_part_sensor_that_was_never_fitted_is_not_called_bad(folder):
    def without(chamber):
        return replace(chamber, sensors=tuple(one for one in chamber.sensors if one.role is not Role.PART))

    bare = replace(folder, chamber=without(folder.chamber))
    assert told(bare, first_state(bare.chamber, 0))["counts_words"] == "control sensor: no part sensor is fitted"
    assert told(folder, first_state(folder.chamber, 0))["counts_words"] == "control sensor: no part sensor is good"


def test_before_anything_is_heard_nothing_is_claimed(folder):
    now = told(folder, first_state(folder.chamber, 0))
    assert now["air_mc"] is None and now["setpoint_mc"] is None and now["run"] is None
    assert {reading["quality"] for reading in now["readings"]} == {"missing"}
    assert {part["state"] for part in now["circuit"].values()} == {"unknown"}
    assert not now["permit"]["given"] and now["door"] == "unknown" and now["sentence"] == "The board is not heard."


def test_off_is_said_only_of_what_was_seen_off(folder, going):
    silent = going._replace(mono_us=going.mono_us + 60_000_000)
    for state in (going, silent):
        after = "Heat was seen off, and the board" if state is silent else "Heat was told to go off."
        for seen_us, words in ((-1, "Heat was told to go off"), (going.mono_us, after)):
            latch = Latch("smoke", going.mono_us, 1, 1, "", True)
            report = going.board.report._replace(modulator=True, contactor=True, current_ma=2_100)
            tripped = state._replace(latches=(latch,), run=None, stop=Stop("x", going.mono_us, seen_us),
                                     board=state.board._replace(report=report))
            assert told(folder, tripped)["sentence"].startswith(words)
    assert "nobody has seen it off" in told(folder, silent._replace(latches=(latch,), run=None, stop=Stop("x", 1)))["sentence"]


def test_heat_that_stays_on_is_the_first_thing_said(folder, going):
    standing = list(going.standing)
    standing[INDEX["heat_stays_on"]] = Standing(0, True)
    latch = Latch("smoke", going.mono_us, 1, 1, "", True)
    on, smoke = list(going.values), INDEX["smoke"]
    on[smoke] = 0
    latches = (latch, Latch("heat_stays_on", going.mono_us, 1, 1, "", False))
    now = told(folder, going._replace(latches=latches, standing=tuple(standing), values=tuple(on)))
    assert now["still_on"] and now["sentence"] == "The heat is still on. Cut the power now."
    assert "pull the plug" in now["sentence_more"] and not told(folder, going)["still_on"]
    on[smoke] = 1  # smoke comes before everything: nobody stays beside it to pull a plug
    now = told(folder, going._replace(latches=latches, standing=tuple(standing), values=tuple(on)))
    assert now["gravest"] == "smoke" and now["sentence"] == "The heat is still on. The smoke contact has closed."
    assert now["sentence_more"].startswith("Get everybody out. Call the fire service.")


def test_what_stands_and_asks_most_is_told_first(folder, going):
    def alarm(guard: str, state: AlarmState, since_us: int = 0) -> Alarm:
        return Alarm(guard, state, since_us, 5, 4)

    held = going._replace(run=going.run._replace(state=S.HELD, heat_withheld=True), alarms=(
        alarm("reading_stale", AlarmState.RETURNED, 9), alarm("tick_late", AlarmState.ACKNOWLEDGED),
        alarm("air_above_band", AlarmState.UNACKNOWLEDGED), alarm("contact_unknown", AlarmState.UNACKNOWLEDGED),
        alarm("door", AlarmState.UNACKNOWLEDGED)))
    now = told(folder, held)
    order = ["door", "contact_unknown", "air_above_band", "tick_late", "reading_stale"]
    assert [one["guard"] for one in now["alarms"]] == order
    assert now["sentence"] == "Held with the heat off. The door is open." and now["alarms"][0]["value"] == 5
    shut = held._replace(alarms=(alarm("door", AlarmState.RETURNED), alarm("air_above_band", AlarmState.UNACKNOWLEDGED)))
    assert told(folder, shut)["sentence"] == "Held with the heat off. What held it has gone."


@pytest.mark.parametrize(("segment", "done"), [
    (0, [("ramp", 61_000, 0), ("cool", 40_000, 0)]),
    (1, [("ramp", 60_000, 0), ("soak", 60_000, 1_234), ("cool", 40_000, 0)])])
def test_cooled_down_early_a_run_is_told_as_it_was_not_as_it_was_planned(folder, going, segment, done):
    ramp, soak = short().segments[:2]
    schedule = replace(going.run.schedule, segments=(
        replace(ramp, target_mc=60_000), replace(soak, target_mc=60_000), *going.run.schedule.segments[2:]))
    cut = going.run.treatment._replace(schedule=schedule, segment=segment, setpoint_mc=61_000, counted_us=1_234)
    run = going.run._replace(schedule=schedule, state=S.STOPPING, at=1, programs=(
        cut, CoolDown(40_000, 20_000, 3_600_000_000, schedule.of, 59_000, 0, 77)))
    now = told(folder, going._replace(run=run))
    assert [(one["kind"], one["target_mc"], one["soak_us"]) for one in now["run"]["segments"]] == done
    assert (now["run"]["segment"], now["run"]["segment_us"]) == (len(done) - 1, 77)
    assert "may still heat" in now["sentence_more"] and now["run"]["next"]["what"] == "the run ends"


def test_the_plan_of_an_early_cooling_keeps_the_end_of_the_soak_it_cut(folder, going):
    """Else the drawing finds no level stretch there, and the soak that was has no band."""
    planned, run = Planned(), going.run
    level = run.treatment._replace(segment=1, setpoint_mc=60_000)
    soaking = going._replace(run=run._replace(programs=(level,), at=0))
    planned.see(soaking)
    cool = CoolDown(40_000, 20_000, 3_600_000_000, run.schedule.of, 59_200)
    cooling = run._replace(state=S.STOPPING, at=1, programs=(level, cool))
    later = soaking._replace(mono_us=going.mono_us + 5_000_000, run=cooling)
    planned.see(later)
    at_us, after = later.mono_us - run.started_us, later._replace(mono_us=later.mono_us + 1_000_000)
    assert planned.ahead(after).plan[:3] == [(0, 60_000), (at_us, 60_000), (at_us, 59_200)]


def test_a_latch_says_whether_its_cause_still_stands(folder, going):
    values = list(going.values)
    gone = "has gone by now: “The smoke contact has closed.”"
    for value, stands, words in ((1, True, "has closed."), (0, False, gone), (UNKNOWN, None, "has closed.")):
        values[INDEX["smoke"]] = value
        latch = Latch("smoke", going.mono_us, 1, 1, "", True)
        now = told(folder, going._replace(latches=(latch,), values=tuple(values)))
        assert now["latches"][0]["stands"] is stands and now["sentence"].endswith(words)
    found = Latch("ended_in_a_run", going.mono_us, 0, 0, "", True)
    now = told(folder, going._replace(latches=(found,)))
    assert now["latches"][0]["stands"] is None and now["sentence"].endswith("in the middle of a run.")


def test_what_stands_and_is_most_urgent_leads_whatever_tripped_first(folder, going):
    values = list(going.values)
    latches = (Latch("limiter_open", going.mono_us, 1, 1, "", True), Latch("smoke", going.mono_us, 1, 1, "", False))
    for limiter, smoke, leads in ((1, 1, "smoke"), (0, 1, "smoke"), (1, 0, "limiter_open"), (0, 0, "smoke")):
        values[INDEX["limiter_open"]], values[INDEX["smoke"]] = limiter, smoke
        now = told(folder, going._replace(latches=latches, values=tuple(values)))
        assert now["gravest"] == leads
    values[INDEX["smoke"]] = 1
    said = told(folder, going._replace(latches=latches, values=tuple(values)))
    assert "smoke contact has closed" in said["sentence"] and said["sentence_more"].startswith("Get everybody out.")


def test_a_report_that_is_too_old_shows_no_contact_and_no_number(folder, going):
    old = going._replace(mono_us=going.mono_us + 10_000_000)
    now = told(folder, old)
    assert not now["board"]["present"] and {part["state"] for part in now["circuit"].values()} == {"unknown"}


@pytest.mark.parametrize(("state", "words"), [
    (S.RUNNING, "Heating up."), (S.HOLDING, "Held."), (S.HELD, "Held."), (S.RESTARTING, "Heating up."),
    (S.STOPPING, "Cooling down early"), (S.ABORTING, "not yet seen off"), (S.ABORTED, "aborted"), (S.STOPPED, "ended early"),
    (S.COMPLETE, "complete")], ids=lambda one: str(one))
def test_every_run_state_has_its_sentence(folder, state, words):
    now = told(folder, state_in(folder.chamber, state))
    assert words in now["sentence"] and now["sentence_more"] and now["run"]["state"] == state.value


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: guard.id)
def test_every_latch_is_told_with_its_guards_words(folder, guard):
    state = first_state(folder.chamber, 0, (guard.id,))
    now = told(folder, state)
    assert guard.cause in now["sentence"] and guard.do[0] in now["sentence_more"]
    assert now["latches"][0]["worry"] == guard.worry and now["latches"][0]["first_out"]
    assert "start" not in now["possible"] and "clear" in now["possible"]


def test_an_alarm_about_messages_names_the_channel_and_its_answer(folder, going):
    why = "Channel phone fails: 535 authentication failed"
    alarm = Alarm("messages_failing", AlarmState.UNACKNOWLEDGED, going.mono_us, 1, 1)
    [shown] = told(folder, going._replace(messages_why=why, alarms=(alarm,)))["alarms"]
    assert shown["detail"] == why and shown["cause"] == "Not every message can leave."


def test_the_guard_rows_are_the_table_with_how_it_stands(folder, going):
    rows = guard_rows(going)
    assert [one["id"] for one in rows] == [guard.id for guard in GUARDS]
    assert all(one["value"] is None or abs(one["value"]) < 1 << 59 for one in rows)
    json.dumps(rows, allow_nan=False)


def test_unknown_and_unlimited_are_null():
    assert known(1 << 60) is None and known(-(1 << 60)) is None and known(-40_000) == -40_000


def test_the_row_is_the_tick_in_eight_numbers(going):
    line = row(going, NOW_US)
    assert len(line) == 8 and line[:2] == [going.tick, NOW_US]
    assert line[2] == going.run.treatment.setpoint_mc and line[3] > 20_000


def test_the_plan_begins_where_the_run_began_and_keeps_its_corners(folder):
    planned, corners = Planned(), []
    rehearsal = Rehearsal(folder.chamber, short(), InProcess("bench", folder.chamber.board))
    for made in rehearsal.ticks():
        planned.see(made.result.state)
        if made.result.state.run is not None and made.tick % 20 == 0:
            corners.append(planned.ahead(made.result.state))
    first, last = corners[4], corners[-1]
    assert corners[0].plan[0][0] == 0 and corners[0].next.what == "the schedule begins"
    assert first.plan[0] == last.plan[0] and first.plan[0][0] > 0, "where the start proof ended"
    assert [ahead.next.what for ahead in corners if ahead.next] == sorted(
        [ahead.next.what for ahead in corners if ahead.next],
        key=["the schedule begins", "the soak starts", "cooling starts", "the run ends"].index)
    assert all(before[0] <= after[0] for ahead in corners for before, after in pairwise(ahead.plan))


def test_a_start_that_waits_says_what_to_do(folder):
    command = Command(Ask.START, "x", PersonRole.OPERATOR, "r", short(), "1", leaving=ANSWERED)
    state = state_in(folder.chamber, S.RUNNING)
    waiting = state._replace(run=None, pending=Pending(command, state.mono_us - 20_000_000, 1, 1, False))
    now = told(folder, waiting)
    assert now["sentence"] == "Press the arm button at the chamber." and "100 s" in now["sentence_more"]
    assert now["pending"]["seconds_left"] == 100 and "start" not in now["possible"]


@pytest.mark.parametrize("armed", [True, False])
def test_the_permit_line_says_of_a_waiting_start_whether_it_is_armed(folder, armed):
    command = Command(Ask.START, "x", PersonRole.OPERATOR, "r", short(), "1", at_utc_us=NOW_US + 1, leaving=ANSWERED)
    state = state_in(folder.chamber, S.RUNNING)
    now = told(folder, state._replace(run=None, pending=Pending(command, state.mono_us, 1, 1, armed, state.mono_us, False)))
    contact = next(one for one in now["permit"]["contacts"] if one["name"] == "armed")
    assert contact["closed"] is armed and (contact["why"] == "") is armed


def test_for_the_first_half_hour_of_an_unattended_run_somebody_is_asked_to_stay(folder, going):
    early = told(folder, going)
    assert early["leave"]["in_us"] and "Stay until the first half hour" in early["sentence_more"]
    later = going._replace(run=going.run._replace(follows_us=going.mono_us - 1_800_000_000))
    assert "Stay" not in told(folder, later)["sentence_more"]


@pytest.mark.parametrize(("since_min", "asked"), [(44, False), (46, True)])
def test_a_check_in_that_is_near_needs_somebody(folder, going, since_min, asked):
    run = going.run._replace(level=Level.IN_THE_BUILDING, checked_in_us=going.mono_us - since_min * 60_000_000)
    words = told(folder, going._replace(run=run))["sentence_more"]
    assert (words == "Say that you watch, here or at the chamber: 14 min left, then the heat goes off.") is asked
    assert ("Nothing needs you" in words) is not asked


@pytest.mark.parametrize(("us", "words"), [(0, "less than a minute"), (59_999_999, "less than a minute"), (60_000_000, "1 min"),
                                           (3_600_000_000, "1 h"), (11_520_000_000, "3 h 12 min"), (-5, "less than a minute")])
def test_durations_are_told_in_one_or_two_units(us, words):
    assert duration(us) == words


# -- the circuit ------------------------------------------------------------------------------------------------------------


def drawn(folder, going, seen_e4: int = 5_000, **changes: Any) -> dict[str, dict[str, Any]]:
    return circuit(going.board.report._replace(**changes), folder.chamber, seen_e4)


@pytest.mark.parametrize(("changes", "part", "state"), [
    ({"mains": False, "current_ma": 0}, "supply", "gone"), ({"mains": None, "current_ma": 0}, "supply", "unknown"),
    ({"mains": None, "current_ma": 2000}, "supply", "on"), ({"current_ma": 2000}, "thermal_link", "whole"),
    ({"current_ma": 0, "modulator": True, "contactor": True}, "thermal_link", "open"),
    ({"current_ma": 0, "modulator": False}, "thermal_link", "unknown"), ({"limiter": False}, "limiter", "open"),
    ({"limiter": None}, "limiter", "unknown"), ({"contactor": False}, "contactor", "open"),
    ({"modulator": True}, "modulator", "passing"), ({"modulator": False}, "modulator", "not passing"),
    ({"current_ma": 2000}, "element", "heating"), ({"current_ma": 0}, "element", "off")], ids=str)
def test_each_part_is_said_to_be_what_something_shows(folder, going, changes, part, state):
    assert drawn(folder, going, **changes)[part]["state"] == state


def test_a_current_with_the_modulator_off_is_drawn_as_heat(folder, going):
    """A shorted switch must not look like an open one."""
    found = drawn(folder, going, modulator=False, contactor=False, current_ma=2000)
    assert found["element"]["state"] == "heating" and found["element"]["current"]


@pytest.mark.parametrize(("changes", "seen_e4", "words"), [
    ({"modulator": True, "contactor": True, "current_ma": 2000}, 2_300, {
        "modulator": "on at the last report, on for 23 % of the last window", "thermal_link": "current flows through it",
        "element": "about 115 W over the last window"}),
    ({"modulator": False, "contactor": True, "current_ma": 0}, 2_300, {
        "modulator": "off at the last report, on for 23 % of the last window",
        "thermal_link": "the next pulse shows it",
        "element": "between two pulses, about 115 W over the last window"}),
    ({"modulator": False, "contactor": True, "current_ma": 0}, 0, {
        "modulator": "off at the last report", "thermal_link": "it shows only while current flows",
        "element": "no heat now"}),
    ({"modulator": False, "contactor": False, "current_ma": 0}, 2_300, {
        "modulator": "off at the last report", "element": "no heat now"}),
    ({"modulator": True, "contactor": True, "current_ma": None}, 2_300, {
        "thermal_link": "it shows only by its current, and nothing senses that",
        "element": "about 115 W over the last window, judged by the switches: nothing senses its current"}),
    ({"modulator": False, "contactor": True, "current_ma": None}, 0, {
        "thermal_link": "it shows only by its current, and nothing senses that",
        "element": "no heat now, judged by the switches: nothing senses its current"}),
    ({"modulator": False, "contactor": False, "current_ma": 2000}, 0, {
        "modulator": "reads back as off, yet current flows", "element": "at the last report"}),
], ids=str)
def test_the_words_follow_the_last_report_in_every_phase_of_a_window(folder, going, changes, seen_e4, words):
    found = drawn(folder, going, seen_e4, **changes)
    assert {part: found[part]["words"] for part in words} == words


def test_a_chamber_without_contactor_or_current_sense_heats_by_its_modulator(folder, going):
    fitted = replace(folder.chamber.fitted, contactor=False, current=False)
    chamber = replace(folder.chamber, fitted=fitted)
    found = circuit(going.board.report._replace(modulator=True, contactor=False), chamber, 0)
    assert found["contactor"]["state"] == "not fitted" and found["element"]["state"] == "heating"


# -- what is said in a moment must be true in it -------------------------------------------------------------------------------


def in_segment(going: State, kind: Kind, **changes: Any) -> State:
    """The run in its first segment of a kind, with its treatment changed."""
    run, treatment = going.run, going.run.treatment
    at = next(number for number, one in enumerate(run.schedule.segments) if one.kind is kind)
    return going._replace(run=run._replace(programs=(treatment._replace(segment=at, **changes),), at=0))


def test_a_soak_that_waits_for_its_band_names_no_clock_time(folder, going):
    waits = told(folder, in_segment(going, Kind.SOAK, counting=False))
    counts = told(folder, in_segment(going, Kind.SOAK, counting=True))
    assert waits["run"]["next"]["after"] == "it is in its band" and waits["run"]["next"]["utc_us"] is None
    assert waits["sentence"].endswith("after that.") and counts["run"]["next"]["after"] == ""
    assert counts["run"]["next"]["utc_us"] == NOW_US + counts["run"]["next"]["in_us"]


def test_a_run_whose_air_is_out_of_its_band_is_not_as_planned(folder, going):
    setpoint = going.run.air_setpoint_mc
    for away_mc, planned in ((0, True), (9_000, False), (-9_000, False)):
        state = in_segment(going, Kind.COOL)
        state = state._replace(run=state.run._replace(air_setpoint_mc=setpoint))
        air = Good(setpoint + away_mc, setpoint + away_mc)
        now = told(folder, state._replace(readings=(air, *state.readings[1:])))
        assert ("Cooling as planned" in now["sentence"]) is planned
        assert planned or "takes longer than planned" in now["sentence_more"]


def test_a_switch_that_stays_closed_is_drawn_stuck(folder, going):
    standing = list(going.standing)
    standing[INDEX["switch_stays_closed"]] = Standing(0, True)
    report = going.board.report._replace(contactor=True, modulator=False)
    state = going._replace(board=going.board._replace(report=report))
    assert told(folder, state)["circuit"]["contactor"]["state"] == "closed"
    assert told(folder, state._replace(standing=tuple(standing)))["circuit"]["contactor"]["state"] == "stuck"


def test_mains_that_nothing_senses_is_not_known(folder, going):
    chamber = replace(folder.chamber, fitted=replace(folder.chamber.fitted, mains_sense=False, current=False))
    assert circuit(going.board.report._replace(mains=True), chamber, 0)["supply"]["state"] == "unknown"


def test_what_nobody_can_know_is_not_called_clear(going):
    values = list(going.values)
    values[INDEX["smoke"]] = UNKNOWN
    rows = {one["id"]: one["unknown"] for one in guard_rows(going._replace(values=tuple(values)))}
    assert rows["smoke"] and not rows["ceiling"]


def test_what_would_be_refused_is_not_offered(folder, going):
    values = list(going.values)
    values[INDEX["door"]] = 1
    held = going._replace(run=going.run._replace(state=S.HELD, heat_withheld=True))
    assert "restart" in told(folder, held)["possible"]
    assert "restart" not in told(folder, held._replace(values=tuple(values)))["possible"]
    rest = going._replace(run=None)
    assert "start" in told(folder, rest)["possible"]
    shut_out = told(folder, rest._replace(values=tuple(values)))
    assert "start" not in shut_out["possible"] and "Nothing can start now. The door is open." in shut_out["sentence_more"]
