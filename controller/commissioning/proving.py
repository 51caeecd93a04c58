"""From what was seen or typed to a proof, and what people see meanwhile. Pure."""

from __future__ import annotations

from typing import Any

from controller.commissioning import judge, store
from controller.commissioning.proofs import Proof
from controller.commissioning.shown import Over, Shown
from controller.commissioning.step import Way
from controller.commissioning.steps import BY_ID
from controller.commissioning.store import Kept
from controller.commissioning.trials_judged import Trial
from controller.commissioning.validity import DAY_US, Facts, hangs_on
from controller.commissioning.watching import Watch
from controller.core.proof import WORDS, StartProof, left_us
from controller.core.readings import Good
from controller.core.run_states import ACTIVE
from controller.core.state import Run, State

Json = dict[str, Any]
HALF_US = 7 * DAY_US
"""What was typed and what was seen belong together within a week."""
HALVES = {"seen": "the rest was seen; its values are still to be typed",
          "typed": "its values are typed; the rest is still to be seen"}
TRIAL_WORDS = "Stay beside it. The program is looking."


def needs_both(step: str) -> bool:
    """Is this a heated step that asks for values too?"""
    return BY_ID[step].way is Way.HEATED and bool(BY_ID[step].fields)


def half_there(kept: Kept, step: str, utc_us: int) -> str:
    """Which half of such a step waits for the other, a key of `HALVES`; empty for none."""
    halves = {half.what for half in kept.halves if half.step == step and 0 <= utc_us - half.utc_us <= HALF_US}
    return next((what for what in HALVES if what in halves), "")


def proof(step: str, shown: Shown, facts: Facts, by: str, spot: str = "") -> Proof:
    """One row, with the facts that it hangs on and the board's count of switchings."""
    values = {**shown.values, "hangs_on": hangs_on(step, facts, shown.sensor)}
    return Proof(step, shown.passed, facts.utc_us, by, shown.found[:store.TEXT_MAX], values, shown.sensor, spot,
                 max(0, facts.switchings), shown.advice[:store.TEXT_MAX], facts.chamber.simulated)


def joined(kept: Kept, step: str, facts: Facts, utc_us: int) -> Kept:
    """Both halves of a step become its proof; while one lacks, or is too old, the other waits."""
    halves = {half.what: half for half in kept.halves if half.step == step and 0 <= utc_us - half.utc_us <= HALF_US}
    typed, seen = halves.get("typed"), halves.get("seen")
    if typed is None or seen is None:
        return kept
    found = "; ".join(filter(None, (seen.found, typed.found)))
    row = proof(step, Shown(True, found, {**seen.values, **typed.values}), facts, typed.by)
    return store.with_proof(store.without_half(kept, step), row)


def typed_row(step: str, judged: judge.Typed, facts: Facts, by: str, sensor: str) -> Proof:
    """What was typed, as one row; passed where nothing is wrong with it."""
    words = judge.words(BY_ID[step], judged.values)
    return proof(step, Shown(not judged.wrong, words, judged.values, judged.advice, sensor), facts, by)


def doing(watch: Watch | None, trial: Trial | None, over: Over | None, state: State) -> Json | None:
    """What is watched now, or how the last one ended."""
    if watch is not None:
        words = "Do what the list asks for." if len(watch.rows) > 1 else watch.rows[0].words
        return {**_doing(watch.step, watch.sensor, "", words, state), "share": watch.share,
                "list": [dict(row._asdict()) for row in watch.rows]}
    if trial is not None:
        return {**_doing(trial.step, "", trial.spot, TRIAL_WORDS, state), "share": _share(state)}
    if over is not None:
        return {**_doing(over.step, over.sensor, over.spot, over.ended.words, state), "outcome": over.ended.outcome}
    return None


def _doing(step: str, sensor: str, spot: str, words: str, state: State) -> Json:
    seen = [{"label": sensor_.label, "mc": reading.raw_mc if isinstance(reading, Good) else None}
            for sensor_, reading in zip(state.chamber.sensors, state.readings, strict=True)]
    return {"step": step, "sensor": sensor, "spot": spot, "words": words, "share": None, "left_us": None, "list": [],
            "seen": seen, "outcome": ""}


def _share(state: State) -> float | None:
    shown = run_proof(state.run)
    return None if shown is None else shown["share"]


def run_proof(run: Run | None) -> Json | None:
    """The start proof that a run is in; null outside one."""
    if run is None or run.state not in ACTIVE or not isinstance(run.program, StartProof):
        return None
    program = run.program
    number, words = WORDS[program.phase]
    ahead_us = left_us(program)
    whole_us = program.took_us + ahead_us
    return {"step": number, "of": 3, "words": words, "left_us": ahead_us,
            "share": round(program.took_us / whole_us, 3) if whole_us else 0.0}
