"""A bench in every run state, made the way a person would get there; transient states, which last less than a tick, by hand."""

from __future__ import annotations

from collections.abc import Callable

from controller.core.commands import Ask
from controller.core.run_states import S
from tests.core.world import Bench, FakeBoard, changed, cool, ramp, running, schedule, soaking

SHORT = schedule(ramp(24_000, 300_000), cool(40_000, 20_000))
"""Done within a minute of starting at room temperature."""


def idle() -> Bench:
    bench = Bench()
    bench.run(4)
    return bench


def held() -> Bench:
    bench = soaking()
    bench.ask(Ask.HOLD)
    return bench


def stopping() -> Bench:
    bench = soaking()
    bench.ask(Ask.COOL_DOWN)
    return bench


def stopped() -> Bench:
    bench = stopping()
    bench.board.warming, bench.board.air_mc = False, 39_000.0
    bench.until(lambda one: one.run_state is S.STOPPED, 5)
    return bench


def aborting() -> Bench:
    """Stop heating was pressed, and the line contactor is still read back closed."""
    bench = soaking()
    bench.board.says["contactor"] = True
    bench.ask(Ask.STOP_HEATING)
    return bench


def aborted() -> Bench:
    bench = soaking()
    bench.ask(Ask.STOP_HEATING)
    bench.until(lambda one: one.run_state is S.ABORTED, 5)
    return bench


def complete() -> Bench:
    bench = Bench(board=FakeBoard()).begin(SHORT)
    bench.until(lambda one: one.run_state is S.COMPLETE, 60)
    return bench


def transient(state: S) -> Callable[[], Bench]:
    def make() -> Bench:
        bench = soaking()
        bench.state = changed(bench.state, run=changed(bench.state.run, state=state))
        return bench

    return make


IN_STATE: dict[S, Callable[[], Bench]] = {
    S.IDLE: idle, S.RUNNING: soaking, S.HOLDING: transient(S.HOLDING), S.HELD: held,
    S.RESTARTING: transient(S.RESTARTING), S.STOPPING: stopping, S.STOPPED: stopped, S.ABORTING: aborting,
    S.ABORTED: aborted, S.COMPLETE: complete,
}


def pending() -> Bench:
    """A start that waits for the arm button."""
    bench = idle()
    bench.ask_start()
    return bench


def ramping() -> Bench:
    bench = running()
    bench.run(10)
    return bench


def behind_the_door() -> Bench:
    """Held by the open door, the heat withheld."""
    bench = soaking()
    bench.board.says["door"] = False
    bench.tick()
    return bench


def tripped() -> Bench:
    bench = soaking()
    bench.board.says["smoke"] = True
    bench.run(3)
    bench.board.says.clear()
    return bench


def unplugged() -> Bench:
    bench = soaking()
    bench.cut = True
    bench.run(2)
    return bench


SITUATIONS: dict[str, Callable[[], Bench]] = {
    **{state.value: make for state, make in IN_STATE.items()},
    "just begun": Bench, "pending": pending, "ramping": ramping, "door open": behind_the_door, "tripped": tripped,
    "unplugged": unplugged,
}
"""Where a property test may begin."""
