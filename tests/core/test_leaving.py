"""Before heat is left alone: each answer, the arrived message and the messenger, when asked and again when armed."""

from __future__ import annotations

import pytest

from controller.core.commands import Ask
from controller.core.events import Kind
from controller.core.leaving import ARRIVAL_HOLDS_US, CHECKLIST, NEVER_US, Leaving, lacking
from controller.core.run_states import S
from controller.core.setup import Level
from controller.core.state import Messages
from tests.core.ready import idle
from tests.core.world import READY_TO_LEAVE, SOAK_AT_105, US, changed, running

HOUR_US = 3_600 * US
WITHOUT = {question.id: READY_TO_LEAVE._replace(answers=tuple(
    one for one in READY_TO_LEAVE.answers if one != question.id)) for question in CHECKLIST}


def fields(said: Leaving | None, since_us: int = 0, why: str = "") -> list[str]:
    return [one.field for one in lacking(said, since_us, why)]


def test_with_everything_answered_nothing_lacks():
    assert fields(READY_TO_LEAVE) == []


@pytest.mark.parametrize("question", CHECKLIST, ids=lambda question: question.id)
def test_an_answer_that_lacks_refuses_the_start_and_says_which(question):
    assert fields(WITHOUT[question.id]) == [question.id]
    answer = idle().ask_start(leaving=WITHOUT[question.id])
    assert answer.fields["code"] == "not_ready_to_leave"
    assert question.words in answer.fields["reason"]


def test_with_nothing_said_everything_lacks():
    assert fields(None, why="no channel") == [*(question.id for question in CHECKLIST), "message_arrived", "messenger"]
    assert idle().ask_start(leaving=None).fields["code"] == "not_ready_to_leave"


@pytest.mark.parametrize(("age_us", "since_us", "lacks"), [
    (NEVER_US, 0, True), (0, 0, False), (ARRIVAL_HOLDS_US - 1, 0, False), (ARRIVAL_HOLDS_US, 0, True),
    (ARRIVAL_HOLDS_US - HOUR_US, HOUR_US - 1, False), (ARRIVAL_HOLDS_US - HOUR_US, HOUR_US, True)])
def test_a_message_counts_for_a_day_from_its_arrival(age_us, since_us, lacks):
    assert (fields(READY_TO_LEAVE._replace(arrived_age_us=age_us), since_us) == ["message_arrived"]) is lacks


def test_it_is_judged_again_when_the_button_is_pressed():
    bench = idle()
    bench.ask_start(leaving=READY_TO_LEAVE._replace(arrived_age_us=ARRIVAL_HOLDS_US - 20 * US))
    bench.run(30)
    bench.press_arm()
    assert bench.state.pending is None
    assert bench.said(Kind.COMMAND_REFUSED)[-1]["code"] == "not_ready_to_leave"
    assert "message_arrived" in bench.state.lapse.reason


def test_a_messenger_that_fails_before_the_press_refuses_it():
    bench = idle()
    bench.ask_start()
    bench.tick(notices=[Messages("the mail server refuses")])
    bench.press_arm()
    assert "the mail server refuses" in bench.state.lapse.reason


@pytest.mark.parametrize("level", [Level.AT_THE_CHAMBER, Level.IN_THE_BUILDING])
def test_whoever_stays_near_answers_nothing(level):
    bench = idle()
    bench.tick(notices=[Messages("no channel")])
    assert bench.ask_start(level=level, leaving=None).kind is Kind.COMMAND_ACCEPTED


def test_what_was_answered_is_kept_with_the_run():
    bench = running()
    said = bench.said(Kind.LEAVING)
    assert len(said) == 1
    assert said[0]["answers"].split() == [question.id for question in CHECKLIST]
    assert said[0]["channel"] == "invented channel"
    assert HOUR_US < said[0]["arrived_age_us"] < HOUR_US + 60 * US


def test_before_the_messenger_is_heard_nothing_is_left_alone():
    bench = idle()
    bench.tick(notices=[Messages("the messenger has not been heard")])
    assert "has not been heard" in bench.ask_start().fields["reason"]


