"""The start proof by itself: made looks go in; a phase, a wish for two switches and at last a finding come out.

The air here is a course of its own and, after a dead time, so much for each second in which both switches are closed.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core import canonical
from controller.core.messages import Report
from controller.core.program import BOTH_OPEN, Going, View, step
from controller.core.proof import (
    AGREE_MC,
    BUCKET_US,
    COLD_MC,
    CURRENT_IS_ZERO_MA,
    FALLS_MC_PER_MIN,
    KEPT,
    LEVEL_MAX_US,
    NO_RISE_MC,
    OFF,
    OVER_RISE_MC,
    READ_BACK_US,
    REST_MORE_US,
    REST_US,
    RISE_MC,
    RISES_MC_PER_MIN,
    SENSED_BOTH_US,
    WANTED,
    Look,
    Pair,
    Phase,
    StartProof,
    Switched,
    left_us,
    longest_us,
    look,
    start_proof,
)
from controller.core.proof_findings import FINDINGS, Grade
from controller.core.readings import Role
from controller.core.setup import Chamber, Response, SensorSetup
from tests.core.world import CHAMBER, US, FakeBoard, chamber, changed

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


# -- what is found ----------------------------------------------------------------------------------------------------

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


def test_every_finding_has_a_row_and_every_row_a_finding():
    assert set(ROWS) == set(FINDINGS)


@pytest.mark.parametrize("finding", ROWS)
def test_a_proof_finds_what_is_planted_and_wants_both_switches_open_from_then_on(finding):
    air, of = ROWS[finding]
    *_, (proof, wanted) = played(start_proof(of, RESPONSE), air)
    assert proof.finding == finding
    assert proof.found is FINDINGS[finding] and proof.found.grade is not Grade.PASSED
    assert wanted == OFF
    after, wanted = look(proof, Look(US, Pair(90_000, (90_000,)), ROOM_MC, SAID))
    assert (after, wanted) == (proof, OFF), "what was found stays, and so does the time at which it was"
    assert proof.took_us <= longest_us(proof)


@pytest.mark.parametrize(("stuck", "finding"), [((False, True), "contactor_stuck"), ((True, False), "modulator_stuck")])
def test_a_current_tells_a_stuck_switch_before_any_rise(stuck, finding):
    assert ended(Air(stuck=stuck, per_s=NOTHING), SENSED).finding == finding


def test_a_current_too_small_to_be_one_is_none():
    assert ended(Air(says={"current_ma": CURRENT_IS_ZERO_MA - 1}), SENSED).finding == "no_current"
    assert ended(Air(says={"current_ma": CURRENT_IS_ZERO_MA}), SENSED).finding == "heats_with_all_off"


def test_every_finding_says_what_was_seen_what_is_likely_and_what_to_do():
    for found in FINDINGS.values():
        assert all(text[0].isupper() and text.endswith(".") for text in (found.seen, found.likely, found.do))


# -- exactly at the limits --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", [Phase.MODULATOR_ALONE, Phase.CONTACTOR_ALONE])
@pytest.mark.parametrize("sensor", [0, 1])
def test_the_rise_that_no_switch_alone_may_make_is_counted_exactly(phase, sensor):
    def of(mc: int) -> str:
        air = Air(added={phase: tuple(mc if number == sensor else 0 for number in (0, 1))})
        looks = [proof for proof, _ in played(start_proof(PLAIN, RESPONSE), air)]
        return next(proof.finding for proof in looks if proof.finding or proof.phase > phase)

    stuck = {Phase.MODULATOR_ALONE: "contactor_stuck", Phase.CONTACTOR_ALONE: "modulator_stuck"}
    assert of(NO_RISE_MC - 1) == ""
    assert of(NO_RISE_MC) == stuck[phase]


@pytest.mark.parametrize(("control_mc", "over_mc", "finding"), [
    (RISE_MC, OVER_RISE_MC, ""),
    (RISE_MC - 1, OVER_RISE_MC, "control_did_not_rise"),
    (RISE_MC, OVER_RISE_MC - 1, "over_did_not_rise"),
    (RISE_MC - 1, OVER_RISE_MC - 1, "nothing_rose"),
    (-RISE_MC, OVER_RISE_MC, "wrong_way"),
    (-OVER_RISE_MC + 1, OVER_RISE_MC, "control_did_not_rise"),
    (RISE_MC, -OVER_RISE_MC, "wrong_way"),
    (RISE_MC, -OVER_RISE_MC + 1, "over_did_not_rise"),
])
def test_the_rise_that_both_must_make_is_counted_exactly(control_mc, over_mc, finding):
    rises = dict.fromkeys(HEATED, (control_mc, over_mc))
    assert ended(Air(per_s=NOTHING, added=rises)).finding == finding


@pytest.mark.parametrize("apart_mc", [AGREE_MC - 1, -AGREE_MC + 1])
def test_sensors_that_nearly_agree_are_taken(apart_mc):
    assert ended(Air(apart_mc=apart_mc)).finding == ""


@pytest.mark.parametrize(("above_mc", "finding"), [(COLD_MC, "disagree_cold"), (COLD_MC + 1, ""), (40_000, "")])
def test_sensors_that_differ_are_refused_only_near_the_boards_own_temperature(above_mc, finding):
    """Warm, they differ honestly."""
    assert ended(Air(apart_mc=AGREE_MC, cold_mc=ROOM_MC - above_mc)).finding == finding


def test_where_the_board_does_not_tell_its_own_temperature_nothing_is_called_cold():
    assert ended(Air(apart_mc=AGREE_MC, cold_mc=None)).finding == ""


@pytest.mark.parametrize(("mc_per_min", "passes"), [
    (RISES_MC_PER_MIN, True), (RISES_MC_PER_MIN + 60, False), (-FALLS_MC_PER_MIN, True), (-FALLS_MC_PER_MIN - 60, False),
])
def test_air_that_moves_too_fast_by_itself_is_waited_for_and_then_not_judged(mc_per_min, passes):
    proof = ended(Air(course=lambda second: 60_000 + mc_per_min * second / 60))
    assert proof.finding == ("" if passes else "not_steady")
    assert passes or 0 <= proof.took_us - (proof.lengths.rest_us + REST_MORE_US) <= BUCKET_US


@pytest.mark.parametrize("seconds", [READ_BACK_US // US, READ_BACK_US // US + 1])
def test_a_switch_has_three_seconds_to_read_as_it_is_asked(seconds):
    """It is asked in one look and read in the next, so the first look of a phase cannot know."""
    proof, late = start_proof(PLAIN, RESPONSE), 0
    for _ in range(300):
        phase = proof.phase
        late = late + 1 if phase is Phase.CONTACTOR_ALONE else 0
        reads = WANTED[phase] if late == 0 or late > seconds else (False, False)
        said = SAID._replace(modulator=reads[0], contactor=reads[1])
        proof, _ = look(proof, Look(US, Pair(ROOM_MC, (ROOM_MC,)), ROOM_MC, said))
        if proof.finding or proof.phase is Phase.BOTH:
            break
    assert proof.finding == ("" if seconds * US <= READ_BACK_US else "switch_reads_open")


# -- what is no rise --------------------------------------------------------------------------------------------------

COURSES: dict[str, Callable[[int], float]] = {
    "still": still,
    "falls": lambda second: 80_000 - 3_900 * second / 60,
    "falls fast": lambda second: 30_000 + 60_000 * math.exp(-second / 480),
    "falls and flattens": lambda second: 30_000 + 45_000 * math.exp(-second / 900),
    "falls late": lambda second: 60_000 - 1_000 * max(0, second - 100) / 60,
    "rises": lambda second: ROOM_MC + 1_400 * second / 60,
    "rises and flattens": lambda second: 40_000 + 4_000 * (1 - math.exp(-second / 170)),
    "rises fast and flattens": lambda second: 40_000 + 9_000 * (1 - math.exp(-second / 80)),
    "breathes": lambda second: 50_000 + 250 * math.sin(second / 9),
}


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("of", [PLAIN, SENSED, ONE_SWITCH], ids=["plain", "with current sensor", "one switch"])
def test_what_the_air_does_by_itself_is_no_rise(course, of):
    assert ended(Air(course=COURSES[course]), of).finding == ""


@pytest.mark.parametrize("course", COURSES)
def test_what_the_air_does_by_itself_hides_no_stuck_switch_and_no_dead_element(course):
    for finding in ("contactor_stuck", "modulator_stuck", "nothing_rose", "control_did_not_rise"):
        air, of = ROWS[finding]
        assert ended(replace(air, course=COURSES[course]), of).finding == finding


def test_half_the_heat_is_found_too():
    assert ended(Air(stuck=(True, False), per_s=(60.0, 40.0))).finding == "modulator_stuck"


# -- phases and lengths -----------------------------------------------------------------------------------------------


def test_each_phase_lasts_as_long_as_the_chambers_answer_needs():
    found = phases(Air())
    assert list(found) == [phase for phase in Phase if phase is not Phase.OVER]
    assert 0 <= found[Phase.REST] * US - REST_US - RESPONSE.dead_us <= BUCKET_US
    alone_s = found[Phase.MODULATOR_ALONE]
    assert alone_s == found[Phase.CONTACTOR_ALONE]
    half_shows_us = RESPONSE.dead_us + RESPONSE.rise_us * 13 // 10
    assert half_shows_us <= alone_s * US < half_shows_us + 2 * BUCKET_US
    assert found[Phase.BOTH] <= RESPONSE.rise_us // US, "heat ends as soon as its rise is seen"
    assert found[Phase.LEVEL] >= 2 * BUCKET_US // US


@pytest.mark.parametrize(("phase", "wanted"), [
    (Phase.REST, (False, False)), (Phase.MODULATOR_ALONE, (True, False)), (Phase.CONTACTOR_ALONE, (False, True)),
    (Phase.BOTH, (True, True)), (Phase.AWAIT, (False, True)), (Phase.LEVEL, (False, True)),
])
def test_each_phase_asks_for_its_own_switches(phase, wanted):
    asked = {now for proof, now in played(start_proof(PLAIN, RESPONSE), Air()) if proof.phase is phase}
    assert asked == {wanted}


def test_one_switch_is_proven_without_the_other():
    assert list(phases(Air(), ONE_SWITCH)) == [Phase.REST, Phase.BOTH, Phase.AWAIT, Phase.LEVEL]
    assert ended(Air(says={"contactor": None}), ONE_SWITCH).finding == "", "what is not fitted is not read"
    assert ended(Air(says={"modulator": True}), ONE_SWITCH).finding == "switch_reads_closed"
    assert ended(Air(per_s=NOTHING), ONE_SWITCH).finding == "nothing_rose"


def test_a_dead_time_longer_than_the_heat_is_waited_for():
    found = phases(Air(dead_s=60), PLAIN, Response(90 * US, 20 * US))
    assert found[Phase.BOTH] == 20, "no more heat than its rise needs, though nothing is seen yet"
    assert found[Phase.AWAIT] > 40
    assert ended(Air(dead_s=60), PLAIN, Response(20 * US, 20 * US)).finding == "nothing_rose", "the answer given was too quick"


def test_a_current_sensor_takes_the_place_of_a_rise_that_comes_too_late():
    quick, late = start_proof(SENSED, RESPONSE), start_proof(SENSED, Response(90 * US, 20 * US))
    assert (quick.lengths.must_rise, late.lengths.must_rise) == (True, False)
    edge = Response(SENSED_BOTH_US - 20 * US, 20 * US)
    assert start_proof(SENSED, edge).lengths.must_rise
    assert not start_proof(SENSED, edge._replace(dead_us=edge.dead_us + 1)).lengths.must_rise
    passed = ended(Air(dead_s=60), SENSED, Response(90 * US, 20 * US))
    assert (passed.finding, passed.current_seen, passed.risen) == ("", True, False)
    assert passed.took_us <= 60 * US


NO_OVER = changed(PLAIN, sensors=(SensorSetup(Role.CONTROL, 0, "air", 0, 0),))
TWO_OVERS = changed(PLAIN, sensors=(*PLAIN.sensors, SensorSetup(Role.OVER_TEMPERATURE, 3, "roof", 0, 0)))


def test_a_chamber_without_an_over_temperature_sensor_is_proven_by_the_control_sensor():
    assert ended(Air(per_s=(120.0,)), NO_OVER).finding == ""
    assert ended(Air(per_s=(0.0,)), NO_OVER).finding == "nothing_rose"
    assert ended(Air(per_s=(120.0,), stuck=(True, False)), NO_OVER).finding == "modulator_stuck"


@pytest.mark.parametrize(("per_s", "finding"), [
    ((120.0, 80.0, 80.0), ""), ((120.0, 80.0, 0.0), "over_did_not_rise"), ((120.0, 0.0, 80.0), "over_did_not_rise"),
    ((0.0, 80.0, 0.0), "control_did_not_rise"), ((120.0, 80.0, -80.0), "wrong_way"),
])
def test_of_several_over_temperature_sensors_every_one_must_follow(per_s, finding):
    assert start_proof(TWO_OVERS, RESPONSE).lengths.overs == 2
    assert ended(Air(per_s=per_s), TWO_OVERS).finding == finding


# -- holds, gaps, records ---------------------------------------------------------------------------------------------


def at(phase: Phase, of: Chamber = PLAIN, seconds: int = 3) -> StartProof:
    """A good proof, some seconds into a phase."""
    for proof, _ in played(start_proof(of, RESPONSE), Air()):
        if proof.phase is phase and proof.spent_us >= seconds * US:
            return proof
    raise AssertionError(f"it never came to {phase.name}")


ON_THE_WAY = [phase for phase in Phase if phase is not Phase.OVER]


@pytest.mark.parametrize("phase", ON_THE_WAY)
def test_a_hold_opens_both_switches_and_begins_the_proof_anew(phase):
    held = step(at(phase), View(US, ROOM_MC, None, True, (ROOM_MC,), ROOM_MC, SAID))
    assert held.request == BOTH_OPEN
    assert held.program == start_proof(PLAIN, RESPONSE)
    assert held.verdict.going is Going.GOING


@pytest.mark.parametrize("view", [
    View(US, None, None, False, (ROOM_MC,), ROOM_MC, SAID), View(US, ROOM_MC, None, False, (None,), ROOM_MC, SAID),
])
def test_a_sensor_that_is_not_good_is_not_looked_at(view):
    before = at(Phase.MODULATOR_ALONE)
    after = step(before, view._replace(report=SAID._replace(modulator=True, contactor=False))).program
    assert isinstance(after, StartProof)
    assert after.sums == before.sums and after.spent_us == before.spent_us + US


@pytest.mark.parametrize("phase", ON_THE_WAY)
@pytest.mark.parametrize("lost_s", [4, 30])
def test_a_while_without_a_good_reading_is_waited_out(phase, lost_s):
    proof = ended(Air(lost=(phase, lost_s)))
    assert (proof.phase, proof.finding) == (Phase.OVER, "")


def test_without_any_good_reading_nothing_is_proven_and_the_heat_ends_all_the_same():
    for phase in (Phase.REST, Phase.MODULATOR_ALONE, Phase.CONTACTOR_ALONE, Phase.BOTH):
        looks = list(played(start_proof(PLAIN, RESPONSE), Air(lost=(phase, LONG_S), blind_after=True)))
        assert looks[-1][0].phase is not Phase.OVER
        heated = sum(wanted == (True, True) for _, wanted in looks)
        assert heated <= RESPONSE.rise_us // US


@pytest.mark.parametrize("phase", ON_THE_WAY)
@pytest.mark.parametrize("of", [PLAIN, TWO_OVERS, NO_OVER], ids=["one", "two", "no over-temperature sensor"])
def test_a_proof_on_its_way_comes_back_from_canonical_json_and_goes_on_alike(phase, of):
    per_s = (120.0, *(80.0,) * len(of.wiring.overs))
    proof = next(proof for proof, _ in played(start_proof(of, RESPONSE), Air(per_s=per_s)) if proof.phase is phase)
    again = canonical.load(StartProof, json.loads(canonical.text(proof)))
    assert again == proof and canonical.text(again) == canonical.text(proof)
    seen = Look(US, Pair(ROOM_MC, (ROOM_MC,) * len(of.wiring.overs)), ROOM_MC, SAID)
    assert look(again, seen) == look(proof, seen)


def test_what_a_door_did_just_before_is_waited_for_as_long_as_the_dead_time():
    """The sensors still fall for a minute after the door was shut; what comes then is the air's own way up."""
    def course(second: int) -> float:
        return 60_000 - 50 * second if second < 60 else 57_000 + 20 * min(second - 60, 60)

    assert ended(Air(course=course, dead_s=60), PLAIN, Response(66 * US, 20 * US)).finding == ""


