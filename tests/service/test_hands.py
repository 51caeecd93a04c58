"""From a snapshot to the hands at a simulated chamber: the table alone, without a board. All snapshots are invented."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.chamber.faults import FAULTS, SENSES
from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.commissioning import watching
from controller.commissioning.identity import HANDS_OFF
from controller.commissioning.judge import typed
from controller.commissioning.step import Way
from controller.commissioning.steps import BY_ID, STEPS
from controller.commissioning.survey import FIVE
from controller.practice import hands
from controller.practice.hands import ARM, DOOR, LIMITER, TABLE, US, Hand, Memory, see
from controller.practice.values import PASSES, told, values_of
from tests.service.chambers import simulated

SENSORS = {"control": 0, "over_temperature": 1, "part": 2, "travelling": 3}
SOAK = {"state": "running", "segment": 0, "segments": [{"kind": "soak"}], "counting": True}
RAMP = {**SOAK, "segments": [{"kind": "ramp"}]}


def doing(step: str, *rows: tuple[str, str], **more: Any) -> dict[str, Any]:
    listed = [{"id": name, "words": "", "state": state} for name, state in rows]
    return {"step": step, "sensor": "", "spot": "", "words": "Do it.", "outcome": "", "list": listed, **more}


def now(at_s: float, going: dict[str, Any] | None = None, **more: Any) -> dict[str, Any]:
    return {"utc_us": round(at_s * US), "commissioning": going, "run": None, "pending": None, "check_in": None, "latches": [],
            **more}


def after(seconds: int, going: dict[str, Any] | None = None, **more: Any) -> list[frozenset[Hand]]:
    """What is held in each of so many seconds of the same thing."""
    memory, found = Memory(), []
    for second in range(seconds):
        memory = see(memory, now(second, going, **more), SENSORS)
        found.append(memory.held)
    return found


def changes(held: list[frozenset[Hand]]) -> int:
    return sum(one != other for one, other in itertools.pairwise(held))


@pytest.mark.parametrize(("row", "name"), [("local_stop", "local_stop"), ("arm_button", "arm"), ("door", "door_open"),
                                           ("smoke", "smoke")])
def test_a_contact_is_moved_for_a_moment_and_again_when_it_was_not_seen(row, name):
    held = after(24, doing("contacts", ("fan", "seen"), (row, "waiting"), ("mains", "waiting")))
    assert set().union(*held) == {Hand(name)} and not held[0], "a person needs a moment"
    assert changes(held) == 4, "there and back, twice"


def test_every_contact_that_needs_a_hand_has_one():
    by_itself = {"fan", "limiter", "mains"}
    assert set(hands.PRESSED) == {one.id for one in watching.CONTACTS} - by_itself


def test_what_only_a_person_knows_is_left_to_them():
    assert set().union(*after(60, doing("contacts", ("door", "seen"), ("lamp_armed", "asks"), ("sounder", "waiting")))) == set()


def test_the_named_sensor_is_warmed_once_the_list_asks_for_it():
    warmed = Hand("sensor_sees", 2, "in_hand")
    early = after(30, doing("sensor_identity", ("part", "waiting"), sensor="part", words=HANDS_OFF))
    assert set().union(*early) == {DOOR}
    assert after(30, doing("sensor_identity", ("part", "waiting"), sensor="part"))[-1] == {DOOR, warmed}
    over = doing("sensor_identity", sensor="part", outcome="passed")
    assert see(Memory("", 0, frozenset({warmed})), now(40, over), SENSORS).held == frozenset(), "let go when it is over"


def test_the_door_is_opened_before_a_tip_is_taken_and_shut_after_it_is_back():
    held = frozenset({Hand("sensor_sees", 0, "in_ice"), DOOR, Hand("sensor_sees", 1, "in_ice")})
    assert [hand.name for hand, _ in hands.moves(frozenset(), held)] == ["door_open", "sensor_sees", "sensor_sees"]
    assert [hand.name for hand, _ in hands.moves(held, frozenset())] == ["sensor_sees", "sensor_sees", "door_open"]


@pytest.mark.parametrize(("step", "kind"), [("ice_point", "in_ice"), ("boiling_point", "in_boil")])
def test_all_sensors_go_into_the_bath_or_the_one_that_is_named(step, kind):
    assert after(2, doing(step))[-1] == {DOOR, *(Hand("sensor_sees", channel, kind) for channel in range(4))}
    assert after(2, doing(step, sensor="part"))[-1] == {DOOR, Hand("sensor_sees", 2, kind)}


def test_the_limiter_is_turned_down_at_a_steady_air_and_stays_so_until_all_is_seen():
    going = doing("limiter")
    assert not set().union(*after(600, going, run=RAMP))
    assert not set().union(*after(600, going, run={**SOAK, "counting": False})), "not while the air is out of its band"
    held = after(200, going, run=SOAK)
    assert not set().union(*held[:100]) and held[-1] == {LIMITER}
    tripped = now(300, going, run={**SOAK, "state": "aborted"}, latches=[{"guard": "limiter_open"}])
    assert see(Memory(), tripped, SENSORS).held == {LIMITER}
    over = {**tripped, "commissioning": {**going, "outcome": "passed"}}
    assert see(Memory(), over, SENSORS).held == frozenset()


def test_a_fixed_limiter_is_warmed_cools_and_is_reset():
    opens = after(60, doing("limiter", ("limiter_opens", "waiting"), ("limiter_closes", "waiting")))
    closes = after(60, doing("limiter", ("limiter_opens", "seen"), ("limiter_closes", "waiting")))
    assert opens[-1] == closes[0] == {LIMITER} and closes[-1] == frozenset()


@pytest.mark.parametrize("more", [
    {"pending": {"waits_for": "arm"}}, {"check_in": {"by": "button", "left_us": 200 * US, "every_us": 900 * US}}], ids=str)
def test_the_arm_button_is_pressed_where_it_is_waited_for(more):
    held = after(24, None, **more)
    assert set().union(*held) == {ARM} and changes(held) == 4


@pytest.mark.parametrize("more", [
    {"pending": {"waits_for": "board"}}, {"check_in": {"by": "button", "left_us": 300 * US, "every_us": 900 * US}},
    {"check_in": {"by": "page or button", "left_us": 0, "every_us": 900 * US}}], ids=str)
def test_no_button_is_pressed_that_nobody_waits_for(more):
    assert not set().union(*after(60, None, **more))


def test_the_travelling_sensor_is_hung_where_the_survey_is_and_left_there():
    for spot in FIVE:
        assert after(2, doing("survey", spot=spot.id))[-1] == {Hand("travelling_at", spot=spot.id)}
    assert hands.words(Hand("travelling_at", spot="centre"), False, SENSORS) == "", "it stays"


@given(st.sampled_from([step.id for step in STEPS if step.id not in TABLE]), st.integers(0, 10**6))
def test_no_other_step_asks_for_a_hand(step, at_s):
    assert see(Memory(), now(at_s, doing(step)), SENSORS).held == frozenset()


def test_every_hand_is_one_that_the_simulated_board_takes_and_tells_of_itself():
    board = Board(SHAPES["bench"])
    every = (ARM, LIMITER, *hands.PRESSED.values(), Hand("travelling_at", spot="centre"),
             *(Hand("sensor_sees", 1, kind) for kind in ("in_hand", "in_ice", hands.BOILING)))
    for hand in every:
        for on in (True, False):
            asked = hand.datagram(on)
            assert asked["fault"] in FAULTS and asked.get("kind", "in_hand") in SENSES
            board.fault(asked.pop("fault"), **asked)
        assert hands.words(hand, True, SENSORS)
    assert not board.faults.sensors and board.limiter_closed and board.door_shut and not board.smoke


def test_time_that_goes_back_begins_anew():
    """A controller that starts again counts from the wall clock."""
    memory = see(Memory(), now(1000, doing("contacts", ("door", "waiting"))), SENSORS)
    memory = see(memory, now(10, doing("contacts", ("door", "waiting"))), SENSORS)
    assert memory.since_us == 10 * US


def test_the_values_that_are_told_pass_in_that_chamber(tmp_path):
    chamber = simulated(tmp_path / "c").chamber
    for step in PASSES:
        assert typed(BY_ID[step], values_of(step, chamber), chamber).wrong == (), step
    asked = {step.id for step in STEPS if step.fields or step.way is Way.TYPED}
    lines = list(told(chamber))
    assert asked == {line.strip().split(":")[0] for line in lines}
    assert any("1,001 hPa" in line and "station pressure" in line for line in lines)
