"""What these tests once found wrong in the core. One test a mistake, so that none comes back; newest last."""

from __future__ import annotations

import itertools

import pytest

from controller.core.alarms import AlarmState
from controller.core.commands import Ask, PersonRole
from controller.core.events import Kind
from controller.core.messages import Channel, Enable, Tell, ToBoard
from controller.core.readings import MISSING, Good, Stale
from controller.core.run_states import S
from controller.core.setup import Level
from controller.core.state import Inputs, LineLost, LineOpened, Notice
from controller.core.supervisor import Latch
from tests.core.ready import aborting, idle, pending
from tests.core.world import (
    DEMO,
    READY_TO_LEAVE,
    US,
    Bench,
    FakeBoard,
    chamber,
    changed,
    cool,
    ramp,
    running,
    schedule,
    soak,
    soaking,
)

SEQUENCE_MAX = 9_999_999
"""Seven digits: more do not fit the wire."""
HOT = {number: Channel(140_000, 30_000, 0, 99) for number in range(3)}
TROUBLES = {
    "smoke": {"smoke": True}, "local stop": {"local_stop": True}, "limiter": {"limiter": False}, "hot": {},
    "door": {"door": False}, "session": {"session": 999}, "boot": {"boot": 99},
}


@pytest.mark.parametrize("names", list(itertools.combinations(TROUBLES, 2)), ids="+".join)
def test_two_troubles_in_one_report_end_the_heat_and_not_the_controller(names):
    bench = soaking()
    for name in names:
        bench.board.says.update(TROUBLES[name])
        bench.board.channels.update(HOT if name == "hot" else {})
    bench.run(5)
    assert not bench.heats
    assert bench.run_state in (S.ABORTING, S.ABORTED)


def test_every_trouble_at_once_ends_the_heat_and_not_the_controller():
    bench = soaking()
    for says in TROUBLES.values():
        bench.board.says.update(says)
    bench.late_us, bench.record_lost = 9 * US, 9
    bench.run(5)
    assert not bench.heats
    assert [latch.first_out for latch in bench.state.latches].count(True) == 1


