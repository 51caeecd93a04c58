"""The state a controller begins with: nothing known, nothing heated, and every trip that the latch file kept."""

from __future__ import annotations

from controller.core.alarms import AlarmState
from controller.core.guards import GUARDS
from controller.core.limits import known_limits, thresholds
from controller.core.readings import MISSING
from controller.core.regulator import Regulator
from controller.core.setup import Chamber
from controller.core.state import Alarm, Board, State, Stop
from controller.core.supervisor import ALL_CALM, Latch
from controller.core.watch import UNKNOWN, Trail


def first_state(chamber: Chamber, mono_us: int, latches: tuple[str, ...] = ()) -> State:
    """Before the first tick. `latches` are guard ids, the first-out first; an id nobody knows counts as unreadable."""
    known = {guard.id for guard in GUARDS}
    kept = [name if name in known else "latch_unreadable" for name in latches]
    limits, clears = thresholds(known_limits(chamber, (), {}))
    return State(
        chamber=chamber,
        tick=0,
        mono_us=mono_us,
        regulated_us=mono_us,
        board=Board(),
        readings=(MISSING,) * len(chamber.sensors),
        trail=Trail(),
        standing=ALL_CALM,
        values=(UNKNOWN,) * len(GUARDS),
        limits=limits,
        clears=clears,
        lowered=(),
        latches=tuple(
            Latch(name, mono_us, 0, 0, "kept from before this start", number == 0) for number, name in enumerate(kept)
        ),
        alarms=tuple(Alarm(name, AlarmState.LATCHED, mono_us, UNKNOWN, UNKNOWN) for name in kept[:1]),
        run=None,
        pending=None,
        arm_pressed=True,
        armed_us=-1,
        permit=False,
        regulator=Regulator(),
        stop=Stop(),
        record_lost=0,
    )
