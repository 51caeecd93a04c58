"""The tick, from any state and any inputs. Hypothesis draws a situation, bends it, and feeds it anything the wire allows.

What is said here is said of every tick there can be: a tripped chamber never heats, no duty without a permit, and no input
makes `advance` raise.
"""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core import canonical
from controller.core.commands import Ask
from controller.core.events import EVENT_KINDS, Kind
from controller.core.guards import GUARDS, During
from controller.core.limits import TIGHTENABLE
from controller.core.messages import Drive
from controller.core.readings import Good, Role
from controller.core.run_states import ACTIVE
from controller.core.state import REPORTS_MAX, Inputs, LineLost, LineOpened, State, Tick
from controller.core.tick import advance
from tests.core import drawn
from tests.core.ready import SITUATIONS
from tests.core.world import US, changed, check_frames, soaking

MAY_EVERYTHING = st.data()
NUMBERS = (bool, int, str, type(None))


def ticks(data: st.DataObject, most: int = 4) -> list[tuple[State, Inputs, Tick]]:
    """A few ticks in a row from a drawn state: (before, inputs, result) of each."""
    state, told = data.draw(drawn.states()), []
    for _ in range(data.draw(st.integers(1, most))):
        given_inputs = data.draw(drawn.inputs(state))
        result = advance(state, given_inputs)
        told.append((state, given_inputs, result))
        state = result.state
    return told


def drive_of(tick: Tick) -> Drive | None:
    return next((frame for frame in tick.outputs.frames if isinstance(frame, Drive)), None)


@given(MAY_EVERYTHING)
def test_no_input_makes_a_tick_raise_and_its_frames_keep_the_rules(data):
    for before, _, result in ticks(data):
        check_frames(before, result)


@given(MAY_EVERYTHING)
def test_a_tripped_chamber_never_heats(data):
    for _, _, result in ticks(data):
        drive = drive_of(result)
        if result.state.latches:
            assert not result.state.permit and result.state.pending is None
            assert drive is None or not (drive.permit or drive.contactor or drive.duty_e4)


@given(MAY_EVERYTHING)
def test_heat_needs_a_run_a_good_control_reading_this_chambers_board_and_nothing_against_it(data):
    for _, _, result in ticks(data):
        state, drive = result.state, drive_of(result)
        assert drive is None or drive.permit is state.permit
        if not state.permit:
            assert drive is None or drive.duty_e4 == 0
            continue
        assert state.run is not None
        assert state.run.state in ACTIVE
        assert not state.run.heat_withheld
        assert state.board.accepted
        assert state.board.welcome.board == state.chamber.board
        roles = {sensor.role: reading for sensor, reading in zip(state.chamber.sensors, state.readings, strict=True)}
        assert isinstance(roles[Role.CONTROL], Good)
        report = state.board.report
        assert report.door is True
        assert report.local_stop is False
        assert report.smoke is False
        assert report.limiter is True
        assert all(channel.fault == 0 for channel in report.channels[:3])
        assert max(channel.value_mc for channel in report.channels[:3]) < state.run.run_ceiling_mc
        assert (report.boot, report.session) == (state.run.wanted.boot, state.run.wanted.session)
        assert report.board == state.chamber.board
        assert drive is None or state.board.session == drive.session


@given(MAY_EVERYTHING)
def test_nothing_that_leaves_is_a_float_and_every_event_carries_its_fields(data):
    for _, _, result in ticks(data):
        for frame in result.outputs.frames:
            assert all(isinstance(value, NUMBERS) and not isinstance(value, float) for value in frame)
        for event in result.events:
            assert set(event.fields) == set(EVENT_KINDS[event.kind][0].split()), event
            assert all(isinstance(value, NUMBERS) for value in event.fields.values())
        assert math.isfinite(result.state.regulator.integral)
        assert 0 <= result.state.regulator.duty_e4 <= 10_000
        canonical.text(result.state)


