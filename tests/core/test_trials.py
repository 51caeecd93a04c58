"""Trials: each heated step of commissioning on a simulated chamber, from its start to what it must end in.

One row a trial says how it ends. A new trial is red here until it has a row.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import pytest

from controller.core.commands import Ask, Command, PersonRole
from controller.core.events import Kind
from controller.core.messages import Channel, Drive, OffReason
from controller.core.program import Silence
from controller.core.readings import judge, raw_of
from controller.core.run_states import ACTIVE, S
from controller.core.setup import Chamber, Level
from controller.core.state import Commissioned, Handled
from controller.core.trials import TRIALS, Asked, TooWarm, plan
from tests.chamber.proving import US, Bench, chamber_of

CHAMBER = replace(chamber_of("bench", 3), trials=tuple(TRIALS))
HOUR_S = 3_600


def begun(trial: str, level: Level = Level.AT_THE_CHAMBER, role: PersonRole = PersonRole.MAINTAINER,
          chamber: Chamber = CHAMBER, **more: int) -> Bench:
    """A bench on which the trial was asked for; it runs unless it was refused."""
    bench = Bench("bench", 3, replace(chamber, fitted=replace(chamber.fitted, current=False)))
    bench.ticks(5)
    bench.tick(Command(Ask.START, "invented", role, "r", None, "1", level, trial=trial, **more))
    for _ in range(40):
        if bench.state.run is not None or bench.state.pending is None:
            break
        bench.tick()
    return bench


def ended(bench: Bench, seconds: int, each: Callable[[Bench, int], None] = lambda bench, second: None) -> Bench:
    """Followed to its end, with a press of the button every ten minutes, and ten seconds more."""
    for second in range(seconds):
        if bench.state.run is None or bench.state.run.state not in ACTIVE:
            break
        bench.board.arm_pressed = second % 600 < 3
        each(bench, second)
        bench.tick()
    bench.ticks(10)
    return bench


def turned_down(bench: Bench, second: int) -> None:
    """The limiter's set point goes below the air, once that is warm."""
    if second == 2_400:
        bench.board.fault("limiter_opened")


class Ends(NamedTuple):
    """How one trial ends, and within what time."""

    state: S
    trips: tuple[str, ...]
    hours: float
    hottest_c: float
    """The true air never passes this."""
    hand: Callable[[Bench, int], None] = lambda bench, second: None


ENDS = {
    "start_proof": Ends(S.COMPLETE, (), 0.1, 35.0),
    "silence": Ends(S.COMPLETE, (), 0.1, 35.0),
    "watchdog": Ends(S.COMPLETE, (), 0.1, 23.0),
    "over_temperature_trip": Ends(S.ABORTED, ("run_ceiling",), 0.5, 45.0),
    "limiter": Ends(S.ABORTED, ("limiter_open",), 1.0, 65.0, turned_down),
    "burn_off": Ends(S.COMPLETE, (), 5.0, 126.0),
    "survey": Ends(S.COMPLETE, (), 5.0, 110.0),
}


def test_every_trial_has_a_row_here():
    assert set(ENDS) == set(TRIALS)


@pytest.mark.parametrize("trial", TRIALS)
def test_a_trial_ends_as_it_must_with_the_heat_seen_off(trial):
    ends, hottest = ENDS[trial], [0.0]

    def watch(bench: Bench, second: int) -> None:
        ends.hand(bench, second)
        hottest[0] = max(hottest[0], bench.board.plant.air)

    bench = ended(begun(trial), int(ends.hours * HOUR_S), watch)
    run = bench.state.run
    assert run is not None and run.trial == trial
    assert run.state is ends.state, run.end
    assert tuple(str(one.fields["guard"]) for one in bench.events if one.kind is Kind.TRIPPED) == ends.trips
    assert hottest[0] < ends.hottest_c
    assert not bench.board.watts(bench.board.outputs)


def test_the_board_falls_silent_by_itself_within_its_limit():
    """The board's own limit is 4.8 s; a tick and a report may pass until it is seen."""
    run = ended(begun("silence"), 600).state.run
    silence = run.programs[-1]
    assert isinstance(silence, Silence) and 4_800_000 <= silence.quiet_us <= 6_800_000


