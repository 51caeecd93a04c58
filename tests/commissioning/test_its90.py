"""Thermocouples against the published reference functions: NIST Monograph 175 (SRD 60) and IEC 60584-1.

The millivolts below are those functions' own values as two independent libraries (thermocouple-its90 1.0.2,
thermocouples_reference 0.20) compute them; both agree to 0.00001 mV.
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.its90 import KINDS, converted_c, emf_mv, temperature_c

TABLE_MV = {  # °C: K, J, T
    0: (0.00000, 0.00000, 0.00000), 25: (1.00024, 1.27729, 0.99198), 60: (2.43647, 3.11567, 2.46815),
    100: (4.09623, 5.26892, 4.27852), 105: (4.30287, 5.54100, 4.51335), 150: (6.13834, 8.00990, 6.70409),
    200: (8.13847, 10.77875, 9.28810),
}
INVERSE_C = {  # mV: K, J, T
    1.0: (24.994, 19.628, 25.197), 2.0: (49.440, 38.877, 49.165), 4.0: (97.675, 76.532, 94.019),
    5.0: (121.957, 95.048, 115.244), 6.0: (146.568, 113.413, 135.835),
}
ROWS = [(kind, c, mv[at]) for c, mv in TABLE_MV.items() for at, kind in enumerate("KJT")]


@pytest.mark.parametrize(("kind", "hot_c", "mv"), ROWS)
def test_the_reference_functions_give_the_published_millivolts(kind, hot_c, mv):
    assert emf_mv(kind, hot_c) == pytest.approx(mv, abs=2e-5)


@pytest.mark.parametrize("kind", "KJT")
def test_a_second_library_computes_the_same_over_the_whole_range(kind):
    """thermocouple-its90, which carries the coefficients of NIST's data base by its own hand."""
    theirs = pytest.importorskip("thermocouple_its90").get(kind)
    low_c, high_c = max(-200.0, KINDS[kind].low_c), KINDS[kind].high_c
    for step in range(501):
        hot_c = low_c + (high_c - low_c) * step / 500
        assert emf_mv(kind, hot_c) == pytest.approx(theirs.emf(hot_c), abs=1e-9)


@pytest.mark.parametrize(("kind", "mv", "c"), [
    (kind, mv, c[at]) for mv, c in INVERSE_C.items() for at, kind in enumerate("KJT")])
def test_the_inverse_is_exact_and_no_inverse_polynomial(kind, mv, c):
    assert temperature_c(kind, mv) == pytest.approx(c, abs=0.001)


@given(st.sampled_from("KJT"), st.floats(0.0, 1.0))
def test_there_and_back_is_where_it_began(kind, share):
    row = KINDS[kind]
    hot_c = max(row.low_c, -200.0) * (1.0 - share) + row.high_c * share
    assert temperature_c(kind, emf_mv(kind, hot_c)) == pytest.approx(hot_c, abs=1e-5)


@pytest.mark.parametrize("kind", "KJT")
def test_the_pieces_meet_and_rise(kind):
    assert emf_mv(kind, 1e-9) == pytest.approx(emf_mv(kind, -1e-9), abs=1e-5)
    row = KINDS[kind]
    steps = [emf_mv(kind, c) for c in range(-200, int(row.high_c), 5)]
    assert all(one < other for one, other in itertools.pairwise(steps))


@pytest.mark.parametrize(("kind", "hot_c"), [("K", 1372.1), ("K", -270.1), ("J", 760.1), ("T", 400.1)])
def test_outside_its_range_a_reference_function_says_so(kind, hot_c):
    with pytest.raises(ValueError, match="its reference function goes from"):
        emf_mv(kind, hot_c)


def test_the_cold_junction_is_added_in_millivolts_and_not_in_degrees():
    """The worked example: hot 105 °C, cold 25 °C: 3.30263 mV are measured, E(25) is added, 105.000 °C comes out. Adding
    the temperatures would give 105.866 °C, 41 µV/K throughout 105.552 °C."""
    assert emf_mv("K", 105.0) - emf_mv("K", 25.0) == pytest.approx(3.30263, abs=2e-5)
    assert converted_c(105.0, 25.0) == pytest.approx(105.0, abs=0.001)
    assert temperature_c("K", 3.30263) + 25.0 == pytest.approx(105.866, abs=0.002)


@pytest.mark.parametrize(("named", "c"), [
    ({"table": "J"}, 83.0), ({"wire": "J"}, 122.0), ({"table": "T"}, 96.0), ({"reversed_leads": True}, -55.8)], ids=str)
def test_the_mistakes_of_a_workshop_come_out_as_they_do_there(named, c):
    """True 100 °C, terminals at 25 °C: K wire on a J setting, J wire on K, K on T, leads reversed (computed)."""
    assert converted_c(100.0, 25.0, **named) == pytest.approx(c, abs=0.6)


def test_a_cold_junction_measured_wrongly_moves_the_value_by_about_as_much():
    assert converted_c(100.0, 25.0, cold_read_c=30.0) - 100.0 == pytest.approx(5.0, abs=0.2)