@given(MAY_EVERYTHING)
def test_a_limit_never_rises_in_a_run_and_the_chambers_never_rise_at_all(data):
    for before, _, result in ticks(data):
        after = result.state
        same_run = (
            before.run is not None and after.run is not None and before.run.id == after.run.id
            and before.run.state in ACTIVE and after.run.state in ACTIVE
        )
        for guard, was, now in zip(GUARDS, before.limits, after.limits, strict=True):
            if same_run or guard.during is During.ALWAYS:
                assert now <= was, guard.id


@given(st.sampled_from(sorted(TIGHTENABLE)), st.lists(st.integers(-10, 10**12) | st.integers(1, 200_000), max_size=8))
def test_tightening_takes_the_lowest_and_refuses_the_rest(name, values):
    bench = soaking()
    rows = [row for row, guard in enumerate(GUARDS) if guard.limit == name]
    for value in values:
        before = [bench.state.limits[row] for row in rows]
        answer = bench.ask(Ask.TIGHTEN, name=name, value=value)
        after = [bench.state.limits[row] for row in rows]
        assert all(now <= was for now, was in zip(after, before, strict=True))
        if answer.kind is Kind.COMMAND_ACCEPTED:
            assert value > 0
        else:
            assert after == before
            assert answer.fields["code"] == "loosens"


@given(MAY_EVERYTHING)
def test_time_that_goes_backwards_is_time_that_stands(data):
    state = data.draw(drawn.states())
    came = data.draw(drawn.inputs(state))
    back = came._replace(mono_us=state.mono_us - data.draw(st.integers(0, 10**12)))
    stood = came._replace(mono_us=state.mono_us)
    assert advance(state, back) == advance(state, stood)


@given(MAY_EVERYTHING)
def test_the_same_inputs_give_the_same_tick_and_the_state_is_left_alone(data):
    state = data.draw(drawn.states())
    came = data.draw(drawn.inputs(state))
    before = canonical.text(state)
    assert advance(state, came) == advance(state, came)
    assert canonical.text(state) == before


@given(MAY_EVERYTHING)
def test_an_extra_tick_leaves_the_regulator_and_its_step_alone(data):
    state = data.draw(drawn.states())
    came = data.draw(drawn.inputs(state))._replace(extra=True, commands=())
    after = advance(state, came).state
    assert after.regulated_us == state.regulated_us
    if state.pending is None:
        assert after.regulator == state.regulator
        assert after.run is None or state.run is None or after.run.programs == state.run.programs


def test_stop_heating_in_an_extra_tick_sends_the_off_frame_and_the_next_step_counts_a_whole_second():
    bench = soaking()
    before = bench.state
    bench.tick(bench.command(Ask.STOP_HEATING), us=130_000, extra=True)
    assert (bench.drive.permit, bench.drive.contactor, bench.drive.duty_e4) == (False, False, 0)
    assert bench.state.regulated_us == before.regulated_us
    bench = soaking()
    bench.tick(us=130_000, extra=True)
    setpoints = bench.state.run.treatment.segment_us
    bench.tick(us=870_000)
    assert bench.state.run.treatment.segment_us == setpoints + US
    assert bench.heats


# -- age ---------------------------------------------------------------------------------------------------------------------


@given(MAY_EVERYTHING)
def test_reports_that_were_there_before_never_make_the_age_smaller(data):
    bench = soaking()
    kept = [bench.last and bench.state.board.report]
    for _ in range(6):
        bench.tick()
        kept.append(bench.state.board.report)
    state, now_us = bench.state, bench.now_us
    for _ in range(data.draw(st.integers(1, 5))):
        old = data.draw(st.lists(st.sampled_from(kept), max_size=20))
        now_us += US
        state = advance(state, Inputs(now_us, tuple(old))).state
        assert state.board.heard_us == bench.state.board.heard_us
        assert state.board.report == bench.state.board.report
        assert state.trail == bench.state.trail
    assert not state.permit or now_us - state.board.heard_us < state.chamber.limits.reading_age_us


