"""The phases of a start proof: how long, which switches, what a hold, a gap or a record does to them; and whatever is drawn."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core import canonical
from controller.core.program import BOTH_OPEN, Going, View, step
from controller.core.proof import (
    KEPT,
    LEVEL_MAX_US,
    OFF,
    WANTED,
    Look,
    Pair,
    Phase,
    StartProof,
    left_us,
    longest_us,
    look,
    start_proof,
)
from controller.core.proof_lengths import BUCKET_US, REST_MORE_US, REST_US, SENSED_BOTH_US
from controller.core.setup import Response
from tests.core.airs import (
    LONG_S,
    NO_OVER,
    NOTHING,
    ON_THE_WAY,
    ONE_SWITCH,
    PLAIN,
    RESPONSE,
    ROOM_MC,
    SAID,
    SENSED,
    TWO_OVERS,
    Air,
    at,
    ended,
    phases,
    played,
)
from tests.core.world import CHAMBER, US

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


def test_a_contactor_that_does_not_read_back_is_proven_by_the_rise_alone():
    assert ended(Air(says={"contactor": None})).finding == ""
    assert ended(Air(says={"contactor": None}, stuck=(False, True))).finding == "contactor_stuck"


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