def test_a_run_goes_on_when_messages_fail_and_alarms_after_two_minutes():
    bench = running()
    bench.tick(notices=[Messages("no route")])
    bench.run(118)
    assert bench.alarm("messages_failing") == "normal"
    bench.run(5)
    assert bench.alarm("messages_failing") == "unacknowledged"
    [event] = [one for one in bench.events if one.kind is Kind.GUARD and one.fields["guard"] == "messages_failing"]
    assert event.fields["detail"] == "no route"
    assert bench.run_state is S.RUNNING and bench.heats


def strayed(level: Level, minutes: float) -> str:
    """The alarm after ten minutes off the plan, begun so long after the start."""
    bench = running(SOAK_AT_105, level, air_mc=105_000.0)
    bench.board.warming = False
    for second in range(round((minutes + 10) * 60)):
        if second % 600 == 0 and bench.state.run is not None:
            bench.state = changed(bench.state, run=changed(bench.state.run, checked_in_us=bench.now_us))
        run = bench.state.run
        assert run is not None
        bench.board.air_mc = run.air_setpoint_mc + (3_500 if second >= minutes * 60 else 0)
        bench.tick()
    return bench.alarm("not_following")


@pytest.mark.parametrize(("level", "minutes", "alarm"), [
    (Level.UNATTENDED, 5, "unacknowledged"), (Level.UNATTENDED, 31, "normal"), (Level.IN_THE_BUILDING, 5, "normal")])
def test_only_the_first_half_hour_of_an_unattended_run_is_held_to_its_plan(level, minutes, alarm):
    assert strayed(level, minutes) == alarm


def followed_s(bench) -> float:
    """How long the run has followed its plan, as its state has it."""
    run = bench.state.run
    assert run is not None
    return (bench.now_us - run.follows_us) / US


def on_plan(bench, seconds: int, off_mc: int = 0) -> None:
    """So many ticks with the air where the plan wants it, or `off_mc` beside that."""
    bench.board.warming = False
    for _ in range(seconds):
        bench.board.air_mc = bench.state.run.air_setpoint_mc + off_mc
        bench.tick()


@pytest.mark.parametrize("break_off", ["hold", "door", "stray"])
def test_the_first_half_hour_begins_anew_after_whatever_was_no_following(break_off):
    bench = running(SOAK_AT_105, Level.UNATTENDED, air_mc=105_000.0)
    on_plan(bench, 20 * 60)
    assert followed_s(bench) > 19 * 60
    if break_off == "hold":
        bench.ask(Ask.HOLD)
    if break_off == "door":
        bench.board.says["door"] = False
    on_plan(bench, 15 * 60, off_mc=3_500 if break_off == "stray" else 0)
    assert followed_s(bench) < 2, "thirty-five minutes after the start nothing has been followed for even one"
    bench.board.says.pop("door", None)
    bench.run(2)
    if break_off != "stray":
        bench.ask(Ask.RESTART)
    on_plan(bench, 29 * 60)
    assert 27 * 60 < followed_s(bench) < 30 * 60
    on_plan(bench, 5 * 60)
    assert followed_s(bench) > 30 * 60


def test_what_was_followed_for_half_an_hour_is_not_taken_back():
    bench = running(SOAK_AT_105, Level.UNATTENDED, air_mc=105_000.0)
    on_plan(bench, 31 * 60)
    bench.ask(Ask.HOLD)
    on_plan(bench, 60)
    assert followed_s(bench) > 31 * 60


def test_after_a_door_the_half_hour_is_counted_anew_however_late_it_was():
    bench = running(SOAK_AT_105, Level.UNATTENDED, air_mc=105_000.0)
    on_plan(bench, 40 * 60)
    bench.board.says["door"] = False
    on_plan(bench, 60)
    bench.board.says.pop("door", None)
    bench.run(2)
    bench.ask(Ask.RESTART)
    on_plan(bench, 60)
    assert followed_s(bench) < 70
