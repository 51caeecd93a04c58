"""Heated steps: what a run with a trial has shown. A pure reducer over states and events; it never commands anything.

A trip that the step does not ask for fails it, with that trip's cause. What proves nothing (a void start proof, a run that a
person ended) is stored nowhere.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from controller.commissioning.shown import ENDS, PASSED, US, Ended, Looked, Shown, degrees, failed, passed
from controller.core.board import age_us
from controller.core.events import Kind
from controller.core.guards import GUARDS, INDEX
from controller.core.messages import OffReason
from controller.core.program import STAYED_ON, Silence, Treatment
from controller.core.proof_findings import FINDINGS
from controller.core.readings import Role
from controller.core.run_states import ENDED, S
from controller.core.schedule import Kind as SegmentKind
from controller.core.setup import Chamber
from controller.core.state import Run

FALL_MC = 1_000
BOARD_SEES_US = 300 * US
"""The air goes on rising a little after the heat is off; so long may the board take to see its own limit."""
FALLS_WITHIN_US = 900 * US
WATCHDOG_US = 10 * US
NO_CURRENT_MA = 50
BUCKET_US = 30 * US
PAIRS_MAX = 400
UNPLUG = "Unplug it: it may not heat."
AGAIN = "Nothing was stored; begin it again."


class Trial(NamedTuple):
    """One run with a trial, and what has been seen of it."""

    step: str
    spot: str
    run_id: str
    by: str
    tripped: str = ""
    """Guard of the first trip."""
    trip_us: int = -1
    grade: str = ""
    """Of the start proof."""
    finding: str = ""
    quiet_us: int = -1
    """How long nothing has been said to the board."""
    over_us: int = -1
    """When the run was over."""
    run_state: S = S.IDLE
    end: str = ""
    own_limit: bool = False
    """The board itself gave the run's ceiling as its reason."""
    limiter_open: bool = False
    bridged_ma: int = 0
    """The most that flowed while its contact read open and both switches read closed."""
    peak_mc: int = -1
    hottest_mc: int = -1
    ceiling_mc: int = 0
    booted: str = ""
    """Cause of the board's newest start in this trial."""
    refused: str = ""
    bucket: tuple[int, ...] = ()
    """(from, count, sum of seen, sum of control) of the pair that fills."""
    pairs: tuple[tuple[int, int], ...] = ()
    least: tuple[int, int] | None = None
    most: tuple[int, int] | None = None
    set_mc: int = 0
    ended: Ended | None = None


def begun(run: Run, spot: str) -> Trial:
    """The trial of a run that has just begun."""
    return Trial(run.trial, spot, run.id, run.by, ceiling_mc=run.run_ceiling_mc)


def see(trial: Trial, looked: Looked) -> Trial:
    """One tick: take in what happened, then judge."""
    trial = _noted(trial, looked)
    ended = _common(trial, looked) or JUDGES[trial.step](trial, looked)
    return trial._replace(ended=ended)


def words_of_trip(guard: str) -> tuple[str, str]:
    """What a trip says of itself: cause, and what to do."""
    row = GUARDS[INDEX[guard]] if guard in INDEX else None
    return (row.cause, " ".join(row.do)) if row is not None else (f"It tripped: {guard}.", "")


def traveller(chamber: Chamber) -> str:
    """The id of the sensor that travels in a survey; the part sensor where none is for that alone, as the chamber is empty."""
    roles = {sensor.role: sensor.id for sensor in reversed(chamber.sensors)}
    return roles.get(Role.TRAVELLING) or roles.get(Role.PART) or ""


