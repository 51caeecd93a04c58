"""Steps with the heat off, each to its pass and to its failures, tick by tick. The limits 3 °C, 1 °C and a minute are common
practice, no source; what a wrong thermocouple shows is checked against the reference functions in test_couples.py."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.commissioning import watching
from controller.commissioning.its90 import converted_c
from controller.commissioning.watching import Watch
from controller.core.run_states import S
from tests.commissioning.looking import US, looked, run_of
from tests.service.chambers import simulated

BATHS = {"pressure_hpa": 1013.25, "pressure_is": "station pressure", "altitude_m": 0.0}


@pytest.fixture(scope="module")
def chamber(tmp_path_factory: pytest.TempPathFactory):
    return simulated(tmp_path_factory.mktemp("watching") / "c").chamber


def begun(chamber, step: str, sensor: str = "") -> Watch:
    return watching.begin(watching.Begin(step, sensor, "a test", chamber, 0, BATHS))


def fed(watch: Watch, chamber, seconds: int, raw: dict[str, Any] | None = None, from_s: int = 1, **says: Any) -> Watch:
    for second in range(from_s, from_s + seconds):
        if watch.ended is None:
            watch = watching.see(watch, looked(chamber, second * US, raw, **says))
    return watch


MOVES = [{"local_stop": True}, {}, {"arm": True}, {}, {"door": False}, {}, {"smoke": True}, {}]
QUESTIONS = list(watching.ASKED)


def moved(chamber, leave_out: str = "") -> Watch:
    watch = fed(begun(chamber, "contacts"), chamber, 1)
    for second, says in enumerate(MOVES, 2):
        watch = fed(watch, chamber, 1, from_s=second, **({} if leave_out in says else says))
    return watch


def test_every_contact_is_seen_to_move_and_every_lamp_is_asked_for_one_after_the_other(chamber):
    watch = moved(chamber)
    for number, question in enumerate(QUESTIONS):
        assert watch.ended is None and watching.lamps(watch) == watching.ASKED[question][1]
        watch = watching.confirm(watch, question, True, 20 * US)
        watch = fed(watch, chamber, 1, from_s=20 + number)
    assert watch.ended is not None and watch.ended.outcome == "passed" and watch.ended.shown[0].passed


@pytest.mark.parametrize("row", ["local_stop", "arm", "door", "smoke"])
def test_a_contact_that_nobody_saw_move_keeps_it_open(chamber, row):
    watch = moved(chamber, leave_out=row)
    for question in QUESTIONS:
        watch = fed(watching.confirm(watch, question, True, 20 * US), chamber, 1, from_s=20)
    assert watch.ended is None
    assert [one.id for one in watch.rows if one.state == "waiting"] == [{"arm": "arm_button"}.get(row, row)]


@pytest.mark.parametrize(("says", "row"), [
    ({"limiter": False}, "limiter"), ({"fan_rpm": 0}, "fan"), ({"mains": False}, "mains")], ids=str)
def test_what_does_not_read_as_it_must_is_not_ticked(chamber, says, row):
    watch = fed(begun(chamber, "contacts"), chamber, 5, **says)
    assert next(one.state for one in watch.rows if one.id == row) == "waiting"


def test_a_lamp_that_is_not_lit_fails_the_step_and_says_what_to_do(chamber):
    watch = watching.confirm(moved(chamber), "lamp_armed", False, 20 * US)
    assert watch.ended is not None and watch.ended.outcome == "failed"
    assert not watch.ended.shown[0].passed and "pin sheet" in watch.ended.shown[0].advice


def test_what_does_not_ask_cannot_be_answered(chamber):
    with pytest.raises(KeyError):
        watching.confirm(moved(chamber), "sounder", True, 20 * US)


def test_what_is_not_fitted_is_not_asked_for(chamber):
    bare = replace(chamber, fitted=replace(chamber.fitted, door=False, fan=False, smoke=False))
    assert not {"door", "fan", "smoke"} & {row.id for row in begun(bare, "contacts").rows}


def test_a_short_press_between_two_ticks_is_seen(chamber):
    watch = fed(begun(chamber, "contacts"), chamber, 1)
    tick = looked(chamber, 2 * US)
    pressed = tick.reports[0]._replace(arm=True)
    watch = watching.see(watch, tick._replace(reports=(tick.reports[0], pressed, tick.reports[0])))
    assert next(row.state for row in watch.rows if row.id == "arm_button") == "seen"


IDENTITY = {
    "the named one alone": ({"control": 25_000}, "passed", ""),
    "another in its place": ({"part": 25_000}, "failed", "exchanged"),
    "both together": ({"control": 25_000, "part": 23_000}, "failed", "tips touch"),
    "by less than three degrees": ({"control": 23_900}, None, ""),
    "nothing": ({}, None, ""),
}


@pytest.mark.parametrize(("warm", "outcome", "advice"), IDENTITY.values(), ids=IDENTITY)
def test_which_sensor_is_which(chamber, warm, outcome, advice):
    watch = fed(begun(chamber, "sensor_identity", "control"), chamber, 6)
    watch = fed(watch, chamber, 20, warm, from_s=7)
    assert (None if watch.ended is None else watch.ended.outcome) == outcome
    if watch.ended is not None:
        shown = watch.ended.shown[0]
        assert shown.sensor == "control" and advice in shown.advice and shown.passed is (outcome == "passed")


def test_a_minute_without_a_move_begins_anew_so_that_drift_is_no_move(chamber):
    watch = begun(chamber, "sensor_identity", "control")
    for second in range(1, 300):  # 4 °C in five minutes
        watch = watching.see(watch, looked(chamber, second * US, {"control": 21_000 + second * 13}))
    assert watch.ended is None


def test_a_sensor_without_a_reading_is_named_and_waited_for(chamber):
    watch = fed(begun(chamber, "sensor_identity", "control"), chamber, 30, {"control": None})
    assert watch.ended is None and "no good reading" in watch.rows[0].words


def bath(chamber, step: str, raw: dict[str, Any], seconds: int = 90, sensor: str = "") -> Watch:
    return fed(begun(chamber, step, sensor), chamber, seconds, raw)


@pytest.mark.parametrize(("step", "mc"), [("ice_point", 250), ("boiling_point", 100_250)])
def test_good_sensors_pass_together_or_alone(chamber, step, mc):
    ids = [sensor.id for sensor in chamber.sensors]
    for sensor in ("", "control"):
        watch = bath(chamber, step, dict.fromkeys(ids, mc), sensor=sensor)
        assert watch.ended is not None and watch.ended.outcome == "passed"
        assert [one.sensor for one in watch.ended.shown] == ([sensor] if sensor else ids)
        assert all(type(one.values[key]) is int for one in watch.ended.shown for key in ("true_mc", "seen_mc", "u_mc"))


@pytest.mark.parametrize(("seen_c", "words"), [
    (converted_c(0.0, 24.0, reversed_leads=True), "exchanged at the converter"),
    (converted_c(0.0, 24.0, wire="J"), "type J"),
], ids=["reversed", "wire of J"])
def test_a_wrong_couple_in_ice_fails_by_name(chamber, seen_c, words):
    watch = bath(chamber, "ice_point", {"control": round(seen_c * 1000), "over_temperature": 0, "part": 0})
    assert watch.ended is not None and watch.ended.outcome == "failed"
    bad = [one for one in watch.ended.shown if not one.passed]
    assert [one.sensor for one in bad] == ["control"] and words in bad[0].advice


def test_a_sensor_that_stays_at_the_rooms_temperature_is_told_apart_from_those_in_the_bath(chamber):
    raw = {"control": 0, "over_temperature": 250, "part": 22_000}
    watch = bath(chamber, "ice_point", raw, seconds=120)
    assert watch.ended is None, "it is waited for"
    watch = bath(chamber, "ice_point", raw, seconds=400)
    assert watch.ended is not None and {one.sensor: one.passed for one in watch.ended.shown} == {
        "control": True, "over_temperature": True, "part": False}


def test_restless_readings_are_not_taken(chamber):
    watch = begun(chamber, "ice_point")
    for second in range(1, 120):
        watch = watching.see(watch, looked(chamber, second * US, dict.fromkeys(
            ("control", "over_temperature", "part"), 3_000 if second % 7 == 0 else 0)))
    assert watch.ended is None


def test_a_fixed_limiter_is_seen_to_open_and_to_close_again(chamber):
    watch = fed(begun(chamber, "limiter"), chamber, 5)
    assert watch.ended is None
    watch = fed(watch, chamber, 5, from_s=6, limiter=False)
    assert [row.state for row in watch.rows] == ["seen", "waiting"]
    watch = fed(watch, chamber, 2, from_s=11)
    assert watch.ended is not None and watch.ended.outcome == "passed"


@pytest.mark.parametrize("step", list(watching.BEGINS))
@pytest.mark.parametrize(("breaks", "words"), [
    ({"lost": True}, "not heard"), ({"run": S.RUNNING}, "A run began"), ({"run": S.ABORTING}, "A run began")], ids=str)
def test_whatever_breaks_it_off_stores_nothing_and_says_so(chamber, step, breaks, words):
    sensor = "control" if step == "sensor_identity" else ""
    run = run_of(chamber, "silence", breaks["run"]) if "run" in breaks else None
    watch = watching.see(begun(chamber, step, sensor), looked(chamber, 100 * US, run=run, lost=breaks.get("lost", False)))
    assert watch.ended is not None and watch.ended.outcome == "ended" and watch.ended.shown == ()
    assert words in watch.ended.words and "begin this step again" in watch.ended.words


def test_ten_minutes_of_nothing_end_it(chamber):
    watch = fed(begun(chamber, "contacts"), chamber, 1)
    assert watching.see(watch, looked(chamber, 600 * US)).ended is None
    ended = watching.see(watch, looked(chamber, 601 * US)).ended
    assert ended is not None and "10 min" in ended.words and ended.shown == ()
