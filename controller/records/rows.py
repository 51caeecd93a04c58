"""One readable row a tick, and what a tick's readings were, good or not, as text that can be read back."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import NamedTuple

from controller.core.messages import Drive
from controller.core.readings import MISSING, Faulted, Good, Missing, Reading, Role, Stale, raw_of
from controller.core.run_states import ACTIVE
from controller.core.setup import Chamber
from controller.core.state import Run, Tick


class Row(NamedTuple):
    """The readable row: same order as the live row, after its state. Survey sensors are in the blocks."""

    state: str | None
    segment: int | None
    quality: str | None
    setpoint_mc: int | None
    control_mc: int | None
    over_temperature_mc: int | None
    part_mc: int | None
    duty_e4: int
    seen_e4: int


def readable(result: Tick) -> Row:
    """The row of a tick. `duty_e4` is what the drive frame asked for under permit (0 without one): what left, not what
    was wished; `seen_e4` is what the board's on-time says was achieved."""
    state = result.state
    run = state.run
    drive = next((frame for frame in reversed(result.outputs.frames) if isinstance(frame, Drive)), None)
    good = told_of_roles(state.chamber, state.readings)
    return Row(
        run.state.value if run else None,
        run.treatment.segment if run else None,
        quality(state.chamber, state.readings),
        _setpoint_mc(run),
        good.get(Role.CONTROL),
        good.get(Role.OVER_TEMPERATURE),
        good.get(Role.PART),
        drive.duty_e4 if drive and drive.permit else 0,
        state.trail.achieved_e4,
    )


def told_of_roles(chamber: Chamber, readings: Sequence[Reading]) -> dict[Role, int]:
    """One good value a role: of several part sensors the coldest, of all others the hottest."""
    told: dict[Role, int] = {}
    for setup, reading in zip(chamber.sensors, readings, strict=True):
        if isinstance(reading, Good):
            which = min if setup.role is Role.PART else max
            told[setup.role] = which(reading.mc, told.get(setup.role, reading.mc))
    return told


def _setpoint_mc(run: Run | None) -> int | None:
    """What the schedule asks for now, before any trim; None while nothing is asked."""
    if run is None or run.state not in ACTIVE or run.program.setpoint_mc < 0:
        return None
    return run.program.setpoint_mc


def quality(chamber: Chamber, readings: Sequence[Reading]) -> str | None:
    """What is not good, by board channel: {"2": "missing", "1": {"faulted": "wire broken"}}; None while all is."""
    said = {
        str(setup.channel): _say(reading)
        for setup, reading in zip(chamber.sensors, readings, strict=True)
        if not isinstance(reading, Good)
    }
    return json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=False) if said else None


def _say(reading: Reading) -> str | dict[str, str | int]:
    match reading:
        case Stale(age_us):
            return {"stale_us": age_us}
        case Faulted(reason):
            return {"faulted": reason}
        case _:
            return "missing"


def reading_of(chamber: Chamber, role: Role, mc: int | None, said: str | None) -> Reading | Missing:
    """The reading that a row's column and quality stand for; the raw value follows from the chamber's correction."""
    setup = chamber.sensor(role)
    if setup is None:
        return MISSING
    why = json.loads(said).get(str(setup.channel)) if said else None
    if isinstance(why, dict):
        return Faulted(why["faulted"]) if "faulted" in why else Stale(why["stale_us"])
    return MISSING if why or mc is None else Good(raw_of(mc, (setup.correction_mc, setup.slope_ppm)), mc)
