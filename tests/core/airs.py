"""Made air for the start proof: a course of its own and, after a dead time, so much for each second with both switches closed.

No board, no chamber, no clock: looks go in; a phase, a wish for two switches and at last a finding come out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from controller.core.messages import Report
from controller.core.proof import (
    AGREE_MC,
    OFF,
    Look,
    Pair,
    Phase,
    StartProof,
    Switched,
    look,
    start_proof,
)
from controller.core.readings import Role
from controller.core.setup import Chamber, Response, SensorSetup
from tests.core.world import US, FakeBoard, chamber, changed

RESPONSE = Response(6 * US, 20 * US)
SAID = FakeBoard().report()
"""A report to be changed: fan turns, mains there."""
PLAIN = chamber(fitted={"current": False})
SENSED = chamber(fitted={"current": True})
ROOM_MC = 21_000
HEATED = (Phase.BOTH, Phase.AWAIT)
ONE_SWITCH = chamber(fitted={"contactor": False, "current": False})
LONG_S = 2_000


def still(second: int) -> float:
    return ROOM_MC


@dataclass
class Air:
    """What the sensors find, and what the board says."""

    course: Callable[[int], float] = still
    """m°C by itself, after so many seconds."""
    per_s: tuple[float, ...] = (120.0, 80.0)
    """m°C of each sensor for each second of heat: control, then over-temperature."""
    dead_s: int = 3
    stuck: Switched = (False, False)
    """Closed whatever is asked; they read as asked."""
    apart_mc: int = 0
    """The over-temperature sensors are so much above the control sensor."""
    added: dict[Phase, tuple[int, ...]] = field(default_factory=dict)
    """Comes to every sensor in that phase."""
    says: dict[str, Any] = field(default_factory=dict)
    lost: tuple[Phase, int] = (Phase.OVER, 0)
    """No reading is Good for so many seconds from the begin of that phase."""
    blind_after: bool = False
    """Nor in any later one."""
    cold_mc: int | None = ROOM_MC + 3_000


def played(proof: StartProof, air: Air, seconds: int = LONG_S) -> Iterator[tuple[StartProof, Switched]]:
    """A second a look, until the proof is over, has found something, or time is up."""
    heat, wanted, began, phase = [], OFF, 0, proof.phase
    for second in range(1, seconds + 1):
        closed = tuple(asked or stuck for asked, stuck in zip(wanted, air.stuck, strict=True))
        heat.append(all(closed) if proof.lengths.contactor else closed[0])
        said = _report(air, wanted, heat[-1])
        proof, wanted = look(proof, Look(US, _now(proof, air, second, began, heat), air.cold_mc, said))
        if proof.phase is not phase:
            began, phase = second, proof.phase
        yield proof, wanted
        if proof.finding or proof.phase is Phase.OVER:
            return


def _now(proof: StartProof, air: Air, second: int, began: int, heat: list[bool]) -> Pair | None:
    phase, lost_s = air.lost
    if (proof.phase is phase and second - began <= lost_s) or (air.blind_after and proof.phase > phase):
        return None
    felt = sum(heat[: max(0, second - air.dead_s)])
    added = air.added.get(proof.phase, (0,) * len(air.per_s))
    control, *overs = (int(air.course(second) + felt * per_s) + more for per_s, more in zip(air.per_s, added, strict=True))
    return Pair(control, tuple(over + air.apart_mc for over in overs))


def _report(air: Air, wanted: Switched, heats: bool) -> Report:
    said = SAID._replace(modulator=wanted[0], contactor=wanted[1], current_ma=2_100 if heats else 0)
    return said._replace(**air.says)


def ended(air: Air, of: Chamber = PLAIN, response: Response = RESPONSE) -> StartProof:
    *_, (proof, _wanted) = played(start_proof(of, response), air)
    return proof


def phases(air: Air, of: Chamber = PLAIN, response: Response = RESPONSE) -> dict[Phase, int]:
    """How many seconds each phase lasted."""
    found: dict[Phase, int] = {}
    before = Phase.REST
    for proof, _ in played(start_proof(of, response), air):
        found[before] = found.get(before, 0) + 1
        before = proof.phase
    return found


NOTHING = (0.0, 0.0)
ROWS: dict[str, tuple[Air, Chamber]] = {
    "heats_with_all_off": (Air(stuck=(True, True)), SENSED),
    "contactor_stuck": (Air(stuck=(False, True)), PLAIN),
    "modulator_stuck": (Air(stuck=(True, False)), PLAIN),
    "switch_reads_closed": (Air(says={"contactor": True}), PLAIN),
    "switch_reads_open": (Air(says={"contactor": False}), PLAIN),
    "wrong_way": (Air(per_s=(120.0, -80.0)), PLAIN),
    "control_did_not_rise": (Air(per_s=(0.0, 80.0)), PLAIN),
    "over_did_not_rise": (Air(per_s=(120.0, 0.0)), PLAIN),
    "nothing_rose": (Air(per_s=NOTHING), PLAIN),
    "current_and_no_rise": (Air(per_s=NOTHING), SENSED),
    "no_current": (Air(says={"current_ma": 0}), SENSED),
    "no_mains": (Air(says={"mains": False}), PLAIN),
    "fan_stands": (Air(says={"fan_rpm": 0}), PLAIN),
    "not_steady": (Air(course=lambda second: ROOM_MC + 40 * second), PLAIN),
    "disagree_cold": (Air(apart_mc=AGREE_MC), PLAIN),
}
"""The least that leads to each finding."""

NO_OVER = changed(PLAIN, sensors=(SensorSetup(Role.CONTROL, 0, "air", 0, 0),))
TWO_OVERS = changed(PLAIN, sensors=(*PLAIN.sensors, SensorSetup(Role.OVER_TEMPERATURE, 3, "roof", 0, 0)))


def at(phase: Phase, of: Chamber = PLAIN, seconds: int = 3) -> StartProof:
    """A good proof, some seconds into a phase."""
    for proof, _ in played(start_proof(of, RESPONSE), Air()):
        if proof.phase is phase and proof.spent_us >= seconds * US:
            return proof
    raise AssertionError(f"it never came to {phase.name}")


ON_THE_WAY = [phase for phase in Phase if phase is not Phase.OVER]
