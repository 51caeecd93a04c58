"""How each guard is brought to its limit: one row a guard. `test_guards` runs every row through the same questions.

A driver makes a bench ready, and sets the world so that the watched quantity is just BELOW its limit, AT it, PAST it, just
not BACK below the clear limit, or CLEAR of it. `tick_us` is the tick at which the value holds exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto

from controller.core.messages import Channel, Fault, OffReason
from controller.core.proof import StartProof
from controller.core.run_states import S
from controller.core.setup import Level, Response
from controller.core.state import Messages
from tests.core.ready import idle
from tests.core.world import CHAMBER, LIMITS, OVER, PART, US, Bench, FakeBoard, chamber, changed, running, soaking


class Where(Enum):
    """Where the watched quantity is."""

    BELOW = auto()
    AT = auto()
    PAST = auto()
    BACK = auto()
    CLEAR = auto()


@dataclass(frozen=True)
class Driver:
    """`put` is called before every tick of a stretch."""

    ready: Callable[[], Bench]
    put: Callable[[Bench, Where], None]
    deadband: bool = True
    """False: limit and clear limit are the same number, so BACK does not exist."""
    once: bool = False
    """True: nothing but another run leads back below the limit."""


def contact(name: str, bad: bool) -> Callable[[Bench, Where], None]:
    def put(bench: Bench, where: Where) -> None:
        bench.board.says[name] = bad if where in (Where.AT, Where.PAST) else not bad

    return put


def silent_contact(bench: Bench, where: Where) -> None:
    bench.board.says.pop("smoke", None)
    if where in (Where.AT, Where.PAST):
        bench.board.says["smoke"] = None


def hottest(limit_mc: int, clear_mc: int) -> Callable[[Bench, Where], None]:
    """The part sensor alone, so that nothing disagrees."""
    at = {Where.BELOW: limit_mc - 1, Where.AT: limit_mc, Where.PAST: limit_mc + 7_000, Where.BACK: clear_mc,
          Where.CLEAR: clear_mc - 1}

    def put(bench: Bench, where: Where) -> None:
        bench.board.channels[PART] = Channel(at[where], 30_000, 0, bench.board.sequence % 256)

    return put


def disagree(bench: Bench, where: Where) -> None:
    limit = LIMITS.disagree_mc
    off = {Where.BELOW: limit - 1, Where.AT: limit, Where.PAST: limit + 5_000, Where.BACK: limit * 4 // 5,
           Where.CLEAR: limit * 4 // 5 - 1}
    bench.board.warming = False
    bench.board.offset_mc[OVER] = -off[where]


def above_band(bench: Bench, where: Where) -> None:
    limit, run = LIMITS.above_band_mc, bench.state.run
    off = {Where.BELOW: limit - 1, Where.AT: limit, Where.PAST: limit + 500, Where.BACK: limit * 4 // 5,
           Where.CLEAR: limit * 4 // 5 - 1}
    assert run is not None
    bench.board.warming = False
    bench.board.air_mc = run.air_setpoint_mc + off[where]


def astray(bench: Bench, where: Where) -> None:
    """Half as far again from the plan as the band is wide, which is 2 °C in the invented schedule."""
    run = bench.state.run
    off = {Where.BELOW: 3_000, Where.AT: 3_001, Where.PAST: 3_900, Where.CLEAR: 0}
    assert run is not None
    bench.board.warming = False
    bench.board.air_mc = run.air_setpoint_mc + off[where]


def messages(bench: Bench, where: Where) -> None:
    bench.notices.append(Messages("the mail server refuses" if where in (Where.AT, Where.PAST) else ""))


def fault(bench: Bench, where: Where) -> None:
    bits = Fault.OPEN if where in (Where.AT, Where.PAST) else 0
    bench.board.channels[PART] = Channel(105_000, 30_000, bits, bench.board.sequence % 256)


def frozen(bench: Bench, where: Where) -> None:
    """The counter stands for as many seconds as the limit has; BELOW lets it move just before."""
    stands = where in (Where.AT, Where.PAST) or (where is Where.BELOW and bench.board.sequence % 4 != 0)
    counter = 7 if stands else bench.board.sequence % 256 | 8
    bench.board.channels[PART] = Channel(105_000, 30_000, 0, counter)


def no_rise(bench: Bench, where: Where) -> None:
    """Full heat and flat air; a rise of half a kelvin starts the stretch anew."""
    full = where in (Where.AT, Where.PAST, Where.BELOW)
    bench.board.warming = False
    bench.board.says["on_us"] = US // bench.per_tick if full else 0
    if where is Where.BELOW and bench.board.sequence % 250 == 0:
        bench.board.air_mc += 500


def rise(bench: Bench, where: Where) -> None:
    """A steady slope, a little heat asked; 15 °C/min is 250 m°C a second exactly."""
    per_s = {Where.BELOW: 249, Where.AT: 250, Where.PAST: 400, Where.BACK: 200, Where.CLEAR: 0}
    bench.board.warming = False
    bench.board.air_mc += per_s[where]
    bench.board.says.update(on_us=100_000)


def rise_off(bench: Bench, where: Where) -> None:
    limit = LIMITS.rise_off_mc
    off = {Where.BELOW: limit - 1, Where.AT: limit, Where.PAST: limit + 900, Where.BACK: limit * 2 // 3,
           Where.CLEAR: limit * 2 // 3 - 1}
    bench.board.warming = False
    bench.board.air_mc = 40_000 + off[where]


def rested() -> Bench:
    """A minute of no heat and still air, so that a rise would be seen."""
    bench = Bench(board=FakeBoard(air_mc=40_000.0, warming=False))
    bench.run(60)
    return bench


def board_off(bench: Bench, where: Where) -> None:
    bench.board.says["off"] = OffReason.CEILING if where in (Where.AT, Where.PAST) else OffReason.NONE


def board_changed(bench: Bench, where: Where) -> None:
    bench.board.says.pop("session", None)
    if where in (Where.AT, Where.PAST):
        bench.board.says["session"] = 4_711


def limits_differ(bench: Bench, where: Where) -> None:
    """The stored ceiling is lower than the chamber file's: the wire cannot raise it."""
    bench.board.limits[0] = LIMITS.board_ceiling_mc - (1 if where in (Where.AT, Where.PAST) else 0)
    bench.notices.append(bench.board.read())


