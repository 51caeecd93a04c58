"""An alarm keeps what its guard saw, and returns only when its cause has."""

from __future__ import annotations

from controller.core.commands import Ask
from controller.core.events import Kind
from controller.core.guards import INDEX
from controller.core.run_states import S
from tests.core.ready import idle, unplugged
from tests.core.world import soaking


def test_an_alarm_keeps_the_value_it_was_raised_for():
    bench = soaking()
    bench.late_us = 3 * bench.state.limits[INDEX["tick_late"]]
    bench.tick()
    seen, limit = bench.late_us, bench.state.limits[INDEX["tick_late"]]
    bench.late_us = 0
    bench.run(3)
    (alarm,) = bench.state.alarms
    assert (alarm.guard, alarm.value, alarm.limit) == ("tick_late", seen, limit) and alarm.value >= alarm.limit


def test_old_readings_have_not_returned_because_the_run_has_ended():
    bench = unplugged()
    bench.until(lambda one: one.run_state in (S.ABORTED, S.ABORTING), 10)
    bench.run(100)
    assert bench.alarm("reading_stale") == "unacknowledged", "no reading came"
    bench.cut = False
    bench.run(5)
    assert bench.alarm("reading_stale") == "returned-to-normal unacknowledged"


def test_a_board_that_falls_silent_after_a_trip_is_told_and_one_that_rests_cold_is_not():
    for smoke, told in ((True, "unacknowledged"), (False, "normal")):
        bench = idle()
        bench.board.says["smoke"] = smoke
        bench.run(3)
        bench.cut = True
        bench.run(10)
        assert bench.alarm("board_unheard") == told


def test_heat_that_comes_on_again_under_its_latch_is_told_again_and_waited_off_again():
    bench = idle()
    on = {"current_ma": 2_100, "modulator": True, "contactor": True}
    bench.board.says = dict(on)
    bench.run(6)
    bench.board.says = {}
    bench.run(3)
    first_us = bench.state.stop.off_seen_us
    both = ("heat_stays_on", "switch_stays_closed")
    assert first_us > 0 and bench.latched == both
    bench.ask(Ask.ACKNOWLEDGE, name="heat_stays_on")
    bench.board.says = dict(on)
    bench.run(6)
    assert bench.state.stop.off_seen_us == -1 and bench.alarm("heat_stays_on") == "latched unacknowledged"
    assert [one["guard"] for one in bench.said(Kind.TRIPPED)] == [*both, "heat_stays_on"] and bench.latched == both
    bench.board.says = {}
    bench.run(3)
    assert bench.state.stop.off_seen_us > first_us