@pytest.mark.parametrize("of", [PLAIN, SENSED], ids=["plain", "with current sensor"])
def test_a_long_phase_takes_the_bend_of_cooling_air_for_no_rise(of):
    """After unloading, as a simulated chamber does whose sensors are a minute late."""
    late = Response(90 * US, 30 * US)
    cooling = Air(course=lambda second: 60_000 + 16_500 * math.exp(-second / 300), dead_s=60, per_s=(90.0, 70.0))
    assert ended(cooling, of, late).finding == ""
    dead = replace(cooling, per_s=NOTHING, says={"current_ma": 0})
    assert ended(dead, of, late).finding == ("no_current" if of is SENSED else "nothing_rose")
    if of is PLAIN:
        assert ended(replace(cooling, stuck=(True, False)), of, late).finding == "modulator_stuck"


def test_a_long_phase_waits_for_air_that_falls_more_slowly():
    late = Response(90 * US, 30 * US)
    fast = Air(course=lambda second: 80_000 - 5_000 * second / 60, dead_s=60)
    assert ended(fast, PLAIN, late).finding == "not_steady"
    assert ended(replace(fast, dead_s=3)).finding == ""


def test_where_a_current_tells_a_door_just_before_is_no_stuck_switch():
    course = Air(course=lambda second: 60_000 - 50 * second if second < 15 else 59_250 + 400 * (second - 15))
    assert ended(course, SENSED).finding == ""