@given(st.permutations(range(8)), st.lists(st.integers(0, 7), max_size=6))
def test_reordered_and_repeated_reports_are_never_taken_for_newer_ones(order, again):
    bench = soaking()
    heard = bench.state.board.sequence
    reports = [bench.board.report(125_000)._replace(heard=heard) for _ in range(8)]
    arriving = tuple(reports[number] for number in (*order, *again))
    bench.give(Inputs(bench.now_us + US, arriving))
    rising = [one for one, top in zip(arriving, itertools.accumulate((one.sequence for one in arriving), max), strict=True)
              if one.sequence == top]
    assert bench.state.board.report == rising[-1] == reports[-1]
    assert bench.state.trail.changed_us == (reports[-1].up_us,) * 3


@pytest.mark.parametrize("many", [REPORTS_MAX, REPORTS_MAX + 1, REPORTS_MAX + 30])
def test_more_reports_than_a_tick_takes_are_a_gap_and_the_newest_are_looked_at(many):
    bench = soaking()
    heard = bench.state.board.sequence
    reports = tuple(bench.board.report(50_000)._replace(heard=heard) for _ in range(many))
    bench.give(Inputs(bench.now_us + US, reports))
    gaps = [one["count"] for one in bench.said(Kind.GAP)]
    assert gaps == ([many - REPORTS_MAX] if many > REPORTS_MAX else [])
    assert bench.state.board.report == reports[-1]


def test_age_is_counted_from_the_frame_that_was_heard_not_from_arrival():
    bench = soaking()
    bench.run(5)
    number, at_us = bench.state.board.sent[-3]
    bench.give(Inputs(bench.now_us + US, (bench.board.report()._replace(heard=number),)))
    assert bench.state.board.heard_us == at_us
    assert bench.now_us + US - at_us > US


# -- after a trip --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(SITUATIONS))
def test_after_a_trip_one_drive_says_off_and_then_none_does(name):
    bench = SITUATIONS[name]()
    bench.board.says["smoke"] = True
    heated = bench.state.permit
    bench.tick()
    if bench.latched == ("smoke",):
        assert (bench.drive is not None) is heated
    for _ in range(20):
        bench.tick()
        assert not any(isinstance(frame, Drive) for frame in bench.frames) or not bench.latched
    assert not bench.board.heating


def test_telling_goes_on_after_a_trip_so_that_the_sounder_is_heard():
    bench = SITUATIONS["tripped"]()
    for _ in range(10):
        bench.tick()
        assert [type(frame).__name__ for frame in bench.frames] == ["Tell"]
        assert bench.frames[0].sounder == 3
        assert not bench.frames[0].heating


def test_the_boards_silence_timer_ends_what_a_lost_off_frame_left_on():
    bench = soaking()
    bench.board.says["smoke"] = True
    bench.board.mute = True  # the frame that says off is lost
    bench.tick()
    assert bench.latched == ("smoke",)
    assert bench.board.heating
    bench.board.mute = False
    for _ in range(5):
        bench.tick()
    assert not bench.board.heating


@given(st.lists(st.sampled_from(["open", "lost", "nothing", "tick"]), max_size=12))
def test_however_a_line_comes_and_goes_a_run_never_heats_in_another_session(steps):
    bench = soaking()
    session = bench.state.run.wanted.session
    for step in steps:
        told = {"open": [LineOpened(session + 1)], "lost": [LineLost("pulled")]}.get(step, [])
        bench.tick(notices=told)
        assert not bench.heats or bench.drive.session == session
    if "open" in steps or "lost" in steps:
        bench.run(8)
        assert not bench.heats
        assert bench.latched


def test_a_permit_in_a_state_that_was_bent_is_judged_anew():
    bench = SITUATIONS["idle"]()
    bench.state = changed(bench.state, permit=True)
    bench.tick()
    assert not bench.state.permit
