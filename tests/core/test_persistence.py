"""Persistence counts board time: the same reports, bundled into ticks in any way, make the same guards stand at one moment.

Hypothesis writes a script of troubles and cuts its reports into ticks twice; nothing but the cutting differs.
"""

from __future__ import annotations

import functools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.guards import GUARDS, INDEX, Clock
from controller.core.messages import Fault, OffReason, Report
from controller.core.state import Inputs, State
from controller.core.supervisor import ALL_CALM, BOARD_ROWS, judge
from controller.core.watch import UNKNOWN
from tests.core.drivers import DRIVERS, FROM_THE_FILE, PERSISTS_ITSELF_S, Where, drive
from tests.core.world import CONTROL, OVER, PART, US, Bench, soaking

BY_LIMIT_ALONE = [
    guard for guard in GUARDS
    if guard.clock is Clock.BOARD and guard.id not in FROM_THE_FILE and guard.id not in PERSISTS_ITSELF_S
    and guard.id != "rise_with_heat_off"
]


@pytest.mark.parametrize("per_tick", [1, 4, 20])
@pytest.mark.parametrize("guard", BY_LIMIT_ALONE, ids=lambda guard: guard.id)
def test_a_guard_persists_as_long_however_many_reports_a_tick_brings(guard, per_tick):
    driver = DRIVERS[guard.id]
    bench = driver.ready()
    bench.per_tick = per_tick
    seconds = 0
    while not bench.state.standing[INDEX[guard.id]].stands and guard.id not in bench.latched:
        drive(bench, driver, Where.AT, 1)
        seconds += 1
        assert seconds < 300
        if bench.state.run is not None and bench.run_state.value.startswith("abort"):
            break
    first = 1 / per_tick  # board time of the first report at the limit, in seconds of the first tick
    assert seconds == max(1, math.ceil(guard.persist_us / US + first - 1e-9))


PERIOD_US = 100_000
TROUBLES = {
    "none": {}, "fault": {"fault": PART}, "control fault": {"fault": CONTROL}, "cold over": {"cold": OVER},
    "board off": {"off": OffReason.CEILING}, "smoke": {"smoke": True}, "hot": {"hot": PART}, "door": {"door": False},
}
SCRIPT = st.lists(st.tuples(st.sampled_from(sorted(TROUBLES)), st.integers(1, 40)), min_size=1, max_size=6)
CUTS = st.lists(st.integers(1, 20), min_size=1, max_size=30)


@functools.cache
def ready() -> tuple[State, Report]:
    """A soaking bench, and its newest report to write others after."""
    bench = soaking()
    assert bench.state.board.report is not None
    return bench.state, bench.state.board.report


def written(script: list[tuple[str, int]], last: Report) -> list[Report]:
    """Reports 100 ms apart, the troubles in them."""
    reports = []
    for name, length in script:
        trouble = TROUBLES[name]
        for _ in range(length):
            number = len(reports) + 1
            reports.append(one_report(last, number, trouble))
    return reports


def one_report(last: Report, number: int, trouble: dict[str, object]) -> Report:
    channels = list(last.channels)
    for at in (CONTROL, OVER, PART):
        value, fault = 105_000, 0
        if trouble.get("cold") == at:
            value -= 12_000
        if trouble.get("hot") == at:
            value += 30_000
        if trouble.get("fault") == at:
            fault = Fault.OPEN
        channels[at] = last.channels[at]._replace(value_mc=value, fault=fault, conversions=number % 256)
    plain = {name: value for name, value in trouble.items() if name in Report._fields}
    return last._replace(
        channels=tuple(channels), sequence=last.sequence + number, up_us=last.up_us + number * PERIOD_US,
        on_us=20_000, **plain,
    )


def fed(reports: list[Report], cuts: list[int]) -> Bench:
    """The reports given in ticks of these sizes, over and over; every report has heard the newest frame."""
    bench = Bench()
    bench.state, _ = ready()
    bench.board.mute = True
    bench.now_us = bench.state.mono_us
    rest, turn = list(reports), 0
    while rest:
        size = cuts[turn % len(cuts)]
        bundle, rest, turn = rest[:size], rest[size:], turn + 1
        bench.now_us += len(bundle) * PERIOD_US
        heard = bench.state.board.sequence
        bench.give(Inputs(bench.now_us, tuple(one._replace(heard=heard) for one in bundle)))
    return bench


@given(SCRIPT, CUTS, CUTS)
def test_the_same_reports_cut_into_other_ticks_make_the_same_guards_stand(script, cuts, others):
    _, last = ready()
    reports = written(script, last)
    one, other = fed(reports, cuts), fed(reports, others)
    assert one.latched == other.latched
    assert one.run_state is other.run_state or {one.run_state.value, other.run_state.value} <= {"aborting", "aborted"}
    for row in BOARD_ROWS:
        assert one.state.standing[row] == other.state.standing[row], GUARDS[row].id
    assert one.state.trail == other.state.trail


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(1, 3 * US)), min_size=1, max_size=40))
def test_judging_follows_a_model_of_four_lines(steps):
    """One guard of 1.5 s and a deadband, against: at the limit since, stands after, ends below clear, unknown waits."""
    row = INDEX["sensor_faulted"]
    persist = GUARDS[row].persist_us
    standing, clock, since, stands = ALL_CALM, 0, None, False
    for value, passed in steps:
        clock += passed
        seen = UNKNOWN if value == 3 else value
        standing, findings = judge((row,), (seen,), (2,), (1,), standing, clock, True)
        if value != 3:
            reached = value >= (1 if stands else 2)
            since = (clock if since is None else since) if reached else None
            now = reached and (stands or clock - since >= persist)
            assert [finding.stands for finding in findings] == ([now] if now != stands else [])
            stands = now
        else:
            assert findings == []
        assert standing[row].stands is stands
        assert standing[row].since_us == (-1 if since is None else since)
