"""An alarm keeps what its guard saw, and returns only when its cause has."""

from __future__ import annotations

from controller.core.guards import INDEX
from controller.core.run_states import S
from tests.core.ready import unplugged
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
