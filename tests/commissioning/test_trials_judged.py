"""Heated steps, each to its pass, its failures and to what proves nothing, from states and events made by hand. Whole runs of
them, in a simulated chamber, are in tests/service/test_commissioning.py."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.commissioning import trials_judged
from controller.commissioning.trials_judged import Trial
from controller.core.events import Event, Kind
from controller.core.guards import GUARDS, INDEX
from controller.core.messages import OffReason
from controller.core.module import Module
from controller.core.program import STAYED_ON, Silence
from controller.core.proof_findings import FINDINGS
from controller.core.run_states import S
from tests.commissioning.looking import US, looked, run_of
from tests.service.chambers import simulated

HEATED = list(trials_judged.JUDGES)


@pytest.fixture(scope="module")
def chamber(tmp_path_factory: pytest.TempPathFactory):
    return simulated(tmp_path_factory.mktemp("trials") / "c").chamber


def begun(chamber, step: str) -> Trial:
    return trials_judged.begun(run_of(chamber, step), "centre" if step == "survey" else "")


def tick(chamber, trial: Trial, second: int, state: S = S.RUNNING, events: tuple[Event, ...] = (), raw=None, end: str = "",
         gone: bool = False, lost: bool = False, programs: Any = None, **says: Any) -> Trial:
    if trial.ended is not None:
        return trial
    run = None if gone else run_of(chamber, trial.step, state, end=end)
    if run is not None and programs is not None:
        run = run._replace(programs=(run.programs[0], programs), at=1)
    return trials_judged.see(trial, looked(chamber, second * US, raw, events, run, lost, **says))


def tripped(guard: str) -> Event:
    return Event(Kind.TRIPPED, {"guard": guard, "first_out": True, "value": 1, "limit": 1, "detail": "", "action": "trip"})


def proof(grade: str, finding: str = "") -> Event:
    return Event(Kind.START_PROOF, {"run_id": "7", "grade": grade, "finding": finding, "words": "", "took_us": 1})


def outcome(trial: Trial) -> str | None:
    return None if trial.ended is None else trial.ended.outcome


@pytest.mark.parametrize("code", FINDINGS)
@pytest.mark.parametrize("step", [step for step in HEATED if step != "watchdog"])
def test_a_start_proof_that_does_not_pass_ends_the_step_and_fails_only_its_own(chamber, step, code):
    found = FINDINGS[code]
    trial = tick(chamber, begun(chamber, step), 1, events=(proof(found.grade.value, code),))
    fails = step == "start_proof" and found.grade.value == "failed"
    assert outcome(trial) == ("failed" if fails else "ended")
    assert trial.ended is not None and found.do in trial.ended.words and len(trial.ended.shown) == int(fails)


def test_a_start_proof_that_passes_is_one(chamber):
    assert outcome(tick(chamber, begun(chamber, "start_proof"), 1, events=(proof("passed"),))) == "passed"


@pytest.mark.parametrize("step", HEATED)
@pytest.mark.parametrize("guard", ["smoke", "local_stop", "ceiling"])
def test_a_trip_that_was_not_asked_for_fails_the_step_with_its_cause(chamber, step, guard):
    trial = tick(chamber, begun(chamber, step), 1, S.ABORTING, (tripped(guard),))
    assert outcome(trial) == "failed" and trial.ended is not None
    assert GUARDS[INDEX[guard]].cause in trial.ended.words and not trial.ended.shown[0].passed


@pytest.mark.parametrize("step", HEATED)
def test_a_run_that_a_person_ended_proves_nothing_and_says_so(chamber, step):
    trial = tick(chamber, begun(chamber, step), 1, S.ABORTED, end="Heat stopped by Anna.")
    assert outcome(trial) == "ended" and trial.ended is not None and trial.ended.shown == ()
    assert "Heat stopped by Anna." in trial.ended.words and "begin it again" in trial.ended.words


def test_silence_passes_once_the_board_alone_has_ended_the_heat_and_says_within_how_long(chamber):
    trial = tick(chamber, begun(chamber, "silence"), 1, programs=Silence(4_800_000, 9 * US, 4 * US))
    assert outcome(trial) is None
    trial = tick(chamber, trial, 2, S.COMPLETE, programs=Silence(4_800_000, 9 * US, 4 * US))
    assert outcome(trial) == "passed" and trial.ended is not None and trial.ended.shown[0].values["took_us"] == 5 * US


def test_a_board_that_stays_on_fails_silence(chamber):
    trial = tick(chamber, begun(chamber, "silence"), 1, S.ABORTED, end=STAYED_ON.reason)
    assert outcome(trial) == "failed" and trial.ended is not None and "Unplug" in trial.ended.words


WATCHDOG: dict[str, tuple[dict[str, Any], int, str | None, str]] = {
    "anew by its watchdog": ({"events": (Event(Kind.BOARD_FOUND, {"reset": "watchdog"}),)}, 3, "passed", ""),
    "anew by something else": ({"events": (Event(Kind.BOARD_FOUND, {"reset": "power_on"}),)}, 11, "failed", "power on"),
    "an older program": ({"events": (Event(Kind.BOARD_REFUSES, {"words": "unknown frame"}),)}, 2, "ended", "no such test"),
    "no word for ten seconds": ({"lost": True}, 11, "failed", "Unplug"),
    "no word yet": ({"lost": True}, 10, None, ""),
    "it went on as if nothing were": ({}, 11, "failed", "did not stand still"),
}


@pytest.mark.parametrize(("says", "second", "ends", "words"), WATCHDOG.values(), ids=WATCHDOG)
def test_the_watchdog(chamber, says, second, ends, words):
    trial = tick(chamber, begun(chamber, "watchdog"), 1, S.COMPLETE)
    assert outcome(trial) is None, "the board is given its time"
    for now in range(2, second + 1):
        trial = tick(chamber, trial, now, S.COMPLETE, **(says if "lost" in says or now == 2 else {}))
    assert outcome(trial) == ends and (trial.ended is None or words in trial.ended.words)


def test_over_temperature_passes_when_program_and_board_both_saw_the_limit(chamber):
    trial = begun(chamber, "over_temperature_trip")
    trial = tick(chamber, trial, 1, S.ABORTING, (tripped("run_ceiling"),), {"control": 41_000})
    assert outcome(trial) is None
    trial = tick(chamber, trial, 2, S.ABORTED, off=OffReason.RUN_CEILING, raw={"control": 41_500})
    assert outcome(trial) == "passed" and trial.ended is not None and trial.ended.shown[0].values["hottest_mc"] == 41_500


def test_over_temperature_fails_when_the_board_never_says_its_limit(chamber):
    trial = tick(chamber, begun(chamber, "over_temperature_trip"), 1, S.ABORTING, (tripped("run_ceiling"),))
    trial = tick(chamber, trial, 300, S.ABORTED)
    assert outcome(trial) is None
    assert outcome(tick(chamber, trial, 301, S.ABORTED)) == "failed"


def test_over_temperature_of_a_module_is_the_programs_trip_alone(chamber):
    module = replace(chamber, module=Module(True, 1_000_000, 0, 4_000_000))
    trial = tick(module, begun(module, "over_temperature_trip"), 1, S.ABORTING, (tripped("run_ceiling"),))
    assert outcome(trial) is None
    trial = tick(module, trial, 2, S.ABORTED)
    assert outcome(trial) == "passed" and trial.ended is not None and "board" not in trial.ended.words


def test_a_reason_that_the_board_gave_before_the_trip_is_not_its_word_on_this_limit(chamber):
    trial = tick(chamber, begun(chamber, "over_temperature_trip"), 1, off=OffReason.RUN_CEILING)
    trial = tick(chamber, trial, 2, S.ABORTED, (tripped("run_ceiling"),))
    assert outcome(trial) is None


def opened(chamber, **says: Any) -> Trial:
    return tick(chamber, begun(chamber, "limiter"), 1, S.ABORTED, (tripped("limiter_open"),), {"control": 60_000},
                limiter=False, **says)


def test_a_limiter_passes_when_the_current_ends_or_the_air_falls(chamber):
    assert outcome(opened(chamber, current_ma=0)) == "passed"
    trial = opened(chamber, current_ma=2_000)
    assert outcome(trial) is None
    assert outcome(tick(chamber, trial, 60, S.ABORTED, raw={"control": 59_001}, current_ma=2_000)) is None
    assert outcome(tick(chamber, trial, 60, S.ABORTED, raw={"control": 59_000}, current_ma=2_000)) == "passed"


def test_a_limiter_that_ends_nothing_fails(chamber):
    trial = opened(chamber, current_ma=2_000)
    trial = tick(chamber, trial, 901, S.ABORTED, raw={"control": 60_000}, current_ma=2_000)
    assert outcome(trial) == "failed" and trial.ended is not None and "not in the heater circuit" in trial.ended.words


BOTH_CLOSED = {"limiter": False, "contactor": True, "modulator": True}


@pytest.mark.parametrize(("says", "fails"), [
    ({"current_ma": 50}, True), ({"current_ma": 49}, False), ({"current_ma": None}, False), ({"current_ma": 2_000}, True),
    ({"current_ma": 2_000, "limiter": True}, False), ({"current_ma": 2_000, "modulator": False}, False),
    ({"current_ma": 2_000, "contactor": False}, False)], ids=str)
def test_current_through_a_limiter_that_reads_open_fails_at_once(chamber, says, fails):
    trial = tick(chamber, begun(chamber, "limiter"), 1, raw={"control": 60_000}, **{**BOTH_CLOSED, **says})
    assert outcome(trial) == ("failed" if fails else None)
    assert not fails or (trial.ended is not None and "bridged, or not in the heater circuit" in trial.ended.words)


@pytest.mark.parametrize("step", ["burn_off", "silence"])
def test_a_run_that_went_through_has_shown_its_step(chamber, step):
    assert outcome(tick(chamber, begun(chamber, step), 1, S.COMPLETE, raw={"control": 121_000})) == "passed"


def soaking(chamber, counted_us: int, segment: int = 1) -> Any:
    treatment = run_of(chamber, "survey").treatment
    return treatment._replace(segment=segment, counted_us=counted_us, counting=True)


def surveyed(chamber, from_us: int, ticks: int) -> Trial:
    trial = begun(chamber, "survey")
    for second in range(1, ticks):
        raw = {"control": 105_000, "part": 104_000 + 100 * (second % 5)}
        trial = tick(chamber, trial, second, programs=soaking(chamber, from_us), raw=raw)
    return trial


def test_a_survey_takes_the_second_half_of_its_soak_and_ends_with_it(chamber):
    half_us = run_of(chamber, "survey").treatment.schedule.segments[1].soak_us // 2
    assert surveyed(chamber, half_us - 1, 200).pairs == ()
    trial = surveyed(chamber, half_us, 200)
    assert outcome(trial) is None and trial.pairs
    trial = tick(chamber, trial, 200, programs=soaking(chamber, 0, segment=2))
    assert outcome(trial) == "passed" and trial.ended is not None
    values = trial.ended.shown[0].values
    assert (values["least_mc"], values["most_mc"]) == (104_000, 104_400) and abs(values["mean_mc"] - 104_200) <= 5
    assert values["set_mc"] == 105_000 and all(control == 105_000 for _, control in values["pairs"])


def test_a_survey_that_was_ended_in_its_soak_proves_nothing(chamber):
    half_us = run_of(chamber, "survey").treatment.schedule.segments[1].soak_us // 2
    trial = surveyed(chamber, half_us, 200)
    assert outcome(tick(chamber, trial, 201, S.STOPPED, programs=soaking(chamber, half_us))) == "ended"
