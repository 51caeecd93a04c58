"""What hypothesis draws for the tick: any situation, bent in any way the types allow, and any inputs the wire allows.

A drawn report is the bench's next one with some fields replaced, so that most ticks get past the first check; a drawn state is
a real one with the parts replaced that a bug elsewhere might have spoilt.
"""

from __future__ import annotations

import functools
from typing import Any

from hypothesis import strategies as st

from controller.core.commands import Ask, Command, PersonRole
from controller.core.guards import GUARDS
from controller.core.limits import TIGHTENABLE
from controller.core.messages import CHANNELS_MAX, Channel, LimitsRead, Refusal, Report, Welcome
from controller.core.program import CoolDown
from controller.core.regulator import Regulator
from controller.core.run_states import S
from controller.core.setup import Level
from controller.core.state import Garbage, Inputs, LineLost, LineOpened, Notice, State
from controller.core.supervisor import Latch
from tests.core.ready import SITUATIONS
from tests.core.world import BOARD_ID, DEMO, SOAK_AT_105, US, Bench, changed, schedule, soak

COOLING = (S.STOPPING, S.STOPPED, S.ABORTING, S.ABORTED)
TREATING = (S.RUNNING, S.HOLDING, S.HELD, S.RESTARTING, S.ABORTING, S.ABORTED, S.COMPLETE)
"""Run states that go with the program that goes on."""
UP_MAX_US = 999_999_999_999
ODD_SCHEDULES = (DEMO, SOAK_AT_105, schedule(), schedule(soak(999_000, 1)), None)

maybe = st.sampled_from([True, False, None])
channels = st.none() | st.builds(
    Channel, st.integers(-99_999, 999_999) | st.integers(104_000, 106_000), st.integers(-9_999, 99_999) | st.just(30_000),
    st.sampled_from([0, 0, 0, 1, 8, 0x40, 0xFF]), st.integers(0, 255),
)
REPORT_FIELDS: dict[str, st.SearchStrategy[Any]] = {
    "board": st.sampled_from([BOARD_ID, "ffffff"]), "boot": st.integers(0, 65_535), "session": st.integers(0, 65_535),
    "sequence": st.integers(0, 9_999_999), "heard": st.integers(0, 9_999_999), "up_us": st.integers(0, UP_MAX_US),
    "channels": st.tuples(*[channels] * CHANNELS_MAX), "modulator": st.booleans(), "contactor": st.booleans(),
    "enabled": st.booleans(), "off": st.integers(0, 20), "on_us": st.integers(0, 999_999),
    "switches": st.integers(0, 999_999), "run_s": st.integers(0, 999_999), "mains": maybe, "limiter": maybe,
    "door": maybe, "local_stop": maybe, "arm": maybe, "smoke": maybe, "current_ma": st.none() | st.integers(0, 99_999),
    "fan_rpm": st.none() | st.integers(0, 9_999), "aux_mv": st.none() | st.integers(0, 9_999),
}
odd_fields = st.dictionaries(st.sampled_from(sorted(REPORT_FIELDS)), st.none(), max_size=3).flatmap(
    lambda names: st.fixed_dictionaries({name: REPORT_FIELDS[name] for name in names})
)

commands = st.builds(
    Command, st.sampled_from(Ask), st.sampled_from(["Kim", ""]), st.sampled_from(PersonRole), st.text(max_size=3),
    st.sampled_from(ODD_SCHEDULES), st.just("9"), st.sampled_from(Level),
    st.sampled_from(["", "nobody", *(guard.id for guard in GUARDS), *sorted(TIGHTENABLE)]),
    st.integers(-(10**6), 10**12),
)
sessions = st.sampled_from([0, 7, 8, 9, 65_535])
notices: st.SearchStrategy[Notice] = st.one_of(
    st.builds(LineOpened, sessions), st.builds(LineLost, st.just("pulled")), st.builds(Garbage, st.integers(0, 10**6)),
    st.builds(Welcome, st.sampled_from([BOARD_ID, "ffffff"]), st.sampled_from([1, 2]), sessions, st.just("0.1"),
              st.just("0" * 8), st.integers(0, 9), st.booleans()),
    st.builds(LimitsRead, sessions, st.sampled_from([135_000, 134_000]), st.sampled_from([112_000, 135_000, 0]),
              st.sampled_from([86_400, 0]), st.sampled_from([4_800_000, 1])),
    st.builds(Refusal, sessions, st.integers(0, 99), st.integers(0, 12)),
)


@functools.cache
def situation(name: str) -> State:
    return SITUATIONS[name]().state


@st.composite
def states(draw: st.DrawFn) -> State:
    """Any situation, some of its parts replaced."""
    state = situation(draw(st.sampled_from(sorted(SITUATIONS))))
    parts: dict[str, st.SearchStrategy[Any]] = {
        "regulator": st.builds(Regulator, st.floats(-1, 1), st.integers(0, 10_000)),
        "permit": st.just(True) if not state.latches else st.just(False),
        "armed_us": st.sampled_from([-1, state.mono_us]),
        "record_lost": st.integers(0, 9),
        "latches": st.just((Latch("smoke", 0, 1, 1, "", True),)),
        "lowered": st.just((("ceiling_mc", 90_000),)),
    }
    for name in draw(st.sets(st.sampled_from(sorted(parts)), max_size=3)):
        state = changed(state, **{name: draw(parts[name])})
    if state.latches:
        state = changed(state, permit=False)
    if state.run is not None and draw(st.booleans()):
        at = COOLING if isinstance(state.run.program, CoolDown) else TREATING
        run = changed(state.run, state=draw(st.sampled_from(at)), heat_withheld=draw(st.booleans()))
        state = changed(state, run=run)
    return state


def next_report(state: State, number: int, odd: dict[str, Any]) -> Report:
    """What the board would say next, but for what was drawn."""
    last = state.board.report or Bench().board.report()
    plain = last._replace(
        sequence=last.sequence + number, up_us=min(UP_MAX_US, last.up_us + number * 250_000),
        heard=state.board.sequence, session=state.board.session,
        channels=tuple(one and one._replace(conversions=(one.conversions + number) % 256) for one in last.channels),
    )
    return plain._replace(**odd)


@st.composite
def inputs(draw: st.DrawFn, state: State) -> Inputs:
    """One tick's worth of anything."""
    many = draw(st.sampled_from([0, 1, 1, 4, 4, 20, 25]))
    odds = [draw(odd_fields) for _ in range(min(many, 2))]
    reports = tuple(
        next_report(state, number + 1, odds[number] if number < len(odds) else {}) for number in range(many)
    )
    shuffled = draw(st.sampled_from([reports, tuple(reversed(reports)), (*reports, *reports[:3])]))
    return Inputs(
        state.mono_us + draw(st.sampled_from([US, US, 0, -US, 1, 7 * US, 10**12])), shuffled,
        tuple(draw(st.lists(notices, max_size=2))), tuple(draw(st.lists(commands, max_size=3))),
        draw(st.sampled_from([0, 0, 10**7])), draw(st.sampled_from([0, 0, 5])), draw(st.booleans()),
    )
