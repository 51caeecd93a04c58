"""Arming: a person's act at the chamber. A press is an edge with the door shut and the heat off; one press, one start.

Every way an arming ends unused is a row; so is every level's sign of life.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from controller.core.commands import Ask
from controller.core.events import Kind
from controller.core.messages import Tell
from controller.core.run_states import S
from controller.core.setup import Level
from controller.core.state import Inputs, LineLost, LineOpened
from tests.core.ready import SHORT, complete, idle, pending
from tests.core.world import US, US_PER_H, Bench, FakeBoard, chamber, running

MINUTE = 60


def armed() -> Bench:
    bench = idle()
    bench.press_arm()
    assert bench.state.armed_us > 0
    return bench


def starts(bench: Bench) -> bool:
    """Does a start now go on without a further press?"""
    answer = bench.ask_start()
    assert answer.kind is Kind.COMMAND_ACCEPTED, answer
    bench.run(8)
    return bench.run_state is S.RUNNING


def test_a_start_that_is_asked_first_waits_for_the_press_and_says_so():
    bench = pending()
    bench.run(20)
    assert bench.run_state is S.IDLE
    assert bench.said(Kind.ARM_ASKED) == [{"run_id": "27"}]
    bench.press_arm()
    bench.until(lambda one: one.run_state is S.RUNNING, 8)
    assert bench.said(Kind.ARMED) == [{"run_id": "27"}]


def test_a_press_that_came_first_serves_the_next_start():
    assert starts(armed())


def test_one_press_serves_one_start():
    bench = complete()
    bench.ask(Ask.RESET)
    assert not starts(bench), "the press of the run before is used up"


def test_two_presses_serve_no_two_starts():
    bench = idle()
    bench.press_arm()
    bench.press_arm()
    bench.ask_start(SHORT)
    bench.until(lambda one: one.run_state is S.COMPLETE, 90)
    bench.ask(Ask.RESET)
    assert not starts(bench)


def test_a_button_that_stays_in_is_one_press():
    bench = idle()
    bench.board.says["arm"] = True
    bench.run(20)
    assert len(bench.said(Kind.ARMED)) == 1


def test_a_press_between_two_ticks_is_seen():
    bench = idle()
    bench.per_tick = 4
    heard = bench.state.board.sequence
    reports = [bench.board.report(US // 4)._replace(heard=heard, arm=pressed) for pressed in (False, True, False, False)]
    bench.give(Inputs(bench.now_us + US, tuple(reports)))
    assert bench.state.armed_us > 0


@pytest.mark.parametrize("says", [
    {"door": False}, {"door": None}, {"modulator": True}, {"contactor": True},
], ids=str)
def test_a_press_counts_only_with_the_door_shut_and_the_heat_off(says):
    bench = idle()
    bench.board.says.update(says)
    bench.press_arm()
    assert bench.state.armed_us < 0
    assert not bench.said(Kind.ARMED)


def open_and_shut(bench: Bench) -> None:
    bench.board.says["door"] = False
    bench.tick()
    del bench.board.says["door"]
    bench.tick()


def reset(bench: Bench) -> None:
    bench.board.reset()
    bench.run(6)


def pulled(bench: Bench) -> None:
    bench.tick(notices=[LineLost("pulled")])
    bench.tick(notices=[LineOpened(30)])
    bench.run(4)


def two_hours(bench: Bench) -> None:
    bench.run(2 * 3_600, us=2 * US)


def stopped(bench: Bench) -> None:
    bench.ask(Ask.STOP_HEATING)


def tripped(bench: Bench) -> None:
    bench.board.says["smoke"] = True
    bench.tick()
    del bench.board.says["smoke"]
    bench.tick()
    bench.ask(Ask.CLEAR, name="smoke")


VOID: dict[str, Callable[[Bench], None]] = {
    "the door": open_and_shut, "a reset of the board": reset, "the cable": pulled, "two hours": two_hours,
    "stop heating": stopped, "a trip": tripped,
}


@pytest.mark.parametrize("how", VOID)
def test_an_unused_arming_is_void_after(how):
    bench = armed()
    VOID[how](bench)
    assert bench.state.armed_us < 0
    bench.run(2)
    assert not starts(bench)


@pytest.mark.parametrize("how", ["the door", "a reset of the board", "the cable", "two hours"])
def test_an_arming_that_ends_unused_says_why(how):
    bench = armed()
    VOID[how](bench)
    assert len(bench.said(Kind.ARM_VOID)) == 1
    assert bench.said(Kind.ARM_VOID)[0]["reason"]


def test_an_arming_holds_for_just_under_two_hours():
    bench = armed()
    at = bench.state.armed_us
    bench.board.says["heard"] = bench.state.board.sequence
    bench.now_us = at + 2 * US_PER_H - US - 1
    bench.tick()
    assert bench.state.armed_us == at
    bench.tick(us=1)
    assert bench.state.armed_us < 0


def test_a_door_opened_between_press_and_beginning_asks_for_another_press():
    bench = pending()
    bench.board.mute = True  # the board does not answer yet, so the start still waits when the door opens
    bench.board.says["arm"] = True
    bench.tick()
    del bench.board.says["arm"]
    assert bench.state.pending.armed
    bench.board.says["door"] = False
    bench.tick()
    del bench.board.says["door"]
    bench.board.mute = False
    bench.run(10)
    assert bench.run_state is S.IDLE
    assert not bench.state.pending.armed


def test_a_start_nobody_presses_for_is_taken_back_after_two_minutes():
    bench = pending()
    asked = bench.state.pending.asked_us
    bench.until(lambda one: one.state.pending is None, 125)
    assert bench.state.mono_us - asked == 120 * US
    refused = bench.said(Kind.COMMAND_REFUSED)[-1]
    assert (refused["code"], refused["ref"]) == ("not_armed", "1")
    bench.press_arm()
    bench.run(10)
    assert bench.run_state is S.IDLE, "a press after that starts nothing by itself"


def test_a_board_that_does_not_take_the_limits_ends_the_start_after_fifteen_seconds_and_uses_the_press():
    bench = armed()
    bench.ask_start()
    bench.board.limits[0] = 100_000  # it can fall by wire, never rise
    bench.tick()
    bench.board.mute = True
    bench.until(lambda one: one.state.pending is None, 20)
    assert bench.said(Kind.COMMAND_REFUSED)[-1]["code"] == "board_absent"
    assert bench.state.armed_us < 0


def test_a_second_start_while_one_waits_is_refused():
    bench = pending()
    answer = bench.ask_start()
    assert (answer.kind, answer.fields["code"]) == (Kind.COMMAND_REFUSED, "busy")


def test_without_a_button_a_start_needs_no_press():
    bench = Bench(chamber(fitted={"arm_button": False}))
    bench.run(4)
    assert starts(bench)


def test_a_press_during_a_run_arms_nothing():
    bench = running()
    bench.press_arm()
    assert bench.state.armed_us < 0
    assert len(bench.said(Kind.ARMED)) == 1


@pytest.mark.parametrize(("make", "lamp"), [(idle, 0), (armed, 1), (pending, 2), (running, 1)])
def test_the_lamp_at_the_chamber_says_how_it_stands(make, lamp):
    bench = make()
    told = []
    for _ in range(6):
        bench.tick()
        told += [frame.armed for frame in bench.frames if isinstance(frame, Tell)]
    assert told
    assert set(told) == {lamp}


# -- levels ------------------------------------------------------------------------------------------------------------------

LEVELS = [(may, asked) for may in Level for asked in Level]


@pytest.mark.parametrize(("may", "asked"), LEVELS, ids=lambda one: one.name.lower())
def test_a_start_at_a_level_the_chamber_may_not_do_is_refused(may, asked):
    bench = Bench(chamber(may_do=may))
    bench.run(4)
    answer = bench.ask_start(level=asked)
    if may is Level.MEASURE_ONLY:
        assert answer.fields.get("code") == "measure_only"
    elif asked is Level.MEASURE_ONLY or asked > may:
        assert answer.fields.get("code") == "level_too_high"
    else:
        assert answer.kind is Kind.COMMAND_ACCEPTED


CHECK_IN_S = {Level.AT_THE_CHAMBER: 15 * MINUTE, Level.IN_THE_BUILDING: 60 * MINUTE}


@pytest.mark.parametrize("level", CHECK_IN_S, ids=lambda level: level.name.lower())
def test_without_a_sign_of_life_heat_stops_until_somebody_says_go_on(level):
    bench = running(level=level)
    since = bench.state.run.checked_in_us
    bench.until(lambda one: one.run_state is S.HELD, CHECK_IN_S[level] + 2)
    assert bench.state.mono_us - since == CHECK_IN_S[level] * US
    assert bench.state.run.heat_withheld
    assert not bench.heats
    assert not bench.latched, "an interlock, not a trip"
    bench.press_arm()
    bench.run(5)
    assert not bench.heats, "a sign of life alone brings no heat back"
    bench.ask(Ask.RESTART)
    bench.run(2)
    assert bench.heats


@pytest.mark.parametrize(("level", "goes_on"), [(Level.AT_THE_CHAMBER, False), (Level.IN_THE_BUILDING, True)])
def test_going_on_from_the_page_is_a_sign_of_life_only_where_the_level_takes_one_from_there(level, goes_on):
    bench = running(level=level)
    bench.until(lambda one: one.run_state is S.HELD, CHECK_IN_S[level] + 2)
    answer = bench.ask(Ask.RESTART)
    bench.run(3)
    assert (answer.kind is Kind.COMMAND_ACCEPTED) is goes_on and bench.heats is goes_on
    assert goes_on or (answer.fields["code"] == "cause_stands" and bench.run_state is S.HELD)


@pytest.mark.parametrize(("level", "counts"), [(Level.AT_THE_CHAMBER, False), (Level.IN_THE_BUILDING, True)])
def test_the_page_is_a_sign_of_life_in_the_building_and_not_at_the_chamber(level, counts):
    bench = running(level=level)
    bench.run(60)
    answer = bench.ask(Ask.CHECK_IN)
    assert (answer.kind is Kind.COMMAND_ACCEPTED) is counts
    assert (bench.state.run.checked_in_us == bench.state.mono_us) is counts


@pytest.mark.parametrize("level", CHECK_IN_S, ids=lambda level: level.name.lower())
def test_the_button_at_the_chamber_is_a_sign_of_life_at_both(level):
    bench = running(level=level)
    bench.run(CHECK_IN_S[level] - 60)
    bench.press_arm()
    bench.run(120)
    assert bench.heats


@pytest.mark.parametrize("level", CHECK_IN_S, ids=lambda level: level.name.lower())
def test_where_only_the_button_counts_its_lamp_asks_for_it_in_the_last_quarter(level):
    bench = running(level=level)
    bench.run(CHECK_IN_S[level] * 3 // 4 - 5)
    before = bench.state.board.tell.armed
    bench.run(10)
    assert (before, bench.state.board.tell.armed) == (1, 2 if level is Level.AT_THE_CHAMBER else 1)
    bench.press_arm()
    bench.run(2)
    assert bench.state.board.tell.armed == 1


def test_an_unattended_run_asks_for_no_sign_of_life():
    bench = Bench(board=FakeBoard()).begin(level=Level.UNATTENDED)
    bench.run(61 * MINUTE)
    assert bench.heats
    assert bench.alarm("check_in_overdue") == "normal"


def test_a_chamber_hotter_than_the_runs_own_limit_is_told_before_anybody_walks_there():
    bench = idle()
    bench.board.air_mc = 60_000.0
    bench.run(3)
    answer = bench.ask_start(SHORT)
    assert answer.fields["code"] == "cause_stands" and "It is too hot still: " in str(answer.fields["reason"])


def test_a_board_that_is_not_heard_is_named_before_its_sensors_are():
    bench = idle()
    bench.cut = True
    bench.run(4)
    assert bench.ask_start().fields["code"] == "board_absent"


@pytest.mark.parametrize("ask", [Ask.STOP_HEATING, Ask.HOLD, Ask.COOL_DOWN], ids=str)
def test_what_was_asked_is_told_before_what_came_of_it(ask):
    bench = running()
    before = len(bench.events)
    bench.ask(ask)
    kinds = [event.kind for event in bench.events[before:]]
    assert kinds.index(Kind.COMMAND_ACCEPTED) < kinds.index(Kind.RUN_STATE)


def test_a_start_does_not_forget_that_the_board_is_heard():
    bench = idle()
    heard_us = bench.state.board.heard_us
    bench.ask_start()
    assert bench.state.board.heard_us >= heard_us > 0


def test_a_run_that_ended_withholds_nothing():
    bench = running()
    bench.board.says["door"] = False
    bench.run(3)
    assert bench.state.run.heat_withheld
    bench.ask(Ask.STOP_HEATING)
    bench.until(lambda one: one.run_state is S.ABORTED, 5)
    assert not bench.state.run.heat_withheld


@pytest.mark.parametrize(("contact", "named"), [
    ("limiter", "The limiter's contact"), ("smoke", "The smoke contact"), ("local_stop", "The local stop"),
    ("door", "The door's contact")])
def test_a_start_without_a_contact_that_the_file_says_is_fitted_says_that_it_is_not_there(contact, named):
    """A board that has no input for it: nothing has opened or closed, and the sentence must not say so."""
    bench = idle()
    bench.board.says[contact] = None
    bench.run(3)
    answer = bench.ask_start()
    assert answer.kind is Kind.COMMAND_REFUSED
    assert f"{named} is not there: the board reports none." in str(answer.fields)