def silence(limit_us: int) -> Callable[[Bench, Where], None]:
    """No report comes; the host's clock stands just where the age is the limit."""

    def put(bench: Bench, where: Where) -> None:
        bench.cut = where is not Where.CLEAR
        if bench.cut:
            ages = {Where.BELOW: limit_us - 1, Where.AT: limit_us, Where.PAST: limit_us + 9_000}
            bench.now_us = bench.state.board.heard_us + ages[where] - US

    return put


def hurried() -> Bench:
    """A run that may take two minutes."""
    return soaking(chamber=chamber(run_max_us=120 * US))


def run_time(bench: Bench, where: Where) -> None:
    """The run is set back, so that the next tick finds it just so old."""
    spent = {Where.BELOW: 120 * US - 1, Where.AT: 120 * US, Where.PAST: 121 * US}
    run = changed(bench.state.run, started_us=bench.now_us + US - spent[where])
    bench.state = changed(bench.state, run=run)


def lateness(bench: Bench, where: Where) -> None:
    limit = LIMITS.tick_late_us
    bench.late_us = {Where.BELOW: limit - 1, Where.AT: limit, Where.PAST: limit * 2, Where.CLEAR: 0}[where]


def record(bench: Bench, where: Where) -> None:
    bench.record_lost = 3 if where in (Where.AT, Where.PAST) else 0


CHECK_IN = 15 * 60 * US


def beside_it() -> Bench:
    return running(level=Level.AT_THE_CHAMBER)


def check_in(bench: Bench, where: Where) -> None:
    ages = {Where.BELOW: CHECK_IN - 1, Where.AT: CHECK_IN, Where.PAST: CHECK_IN + US, Where.CLEAR: 0}
    run = changed(bench.state.run, checked_in_us=bench.now_us + US - ages[where])
    bench.state = changed(bench.state, run=run)


def unasked_heat(bench: Bench, where: Where) -> None:
    """Current flows though the board says that it keeps the outputs off."""
    bench.board.says["current_ma"] = {Where.BELOW: 49, Where.AT: 50, Where.PAST: 2_100, Where.CLEAR: 0}[where]