def test_a_run_does_not_begin_before_the_new_session_was_heard():
    bench = Bench(chamber(fitted={"arm_button": False}))
    bench.run(4)
    bench.ask_start()
    start = bench.state.pending
    bench.give(Inputs(bench.now_us, (), (LineLost("pulled"), LineOpened(20))))
    welcome, _ = bench.notices
    read = bench.board.read()._replace(run_ceiling_mc=start.run_ceiling_mc, run_max_s=start.run_max_us // US)
    bench.give(Inputs(bench.now_us + US, (), (welcome, read)))
    assert bench.run_state is S.IDLE
    bench.now_us += US
    bench.until(lambda one: one.run_state is S.RUNNING, 8)


def test_smoke_is_heard_although_another_trip_was_acknowledged_long_ago():
    bench = Bench(latches=("not_commissioned",))
    bench.run(4)
    bench.ask(Ask.ACKNOWLEDGE, name="not_commissioned")
    bench.board.says["smoke"] = True
    bench.run(2)
    assert bench.latched == ("not_commissioned", "smoke")
    assert bench.alarm("smoke") == AlarmState.LATCHED
    told = [frame for frame in bench.frames if isinstance(frame, Tell)]
    assert told[-1].sounder == 3


def test_a_schedule_above_a_tightened_run_ceiling_is_refused_not_started_and_tripped():
    bench = idle()
    bench.ask(Ask.TIGHTEN, name="run_ceiling_mc", value=100_000)
    answer = bench.ask_start()
    assert (answer.kind, answer.fields["code"]) == (Kind.COMMAND_REFUSED, "over_ceiling")


def test_a_sequence_never_outgrows_the_wire():
    bench = idle()
    bench.state = changed(bench.state, board=changed(bench.state.board, sequence=SEQUENCE_MAX - 3))
    bench.board.heard = SEQUENCE_MAX - 3
    for _ in range(20):
        bench.tick()
        assert all(frame.sequence <= SEQUENCE_MAX for frame in bench.frames)
    assert all(isinstance(one, Good) for one in bench.state.readings)
    assert bench.state.board.accepted


def test_a_boards_own_sequence_may_go_round():
    bench = soaking()
    bench.board.sequence = SEQUENCE_MAX - 2
    last = changed(bench.state.board.report, sequence=SEQUENCE_MAX - 2)
    bench.state = changed(bench.state, board=changed(bench.state.board, report=last))
    bench.run(2)
    bench.board.sequence = 0
    bench.run(10)
    assert bench.run_state is S.RUNNING
    assert bench.heats


@pytest.mark.parametrize("before", [True, None])
def test_a_button_stuck_in_or_unknown_before_is_no_press(before):
    bench = Bench()
    bench.board.says["arm"] = before
    bench.run(4)
    bench.board.says["arm"] = True
    bench.run(4)
    assert bench.state.armed_us < 0
    bench.board.says["arm"] = False
    bench.tick()
    bench.press_arm()
    assert bench.state.armed_us > 0


def test_a_press_with_nobody_knowing_about_the_door_is_no_press():
    bench = idle()
    bench.board.says["door"] = None
    bench.press_arm()
    assert bench.state.armed_us < 0


def test_at_the_chamber_only_the_button_there_checks_in():
    bench = running(level=Level.AT_THE_CHAMBER)
    answer = bench.ask(Ask.CHECK_IN)
    assert answer.kind is Kind.COMMAND_REFUSED
    before = bench.state.run.checked_in_us
    bench.ask(Ask.HOLD)
    bench.ask(Ask.RESTART)
    assert bench.state.run.checked_in_us == before
    bench.press_arm()
    assert bench.state.run.checked_in_us > before


@pytest.mark.parametrize("name", ["smoke", "door", "limiter", "local_stop"])
def test_a_contact_gone_silent_in_a_run_asks_for_a_person(name):
    bench = soaking()
    bench.board.says[name] = None
    bench.run(30)
    assert bench.alarm("contact_unknown") == AlarmState.UNACKNOWLEDGED
    assert not bench.heats


@pytest.mark.parametrize("name", ["smoke", "door", "limiter", "local_stop"])
def test_a_start_with_a_silent_contact_is_refused(name):
    bench = idle()
    bench.board.says[name] = None
    bench.tick()
    answer = bench.ask_start()
    assert (answer.kind, answer.fields["code"]) == (Kind.COMMAND_REFUSED, "cause_stands")


@pytest.mark.parametrize("per_s_mc", [100, 200, 300, 500])
def test_a_door_opened_for_a_minute_and_shut_again_trips_nothing(per_s_mc):
    bench = soaking()
    bench.board.warming = False
    bench.board.says["door"] = False
    for _ in range(60):
        bench.board.air_mc -= 800
        bench.tick()
    del bench.board.says["door"]
    while bench.board.air_mc < 95_000:  # the walls give their heat back
        bench.board.air_mc += per_s_mc
        bench.tick()
    assert not bench.latched
    assert bench.run_state is S.HELD


def test_a_missed_welcome_in_a_later_session_is_given_its_ten_seconds():
    bench = idle()
    bench.run(30)
    bench.board.mute = True
    bench.ask_start()
    bench.run(8)
    assert not bench.said(Kind.NOT_A_BOARD)
    bench.run(4)
    assert bench.said(Kind.NOT_A_BOARD)


def test_another_boards_reports_are_not_looked_at():
    bench = soaking()
    bench.board.board, bench.board.air_mc, bench.board.warming = "ffffff", 150_000.0, False
    bench.run(4)
    assert not bench.heats
    assert all(isinstance(one, Stale) or one == MISSING for one in bench.state.readings)
    bench.run(4)
    assert "ceiling" not in bench.latched, "that is not this chamber's air"
    assert bench.run_state in (S.ABORTING, S.ABORTED)


def test_pressing_stop_again_does_not_put_off_the_end():
    bench = aborting()
    accepted = bench.state.stop.accepted_us
    for _ in range(70):
        bench.ask(Ask.STOP_HEATING, PersonRole.VIEWER)
    assert bench.run_state is S.ABORTED
    assert accepted > 0


def test_the_soak_clocks_last_word_is_the_whole_soak():
    bench = running(schedule(ramp(22_500, 300_000), soak(22_500, 1 / 30, 1), cool(22_400, 300_000)))
    bench.until(lambda one: any(not said["counting"] for said in one.said(Kind.SOAK_COUNTING)), 600)
    assert bench.said(Kind.SOAK_COUNTING)[-1]["counted_us"] == 120 * US


def test_a_tightened_reading_age_makes_readings_stale_sooner():
    bench = soaking()
    bench.ask(Ask.TIGHTEN, name="reading_age_us", value=2_000_000)
    bench.cut = True
    bench.now_us = bench.state.board.heard_us + 2_000_000 - US
    bench.tick()
    assert not bench.heats
    assert all(isinstance(one, Stale) for one in bench.state.readings)


def test_a_start_taken_back_by_stop_heating_needs_a_new_press():
    bench = pending()
    bench.ask(Ask.STOP_HEATING)
    bench.press_arm()
    bench.run(20)
    assert bench.run_state is S.IDLE
    assert isinstance(bench.board, FakeBoard)


def test_a_lost_enable_is_sent_again():
    bench = idle()
    bench.ask_start()
    obey, lost = bench.board._obey, []

    def deaf_once(frame: ToBoard) -> list[Notice]:
        if isinstance(frame, Enable) and not lost:
            lost.append(frame)
            return []
        return obey(frame)

    bench.board._obey = deaf_once
    bench.press_arm()
    bench.run(8)
    assert lost
    assert bench.board.heating
    assert not bench.latched


def test_cooling_down_from_a_little_above_ends_when_the_chamber_would_be_cool():
    """45 to 40 °C at 20 °C/h is a quarter of an hour; twice that is allowed here."""
    bench = running(schedule(ramp(105_000, 20_000, longest_h=1), ramp(106_000, 20_000)), air_mc=25_000.0)
    bench.until(lambda one: one.run_state is S.STOPPING, 3_605)
    bench.until(lambda one: one.run_state is S.STOPPED, 1_800)


def test_heat_that_stays_on_asks_for_a_person_though_something_else_tripped_first():
    bench = soaking()
    bench.board.says["smoke"] = True
    bench.tick()
    assert bench.latched == ("smoke",)
    accepted_us = bench.state.stop.accepted_us
    bench.board.says |= {"current_ma": 2_100, "modulator": True, "contactor": True}
    bench.run(5)
    assert bench.latched[:2] == ("smoke", "heat_stays_on") and bench.alarm("heat_stays_on") == "latched unacknowledged"
    assert (bench.state.stop.accepted_us, bench.state.stop.off_seen_us) == (accepted_us, -1), "off is still waited for"


@pytest.mark.parametrize(
    ("contactor", "latched"), [(True, ("heat_stays_on", "switch_stays_closed")), (False, ("switch_stays_closed",))],
)
def test_without_a_current_sense_both_switches_tell_of_heat_that_nobody_asked_for(contactor, latched):
    bench = idle()
    bench.board.says = {"current_ma": None, "modulator": True, "contactor": contactor}
    bench.run(5)
    assert bench.latched == latched


def test_a_trip_takes_a_waiting_start_back_though_an_earlier_stop_is_not_seen_off():
    bench = idle()
    bench.tick(bench.command(Ask.STOP_HEATING), bench.command(Ask.START, schedule=DEMO, run_id="27", leaving=READY_TO_LEAVE))
    assert bench.state.pending is not None and bench.state.stop.off_seen_us < 0
    bench.board.says["smoke"] = True
    bench.tick()
    assert bench.latched == ("smoke",) and bench.state.pending is None
    bench.board.says = {}
    bench.press_arm()
    assert bench.run_state is S.IDLE and not bench.state.permit


def test_a_contactor_that_stays_closed_after_a_stop_is_told_and_no_start_is_taken():
    bench = soaking()
    bench.ask(Ask.STOP_HEATING)
    bench.board.says["contactor"] = True
    bench.run(6)
    assert bench.latched == ("switch_stays_closed",) and bench.state.stop.off_seen_us < 0
    bench.run(60)
    bench.ask(Ask.RESET)
    assert bench.ask_start().fields["code"] == "latched"


def test_a_second_trip_leaves_when_the_heat_was_seen_off_unless_it_is_on_again():
    bench = soaking()
    bench.board.says["limiter"] = False
    bench.run(5)
    first = bench.state.stop
    assert first.off_seen_us > first.accepted_us
    bench.board.says["smoke"] = True
    bench.run(5)
    assert bench.latched == ("limiter_open", "smoke") and bench.state.stop == first
    bench.board.says |= {"current_ma": 2_100, "modulator": True, "contactor": True}
    bench.run(5)
    assert bench.state.stop.accepted_us > first.off_seen_us and bench.state.stop.off_seen_us == -1


def test_a_stop_that_no_board_of_ours_can_hear_says_so():
    bench = Bench(opened=False, board=FakeBoard(mute=True))
    bench.cut = True
    bench.run(2)
    assert "no board of this chamber answers" in str(bench.ask(Ask.STOP_HEATING).fields["detail"])


def test_a_run_is_not_over_while_its_heat_is_seen_on():
    bench = soaking()
    bench.ask(Ask.STOP_HEATING)
    bench.board.says |= {"current_ma": 2_100, "modulator": True, "contactor": True}
    bench.run(300)
    assert bench.run_state is S.ABORTING
    bench.board.says = {}
    bench.until(lambda one: one.run_state is S.ABORTED, 5)


def test_a_start_that_waits_in_a_latched_state_is_dropped_whoever_made_that_state():
    bench = pending()
    latch = Latch("smoke", bench.now_us, 1, 1, "", True)
    bench.state = changed(bench.state, latches=(latch,))
    bench.tick()
    assert bench.state.pending is None and bench.run_state is S.IDLE
