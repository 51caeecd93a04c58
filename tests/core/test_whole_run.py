"""A whole run on a simple thermal fake, through everything a person and a door can do to it, to its end and beyond.

The demo schedule is the trade's own: 25 to 105 °C in 4 h at 20 °C/h, 8 h held, 4 h down (common practice, no source).
"""

from __future__ import annotations

import pytest

from controller.core.commands import Ask, PersonRole
from controller.core.events import Kind
from controller.core.messages import OffReason
from controller.core.program import CoolDown
from controller.core.run_states import S
from controller.core.setup import Level
from controller.core.state import Commissioned
from tests.core.ready import tripped
from tests.core.world import CHAMBER, DEMO, US, US_PER_H, Bench, FakeBoard, changed, ramp, running, schedule, soaking

pytestmark = pytest.mark.timeout(600)
"""The first test here follows sixteen hours: ten seconds on a free core, minutes on a crowded one."""
HOUR = 3_600


class Followed:
    """The demo run with what was seen of it at every second."""

    def __init__(self) -> None:
        self.bench = Bench(board=FakeBoard(air_mc=25_000.0, room_mc=22_000.0)).begin(DEMO)
        self.began = self.bench.state.run.started_us
        self.worst = {0: 0.0, 1: 0.0, 2: 0.0}
        self.seconds = {0: 0, 1: 0, 2: 0}
        while self.bench.run_state is S.RUNNING and self.bench.now_us < 20 * US_PER_H:
            self.bench.tick()
            self.look()

    def look(self) -> None:
        run = self.bench.state.run
        part = run.treatment.segment
        self.seconds[part] += 1
        settling = part == 0 and self.bench.now_us - self.began < 600 * US
        if not settling:
            self.worst[part] = max(self.worst[part], abs(self.bench.board.air_mc - run.air_setpoint_mc))


@pytest.fixture(scope="module")
def demo() -> Followed:
    return Followed()


def test_the_demo_run_comes_to_its_end_with_no_alarm_and_no_trip(demo):
    assert demo.bench.run_state is S.COMPLETE
    assert not demo.bench.latched
    assert not demo.bench.said(Kind.TRIPPED)
    assert not demo.bench.said(Kind.ALARM)
    assert not demo.bench.said(Kind.GUARD)
    assert not demo.bench.said(Kind.COMMAND_REFUSED)


def test_the_demo_run_takes_four_hours_up_eight_held_and_about_four_down(demo):
    """The fake cools passively to 40 °C slower than 20 °C/h near its end."""
    up, held, down = (demo.seconds[number] / HOUR for number in range(3))
    assert up == pytest.approx(4, abs=0.01)
    assert held == pytest.approx(8, abs=0.01)
    assert 3.2 < down < 4.5
    assert demo.bench.said(Kind.SOAK_COUNTING)[-1]["counted_us"] == 8 * US_PER_H


def test_the_demo_run_stays_within_a_couple_of_degrees(demo):
    assert demo.worst[0] < 1_000
    assert demo.worst[1] < 500
    assert demo.worst[2] < 2_000


def test_after_the_run_the_heat_is_off_and_reset_leads_to_the_next(demo):
    demo.bench.run(5)
    assert not demo.bench.heats
    assert not demo.bench.board.heating
    assert demo.bench.ask(Ask.RESET).kind is Kind.COMMAND_ACCEPTED
    assert demo.bench.state.run is None


def test_the_demo_run_tells_its_segments_in_order(demo):
    assert [(one["segment"], one["kind"]) for one in demo.bench.said(Kind.SEGMENT)] == [(0, "ramp"), (1, "soak"), (2, "cool")]
    assert [one["after"] for one in demo.bench.said(Kind.RUN_STATE)][:2] == ["running", "complete"]


# -- stop heating ------------------------------------------------------------------------------------------------------------


def test_stop_heating_is_asked_then_accepted_then_seen_off():
    bench = soaking()
    answer = bench.ask(Ask.STOP_HEATING, PersonRole.VIEWER)
    assert answer.kind is Kind.COMMAND_ACCEPTED
    assert (bench.drive.permit, bench.drive.duty_e4) == (False, 0)
    assert bench.run_state is S.ABORTING
    assert (bench.state.stop.by, bench.state.stop.accepted_us, bench.state.stop.off_seen_us) == ("Kim", bench.now_us, -1)
    bench.tick()
    assert bench.state.stop.off_seen_us == bench.now_us
    assert bench.run_state is S.ABORTED
    assert bench.said(Kind.HEAT_SEEN_OFF)[0]["after_us"] == US
    assert not bench.latched, "a person's stop is no trip"


