"""Heated steps of commissioning: one row each says what is run, how hot, and under which limit. Attended, all of them.

A trial is a run like any other: a list of programs under the supervisor, begun by a start, ended by its program, a person
or a trip. Where a trip is what it must show, it trips and latches as it would at night, and a person clears it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from controller.core.program import Program, Silence, Standstill, Treatment
from controller.core.proof import StartProof, start_proof
from controller.core.readings import raw_of
from controller.core.schedule import US_PER_H, Kind, Of, Resume, Schedule, Segment
from controller.core.setup import Chamber

BAND_MC = 3_000
QUICK_MC_PER_H, SLOW_MC_PER_H = 240_000, 60_000
COOL_TO_MC = 45_000
TRIP_ABOVE_MC = 15_000
"""The lowered limit stands so far above the warmest sensor, and never below `TRIP_LEAST_MC`."""
TRIP_LEAST_MC = 40_000
WARM_MC = 60_000
"""Warm enough that any adjustable limiter can be turned down below it (common practice, no source)."""
SURVEY_MC = 105_000
SURVEY_US = US_PER_H
"""Half an hour to become steady, half an hour that is looked at."""
NEAR_MC = 2_000


class TooWarm(Exception):
    """This trial cannot begin now: it is too warm already. The text says how warm it may be."""


class Plan(NamedTuple):
    """What one trial runs in this chamber, now."""

    schedule: Schedule
    programs: tuple[Program, ...]
    at: int
    """Which of them it begins with; the treatment before that is for show."""
    run_ceiling_mc: int
    board_ceiling_mc: int
    """The same as the board gets it, which knows no corrections."""


class Asked(NamedTuple):
    """What a trial is made from."""

    chamber: Chamber
    hottest_mc: int
    """Of the good sensors now; what a limit is counted from."""
    ceiling_mc: int
    """The lowest that holds now."""


def plan(trial: str, asked: Asked) -> Plan:
    """The plan of one trial. Raises KeyError for none of `TRIALS`, TooWarm where it must cool first."""
    return TRIALS[trial](asked)


def proofs_of(chamber: Chamber) -> tuple[StartProof, ...]:
    """What every run begins with."""
    return () if chamber.response is None else (start_proof(chamber, chamber.response),)


def _top_mc(asked: Asked) -> int:
    """The hottest set point that the chamber's ceiling allows, with something to spare for overshoot."""
    return asked.ceiling_mc - asked.chamber.limits.run_margin_mc - NEAR_MC


def _schedule(name: str, *segments: Segment) -> Schedule:
    return Schedule(name, Of.AIR, Resume.NEVER, segments)


def _ramp(target_mc: int, rate_mc_per_h: int, longest_h: int) -> Segment:
    return Segment(Kind.RAMP, target_mc, rate_mc_per_h, 0, BAND_MC, longest_h * US_PER_H)


def _soak(target_mc: int, soak_us: int) -> Segment:
    return Segment(Kind.SOAK, target_mc, 0, soak_us, BAND_MC, soak_us + 2 * US_PER_H)


def _cool() -> Segment:
    return Segment(Kind.COOL, COOL_TO_MC, SLOW_MC_PER_H, 0, BAND_MC, 12 * US_PER_H)


def _as_the_board_reads(chamber: Chamber, mc: int) -> int:
    """What the sensor that is corrected upwards most gives when it is this warm: so both reach the limit at one reading."""
    corrections = ((sensor.correction_mc, sensor.slope_ppm) for sensor in chamber.sensors)
    return min([mc, *(raw_of(mc, correction) for correction in corrections)])


def _shown(asked: Asked, name: str, *programs: Program) -> Plan:
    """A trial without a treatment of its own: the set point is where it is."""
    target_mc = min(max(asked.hottest_mc, COOL_TO_MC), _top_mc(asked))
    schedule = _schedule(name, Segment(Kind.COOL, target_mc, SLOW_MC_PER_H, 0, BAND_MC, US_PER_H))
    return Plan(schedule, (Treatment(schedule), *programs), 1, asked.ceiling_mc, asked.ceiling_mc)


def _treated(asked: Asked, schedule: Schedule, run_ceiling_mc: int) -> Plan:
    return Plan(schedule, (*proofs_of(asked.chamber), Treatment(schedule)), 0, run_ceiling_mc, run_ceiling_mc)


def _apart(asked: Asked) -> Plan:
    return _shown(asked, "Proof: both switches apart", *proofs_of(asked.chamber))


def _silence(asked: Asked) -> Plan:
    silence = Silence(asked.chamber.limits.silence_us)
    return _shown(asked, "Proof: silence", *proofs_of(asked.chamber), silence)


def _watchdog(asked: Asked) -> Plan:
    return _shown(asked, "Proof: the board's watchdog", Standstill())


def _over_temperature(asked: Asked) -> Plan:
    limit_mc = max(asked.hottest_mc + TRIP_ABOVE_MC, TRIP_LEAST_MC)
    if limit_mc > _top_mc(asked):
        raise TooWarm(f"It is {asked.hottest_mc / 1000:.1f} °C; let it cool below "
                      f"{(_top_mc(asked) - TRIP_ABOVE_MC) / 1000:.0f} °C first.")
    past_mc = limit_mc + NEAR_MC
    schedule = _schedule("Proof: over-temperature trips", _ramp(past_mc, QUICK_MC_PER_H, 2), _soak(past_mc, US_PER_H // 2))
    return _treated(asked, schedule, limit_mc)._replace(board_ceiling_mc=_as_the_board_reads(asked.chamber, limit_mc))


def _limiter(asked: Asked) -> Plan:
    warm_mc = min(WARM_MC, _top_mc(asked))
    schedule = _schedule("Proof: the limiter", _ramp(warm_mc, QUICK_MC_PER_H, 3), _soak(warm_mc, 2 * US_PER_H))
    return _treated(asked, schedule, warm_mc + asked.chamber.limits.run_margin_mc)


def _burn_off(asked: Asked) -> Plan:
    top_mc = _top_mc(asked)
    schedule = _schedule("First hot run, empty", _ramp(top_mc, SLOW_MC_PER_H, 8), _soak(top_mc, US_PER_H), _cool())
    return _treated(asked, schedule, top_mc + asked.chamber.limits.run_margin_mc)


def _survey(asked: Asked) -> Plan:
    at_mc = min(SURVEY_MC, _top_mc(asked))
    schedule = _schedule("Survey of the empty chamber", _ramp(at_mc, SLOW_MC_PER_H, 8), _soak(at_mc, SURVEY_US), _cool())
    return _treated(asked, schedule, at_mc + asked.chamber.limits.run_margin_mc)


TRIALS: dict[str, Callable[[Asked], Plan]] = {
    "start_proof": _apart,
    "silence": _silence,
    "watchdog": _watchdog,
    "over_temperature_trip": _over_temperature,
    "limiter": _limiter,
    "burn_off": _burn_off,
    "survey": _survey,
}
"""By the id of its step."""
