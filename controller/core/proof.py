"""The start proof: at every start each switch is moved alone, no rise may be seen, and then both must make one.

A program like any other: it asks for the two switches and never heats by itself. From rest (or from wherever a warm chamber
drifts) it goes through the phases. What the air would do by itself is carried on from the last minute, as a line that slowly
flattens; the excess over that line is what counts, so a warm chamber that cools, or warms its own air again, is no rise.
Lengths come from `setup.Response`. Heat is on in one phase alone, until the rise is seen; then it levels off.

A stuck switch or a sensor that does not follow is a failed proof: a trip. A rise that nobody sees proves nothing: void.
Integers only. Sensors are looked at as means of `BUCKET_US`.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from operator import gt
from typing import NamedTuple

from controller.core.messages import Report
from controller.core.proof_findings import FINDINGS, Found
from controller.core.proof_lengths import BUCKET_US, REST_MORE_US, SENSED_ALONE_US, US, Lengths, lengths_of
from controller.core.setup import Chamber, Response

KEPT = 12
"""Buckets remembered: the last minute."""
NO_RISE_MC = 1_000
"""So far above its own course no sensor may come while one switch is open."""
RISE_MC = 1_500
"""So far above its own course the control sensor must come with both switches closed."""
OVER_RISE_MC = 700
"""The same of an over-temperature sensor, which may be slower."""
READ_BACK_US = 3 * US
"""A switch that does not read back as it was asked for this long is not as it was asked."""
FALLS_MC_PER_MIN, FALLS_MC, RISES_MC_PER_MIN = 8_000, 8_000, 1_500
"""Air that moves faster than this by itself, or would fall farther in one phase, is not judged; it is waited for. Air that
still comes up behind a shut door flattens soon, and its course carried on would hide a rise."""
FLATTENS_US = 600 * US
"""What moves by itself slows down, with a time constant of half this. Seen in simulated chambers after unloading; a phase of
half a minute hardly feels it, one of two minutes would take the bend for a rise."""
AT_REST_MC_PER_MIN = 1_000
SURE_BUCKETS = 4
"""A slope from fewer says nothing."""
COLD_MC = 6_000
"""At rest, and this near to the board's own temperature, it is a cold chamber: its sensors must agree."""
AGREE_MC = 3_000
LEVEL_US, LEVEL_MAX_US = 20 * US, 90 * US
LEVELLED_MC = 100
CURRENT_IS_ZERO_MA = 50


class Phase(IntEnum):
    """Where the proof is, in order."""

    REST = 0
    MODULATOR_ALONE = 1
    CONTACTOR_ALONE = 2
    BOTH = 3
    AWAIT = 4
    LEVEL = 5
    OVER = 6


class Pair(NamedTuple):
    """The control sensor and the over-temperature sensors together, in m°C or m°C per minute."""

    control: int
    overs: tuple[int, ...]


class Line(NamedTuple):
    """A course: where the sensors were at a phase's begin, and how fast they moved then (m°C/min)."""

    at: Pair
    slope: Pair


class StartProof(NamedTuple):
    """A proof and where it is."""

    lengths: Lengths
    phase: Phase = Phase.REST
    spent_us: int = 0
    """In this phase."""
    took_us: int = 0
    buckets: tuple[Pair, ...] = ()
    """Means of the last minute, oldest first."""
    filled_us: int = 0
    sums: tuple[int, ...] = ()
    """(count, control, overs...) of the bucket that fills."""
    line: Line | None = None
    """What the air would do by itself, from this phase's begin."""
    excess: Pair | None = None
    """Above that line, at the newest bucket."""
    current_seen: bool = False
    risen: bool = False
    finding: str = ""
    """A key of `FINDINGS`; empty: none."""
    setpoint_mc: int = -1
    """It follows no plan."""

    @property
    def found(self) -> Found | None:
        return FINDINGS[self.finding] if self.finding else None


class Look(NamedTuple):
    """What a step of the proof sees."""

    dt_us: int
    now: Pair | None
    """None unless every sensor it looks at is Good."""
    cold_mc: int | None
    """The board's own temperature, at the control sensor's converter."""
    report: Report | None


