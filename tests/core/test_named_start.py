"""Starts that wait for a time somebody named: for the clock to be right, for the time itself, for the arm button.

The bench tells the wall time as the service does: in every tick in which such a start waits or is asked for.
"""

from __future__ import annotations

import pytest

from controller.core.commands import Ask
from controller.core.events import Kind
from controller.core.run_states import S
from controller.core.setup import Level
from controller.core.starting import NAMED_HOLDS_US
from controller.core.state import NOT_SET, Commissioned, LineLost, LineOpened, Messages, Wall
from tests.core.ready import SHORT, idle
from tests.core.world import DEMO, US, Bench

NOON_US = 1_795_000_000_000_000
"""Some UTC time; nothing depends on which."""
MINUTE_US, HOUR_US = 60 * US, 3_600 * US
MINUTE = 60


class Timed(Bench):
    """A bench whose computer has a wall clock: UTC is the monotonic time plus an offset, when it is set at all."""

    offset_us: int | None = NOON_US

    def tick(self, *commands, us=US, notices=(), extra=False):
        utc_us = NOT_SET if self.offset_us is None else self.now_us + us + self.offset_us
        return super().tick(*commands, us=us, notices=(*notices, Wall(utc_us)), extra=extra)

    @property
    def utc_us(self) -> int:
        return self.now_us + NOON_US


def timed() -> Timed:
    bench = Timed()
    bench.run(4)
    return bench


def waiting(minutes: float = 60, armed: bool = True) -> Timed:
    """A start named for so many minutes ahead."""
    bench = timed()
    answer = bench.ask_start(at_utc_us=bench.utc_us + round(minutes * MINUTE_US))
    assert answer.kind is Kind.COMMAND_ACCEPTED, answer
    if armed:
        bench.press_arm()
    return bench


def lapsed(bench: Bench) -> str:
    assert bench.state.pending is None and bench.state.run is None
    assert bench.state.lapse is not None
    assert bench.said(Kind.START_LAPSED)[-1]["reason"] == bench.state.lapse.reason
    return bench.state.lapse.reason


def test_it_begins_at_its_time_and_not_before():
    bench = waiting(10)
    bench.run(9.5 * MINUTE)
    assert bench.run_state is S.IDLE and bench.state.pending is not None
    bench.until(lambda one: one.run_state is S.RUNNING, 60)
    assert 0 <= bench.utc_us - bench.said(Kind.START_NAMED)[0]["at_utc_us"] < 15 * US
    assert bench.state.lapse is None


def test_it_waits_for_the_arm_button_and_says_so():
    bench = waiting(10, armed=False)
    assert bench.said(Kind.ARM_ASKED) == [{"run_id": "27"}]
    bench.run(12 * MINUTE)
    assert bench.run_state is S.IDLE, "its time has come, but nobody pressed"
    bench.press_arm()
    bench.until(lambda one: one.run_state is S.RUNNING, 20)


def test_a_press_holds_to_half_an_hour_past_the_named_time_and_no_longer():
    bench = waiting(10)
    bench.offset_us = None  # the clock is not known to be right any more
    bench.run(41 * MINUTE)
    assert bench.state.pending is not None
    bench.offset_us = NOON_US
    bench.run(2)
    assert "30 min past the named time" in lapsed(bench)
    assert NAMED_HOLDS_US == 30 * MINUTE_US


def test_without_a_press_it_lapses_half_an_hour_past_its_time():
    bench = waiting(10, armed=False)
    bench.run(39 * MINUTE)
    assert bench.state.pending is not None
    bench.run(2 * MINUTE)
    assert "Nobody pressed the arm button" in lapsed(bench)


def test_it_waits_for_the_clock_to_be_right():
    bench = timed()
    bench.offset_us = None
    assert bench.ask_start(at_utc_us=NOON_US + 10 * MINUTE_US).kind is Kind.COMMAND_ACCEPTED
    bench.press_arm()
    bench.run(15 * MINUTE)
    assert bench.state.pending is not None and bench.run_state is S.IDLE
    bench.offset_us = NOON_US
    bench.until(lambda one: one.run_state is S.RUNNING, 20)


def test_a_clock_that_is_never_set_ends_it_after_a_day():
    bench = timed()
    bench.offset_us = None
    bench.ask_start(at_utc_us=NOON_US + 10 * MINUTE_US)
    bench.run(24.6 * 3_600, us=4 * US)
    assert "clock was not set within a day" in lapsed(bench)


def test_a_clock_step_moves_the_beginning_and_no_duration():
    bench = waiting(60)
    bench.offset_us = NOON_US + HOUR_US
    bench.until(lambda one: one.run_state is S.RUNNING, 20)
    started = bench.state.run.started_us
    bench.offset_us = NOON_US - 24 * HOUR_US
    bench.run(60)
    assert bench.run_state is S.RUNNING and bench.state.run.started_us == started


@pytest.mark.parametrize(("ahead_us", "words"), [(-US, "passed"), (24 * HOUR_US + 2 * US, "24 h")])
def test_a_time_that_no_start_can_wait_for_is_refused(ahead_us, words):
    bench = timed()
    answer = bench.ask_start(at_utc_us=bench.utc_us + ahead_us)
    assert (answer.fields["code"], bench.state.pending) == ("bad_time", None)
    assert words in answer.fields["reason"]