def test_what_is_left_falls_to_nothing_and_only_the_newest_minute_is_kept():
    left = [left_us(proof) for proof, _ in played(start_proof(PLAIN, RESPONSE), Air())]
    assert all(later <= sooner for sooner, later in pairwise(left)) and left[-1] == 0
    proof = ended(Air())
    assert len(proof.buckets) == KEPT


# -- whatever is drawn ------------------------------------------------------------------------------------------------

RATES = st.floats(-150.0, 400.0)
AIRS = st.builds(
    Air,
    course=st.builds(lambda mc, per_min: lambda second: mc + per_min * second / 60.0,
                     st.integers(0, 90_000), st.integers(-5_000, 3_000)),
    per_s=st.tuples(RATES, RATES),
    dead_s=st.integers(0, 120),
    stuck=st.tuples(st.booleans(), st.booleans()),
    apart_mc=st.integers(-6_000, 6_000),
    says=st.fixed_dictionaries({}, optional={
        "modulator": st.booleans(), "contactor": st.sampled_from([True, False, None]), "mains": st.sampled_from([True, None]),
        "fan_rpm": st.sampled_from([2_400, None]), "current_ma": st.sampled_from([0, 49, 50, 2_100, None])}),
    lost=st.tuples(st.sampled_from(ON_THE_WAY), st.integers(0, 40)),
)
RESPONSES = st.builds(Response, st.integers(0, 120 * US), st.integers(10 * US, 120 * US))
CHAMBERS = st.sampled_from([PLAIN, SENSED, ONE_SWITCH])