Switched = tuple[bool, bool]
"""(modulator, contactor)."""
WANTED: dict[Phase, Switched] = {
    Phase.REST: (False, False), Phase.MODULATOR_ALONE: (True, False), Phase.CONTACTOR_ALONE: (False, True),
    Phase.BOTH: (True, True), Phase.AWAIT: (False, True), Phase.LEVEL: (False, True), Phase.OVER: (False, True),
}  # fmt: skip
OFF: Switched = (False, False)
WORDS: dict[Phase, tuple[int, str]] = {
    Phase.REST: (0, "Both switches open: what the air does by itself."),
    Phase.MODULATOR_ALONE: (1, "Contactor open, modulator on: no rise may be seen."),
    Phase.CONTACTOR_ALONE: (2, "Contactor closed, modulator off: no rise may be seen."),
    Phase.BOTH: (3, "Both closed: a rise must be seen."),
    Phase.AWAIT: (3, "Heat is off again; the rise is on its way to the sensors."),
    Phase.LEVEL: (3, "The rise was seen. It levels off before the schedule begins."),
    Phase.OVER: (3, "Proven."),
}
"""(step of three, words) of each phase."""


def start_proof(chamber: Chamber, response: Response) -> StartProof:
    """The proof that this chamber's runs begin with."""
    return StartProof(lengths_of(chamber, response))


def longest_us(proof: StartProof) -> int:
    """How long it may take at the most."""
    lengths = proof.lengths
    rest_us = lengths.rest_us + REST_MORE_US
    return rest_us + 2 * lengths.alone_us + lengths.both_us + lengths.await_us + LEVEL_MAX_US


def left_us(proof: StartProof) -> int:
    """What is still ahead if all goes well; an estimate for people."""
    lengths = proof.lengths
    planned = {Phase.REST: lengths.rest_us, Phase.MODULATOR_ALONE: lengths.alone_us, Phase.CONTACTOR_ALONE: lengths.alone_us,
               Phase.BOTH: lengths.both_us, Phase.AWAIT: lengths.await_us, Phase.LEVEL: LEVEL_US, Phase.OVER: 0}  # fmt: skip
    ahead = sum(us for phase, us in planned.items() if phase > proof.phase)
    return ahead + max(0, planned[proof.phase] - proof.spent_us)


def begun_anew(proof: StartProof) -> StartProof:
    """After a hold: nothing that was seen before counts."""
    return StartProof(proof.lengths)


def look(proof: StartProof, seen: Look) -> tuple[StartProof, Switched]:
    """One tick of it: the proof after this tick, and how the switches are wanted."""
    if proof.finding:
        return proof, OFF
    proof = proof._replace(spent_us=proof.spent_us + seen.dt_us, took_us=proof.took_us + seen.dt_us)
    proof = _filled(proof, seen)
    finding = _contacts_wrong(proof, seen) or _rises_wrong(proof)
    if finding:
        return proof._replace(finding=finding), OFF
    proof = _noted(proof, seen)
    proof = ENDS[proof.phase](proof, seen)
    return proof, OFF if proof.finding else WANTED[proof.phase]