@pytest.mark.parametrize("how", ["door", "reset", "cable"])
def test_what_voids_an_arming_voids_this_one_and_it_waits_for_another_press(how):
    bench = waiting(10)
    {"door": lambda: bench.board.says.update(door=False), "reset": bench.board.reset,
     "cable": lambda: setattr(bench, "cut", True)}[how]()
    if how == "cable":
        bench.tick(notices=[LineLost("pulled")])
        bench.cut = False
        bench.tick(notices=[LineOpened(31)])
    bench.run(8)
    bench.board.says.pop("door", None)
    assert bench.state.pending is not None and not bench.state.pending.armed
    bench.run(11 * MINUTE)
    assert bench.run_state is S.IDLE
    bench.press_arm()
    bench.until(lambda one: one.run_state is S.RUNNING, 20)


def test_a_press_that_was_lost_is_named_when_the_start_lapses():
    bench = waiting(10)
    bench.board.says["door"] = False
    bench.tick()
    del bench.board.says["door"]
    bench.run(41 * MINUTE)
    assert "was void (the door was opened), and nobody pressed it again" in lapsed(bench)


def test_what_stands_against_heating_when_its_time_comes_ends_it_and_is_told():
    bench = waiting(10)
    bench.record_lost = 3
    bench.run(11 * MINUTE)
    assert "When its time came it could not begin" in lapsed(bench)
    assert bench.said(Kind.COMMAND_REFUSED)[-1]["code"] == "record_failing"


def test_a_trip_takes_it_back_and_says_why():
    bench = waiting(10)
    bench.board.says["smoke"] = True
    bench.tick()
    assert lapsed(bench)


def test_stop_heating_takes_it_back_without_a_word_of_lapse():
    bench = waiting(10)
    bench.ask(Ask.STOP_HEATING)
    assert bench.state.pending is None and bench.state.lapse is None
    bench.run(11 * MINUTE)
    assert bench.run_state is S.IDLE


def test_a_second_start_is_refused_while_one_waits():
    bench = waiting(60)
    assert bench.ask_start().fields["code"] == "busy"


def test_a_hot_chamber_may_be_named_for_later_but_not_begin_hot():
    bench = timed()
    bench.board.air_mc, bench.board.warming = 118_000.0, False
    bench.run(3)
    assert bench.ask_start().fields["code"] == "cause_stands"
    assert bench.ask_start(at_utc_us=bench.utc_us + 5 * MINUTE_US).kind is Kind.COMMAND_ACCEPTED
    bench.press_arm()
    bench.run(6 * MINUTE)
    assert "too hot still" in lapsed(bench)


def test_an_attended_start_may_be_named_too():
    bench = timed()
    bench.ask_start(level=Level.IN_THE_BUILDING, leaving=None, at_utc_us=bench.utc_us + 5 * MINUTE_US)
    bench.press_arm()
    bench.until(lambda one: one.run_state is S.RUNNING, 6 * MINUTE)


def test_a_start_for_now_does_not_wait_for_any_clock():
    bench = idle()
    bench.ask_start(DEMO)
    bench.press_arm()
    bench.until(lambda one: one.run_state is S.RUNNING, 20)


def test_an_armed_start_whose_time_comes_while_messages_fail_comes_to_nothing():
    bench = waiting(10)
    bench.tick(notices=[Messages("mail: refused")])
    bench.run(11 * MINUTE)
    assert "messages cannot leave (mail: refused)" in lapsed(bench)
    assert not bench.heats


def test_a_named_start_begins_after_a_cooler_run_whose_limits_the_board_still_holds():
    bench = timed()
    bench.ask_start(SHORT)
    bench.press_arm()
    bench.until(lambda one: one.run_state is S.RUNNING, 20)
    cooler_mc = bench.state.run.run_ceiling_mc
    for ask in (Ask.STOP_HEATING, Ask.RESET):
        bench.ask(ask)
        bench.run(3)
    assert bench.ask_start(at_utc_us=bench.utc_us + 10 * MINUTE_US).kind is Kind.COMMAND_ACCEPTED
    bench.press_arm()
    bench.run(60)
    assert bench.state.board.limits.run_ceiling_mc == cooler_mc and bench.alarm("limits_differ") == "normal"
    bench.until(lambda one: one.run_state is S.RUNNING, 12 * MINUTE)
    assert bench.state.board.limits.run_ceiling_mc == bench.state.run.run_ceiling_mc > cooler_mc


def test_a_limit_that_was_lowered_before_its_time_is_judged_again():
    bench = waiting(10)
    bench.ask(Ask.TIGHTEN, name="run_ceiling_mc", value=70_000)
    bench.run(11 * MINUTE)
    assert "70" in lapsed(bench) and not bench.heats


def test_a_level_that_its_proofs_no_longer_carry_is_refused_when_the_time_comes():
    """A proof ended while the start waited: what it may do is judged again."""
    bench = waiting(minutes=1)
    found = tuple((row.correction_mc, row.slope_ppm, row.uncertainty_mc) for row in bench.state.chamber.sensors)
    bench.tick(notices=(Commissioned(Level.AT_THE_CHAMBER, (), found),))
    bench.run(90)
    assert bench.state.run is None and "may run at the chamber at most" in lapsed(bench)