def test_while_silent_no_drive_leaves_and_both_switches_were_closed_before():
    bench, drives, closed = begun("silence"), [], False
    for _ in range(600):
        run = bench.state.run
        if run.state not in ACTIVE:
            break
        closed = closed or (bench.board.outputs.modulator and bench.board.outputs.contactor and type(run.program) is Silence)
        sent = bench.sent
        if run.quiet:
            drives += [frame for frame in sent if isinstance(frame, Drive)]
        bench.tick()
    assert closed and not drives
    assert not bench.board.outputs.modulator and not bench.board.outputs.contactor


def test_a_board_that_does_not_switch_off_on_silence_is_found():
    """The heat still ends, because the program asks for it and the board hears again."""
    bench = begun("silence")
    bench.board.fault("silence_timer_dead")
    ended(bench, 600)
    assert bench.state.run.state is S.ABORTED and "did not switch off by itself" in bench.state.run.end
    assert not bench.board.watts(bench.board.outputs)


def test_at_the_lowered_limit_program_and_board_switch_off_each_by_itself():
    bench = ended(begun("over_temperature_trip"), 1_800)
    latch = bench.state.latches[0]
    assert latch.guard == "run_ceiling" and latch.limit == 40_000 <= latch.value
    assert bench.state.board.report.off == OffReason.RUN_CEILING, "the board's own reason stands beside the trip"
    assert bench.board.run_ceiling_mc == 40_000


@pytest.mark.parametrize(("more", "code"), [
    ({"trial": "dance"}, "not_provable"), ({"trial": "silence", "role": PersonRole.OPERATOR}, "not_allowed_role"),
    ({"trial": "silence", "level": Level.UNATTENDED}, "level_too_high"),
    ({"trial": "silence", "level": Level.MEASURE_ONLY}, "level_too_high"),
    ({"trial": "silence", "at_utc_us": 1_800_000_000_000_000}, "bad_time"),
])
def test_what_may_not_be_tried_is_refused_and_nothing_heats(more, code):
    bench = begun(**more)
    refused = [one.fields["code"] for one in bench.events if one.kind is Kind.COMMAND_REFUSED]
    assert refused == [code] and bench.state.run is None and not bench.board.outputs.contactor


def test_a_trial_that_its_steps_do_not_allow_yet_is_refused():
    bench = Bench("bench", 3, replace(CHAMBER, trials=("silence",)))
    bench.ticks(5)
    bench.tick(Command(Ask.START, "x", PersonRole.MAINTAINER, "r", None, "1", Level.AT_THE_CHAMBER, trial="burn_off"))
    assert [one.fields["code"] for one in bench.events if one.kind is Kind.COMMAND_REFUSED] == ["not_provable"]


def test_a_chamber_that_is_too_warm_is_told_how_far_it_must_cool():
    with pytest.raises(TooWarm, match="let it cool below"):
        plan("over_temperature_trip", Asked(CHAMBER, 115_000, 130_000))


@pytest.mark.parametrize("trial", TRIALS)
@pytest.mark.parametrize("ceiling_mc", [60_000, 130_000, 300_000])
def test_no_trial_asks_for_more_than_the_ceiling_leaves(trial, ceiling_mc):
    made = plan(trial, Asked(CHAMBER, 20_000, ceiling_mc))
    assert made.run_ceiling_mc <= ceiling_mc
    assert made.schedule.hottest_mc < ceiling_mc


def test_what_proofs_allow_is_taken_between_runs_and_not_in_one():
    found = ((-250, -3_000, 600),) * len(CHAMBER.sensors)
    told = Commissioned(Level.IN_THE_BUILDING, ("survey",), found)
    bench = Bench("bench", 3, CHAMBER)
    bench.ticks(5)
    bench.notices = (told,)
    bench.tick()
    after = bench.state.chamber
    assert (after.may_do, after.trials) == (Level.IN_THE_BUILDING, ("survey",))
    assert {(one.correction_mc, one.slope_ppm, one.uncertainty_mc) for one in after.sensors} == {found[0]}
    busy = begun("burn_off")
    busy.ticks(5)
    busy.notices = (told,)
    busy.tick()
    assert busy.state.chamber == replace(CHAMBER, fitted=busy.state.chamber.fitted)