def _filled(proof: StartProof, seen: Look) -> StartProof:
    """The readings go into the bucket that fills; a full one becomes a mean, and gives the excess over the line."""
    filled_us, sums = proof.filled_us + seen.dt_us, proof.sums
    if seen.now is not None:
        values = (1, seen.now.control, *seen.now.overs)
        sums = tuple(a + b for a, b in zip(sums, values, strict=True)) if sums else values
    if filled_us < BUCKET_US or not sums:
        return proof._replace(filled_us=filled_us, sums=sums)
    mean = Pair(sums[1] // sums[0], tuple(one // sums[0] for one in sums[2:]))
    buckets = (*proof.buckets[1 - KEPT :], mean)
    return proof._replace(filled_us=0, sums=(), buckets=buckets, excess=_excess(proof, mean))


def _excess(proof: StartProof, mean: Pair) -> Pair | None:
    """How far this mean lies above the line; its own middle is half a bucket ago."""
    if proof.line is None:
        return None
    at, slope = proof.line
    since_us = proof.spent_us - BUCKET_US // 2

    def above(value: int, begin: int, per_min: int) -> int:
        return value - begin - _moved(per_min, since_us)

    overs = tuple(map(above, mean.overs, at.overs, slope.overs))
    return Pair(above(mean.control, at.control, slope.control), overs)


def _moved(per_min: int, since_us: int) -> int:
    """How far the air comes by itself in that time, in m°C."""
    return per_min * (since_us * FLATTENS_US // (FLATTENS_US + since_us)) // 60_000_000


def _line(buckets: tuple[Pair, ...]) -> Line:
    """The course of the last minute: the slope between the means of its halves, carried on to now."""
    half = len(buckets) // 2
    early, late = buckets[-2 * half : -half], buckets[-half:]

    def mean(part: tuple[Pair, ...], number: int) -> int:
        return sum((pair.control, *pair.overs)[number] for pair in part) // len(part)

    ends = [(mean(early, number), mean(late, number)) for number in range(1 + len(buckets[-1].overs))]
    apart_us = half * BUCKET_US
    slopes = [(late_mc - early_mc) * 60_000_000 // apart_us for early_mc, late_mc in ends]
    now = [late_mc + slope * apart_us // 2 // 60_000_000 for (_, late_mc), slope in zip(ends, slopes, strict=True)]
    return Line(Pair(now[0], tuple(now[1:])), Pair(slopes[0], tuple(slopes[1:])))


def _contacts_wrong(proof: StartProof, seen: Look) -> str:
    """What the board itself says against the proof: mains, fan, switches that do not read back as asked, current."""
    report, lengths = seen.report, proof.lengths
    if report is None:
        return ""
    if lengths.mains and report.mains is False:
        return "no_mains"
    if lengths.fan and report.fan_rpm == 0:
        return "fan_stands"
    wanted = WANTED[proof.phase]
    settled = proof.spent_us > READ_BACK_US
    told = lengths.contactor and report.contactor is not None
    reads = (report.modulator, bool(report.contactor) if told else wanted[1])
    if settled and reads != wanted:
        return "switch_reads_closed" if any(map(gt, reads, wanted)) else "switch_reads_open"
    flows = lengths.current and (report.current_ma or 0) >= CURRENT_IS_ZERO_MA
    return STUCK[proof.phase] if flows and settled and proof.phase in STUCK else ""


STUCK = {Phase.REST: "heats_with_all_off", Phase.MODULATOR_ALONE: "contactor_stuck", Phase.CONTACTOR_ALONE: "modulator_stuck"}
"""What a rise, or a current, means in a phase that may have none."""


def _rises_wrong(proof: StartProof) -> str:
    """What the sensors say against the proof, at each full bucket. Where a current tells, its phases are too short for them."""
    excess = proof.excess
    if excess is None or not proof.lengths.must_rise or proof.filled_us:
        return ""
    if proof.phase in STUCK:
        if proof.lengths.current:
            return ""
        return STUCK[proof.phase] if max(excess.control, *excess.overs, 0) >= NO_RISE_MC else ""
    fell = min(excess.control, *excess.overs, 0) <= -RISE_MC
    return "wrong_way" if fell and proof.phase in (Phase.BOTH, Phase.AWAIT) else ""


def _noted(proof: StartProof, seen: Look) -> StartProof:
    """What counts for the proof: a current with both switches closed, a rise of every sensor."""
    report, excess, sensed = seen.report, proof.excess, proof.lengths.current and proof.phase is Phase.BOTH
    if sensed and report is not None and (report.current_ma or 0) >= CURRENT_IS_ZERO_MA:
        proof = proof._replace(current_seen=True)
    if proof.phase in (Phase.BOTH, Phase.AWAIT) and excess is not None and not proof.filled_us:
        risen = excess.control >= RISE_MC and all(over >= OVER_RISE_MC for over in excess.overs)
        proof = proof._replace(risen=proof.risen or risen)
    return proof


def _to(proof: StartProof, phase: Phase, line: Line | None) -> StartProof:
    return proof._replace(phase=phase, spent_us=0, filled_us=0, sums=(), line=line, excess=None)


def _rest_ends(proof: StartProof, seen: Look) -> StartProof:
    lengths, buckets = proof.lengths, proof.buckets
    if proof.spent_us < lengths.rest_us or len(buckets) < 2 or proof.filled_us:
        return proof
    line = _line(buckets)
    slopes = (line.slope.control, *line.slope.overs)
    falls = min(FALLS_MC_PER_MIN, FALLS_MC * 60 * US // lengths.alone_us)
    if max(slopes) > RISES_MC_PER_MIN or min(slopes) < -falls:
        if lengths.current and len(buckets) >= SURE_BUCKETS and _move_alike(slopes):
            by_current = lengths._replace(must_rise=False, both_us=SENSED_ALONE_US)
            return _to(proof._replace(lengths=by_current), NEXT[lengths.contactor], line)
        return proof if proof.spent_us < lengths.rest_us + REST_MORE_US else proof._replace(finding="not_steady")
    if len(buckets) >= SURE_BUCKETS and _disagree_cold(line, seen.cold_mc):
        return proof._replace(finding="disagree_cold")
    return _to(proof, NEXT[lengths.contactor], line)


NEXT = {True: Phase.MODULATOR_ALONE, False: Phase.BOTH}
"""After the rest, with and without a line contactor."""


def _move_alike(slopes: tuple[int, ...]) -> bool:
    """All sensors follow the air as it moves by itself: so they are at their places, and a current shows the rest."""
    control, *overs = slopes
    moves = all(abs(one) >= RISES_MC_PER_MIN for one in slopes)  # more than noise makes of air at rest
    return moves and all(over * control > 0 and abs(control) <= 3 * abs(over) <= 9 * abs(control) for over in overs)


def _disagree_cold(line: Line, cold_mc: int | None) -> bool:
    """Sensors of a warm chamber differ honestly; those of one at rest at the board's own temperature may not."""
    at, slope = line
    if cold_mc is None or all(abs(one - cold_mc) > COLD_MC for one in (at.control, *at.overs)):
        return False
    rests = all(abs(one) <= AT_REST_MC_PER_MIN for one in (slope.control, *slope.overs))
    return rests and any(abs(at.control - over) >= AGREE_MC for over in at.overs)


def _alone_ends(proof: StartProof, seen: Look) -> StartProof:
    if proof.spent_us < proof.lengths.alone_us or (proof.filled_us and not proof.lengths.current):
        return proof
    line = _line(proof.buckets)
    if len(proof.buckets) >= SURE_BUCKETS and _disagree_cold(line, seen.cold_mc):
        return proof._replace(finding="disagree_cold")
    return _to(proof, Phase(proof.phase + 1), line)


def _both_ends(proof: StartProof, seen: Look) -> StartProof:
    """The heat goes off as soon as the rise is seen, or when it must be on its way."""
    lengths, excess = proof.lengths, proof.excess
    if lengths.current and not proof.current_seen and proof.spent_us >= SENSED_ALONE_US:
        return proof._replace(finding="no_current")
    if not lengths.must_rise:
        return _to(proof, Phase.OVER, None) if proof.spent_us >= lengths.both_us else proof
    if proof.risen:
        return _to(proof, Phase.LEVEL, None)
    enough = _rises_now(proof, seen) or (excess is not None and excess.control >= RISE_MC)
    return proof._replace(phase=Phase.AWAIT) if enough or proof.spent_us >= lengths.both_us else proof


def _rises_now(proof: StartProof, seen: Look) -> bool:
    """A single reading is enough to end the heat; what counts as risen is a mean."""
    if seen.now is None or proof.line is None:
        return False
    at, slope = proof.line
    return seen.now.control - at.control - _moved(slope.control, proof.spent_us) >= RISE_MC


def _await_ends(proof: StartProof, seen: Look) -> StartProof:
    """The clock of the rise runs on from when the heat went on."""
    if proof.risen:
        return _to(proof, Phase.LEVEL, None)
    if proof.spent_us < proof.lengths.both_us + proof.lengths.await_us or proof.filled_us:
        return proof
    excess = proof.excess
    assert excess is not None, "a bucket has filled"
    if min(excess.control, *excess.overs, 0) <= -OVER_RISE_MC:
        return proof._replace(finding="wrong_way")
    if excess.control >= RISE_MC:
        return proof._replace(finding="over_did_not_rise")
    if any(over >= OVER_RISE_MC for over in excess.overs):
        return proof._replace(finding="control_did_not_rise")
    return proof._replace(finding="current_and_no_rise" if proof.current_seen else "nothing_rose")


def _level_ends(proof: StartProof, seen: Look) -> StartProof:
    """The schedule begins where the air is, so it begins once the air has stopped rising."""
    if proof.lengths.current:
        return _to(proof, Phase.OVER, None)
    buckets = proof.buckets
    levelled = len(buckets) > 1 and not proof.filled_us and buckets[-1].control - buckets[-2].control <= LEVELLED_MC
    done = (proof.spent_us >= BUCKET_US * 2 and levelled) or proof.spent_us >= LEVEL_MAX_US
    return _to(proof, Phase.OVER, None) if done else proof


ENDS: dict[Phase, Callable[[StartProof, Look], StartProof]] = {
    Phase.REST: _rest_ends, Phase.MODULATOR_ALONE: _alone_ends, Phase.CONTACTOR_ALONE: _alone_ends, Phase.BOTH: _both_ends,
    Phase.AWAIT: _await_ends, Phase.LEVEL: _level_ends, Phase.OVER: lambda proof, seen: proof,
}  # fmt: skip
"""Each ends its own phase, or finds what is wrong."""
