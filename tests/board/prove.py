"""`make prove`: has a prover show the contract of the firmware's decisions, function by function, and writes down the result.

Frama-C's WP plug-in turns every contract in decide.h and decide.c, and every possible run-time error, into goals; SMT
solvers discharge them. A proof that would also accept a wrong program is worth nothing, so each planted defect of
`PLANTED` must leave goals unproven. The result is kept beside the firmware, with date, commit and the sources' checksum;
a test says when it is older than the sources.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from tests.board import mistreated
from tests.board.firmware_core import FIRMWARE

CODE = ("reasons.c", "switches.c", "decide.c")
SOURCES = (*CODE, "contract.h", "decide.h", "reasons.h", "switches.h", "frames.h")
RESULT = FIRMWARE / "proof.md"
PROVER = ("frama-c", "-wp", "-wp-rte", "-wp-model", "caveat", "-wp-prover", "cvc4,z3", "-wp-par", "2")
TIMEOUT_S = "10"
"""The same for sound and broken sources: a goal that only ran out of time would prove nothing about a defect."""
TOO_LONG_S = 1800
FUZZ_S = 60
LEFT = re.compile(r"^\[wp\] \[(?:Failed|Timeout|Unknown)\] Goal typed_caveat_(\w+)", re.MULTILINE)
FUNCTION = re.compile(r"^(?:static )?(?:bool|void|u?int\d+_t) (\w+)\(", re.MULTILINE)
PACKAGES = "frama-c-base why3 z3 cvc4"


class Defect(NamedTuple):
    """One thing to break, and the function whose contract must no longer be provable."""

    words: str
    function: str
    sound: str
    broken: str


PLANTED = (
    Defect("the local stop is not looked at", "off_reason", "if (in->local_stop) {", "if (false) {"),
    Defect("a ceiling counts from one above itself", "is_below", "!(in->channels[i].value_mc < limit_mc)",
           "(in->channels[i].value_mc > limit_mc)"),
    Defect("silence ends one pass late", "off_reason", "if (!(s->silent < SILENCE_PASSES)) {",
           "if (s->silent > SILENCE_PASSES) {"),
    Defect("a trip leaves the enable standing", "judge", "        s->enabled = false;\n", ""),
    Defect("a failed self-test is forgotten", "check_state", "    if (!in->self_test_good) {\n        s->failed = true;",
           "    s->failed = false;\n    if (!in->self_test_good) {\n        s->failed = true;"),
    Defect("a drive frame enables", "drive", "    s->silent = 0u;\n    if (s->duty_e4",
           "    s->silent = 0u;\n    s->enabled = true;\n    if (s->duty_e4"),
    Defect("a stale frame is obeyed", "fresh", "    if (in->frame.sequence <= s->heard) {",
           "    if (in->frame.sequence < s->heard) {"),
    Defect("the stored ceiling rises without a hand on the board", "limits_refused", "if (rises && !in->local_stop) {",
           "if (false) {"),
    Defect("a run's ceiling may rise within its session", "limits_refused", "in->frame.run_ceiling_mc > top_mc",
           "in->frame.run_ceiling_mc > CEILING_MAX_MC"),
    Defect("the modulator is not dropped with the permissives", "settle", "bool drop = !allowed || (s->duty_e4 == 0u);",
           "bool drop = (s->duty_e4 == 0u);"),
    Defect("the contactor is never let go", "settle_contactor", "            s->opens_in = CONTACTOR_PASSES;\n",
           "            s->opens_in = 255u;\n"),
    Defect("silence is not counted", "pass_time", "    s->silent = (uint16_t)more(s->silent, passes, SILENCE_PASSES);\n", ""),
    Defect("heated time is not counted", "pass_time", "        s->heated = more(s->heated, passes, HEATED_MAX);\n", ""),
    Defect("the contactor's 100 ms never pass", "pass_time", "    s->opens_in = less(s->opens_in, passes);\n", ""),
    Defect("a switch that stays closed is not counted", "pass_time",
           "(uint8_t)more(s->contactor_late, passes, 255u) : 0u;", "0u : 0u;"),
    Defect("a contactor asked open stays closed", "settle", "allowed && s->wants_contactor", "allowed"),
    Defect("the stored ceiling rises while a switch is on", "limits_refused",
           "if (rises && (s->modulator || s->contactor || in->modulator_reads || in->contactor_reads)) {", "if (false) {"),
    Defect("a stale hello gives the limits back", "hello", "        let_go(s);\n        return (uint8_t)REFUSAL_SEQUENCE;",
           "        new_session(s, in);\n        return (uint8_t)REFUSAL_SEQUENCE;"),
    Defect("an unreadable hello does not switch off", "hear", "        if (in->frame.hello) {", "        if (false) {"),
    Defect("the contactor closes by itself", "settle_contactor",
           "    } else {\n        s->opening = false;\n    }\n}",
           "    } else {\n        s->contactor = s->opening = true;\n        s->opens_in = CONTACTOR_PASSES;\n    }\n}"),
    Defect("a session may heat longer than the board allows", "new_session",
           "    s->run_ceiling_mc = in->board_ceiling_mc;\n"
           "    s->run_max_s = (in->longest_s <= RUN_MAX_S) ? in->longest_s : 0u;",
           "    s->run_ceiling_mc = in->board_ceiling_mc;\n    s->run_max_s = RUN_MAX_S;"),
    Defect("a stale hello lets old lines count again", "hello", "        let_go(s);\n        return (uint8_t)REFUSAL_SEQUENCE;",
           "        let_go(s);\n        s->heard = in->frame.sequence;\n        return (uint8_t)REFUSAL_SEQUENCE;"),
    Defect("a stall is obeyed while the contactor reads closed", "stall_refused", "(s->contactor || in->contactor_reads) ?",
           "s->contactor ?"),
    Defect("a stall is obeyed without an enable", "stall_refused",
           "    if (!s->enabled) {\n        return (uint8_t)REFUSAL_NOT_HELD;\n    }\n    return (s->contactor",
           "    return (s->contactor"),
    Defect("a state that cannot be is believed", "is_sane", "(s->duty_e4 <= DUTY_FULL) && ", ""),
)


class Proof(NamedTuple):
    """What the prover said of one function."""

    proved: int
    goals: int
    left: tuple[str, ...] = ()
    """Names of the goals that it could not discharge."""

    @property
    def whole(self) -> bool:
        return self.goals > 0 and self.proved == self.goals


def missing() -> str:
    """Why nothing can be proven here; empty where it can."""
    lacking = [name for name in ("frama-c", "why3", "z3", "cvc4") if shutil.which(name) is None]
    return f"{', '.join(lacking)} missing; on Debian: apt install {PACKAGES}" if lacking else ""


def find_solvers() -> None:
    """Have the prover look which solvers there are; it remembers them in the home folder."""
    subprocess.run(["why3", "config", "detect"], check=True, capture_output=True)


def functions() -> list[str]:
    """Every function of the decisions, in their order."""
    return [name for code in CODE for name in FUNCTION.findall((FIRMWARE / code).read_text())]


def checksum() -> str:
    """Of the sources that the proof is about."""
    return hashlib.sha256(b"".join((FIRMWARE / name).read_bytes() for name in SOURCES)).hexdigest()[:16]


def proven(folder: Path, function: str) -> Proof:
    """How many goals of `function` are discharged, for the sources in `folder`. The exit status says nothing; the line of
    totals does, and where it is missing nothing is proven."""
    said = subprocess.run([*PROVER, "-wp-timeout", TIMEOUT_S, "-wp-fct", function, *CODE], cwd=folder,
                          env={**os.environ, "PWD": str(folder)},  # it asks the variable, not the system
                          capture_output=True, text=True, timeout=TOO_LONG_S, check=False).stdout
    found = re.search(r"Proved goals:\s+(\d+) / (\d+)", said)
    left = tuple(sorted(set(LEFT.findall(said))))
    return Proof(int(found[1]), int(found[2]), left) if found else Proof(0, 0)


def planted(folder: Path, defect: Defect) -> None:
    """The sources with one defect in them. Raises ValueError where its place is no longer there."""
    for name in SOURCES:
        shutil.copy(FIRMWARE / name, folder / name)
    places = [name for name in CODE for _ in range((FIRMWARE / name).read_text().count(defect.sound))]
    if len(places) != 1:
        raise ValueError(f"the place of the defect {defect.words!r} is there {len(places)} times; mend PLANTED")
    code = folder / places[0]
    code.write_text(code.read_text().replace(defect.sound, defect.broken))


def main() -> int:
    """0 when every goal is discharged, every planted defect is caught and the fuzzer finds nothing."""
    if missing():
        print(missing(), file=sys.stderr)
        return 1
    find_solvers()
    proofs, caught = {}, {}
    steps = len(functions()) + len(PLANTED)
    with tempfile.TemporaryDirectory() as name:
        for number, function in enumerate(functions(), 1):
            proofs[function] = _told(number, steps, function, proven(FIRMWARE, function))
        for number, defect in enumerate(PLANTED, len(proofs) + 1):
            planted(Path(name), defect)
            caught[defect] = _told(number, steps, f"planted: {defect.words}",
                                   proven(Path(name), defect.function))
        tried = _fuzzed(Path(name))
    RESULT.write_text(_page(proofs, caught, tried))
    good = all(proof.whole for proof in proofs.values()) and all(
        one.goals > 0 and one.left and proofs[defect.function].whole for defect, one in caught.items())
    print(f"{'Proven' if good else 'NOT PROVEN'}; written to {RESULT.name}.")
    return 0 if good else 1


def _told(number: int, steps: int, what: str, proof: Proof) -> Proof:
    done = 24 * number // steps
    print(f"[{'#' * done}{'.' * (24 - done)}] {number}/{steps} {what}: {proof.proved} of {proof.goals} goals", flush=True)
    return proof


def _fuzzed(folder: Path) -> int | None:
    """Inputs tried by the coverage-guided engine; None where there is no engine."""
    if mistreated.engine_missing():
        return None
    corpus = folder / "corpus"
    corpus.mkdir()
    return mistreated.explored(mistreated.built(folder, "clang", engine=True), corpus, FUZZ_S)


def _version(*words: str) -> str:
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout.strip().splitlines()[0]


def _page(proofs: dict[str, Proof], caught: dict[Defect, Proof], tried: int | None) -> str:
    goals, proved = (sum(numbers) for numbers in zip(*[(one.goals, one.proved) for one in proofs.values()], strict=True))
    commit = _version("git", "-C", str(FIRMWARE), "rev-parse", "--short", "HEAD")
    fuzz = "no engine here" if tried is None else f"{tried:,} inputs in {FUZZ_S} s, nothing found"
    return "\n".join([
        "# What was proven of the decisions", "",
        "Written by `make prove`; not by hand. The contract stands in `decide.h`, above `decide`.", "",
        f"- date: {datetime.now(UTC).date().isoformat()}, on commit {commit} (or the changes after it)",
        f"- sources: {', '.join(SOURCES)}, checksum {checksum()}",
        f"- tools: Frama-C {_version('frama-c', '-version')}, {_version('z3', '--version')}, "
        + " ".join(_version("cvc4", "--version").split()[2:5]),
        f"- goals discharged: **{proved} of {goals}**",
        f"- planted defects caught: **{sum(bool(one.left) for one in caught.values())} of {len(caught)}**",
        f"- coverage-guided fuzzing of reader and decisions, with sanitizers: {fuzz}", "",
        "| function | goals | discharged |", "|---|---|---|",
        *[f"| {name} | {one.goals} | {one.proved} |" for name, one in proofs.items()], "",
        "Each planted defect against the same prover, time and function that discharge every goal of the sound source:", "",
        "| planted defect | in | goals left unproven | which |", "|---|---|---|---|",
        *[f"| {defect.words} | {defect.function} | {one.goals - one.proved} | {', '.join(one.left)} |"
          for defect, one in caught.items()], ""])


if __name__ == "__main__":
    began = time.monotonic()
    status = main()
    print(f"{time.monotonic() - began:.0f} s")
    sys.exit(status)
