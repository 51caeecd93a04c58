"""Run states. Every pair of state and cause is drawn: a listed move, or one refusal that says what would be allowed.

Then every command is given in every state through `advance`, and a machine of rules plays with a bench while a model of
a dozen lines predicts its state. The reference is the example table of ISA-88 (references.md, S7: from memory).
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from controller.core.commands import Ask
from controller.core.events import Kind
from controller.core.run_states import ACTIVE, ASKED, ENDED, MOVES, C, Refused, S, allowed, move
from controller.core.schedule import Schedule
from tests.core.ready import IN_STATE
from tests.core.world import READY_TO_LEAVE, SOAK_AT_105, US, Bench, FakeBoard, chamber

EVERY_PAIR = pytest.mark.parametrize(
    ("state", "cause"), list(itertools.product(S, C)), ids=lambda one: one.name.lower(),
)
ISA_88 = """
idle start running; running done complete; running hold holding; running cool_down stopping; running stop_heating aborting
holding settled held; held restart restarting; restarting settled running; restarting hold holding
held cool_down stopping; holding cool_down stopping; restarting cool_down stopping; stopping done stopped
held stop_heating aborting; holding stop_heating aborting; stopping stop_heating aborting; aborting settled aborted
complete reset idle; stopped reset idle; aborted reset idle
"""
"""Our words for the standard's commands: its Stop is `cool_down`, its Abort is `stop_heating`. From memory (S7)."""


def words(cause: C) -> str:
    return cause.value.replace("_", " ")


@EVERY_PAIR
def test_a_pair_is_a_listed_move_or_a_refusal_that_says_what_would_do(state, cause):
    if (state, cause) in MOVES:
        assert move(state, cause) is MOVES[state, cause]
        return
    with pytest.raises(Refused) as refusal:
        move(state, cause)
    assert (refusal.value.state, refusal.value.cause) == (state, cause)
    assert refusal.value.allowed == {c for s, c in MOVES if s is state} == allowed(state)
    said = str(refusal.value)
    assert state.value in said
    assert words(cause) in said.lower()
    assert all((words(one) in said) is (one in ASKED) for one in C if one in refusal.value.allowed)


@pytest.mark.parametrize("line", [one.strip() for one in ISA_88.replace("\n", ";").split(";") if one.strip()])
def test_the_moves_of_the_standards_example_are_there(line):
    state, cause, after = line.split()
    assert move(S(state), C(cause)) is S(after)


@pytest.mark.parametrize("state", S)
def test_stop_heating_and_a_trip_are_refused_nowhere(state):
    for cause in (C.STOP_HEATING, C.TRIP):
        assert move(state, cause) is (S.ABORTING if state in ACTIVE else state)


@pytest.mark.parametrize("state", sorted(ENDED))
def test_an_ended_run_leads_to_idle_by_reset_alone(state):
    assert {cause for cause in C if (state, cause) in MOVES and move(state, cause) is not state} == {C.RESET}
    assert move(state, C.RESET) is S.IDLE


def test_only_start_leads_from_rest_to_a_state_that_may_heat():
    at_rest = set(S) - ACTIVE
    leading = {(state, cause) for (state, cause), after in MOVES.items() if state in at_rest and after in ACTIVE}
    assert leading == {(S.IDLE, C.START)}


def test_every_state_can_be_reached_from_idle_and_idle_from_every_state():
    def reach(start: S) -> set[S]:
        found, todo = {start}, [start]
        while todo:
            at = todo.pop()
            todo += [after for (state, _), after in MOVES.items() if state is at and after not in found]
            found |= set(todo)
        return found

    assert reach(S.IDLE) == set(S)
    assert all(S.IDLE in reach(state) for state in S)


RUNNING_OR_SETTLING = (S.RUNNING, S.RESTARTING)
AFTER: dict[Ask, dict[S, S]] = {
    Ask.START: {S.IDLE: S.IDLE},
    Ask.HOLD: dict.fromkeys(RUNNING_OR_SETTLING, S.HELD),
    Ask.RESTART: {S.HELD: S.RUNNING},
    Ask.COOL_DOWN: dict.fromkeys((S.RUNNING, S.RESTARTING, S.HOLDING, S.HELD), S.STOPPING),
    Ask.STOP_HEATING: {**dict.fromkeys(S, S.ABORTING), S.IDLE: S.IDLE, **{state: state for state in ENDED}},
    Ask.RESET: dict.fromkeys(ENDED, S.IDLE),
    Ask.CHECK_IN: {state: {S.HOLDING: S.HELD, S.RESTARTING: S.RUNNING}.get(state, state) for state in ACTIVE},
}
"""State after the tick of each run command, where it is accepted. A transient state settles within its tick."""