@pytest.mark.parametrize("correction", [(0, 0), (-250, -3_000), (1_900, 7_500), (-9_999, -30_000)])
@pytest.mark.parametrize("raw_mc", [-5_000, 0, 21_250, 99_974, 130_001])
def test_a_stored_value_gives_back_what_the_converter_said(correction, raw_mc):
    """Where a slope makes two raw values one, the larger comes back: over-temperature is judged by the higher."""
    good = judge(Channel(raw_mc, 25_000, 0, 0), correction)
    back = raw_of(good.mc, correction)
    assert judge(Channel(back, 25_000, 0, 0), correction).mc == good.mc and raw_mc <= back <= raw_mc + 1


def test_a_trial_runs_an_hour_of_board_time_less_than_its_own_limit_allows():
    """What the board is told of the longest run covers schedule and proof."""
    bench = begun("silence")
    run = bench.state.run
    assert run.run_max_us >= run.schedule.longest_us and run.expected.run_max_s == run.run_max_us // US


@pytest.mark.parametrize(("offset_mc", "slope_ppm"), [(900, 0), (80, 0), (-900, 0), (300, 9_000), (0, -9_000)])
def test_a_corrected_sensor_reaches_both_limits_at_one_reading(offset_mc, slope_ppm):
    """The program judges the higher of raw and corrected, the board knows raw values alone."""
    sensors = tuple(one._replace(correction_mc=offset_mc, slope_ppm=slope_ppm) for one in CHAMBER.sensors)
    bench = ended(begun("over_temperature_trip", chamber=replace(CHAMBER, sensors=sensors)), 1_800)
    assert bench.state.latches[0].guard == "run_ceiling"
    assert bench.state.board.report.off == OffReason.RUN_CEILING


@pytest.mark.parametrize("seconds", [3, 20, 60, 100, 150])
@pytest.mark.parametrize("trial", ["", "silence"])
def test_cooling_down_before_the_schedule_began_heats_nothing(trial, seconds):
    """Nothing is proven yet, so nothing may heat to keep a rate."""
    bench = begun(trial) if trial else Bench("bench", 3, replace(CHAMBER, fitted=replace(CHAMBER.fitted, current=False)))
    if not trial:
        bench.ticks(5)
        bench.start()
    bench.ticks(seconds)
    bench.tick(Command(Ask.COOL_DOWN, "invented", PersonRole.OPERATOR, "r"))
    bench.ticks(3)
    assert bench.state.run.state is S.ABORTED and "before its schedule began" in bench.state.run.end
    for _ in range(120):
        bench.tick()
        assert not bench.board.watts(bench.board.outputs)


def test_a_board_that_switched_off_for_another_reason_has_not_shown_its_silence():
    bench = begun("silence")
    while not bench.state.run.quiet:
        bench.tick()
    bench.board.faults.self_test = True  # it ends the enable for a reason of its own
    ended(bench, 60)
    assert bench.state.run.state is S.ABORTED and "not because nothing was said" in bench.state.run.end


def test_a_sensor_in_somebodys_hand_is_no_rise_of_the_air_and_limits_judge_it_all_the_same():
    def warmed(handled: bool, kind: str = "in_hand") -> tuple[str, ...]:
        bench = Bench("bench", 3, replace(CHAMBER, fitted=replace(CHAMBER.fitted, door=False)))
        bench.ticks(60)
        bench.board.fault("sensor_sees", channel=0, kind=kind)
        for _ in range(120):
            bench.notices = (Handled(),) if handled else ()
            bench.tick()
        bench.board.fault("sensor_sees", channel=0, kind=kind, on=False)
        bench.ticks(60)
        return tuple(latch.guard for latch in bench.state.latches)

    assert warmed(True) == () and warmed(True, "in_boil") == ()
    assert warmed(False) == ("rise_with_heat_off",)


def test_the_boards_own_silence_is_seen_no_later_than_a_tick_and_a_report_after_its_limit():
    """A board that takes ten seconds is found."""
    bench = begun("silence")
    bench.board.silence_us = lambda due_us: due_us + 5_200_000
    ended(bench, 600)
    assert bench.state.run.state is S.ABORTED and "did not switch off by itself" in bench.state.run.end
