"""Guards. Every row of the table is driven to, past and back from its limit through `advance`; no row is tested by hand.

A new row fails here until `drivers.DRIVERS` says how to bring it to its limit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import pytest

from controller.core.alarms import AlarmState
from controller.core.events import Kind
from controller.core.guards import GUARDS, INDEX, Action, Clock, During, Guard
from controller.core.limits import known_limits
from controller.core.run_states import S
from controller.core.watch import BOARD_WATCHED, HOST_WATCHED
from tests.core.drivers import DRIVERS, FROM_THE_FILE, PERSISTS_ITSELF_S, Driver, Where, drive, ended
from tests.core.world import CHAMBER, US, Bench, changed

DRIVEN = [guard for guard in GUARDS if guard.id not in FROM_THE_FILE]


def rows(these: Iterable[Guard]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("guard", list(these), ids=lambda guard: guard.id)


EVERY_GUARD = rows(GUARDS)
EVERY_DRIVEN = rows(DRIVEN)
EVERY_TRIP = rows(guard for guard in DRIVEN if guard.action is Action.TRIP)
WITHOUT_A_RUN = {"air_above_band", "run_too_long", "check_in_overdue", "not_following"}
"""What these watch does not exist without a run."""
ALARMS_WITHOUT_A_VALUE = {"reading_stale", "contact_unknown", "board_unheard"}
"""These alarm, and the heat waits because something is not known (see `test_no_reading`), or there is no run."""
ENOUGH_S = 5


def ends_its_own_run(guard: Guard) -> bool:
    """Then it looks no more; the clear command asks for the clear limit instead: see `test_clearing`."""
    return guard.during is During.RUN and guard.action is Action.TRIP


def stands(bench: Bench, guard: Guard) -> bool:
    return bench.state.standing[INDEX[guard.id]].stands


def began(bench: Bench, guard: Guard) -> bool:
    return any(one["guard"] == guard.id and one["standing"] for one in bench.said(Kind.GUARD))


def driver_of(guard: Guard) -> tuple[Driver, Bench]:
    driver = DRIVERS[guard.id]
    return driver, driver.ready()


def long_enough_s(guard: Guard) -> float:
    return guard.persist_us / US + PERSISTS_ITSELF_S.get(guard.id, 0) + ENOUGH_S


def standing_bench(guard: Guard) -> tuple[Driver, Bench]:
    driver, bench = driver_of(guard)
    for _ in range(int(long_enough_s(guard))):
        if stands(bench, guard):
            break
        drive(bench, driver, Where.PAST, 1)
    assert stands(bench, guard)
    return driver, bench


# -- the table itself -----------------------------------------------------------------------------------------------------


def test_ids_are_unique_and_the_index_finds_each():
    assert len(INDEX) == len(GUARDS)
    assert [guard.id for guard in GUARDS] == list(INDEX)


AS_ASKED = {
    "not_commissioned": (Action.TRIP, 0), "ended_in_a_run": (Action.TRIP, 0), "latch_unreadable": (Action.TRIP, 0),
    "smoke": (Action.TRIP, 0), "ceiling": (Action.TRIP, 0), "run_ceiling": (Action.TRIP, 0),
    "limiter_open": (Action.TRIP, 0), "rise_with_heat_off": (Action.TRIP, 0), "rising_too_fast": (Action.TRIP, 3),
    "sensor_faulted": (Action.TRIP, 1.5), "sensor_frozen": (Action.TRIP, 0), "sensors_disagree": (Action.TRIP, 15),
    "no_rise": (Action.TRIP, 0), "board_switched_off": (Action.TRIP, 2), "board_changed": (Action.TRIP, 0),
    "limits_differ": (Action.TRIP, 3), "heat_stays_on": (Action.TRIP, 3),
    "switch_stays_closed": (Action.TRIP, 3), "board_silent": (Action.TRIP, 0), "run_too_long": (Action.TRIP, 0),
    "local_stop": (Action.ABORT, 0), "check_in_overdue": (Action.INTERLOCK, 0), "door": (Action.INTERLOCK, 0),
    "reading_stale": (Action.ALARM, 0), "tick_late": (Action.ALARM, 0), "contact_unknown": (Action.ALARM, 10),
    "mains_gone": (Action.ALARM, 10),
    "air_above_band": (Action.ALARM, 120), "record_failing": (Action.ALARM, 0), "board_unheard": (Action.ALARM, 0),
}
"""What each first guard does, within how many seconds: written apart from the table, so that a loosened row is seen."""


@rows(guard for guard in GUARDS if guard.id in AS_ASKED)
def test_a_row_acts_no_milder_and_no_later_than_was_asked(guard):
    action, persist_s = AS_ASKED[guard.id]
    assert guard.action is action
    assert guard.persist_us <= persist_s * US


def test_no_guard_that_was_asked_for_is_missing():
    assert set(AS_ASKED) <= set(INDEX)


ALWAYS_LOOK = {"smoke", "ceiling", "rise_with_heat_off", "heat_stays_on", "local_stop", "record_failing", "limiter_open",
               "board_unheard", "switch_stays_closed"}


def test_what_can_hurt_without_a_run_is_watched_without_one():
    assert {guard.id for guard in GUARDS if guard.during is During.ALWAYS} >= ALWAYS_LOOK


def test_every_row_has_a_driver_and_every_driver_a_row():
    assert {guard.id for guard in GUARDS} == set(DRIVERS) | FROM_THE_FILE


@EVERY_GUARD
def test_what_a_row_watches_and_its_limits_exist(guard):
    assert guard.watch in (BOARD_WATCHED if guard.clock is Clock.BOARD else HOST_WATCHED)
    known = known_limits(CHAMBER, (), {})
    assert guard.limit in known
    assert guard.clear in known
    assert known[guard.clear] <= known[guard.limit], "clearing never asks for more than tripping"


@EVERY_GUARD
def test_a_row_names_its_hazards_and_speaks_in_sentences(guard):
    assert guard.hazards
    assert all(re.fullmatch(r"H-\d\d", one) for one in guard.hazards.split()), guard.hazards
    for text in (guard.cause, guard.why, *guard.do, guard.worry):
        assert text[0].isupper() or text[0].isdigit(), text
        assert text.endswith((".", "?")), text
    assert guard.do


def test_trips_that_mean_danger_come_first():
    order = [guard.id for guard in GUARDS]
    assert order.index("smoke") < order.index("ceiling") < order.index("sensors_disagree")
    fire = [number for number, guard in enumerate(GUARDS) if guard.action is Action.TRIP]
    mild = [number for number, guard in enumerate(GUARDS) if guard.action is Action.ALARM]
    assert max(fire) < min(mild)


def test_a_sensor_that_trips_on_the_hosts_clock_trips_before_the_boards_own_silence_ends():
    silent = GUARDS[INDEX["board_silent"]]
    limits = known_limits(CHAMBER, (), {})
    assert limits[GUARDS[INDEX["reading_stale"]].limit] < limits[silent.limit] <= 4_800_000


# -- to the limit, past it and back -----------------------------------------------------------------------------------------


@EVERY_DRIVEN
def test_just_below_its_limit_a_row_stays_calm(guard):
    driver, bench = driver_of(guard)
    drive(bench, driver, Where.BELOW, long_enough_s(guard) if guard.clock is Clock.BOARD else 1)
    assert not began(bench, guard)


@EVERY_DRIVEN
def test_at_the_limit_itself_a_row_stands_once_it_has_persisted(guard):
    driver, bench = driver_of(guard)
    seconds = 0
    while not began(bench, guard):
        drive(bench, driver, Where.AT, 1)
        seconds += 1
        assert seconds <= long_enough_s(guard), "too late"
    assert seconds > guard.persist_us / US, "too early: the first report only begins to count"
    finding = next(one for one in bench.said(Kind.GUARD) if one["guard"] == guard.id)
    assert not finding["value"] < finding["limit"]


@rows(guard for guard in DRIVEN if guard.persist_us)
def test_a_short_visit_to_the_limit_is_forgotten(guard):
    driver, bench = driver_of(guard)
    short_s = (guard.persist_us - 1) // US
    prepare_s = PERSISTS_ITSELF_S.get(guard.id, 0)
    drive(bench, driver, Where.BELOW, prepare_s)
    for _ in range(4):
        drive(bench, driver, Where.PAST, max(1, short_s))
        drive(bench, driver, Where.CLEAR, 30 if prepare_s else 1)
    assert not began(bench, guard)


OUTCOMES = {
    Action.TRIP: lambda bench, guard: guard.id in bench.latched and (bench.run_state is S.IDLE or ended(bench)),
    Action.ABORT: lambda bench, guard: ended(bench) and not bench.latched,
    Action.INTERLOCK: lambda bench, guard: bench.run_state is S.HELD and bench.state.run.heat_withheld,
    Action.ALARM: lambda bench, guard: bench.run_state in (S.RUNNING, S.IDLE) and not bench.latched,
}
ALARMED = {
    Action.TRIP: AlarmState.LATCHED, Action.INTERLOCK: AlarmState.UNACKNOWLEDGED,
    Action.ALARM: AlarmState.UNACKNOWLEDGED, Action.ABORT: AlarmState.NORMAL,
}


@EVERY_DRIVEN
def test_past_its_limit_a_row_does_what_its_action_says(guard):
    _, bench = standing_bench(guard)
    assert OUTCOMES[guard.action](bench, guard)
    if guard.action is not Action.ALARM:
        assert not bench.heats
        assert not bench.state.permit
    assert bench.alarm(guard.id) == ALARMED[guard.action]


@rows(guard for guard in DRIVEN if guard.action is Action.ALARM and guard.id not in ALARMS_WITHOUT_A_VALUE)
def test_a_row_that_only_alarms_leaves_the_heat_alone(guard):
    driver, bench = driver_of(guard)
    bench.run(3)
    drive(bench, driver, Where.PAST, long_enough_s(guard))
    assert began(bench, guard)
    assert bench.heats


@rows(guard for guard in DRIVEN if guard.id in DRIVERS and DRIVERS[guard.id].deadband and not ends_its_own_run(guard))
def test_a_row_goes_on_standing_until_it_is_below_its_clear_limit(guard):
    driver, bench = standing_bench(guard)
    drive(bench, driver, Where.BACK, 3)
    assert stands(bench, guard), "no chatter between limit and clear limit"
    drive(bench, driver, Where.CLEAR, 3)
    assert not stands(bench, guard)


@EVERY_TRIP
def test_a_latch_outlives_its_cause(guard):
    driver, bench = standing_bench(guard)
    if not driver.once:
        drive(bench, driver, Where.CLEAR, 10)
    assert guard.id in bench.latched
    assert not bench.heats


@EVERY_TRIP
def test_exactly_one_latch_is_first_out_and_it_alone_alarms(guard):
    driver, bench = standing_bench(guard)
    drive(bench, driver, Where.PAST, 20)
    assert [latch.guard for latch in bench.state.latches if latch.first_out] == [guard.id]
    tripped = bench.said(Kind.TRIPPED)
    assert [one["guard"] for one in tripped if one["first_out"]] == [guard.id]
    assert [alarm.guard for alarm in bench.state.alarms if "latched" in alarm.state.value] == [guard.id]


@rows(guard for guard in DRIVEN if guard.during is During.RUN and guard.id not in WITHOUT_A_RUN)
def test_a_row_that_looks_only_in_a_run_is_calm_without_one(guard):
    driver = DRIVERS[guard.id]
    bench = Bench()
    bench.run(4)
    drive(bench, driver, Where.PAST, 10)
    assert not began(bench, guard)
    assert not bench.latched


def test_the_first_cause_stays_first_out_when_others_follow():
    bench = DRIVERS["smoke"].ready()
    DRIVERS["limiter_open"].put(bench, Where.PAST)
    bench.tick()
    DRIVERS["smoke"].put(bench, Where.PAST)
    DRIVERS["ceiling"].put(bench, Where.PAST)
    bench.run(3)
    assert bench.latched == ("limiter_open", "smoke", "ceiling")
    assert [latch.first_out for latch in bench.state.latches] == [True, False, False]


def test_of_two_causes_in_one_report_the_earlier_row_is_first_out():
    bench = DRIVERS["smoke"].ready()
    for name in ("limiter_open", "smoke"):
        DRIVERS[name].put(bench, Where.PAST)
    bench.tick()
    assert [(latch.guard, latch.first_out) for latch in bench.state.latches] == [("smoke", True), ("limiter_open", False)]


@pytest.mark.parametrize(("correction_mc", "raw_mc", "trips"), [
    (-2_000, 129_999, False), (-2_000, 130_000, True), (2_000, 127_999, False), (2_000, 128_000, True),
])
def test_ceilings_judge_the_higher_of_raw_and_corrected(correction_mc, raw_mc, trips):
    sensors = tuple(changed(sensor, correction_mc=correction_mc) for sensor in CHAMBER.sensors)
    bench = Bench(changed(CHAMBER, sensors=sensors))
    bench.run(2)
    bench.board.warming, bench.board.air_mc = False, raw_mc
    bench.tick()
    assert (bench.latched == ("ceiling",)) is trips


def test_of_file_run_and_what_was_lowered_the_lowest_limit_holds():
    lowered, run = (("run_ceiling_mc", 120_000), ("ceiling_mc", 128_000)), {"run_ceiling_mc": 112_000, "run_max_us": 10**15}
    known = known_limits(CHAMBER, lowered, run)
    assert (known["run_ceiling_mc"], known["ceiling_mc"]) == (112_000, 128_000)
    assert known["run_max_us"] == CHAMBER.limits.run_max_us
    assert known_limits(CHAMBER, (("run_ceiling_mc", 100_000),), run)["run_ceiling_mc"] == 100_000
    assert known_limits(CHAMBER, (("ceiling_mc", 90_000),), {})["ceiling_clear_mc"] == 90_000