@pytest.mark.parametrize("says", [{"contactor": True}, {"modulator": True}, {"current_ma": 300}], ids=str)
def test_heat_is_not_seen_off_while_anything_says_that_it_is_on(says):
    bench = soaking()
    bench.board.says.update(says)
    bench.ask(Ask.STOP_HEATING)
    bench.run(50)
    assert bench.state.stop.off_seen_us < 0
    assert bench.run_state is S.ABORTING
    bench.run(12)
    ends = S.ABORTING if "current_ma" in says else S.ABORTED  # current is heat, and a run is not over while it flows
    assert bench.run_state is ends, "after a minute it ends unseen, and says nothing of having seen it"
    assert not bench.said(Kind.HEAT_SEEN_OFF)


def test_a_report_from_before_the_stop_does_not_show_that_the_heat_is_off():
    bench = soaking()
    bench.board.mute = True
    bench.board.permit = False
    bench.tick()
    bench.ask(Ask.STOP_HEATING)
    bench.tick()
    assert bench.state.stop.off_seen_us < 0, "the board has not heard the stop yet"


def test_after_a_stop_nothing_goes_on_by_itself():
    bench = soaking()
    bench.ask(Ask.STOP_HEATING)
    bench.run(600)
    assert bench.run_state is S.ABORTED
    for ask in (Ask.RESTART, Ask.HOLD, Ask.COOL_DOWN):
        assert bench.ask(ask).kind is Kind.COMMAND_REFUSED
    assert not bench.heats


# -- cool down, hold, door --------------------------------------------------------------------------------------------


def test_cooling_down_follows_the_schedules_rate_and_may_still_heat():
    bench = soaking()
    bench.run(300)
    bench.ask(Ask.COOL_DOWN)
    began, heated = bench.board.air_mc, 0
    bench.run(HOUR)
    assert bench.run_state is S.STOPPING
    assert isinstance(bench.state.run.program, CoolDown)
    assert began - bench.board.air_mc == pytest.approx(20_000, abs=1_000)
    heated = bench.drive.duty_e4
    assert heated > 0
    assert bench.state.run.end == "Cooled down early by Kim."
    bench.until(lambda one: one.run_state is S.STOPPED, 6 * HOUR)
    assert bench.board.air_mc <= 40_100
    assert not bench.said(Kind.ALARM)


def test_a_hold_keeps_the_temperature_and_the_soak_clock_stands():
    bench = soaking()
    bench.run(600)
    counted = bench.state.run.treatment.counted_us
    bench.ask(Ask.HOLD)
    bench.run(HOUR)
    assert bench.run_state is S.HELD
    assert bench.state.run.treatment.counted_us <= counted
    assert bench.board.air_mc == pytest.approx(105_000, abs=500)
    assert bench.heats
    bench.ask(Ask.RESTART)
    bench.run(600)
    assert bench.state.run.treatment.counted_us == pytest.approx(counted + 600 * US, abs=2 * US)


def test_the_door_takes_the_heat_and_gives_it_back_only_when_it_is_shut_and_somebody_says_so():
    bench = soaking()
    bench.run(300)
    bench.board.says["door"] = False
    bench.tick()
    assert (bench.run_state, bench.heats) == (S.HELD, False)
    assert bench.ask(Ask.RESTART).fields["code"] == "cause_stands"
    del bench.board.says["door"]
    bench.run(30)
    assert not bench.heats, "shutting the door alone brings nothing back"
    assert bench.ask(Ask.RESTART).kind is Kind.COMMAND_ACCEPTED
    assert (bench.run_state, bench.heats) == (S.RUNNING, True)
    bench.run(600)
    assert bench.board.air_mc == pytest.approx(105_000, abs=1_500)
    assert not bench.latched


def test_a_segment_that_takes_too_long_ends_the_run_cooling():
    bench = running(schedule(ramp(105_000, 20_000, longest_h=1), ramp(106_000, 20_000)), air_mc=25_000.0)
    bench.until(lambda one: one.run_state is S.STOPPING, HOUR + 5)
    assert bench.state.run.end == "Segment 1 (ramp) took longer than its 1 h."
    assert bench.state.run.program.target_mc == 40_000


# -- trips ------------------------------------------------------------------------------------------------------------------


def test_a_trip_is_kept_until_a_maintainer_clears_it_and_then_nothing_starts():
    bench = tripped()
    for role in (PersonRole.VIEWER, PersonRole.OPERATOR):
        assert bench.ask(Ask.CLEAR, role, name="smoke").fields["code"] == "not_allowed_role"
    assert bench.ask_start().fields["code"] in ("latched", "not_possible_state")
    assert bench.ask(Ask.RESET).kind is Kind.COMMAND_ACCEPTED
    assert bench.ask_start().fields["code"] == "latched"
    assert bench.latched == ("smoke",)
    assert bench.ask(Ask.CLEAR, name="smoke").kind is Kind.COMMAND_ACCEPTED
    assert bench.latched == ()
    assert bench.alarm("smoke") == "normal"
    bench.run(60)
    assert (bench.run_state, bench.heats) == (S.IDLE, False)
    bench.ask_start()
    bench.press_arm()
    bench.until(lambda one: one.run_state is S.RUNNING and one.heats, 10)


