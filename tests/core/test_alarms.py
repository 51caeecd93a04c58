"""Alarms. Every pair of state and cause is drawn; then a latch is acknowledged in every way there is, and stays.

The reference is the transition list of ISA-18.2 / IEC 62682 (references.md, S2 and S3: letters and moves from memory, the
rule that a latched alarm stays until it is reset as found in the OPC Foundation's Part 9, 5.8.2).
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.alarms import ALARM_MOVES, AlarmCause, AlarmState, alarm_move
from controller.core.commands import Ask, PersonRole
from controller.core.events import Kind
from tests.core.ready import IN_STATE
from tests.core.world import soaking

LETTERS = {
    "A": AlarmState.NORMAL, "B": AlarmState.UNACKNOWLEDGED, "C": AlarmState.ACKNOWLEDGED, "D": AlarmState.RETURNED,
    "E": AlarmState.LATCHED, "F": AlarmState.LATCHED_ACKNOWLEDGED,
}
STANDARD = (
    ("A", AlarmCause.OCCURS, "B"), ("B", AlarmCause.ACKNOWLEDGE, "C"), ("C", AlarmCause.RETURNS, "A"),
    ("B", AlarmCause.RETURNS, "D"), ("D", AlarmCause.ACKNOWLEDGE, "A"), ("D", AlarmCause.OCCURS, "B"),
    ("E", AlarmCause.ACKNOWLEDGE, "F"), ("F", AlarmCause.CLEAR, "A"),
)
LATCHES = {AlarmState.LATCHED, AlarmState.LATCHED_ACKNOWLEDGED}


@pytest.mark.parametrize(("state", "cause"), list(itertools.product(AlarmState, AlarmCause)), ids=lambda one: one.value)
def test_every_pair_is_a_listed_move_or_changes_nothing(state, cause):
    assert alarm_move(state, cause) is ALARM_MOVES.get((state, cause))


@pytest.mark.parametrize(("before", "cause", "after"), STANDARD)
def test_the_standards_moves_are_there(before, cause, after):
    assert alarm_move(LETTERS[before], cause) is LETTERS[after]


@pytest.mark.parametrize("state", AlarmState)
def test_no_move_leads_to_a_state_that_hides_an_alarm(state):
    hidden = {AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE}
    assert not hidden & {alarm_move(state, cause) for cause in AlarmCause}


@given(st.lists(st.sampled_from([cause for cause in AlarmCause if cause is not AlarmCause.CLEAR])))
def test_nothing_but_a_clear_ends_a_latch(causes):
    state = alarm_move(AlarmState.NORMAL, AlarmCause.LATCH)
    for cause in causes:
        state = alarm_move(state, cause) or state
        assert state in LATCHES
    assert alarm_move(state, AlarmCause.CLEAR) is AlarmState.NORMAL


@pytest.mark.parametrize("times", [1, 2, 5])
@pytest.mark.parametrize("role", PersonRole)
def test_acknowledging_a_trip_quiets_it_and_clears_nothing(role, times):
    bench = soaking()
    bench.board.says["smoke"] = True
    bench.tick()
    del bench.board.says["smoke"]
    assert bench.alarm("smoke") == AlarmState.LATCHED
    for _ in range(times):
        assert bench.ask(Ask.ACKNOWLEDGE, role, name="smoke").kind is Kind.COMMAND_ACCEPTED
    assert bench.alarm("smoke") == AlarmState.LATCHED_ACKNOWLEDGED
    assert bench.latched == ("smoke",)
    bench.run(30)
    assert bench.latched == ("smoke",)
    assert not bench.heats


def test_an_alarm_that_returns_unseen_still_asks_to_be_acknowledged():
    bench = IN_STATE["running"]()
    bench.late_us = 3_000_000
    bench.tick()
    assert bench.alarm("tick_late") == AlarmState.UNACKNOWLEDGED
    bench.late_us = 0
    bench.tick()
    assert bench.alarm("tick_late") == AlarmState.RETURNED
    bench.ask(Ask.ACKNOWLEDGE, PersonRole.VIEWER, name="tick_late")
    assert bench.alarm("tick_late") == AlarmState.NORMAL


def test_an_alarm_that_does_not_stand_cannot_be_acknowledged():
    answer = soaking().ask(Ask.ACKNOWLEDGE, name="door")
    assert (answer.kind, answer.fields["code"]) == (Kind.COMMAND_REFUSED, "unknown_name")
    assert "door" in answer.fields["reason"]


def test_every_move_of_an_alarm_is_an_event_with_before_after_and_who():
    bench = soaking()
    bench.board.says["smoke"] = True
    bench.tick()
    bench.ask(Ask.ACKNOWLEDGE, PersonRole.VIEWER, name="smoke")
    assert [(one["before"], one["after"], one["by"]) for one in bench.said(Kind.ALARM)] == [
        ("normal", "latched unacknowledged", ""), ("latched unacknowledged", "latched acknowledged", "Kim"),
    ]