def _noted(trial: Trial, looked: Looked) -> Trial:
    state, run = looked.state, looked.state.run
    for event in looked.events:
        trial = NOTES[event.kind](trial, event.fields, looked.now_us) if event.kind in NOTES else trial
    own = any(report.off == OffReason.RUN_CEILING for report in looked.reports)
    opened = any(report.limiter is False for report in looked.reports)
    bridged_ma = max((report.current_ma or 0 for report in looked.reports
                      if report.limiter is False and report.contactor and report.modulator), default=0)
    hottest = max(looked.hottest_mc(), trial.hottest_mc)
    trial = trial._replace(own_limit=trial.own_limit or (own and trial.trip_us >= 0), hottest_mc=hottest,
                           limiter_open=trial.limiter_open or opened, bridged_ma=max(trial.bridged_ma, bridged_ma))
    control = next((looked.mc()[row.id] for row in state.chamber.sensors if row.role is Role.CONTROL), None)
    if trial.trip_us >= 0 and control is not None:
        trial = trial._replace(peak_mc=max(trial.peak_mc, control))
    if run is not None and run.id == trial.run_id:
        program = run.program
        trial = trial._replace(run_state=run.state, end=run.end or trial.end,
                               quiet_us=program.quiet_us if isinstance(program, Silence) else trial.quiet_us)
        if trial.step == "survey":
            trial = _paired(trial, looked, run)
    over = run is None or run.id != trial.run_id or run.state in ENDED
    return trial._replace(over_us=looked.now_us) if over and trial.over_us < 0 else trial


def _tripped(trial: Trial, fields: Mapping[str, Any], now_us: int) -> Trial:
    return trial if trial.tripped else trial._replace(tripped=str(fields["guard"]), trip_us=now_us)


NOTES: Mapping[Kind, Callable[[Trial, Mapping[str, Any], int], Trial]] = {
    Kind.TRIPPED: _tripped,
    Kind.START_PROOF: lambda trial, fields, _now: trial._replace(grade=str(fields["grade"]), finding=str(fields["finding"])),
    Kind.BOARD_FOUND: lambda trial, fields, _now: trial._replace(booted=str(fields["reset"])),
    Kind.BOARD_REFUSES: lambda trial, fields, _now: trial._replace(refused=str(fields["words"])),
}
EXPECTED = {"over_temperature_trip": "run_ceiling", "limiter": "limiter_open"}
"""Trips that a step asks for."""


def _common(trial: Trial, looked: Looked) -> Ended | None:
    """What ends every trial alike: a start proof that did not pass, a trip nobody asked for, a person's stop."""
    if trial.grade and trial.grade != "passed":
        own = trial.step == "start_proof"
        return proof_ended(trial.finding) if own else Ended(ENDS, f"{FINDINGS[trial.finding].words} {AGAIN}")
    if trial.tripped and trial.tripped != EXPECTED.get(trial.step):
        if trial.step == "silence" and trial.end.startswith(STAYED_ON.reason):
            return failed(STAYED_ON.reason, UNPLUG)
        cause, do = words_of_trip(trial.tripped)
        return failed(f"It tripped: {cause}", do, values={"tripped": trial.tripped})
    done = trial.over_us >= 0 and (trial.run_state is S.COMPLETE or trial.tripped)
    if trial.over_us >= 0 and not done:
        stayed = trial.step == "silence" and trial.end.startswith(STAYED_ON.reason)
        return failed(STAYED_ON.reason, UNPLUG) if stayed else Ended(ENDS, f"{trial.end or 'The run was ended.'} {AGAIN}")
    return None


def proof_ended(finding: str) -> Ended:
    """How a start proof ended; an empty finding: passed. A void one proves nothing."""
    if not finding:
        return passed("Each switch opens by itself; both together heat.", "both switches apart", {})
    found = FINDINGS[finding]
    if found.grade.value == "failed":
        return failed(f"{found.seen} {found.likely}", found.do, found=found.seen, values={"finding": finding})
    return Ended(ENDS, f"{found.words} {AGAIN}")