def test_a_clear_is_refused_while_the_cause_stands_or_cannot_be_known():
    bench = soaking()
    bench.board.says["smoke"] = True
    bench.run(4)
    assert bench.ask(Ask.CLEAR, name="smoke").fields["code"] == "cause_stands"
    bench.board.says["smoke"] = None
    bench.tick()
    assert bench.ask(Ask.CLEAR, name="smoke").fields["code"] == "cause_stands"
    bench.board.says["smoke"] = False
    bench.tick()
    bench.cut = True
    bench.run(5)
    assert bench.ask(Ask.CLEAR, name="smoke").fields["code"] == "cause_stands", "that it was clear is five seconds old"
    bench.cut = False
    bench.run(2)
    assert bench.ask(Ask.CLEAR, name="smoke").kind is Kind.COMMAND_ACCEPTED


def test_a_ceiling_is_cleared_only_below_its_clear_limit():
    bench = Bench(board=FakeBoard(air_mc=130_000.0, warming=False))
    bench.run(4)
    assert bench.latched == ("ceiling",)
    for air_mc, code in ((129_000, "cause_stands"), (125_000, "cause_stands"), (124_999, None)):
        bench.board.air_mc = air_mc
        bench.tick()
        assert bench.ask(Ask.CLEAR, name="ceiling").fields.get("code") == code


def test_a_clear_waits_until_the_heat_is_seen_off():
    bench = soaking()
    bench.board.says.update(smoke=True, contactor=True)
    bench.tick()
    bench.board.says["smoke"] = False
    bench.tick()
    assert bench.run_state is S.ABORTING
    assert bench.ask(Ask.CLEAR, name="smoke").fields["code"] == "cause_stands"


@pytest.mark.parametrize("name", ["", "nobody", "door", "ceiling"])
def test_a_trip_that_is_not_there_cannot_be_cleared(name):
    assert tripped().ask(Ask.CLEAR, name=name).fields["code"] == "unknown_name"


@pytest.mark.parametrize(("kept", "latched"), [
    ("not_commissioned", "not_commissioned"), ("ended_in_a_run", "ended_in_a_run"), ("ceiling", "ceiling"),
    ("what nobody knows", "latch_unreadable"),
])
def test_latches_from_before_the_start_refuse_heat_until_they_are_cleared(kept, latched):
    bench = Bench(latches=(kept,))
    bench.run(4)
    assert bench.latched == (latched,)
    assert bench.state.latches[0].first_out
    assert bench.ask_start().fields["code"] == "latched"
    assert bench.ask(Ask.CLEAR, name=latched).kind is Kind.COMMAND_ACCEPTED
    assert bench.ask_start().kind is Kind.COMMAND_ACCEPTED


def test_a_real_chambers_first_latch_is_cleared_by_commissioning_alone():
    real = changed(CHAMBER, simulated=False, may_do=Level.MEASURE_ONLY)
    bench = Bench(real, FakeBoard(simulated=False), latches=("not_commissioned",))
    bench.run(4)
    assert bench.ask(Ask.CLEAR, name="not_commissioned").fields["code"] == "cause_stands"
    bench.tick(notices=[Commissioned(Level.MEASURE_ONLY, ("start_proof",), ((0, 0, 2_500),) * 3)])
    assert bench.ask(Ask.CLEAR, name="not_commissioned").kind is Kind.COMMAND_ACCEPTED
    assert not bench.latched and not bench.heats


@pytest.mark.parametrize("off", [one for one in OffReason if one not in (0, 3, 5, 6)])
def test_a_board_that_keeps_its_outputs_off_for_a_reason_of_its_own_trips(off):
    bench = soaking()
    bench.board.says["off"] = off
    bench.run(4)
    assert bench.latched == ("board_switched_off",)
    assert bench.state.latches[0].detail == off.name.lower().replace("_", " ")


def test_the_record_failing_alarms_and_starts_nothing_new_but_goes_on_heating():
    bench = soaking()
    bench.record_lost = 4
    bench.run(5)
    assert bench.heats
    assert bench.alarm("record_failing") == "unacknowledged"
    assert bench.said(Kind.RECORD_FAILING) == [{"reason": "rows may be missing", "lost": 4}]
    idle = Bench()
    idle.record_lost = 1
    idle.run(4)
    assert idle.ask_start().fields["code"] == "record_failing"
    bench.record_lost = 0
    bench.tick()
    assert len(bench.said(Kind.RECORD_WORKING)) == 1