@pytest.mark.parametrize("state", S)
@pytest.mark.parametrize("ask", AFTER)
def test_a_command_in_a_state_does_what_the_table_says_or_is_refused_and_recorded(ask, state):
    bench = IN_STATE[state]()
    settled = {S.HOLDING: S.HELD, S.RESTARTING: S.RUNNING}.get(state, state)
    answer = bench.ask(ask, schedule=SOAK_AT_105, run_id="28", leaving=READY_TO_LEAVE)
    if state in AFTER[ask]:
        assert answer.kind is Kind.COMMAND_ACCEPTED, answer
        assert bench.run_state is AFTER[ask][state]
    else:
        assert answer.kind is Kind.COMMAND_REFUSED, answer
        assert answer.fields["code"] == "not_possible_state"
        assert answer.fields["reason"]
        assert bench.run_state is settled
    assert (answer.fields["ask"], answer.fields["by"], answer.fields["ref"]) == (ask.value, "Kim", str(bench.asked))


def test_every_run_command_is_in_the_table():
    assert set(Ask) - set(AFTER) == {Ask.ACKNOWLEDGE, Ask.CLEAR, Ask.TIGHTEN}


class PlayedWith(RuleBasedStateMachine):
    """A bench and what a dozen lines expect of it."""

    def __init__(self) -> None:
        super().__init__()
        self.bench = Bench(chamber(fitted={"arm_button": False}), FakeBoard(air_mc=105_000.0))
        self.bench.run(4)
        self.state, self.withheld, self.latched, self.door_open = S.IDLE, False, False, False

    def say(self, ask: Ask, accepted: bool, schedule: Schedule | None = None) -> None:
        kind = self.bench.ask(ask, schedule=schedule, run_id="1", name="smoke", leaving=READY_TO_LEAVE).kind
        assert kind is (Kind.COMMAND_ACCEPTED if accepted else Kind.COMMAND_REFUSED)

    @rule()
    def start(self) -> None:
        may = self.state is S.IDLE and not self.latched and not self.door_open
        self.passes()
        self.say(Ask.START, may, SOAK_AT_105)
        if may:
            self.bench.until(lambda bench: bench.run_state is S.RUNNING and bench.board.enabled, 8)
            self.state, self.withheld = S.RUNNING, False

    @rule()
    def hold(self) -> None:
        self.passes()
        self.say(Ask.HOLD, self.state is S.RUNNING)
        self.state = S.HELD if self.state is S.RUNNING else self.state

    @rule()
    def restart(self) -> None:
        self.passes()
        may = self.state is S.HELD and not (self.withheld and self.door_open)
        self.say(Ask.RESTART, may)
        if may:
            self.state, self.withheld = S.RUNNING, False

    @rule()
    def cool_down(self) -> None:
        self.passes()
        may = self.state in (S.RUNNING, S.HELD)
        self.say(Ask.COOL_DOWN, may)
        self.state = S.STOPPING if may else self.state

    @rule()
    def stop_heating(self) -> None:
        self.passes()
        self.say(Ask.STOP_HEATING, True)
        self.state = S.ABORTING if self.state in ACTIVE else self.state

    @rule()
    def reset(self) -> None:
        self.passes()
        self.say(Ask.RESET, self.state in ENDED)
        self.state = S.IDLE if self.state in ENDED else self.state

    @rule()
    def smoke_for_a_moment(self) -> None:
        self.bench.board.says["smoke"] = True
        self.bench.tick()
        del self.bench.board.says["smoke"]
        self.state = S.ABORTING if self.state in ACTIVE else S.ABORTED if self.state is S.ABORTING else self.state
        self.latched = True

    @rule()
    def clear(self) -> None:
        self.passes()
        self.say(Ask.CLEAR, self.latched)
        self.latched = False

    @precondition(lambda self: not self.door_open)
    @rule()
    def open_the_door(self) -> None:
        self.bench.board.says["door"] = False
        self.door_open = True
        self.passes()
        if self.state in (S.RUNNING, S.HELD):
            self.state, self.withheld = S.HELD, True
        elif self.state is S.STOPPING:
            self.state = S.STOPPED

    @precondition(lambda self: self.door_open)
    @rule()
    def shut_the_door(self) -> None:
        del self.bench.board.says["door"]
        self.door_open = False
        self.passes()

    @rule()
    def passes(self) -> None:
        """A tick with nothing in it: heat that was told off is seen off."""
        self.bench.tick()
        self.state = S.ABORTED if self.state is S.ABORTING else self.state

    @invariant()
    def it_is_in_the_state_the_model_expects(self) -> None:
        assert self.bench.run_state is self.state
        assert bool(self.bench.state.latches) is self.latched

    @invariant()
    def it_heats_when_it_may_and_never_else(self) -> None:
        may = self.state in ACTIVE and not self.withheld and not self.latched
        assert self.bench.heats is (may and not self.door_open)


TestPlayedWith = PlayedWith.TestCase


def test_a_tick_of_no_length_changes_no_state():
    for make in IN_STATE.values():
        bench = make()
        bench.tick()
        before = bench.run_state
        bench.tick(us=0)
        assert bench.run_state is before
        bench.tick(us=US)