def timer_relay_ended(fields: Mapping[str, Any]) -> Ended:
    """What a module's timer relay showed at a start: did the line contactor fall once nothing retriggered it?"""
    if not fields["passed"]:
        return failed("The timer relay did not let the line contactor go.", UNPLUG, found=str(fields["words"]))
    took_us = int(fields["after_us"])
    return passed("The timer relay alone let the line contactor go.", str(fields["words"]), {"took_us": took_us})


def _start_proof(trial: Trial, _looked: Looked) -> Ended | None:
    return proof_ended("") if trial.grade == "passed" else None


def _silence(trial: Trial, looked: Looked) -> Ended | None:
    if trial.run_state is not S.COMPLETE:
        return None
    took_us = trial.quiet_us + US  # the last word left a tick before anything was withheld
    return passed("The board alone ended the heat.", f"off within {took_us / US:.1f} s of the last word", {"took_us": took_us})


def _watchdog(trial: Trial, looked: Looked) -> Ended | None:
    """After the board was told to stand still it must start anew by its watchdog, and say so, within ten seconds."""
    if trial.over_us < 0:
        return None
    if trial.booted == "watchdog":
        took_us = looked.now_us - trial.over_us
        return passed("The watchdog started the board anew.", f"anew after {took_us / US:.0f} s at most", {"took_us": took_us})
    if trial.refused == "unknown frame":
        return Ended(ENDS, "This board's program knows no such test. Put a program on it that does (hardware_notes), then "
                           f"prove it again. {AGAIN}")
    if looked.now_us - trial.over_us < WATCHDOG_US:
        return None
    heard_us = age_us(looked.state.board, looked.now_us)
    if heard_us is None or heard_us >= looked.state.chamber.limits.reading_age_us:
        return failed("The board stood still and did not start anew within 10 s.", UNPLUG + " Its watchdog does not work: read "
                      "its fuses and its program back.")
    if trial.booted:
        return failed(f"The board started anew by {trial.booted.replace('_', ' ')}, not by its watchdog.",
                      "Look at its supply, then prove it again.")
    return failed("The board did not stand still.", "Put the program on it again, read its version back, then prove it again.")


def _over_temperature(trial: Trial, looked: Looked) -> Ended | None:
    if trial.trip_us < 0:
        return Ended(ENDS, f"It did not come to its limit. {AGAIN}") if trial.over_us >= 0 else None
    values = {"limit_mc": trial.ceiling_mc, "hottest_mc": trial.hottest_mc}
    module = looked.state.chamber.module is not None  # it has no limit of its own: the program's is the only one
    if (trial.own_limit or module) and trial.over_us >= 0:
        who = "The program" if module else "Program and board both"
        return passed(f"{who} switched off at the limit.",
                      f"tripped at {degrees(trial.ceiling_mc)}, went to {degrees(trial.hottest_mc)}", values)
    if looked.now_us - trial.trip_us < BOARD_SEES_US:
        return None
    return failed("The program tripped, and the board did not see its own limit.",
                  "Compare the board's sensors with the program's, and its limits with the chamber file.", values=values)


def _limiter(trial: Trial, looked: Looked) -> Ended | None:
    """Turned down by hand below the air: its contact opens, and then no current flows or the air falls. The program's own trip
    ends the heat too, so this alone does not show where the contact is: the typed half does, measured without mains."""
    if looked.state.chamber.fitted.current and trial.bridged_ma >= NO_CURRENT_MA:
        return failed("Current flows though its contact reads open: it is bridged, or not in the heater circuit.", UNPLUG,
                      values={"current_ma": trial.bridged_ma})
    if trial.trip_us < 0:
        return Ended(ENDS, f"The limiter's contact was not seen to open. {AGAIN}") if trial.over_us >= 0 else None
    report, control = looked.state.board.report, max(trial.peak_mc, 0)
    if not trial.limiter_open or trial.over_us < 0 or report is None:
        return None
    now = next((looked.mc()[row.id] for row in looked.state.chamber.sensors if row.role is Role.CONTROL), None)
    sensed = looked.state.chamber.fitted.current and report.current_ma is not None
    falls = now is not None and control - now >= FALL_MC
    if falls or (sensed and (report.current_ma or 0) < NO_CURRENT_MA):
        how = "no current" if sensed else "the air falls"
        found = f"opened at {degrees(control)}, then {how}"
        return passed("Its contact opened, and the heat ended.", found, {"air_mc": control})
    if looked.now_us - trial.trip_us < FALLS_WITHIN_US:
        return None
    return failed("Its contact opened, and the heat did not end.", UNPLUG + " Its contact is not in the heater circuit.")