@given(AIRS, RESPONSES, CHAMBERS)
def test_both_switches_are_asked_for_in_one_phase_alone_and_no_longer_than_the_rise_needs(air, response, of):
    first = start_proof(of, response)
    heated_us = 0
    for proof, wanted in played(first, air):
        assert wanted == (OFF if proof.finding else WANTED[proof.phase])
        if wanted == (True, True):
            assert proof.phase is Phase.BOTH
            heated_us += US
    assert heated_us <= first.lengths.both_us + US


@given(AIRS, RESPONSES, CHAMBERS)
def test_nothing_passes_without_a_rise_or_where_a_current_is_enough_without_a_current(air, response, of):
    *_, (proof, _wanted) = played(start_proof(of, response), air)
    if proof.phase is not Phase.OVER:
        return
    assert not proof.finding
    if of is SENSED:
        assert proof.current_seen
    assert proof.risen if proof.lengths.must_rise else proof.current_seen


@given(AIRS, RESPONSES, CHAMBERS)
def test_no_proof_lasts_longer_than_it_says(air, response, of):
    """A reading that is lost for long has guards of its own; what it delays is counted apart."""
    first = start_proof(of, response)
    *_, (proof, _wanted) = played(first, air)
    assert proof.finding or proof.phase is Phase.OVER, "it comes to an end"
    assert proof.took_us <= longest_us(first) + air.lost[1] * US + 5 * BUCKET_US
    fixed_us = REST_US + REST_MORE_US + LEVEL_MAX_US + 10 * BUCKET_US
    assert longest_us(first) < fixed_us + 8 * (response.dead_us + response.rise_us)


def test_the_chamber_of_these_tests_is_the_invented_one():
    assert len(CHAMBER.wiring.overs) == 1, "per_s names control and one over-temperature sensor"