def closed_switch(bench: Bench, where: Where) -> None:
    """The contactor's own contact reads closed though the board says that it keeps the outputs off."""
    bench.board.says["contactor"] = where in (Where.AT, Where.PAST)


def proving() -> Bench:
    """A run in its start proof: both switches are asked to be open."""
    return running(chamber=changed(CHAMBER, response=Response(3 * US, 20 * US)))


def proof_finds(finding: str) -> Callable[[Bench, Where], None]:
    """What a proof finds is tested where proofs are (`test_proof`); here it has found it."""

    def put(bench: Bench, where: Where) -> None:
        run = bench.state.run
        if run is not None and isinstance(run.program, StartProof):
            found = changed(run.program, finding=finding if where in (Where.AT, Where.PAST) else "")
            bench.state = changed(bench.state, run=run.stepped(found))

    return put


def hot_at_rest() -> Bench:
    bench = idle()
    bench.board.air_mc = 60_000.0
    bench.run(3)
    return bench


RUN_CEILING_MC = 105_000 + LIMITS.run_margin_mc
DRIVERS: dict[str, Driver] = {
    "smoke": Driver(soaking, contact("smoke", True), deadband=False),
    "ceiling": Driver(idle, hottest(LIMITS.ceiling_mc, LIMITS.ceiling_clear_mc)),
    "run_ceiling": Driver(soaking, hottest(RUN_CEILING_MC, RUN_CEILING_MC - 5_000)),
    "limiter_open": Driver(soaking, contact("limiter", False), deadband=False),
    "rise_with_heat_off": Driver(rested, rise_off),
    "rising_too_fast": Driver(lambda: running(air_mc=30_000.0), rise),
    "sensor_faulted": Driver(soaking, fault, deadband=False),
    "sensor_frozen": Driver(soaking, frozen, deadband=False),
    "sensors_disagree": Driver(soaking, disagree),
    "no_rise": Driver(soaking, no_rise, deadband=False),
    "board_switched_off": Driver(soaking, board_off, deadband=False),
    "board_changed": Driver(soaking, board_changed, deadband=False),
    "limits_differ": Driver(soaking, limits_differ, deadband=False),
    "heat_stays_on": Driver(idle, unasked_heat, deadband=False),
    "switch_stays_closed": Driver(idle, closed_switch, deadband=False),
    "start_proof_failed": Driver(proving, proof_finds("modulator_stuck"), deadband=False),
    "start_proof_void": Driver(proving, proof_finds("nothing_rose"), deadband=False),
    "board_silent": Driver(soaking, silence(LIMITS.silence_us), deadband=False),
    "run_too_long": Driver(hurried, run_time, deadband=False, once=True),
    "local_stop": Driver(soaking, contact("local_stop", True), deadband=False),
    "check_in_overdue": Driver(beside_it, check_in, deadband=False),
    "mains_gone": Driver(soaking, contact("mains", False), deadband=False),
    "contact_unknown": Driver(soaking, silent_contact, deadband=False),
    "door": Driver(soaking, contact("door", False), deadband=False),
    "reading_stale": Driver(soaking, silence(LIMITS.reading_age_us), deadband=False),
    "tick_late": Driver(soaking, lateness, deadband=False),
    "air_above_band": Driver(soaking, above_band),
    "not_following": Driver(soaking, astray, deadband=False),
    "messages_failing": Driver(soaking, messages, deadband=False),
    "board_unheard": Driver(hot_at_rest, silence(LIMITS.silence_us), deadband=False),
    "record_failing": Driver(soaking, record, deadband=False),
}
FROM_THE_FILE = {"not_commissioned", "ended_in_a_run", "latch_unreadable"}
"""Latches that a start finds; nothing in a tick raises them."""
PERSISTS_ITSELF_S = {"sensor_frozen": 4, "no_rise": 385, "rising_too_fast": 65}
"""Quantities that are themselves a time, or need a stretch of readings before they reach their limit, in seconds."""


def drive(bench: Bench, driver: Driver, where: Where, seconds: float, us: int = US) -> None:
    """Holds the quantity there for a while."""
    for _ in range(round(seconds * US / us)):
        driver.put(bench, where)
        bench.tick(us=us)


def ended(bench: Bench) -> bool:
    return bench.run_state in (S.ABORTING, S.ABORTED)