def _burn_off(trial: Trial, _looked: Looked) -> Ended | None:
    if trial.run_state is not S.COMPLETE:
        return None
    return passed("The hot run went through.", f"as hot as {degrees(trial.hottest_mc)}", {"hottest_mc": trial.hottest_mc})


def _survey(trial: Trial, _looked: Looked) -> Ended | None:
    """The second half of the soak is what counts; the cooling after it need not be waited for."""
    if not trial.set_mc or not trial.pairs or trial.bucket:
        return Ended(ENDS, f"It did not come to the survey's half hour. {AGAIN}") if trial.over_us >= 0 else None
    extremes = [pair for pair in (trial.least, trial.most) if pair is not None]
    pairs = [list(pair) for pair in (*trial.pairs, *extremes)]
    mean_mc = sum(seen for seen, _ in trial.pairs) // len(trial.pairs)
    least, most = min(seen for seen, _ in pairs), max(seen for seen, _ in pairs)
    values = {"set_mc": trial.set_mc, "pairs": pairs, "mean_mc": mean_mc, "least_mc": least, "most_mc": most}
    return Ended(PASSED, f"{trial.spot or 'The place'} is taken.",
                 (Shown(True, f"{degrees(mean_mc)}, {degrees(least)} to {degrees(most)}", values),))


def _paired(trial: Trial, looked: Looked, run: Run) -> Trial:
    """Means of half a minute, in the second half of the soak. The bucket is emptied when the soak is over."""
    treatment = run.treatment
    soaks = isinstance(run.program, Treatment) and treatment.now.kind is SegmentKind.SOAK
    if not soaks or treatment.counted_us < treatment.now.soak_us // 2 or not treatment.counting:
        over = isinstance(run.program, Treatment) and not soaks
        return trial._replace(bucket=()) if trial.pairs and over else trial
    seen = looked.mc().get(traveller(looked.state.chamber))
    control = next((looked.mc()[row.id] for row in looked.state.chamber.sensors if row.role is Role.CONTROL), None)
    if seen is None or control is None:
        return trial
    begun_us, count, seen_sum, control_sum = trial.bucket or (looked.now_us, 0, 0, 0)
    pair = (seen, control)
    trial = trial._replace(set_mc=treatment.now.target_mc,
                           bucket=(begun_us, count + 1, seen_sum + seen, control_sum + control),
                           least=pair if trial.least is None or seen < trial.least[0] else trial.least,
                           most=pair if trial.most is None or seen > trial.most[0] else trial.most)
    if looked.now_us - begun_us < BUCKET_US or len(trial.pairs) >= PAIRS_MAX:
        return trial
    mean = (trial.bucket[2] // trial.bucket[1], trial.bucket[3] // trial.bucket[1])
    return trial._replace(bucket=(looked.now_us, 0, 0, 0), pairs=(*trial.pairs, mean))


JUDGES: Mapping[str, Callable[[Trial, Looked], Ended | None]] = {
    "start_proof": _start_proof,
    "silence": _silence,
    "watchdog": _watchdog,
    "over_temperature_trip": _over_temperature,
    "limiter": _limiter,
    "burn_off": _burn_off,
    "survey": _survey,
}
"""By step. Each is asked once a tick until it says how it ended."""
