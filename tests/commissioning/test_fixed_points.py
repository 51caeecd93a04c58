"""Ice, boiling water, and the correction they give: against published tables, and against what a good sensor may do."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.fixed_points import (
    BOIL_ABOVE_MC,
    Point,
    TooFarOff,
    barometer_hpa,
    believable_mc,
    boiling_mc,
    boiling_point,
    correction,
    ice_point,
    may_say_within,
    station_hpa,
    uncertainty_at,
)

ICE, BOIL = Point("air", 0, 400, 90), Point("air", 99_600, 101_500, 220)


@pytest.mark.parametrize(("hpa", "c"), [(1013.25, 99.974), (1000.0, 99.606), (800.0, 93.485), (700.0, 89.932)])
def test_water_boils_where_the_steam_tables_say(hpa, c):
    """Saturation table of IAPWS-IF97 (as printed in the ASME steam tables; from memory)."""
    assert boiling_mc(hpa) == pytest.approx(c * 1000, abs=1.5)


@pytest.mark.parametrize(("pa", "c"), [(101_418, 100.0), (47_415, 80.0), (19_946, 60.0)])
def test_water_boils_where_another_equation_of_state_says(pa, c):
    """CoolProp 8.0.0 (IAPWS-95, a formulation of its own): saturation pressure at 60, 80 and 100 °C."""
    assert boiling_mc(pa / 100) == pytest.approx(c * 1000, abs=2)


def test_the_equation_gives_its_own_published_check_value():
    """IAPWS-IF97, table 36: 0.1 MPa gives 372.755919 K (from memory)."""
    assert boiling_mc(1000.0) == round((372.755919 - 273.15) * 1000)


@given(st.floats(101.0, 1_199.0))
def test_more_pressure_boils_hotter(hpa):
    assert boiling_mc(hpa + 1.0) > boiling_mc(hpa)


@pytest.mark.parametrize("hpa", [0.0, 99.9, 1_200.1, -5.0, math.nan])
def test_what_is_no_air_pressure_is_refused(hpa):
    with pytest.raises(ValueError, match=r"hPa is not within 100 to 1200 hPa"):
        boiling_mc(hpa)


@pytest.mark.parametrize(("altitude_m", "hpa"), [
    (0, 1013.25), (500, 954.61), (1_000, 898.75), (2_000, 794.95), (3_000, 701.08)])
def test_the_standard_air_is_thinner_by_the_published_table(altitude_m, hpa):
    """ISO 2533 / ICAO standard atmosphere (from memory). One mean temperature for the whole column is the approximation
    that the reduction is made with too: within 0.2 hPa below 1,000 m, within 1 hPa up to 3,000 m."""
    assert station_hpa(1013.25, altitude_m).hpa == pytest.approx(hpa, abs=0.2 if altitude_m <= 1_000 else 1.2)


def test_at_sea_level_nothing_is_reduced_and_the_report_alone_is_uncertain():
    low, high = station_hpa(1020.0, 0.0), station_hpa(1020.0, 2_000.0)
    assert low.hpa == 1020.0
    assert low.u_hpa < 2.0 < 3 * low.u_hpa < high.u_hpa


def test_not_knowing_how_it_was_reduced_covers_both_ways_of_reducing():
    """Cold plateau: 1,600 m at -10 °C. Reduced with standard air or with the air as it is, about 9 hPa lie between."""
    real, standard = station_hpa(1013.25, 1_600, -10.0), station_hpa(1013.25, 1_600)
    assert 5.0 < standard.hpa - real.hpa < real.u_hpa * math.sqrt(3.0)


@pytest.mark.parametrize("altitude_m", [-431.0, 5_501.0, math.nan])
def test_an_altitude_where_no_kitchen_is_is_refused(altitude_m):
    with pytest.raises(ValueError, match="type metres above sea level"):
        station_hpa(1013.0, altitude_m)


def test_points_know_what_their_baths_leave_open():
    assert ice_point("air", 300, 80).u_mc < ice_point("air", 300, 80, careful=False).u_mc < 250
    near = boiling_point("air", 99_000, 80, barometer_hpa(980.0))
    far = boiling_point("air", 99_000, 80, station_hpa(1013.0, 2_500.0))
    assert near.true_mc == boiling_mc(980.0) + BOIL_ABOVE_MC
    assert near.u_mc < far.u_mc < 500


def test_a_corrected_sensor_is_right_at_both_points():
    made = correction(ICE, BOIL)
    assert made.corrected_mc(ICE.seen_mc) == pytest.approx(ICE.true_mc, abs=2)
    assert made.corrected_mc(BOIL.seen_mc) == pytest.approx(BOIL.true_mc, abs=2)


@given(st.integers(-2_000, 2_000), st.integers(-2_500, 2_500), st.integers(-40_000, 200_000))
def test_the_correction_is_the_straight_line_through_both_points_in_integers(ice_mc, boil_mc, raw_mc):
    ice, boil = Point("a", 0, ice_mc, 100), Point("a", 99_000, 99_000 + boil_mc, 200)
    made = correction(ice, boil)
    line = (raw_mc - ice.seen_mc) * boil.true_mc / (boil.seen_mc - ice.seen_mc)
    assert isinstance(made.corrected_mc(raw_mc), int)
    assert made.corrected_mc(raw_mc) == raw_mc + made.offset_mc + raw_mc * made.slope_ppm // 1_000_000
    assert made.corrected_mc(raw_mc) == pytest.approx(line, abs=3)


def test_class_2_wire_alone_is_never_within_two_degrees_and_with_both_points_it_may_be():
    """IEC 60584-1: class 2 type K is 2.5 °C or 0.75 %. A rectangular 2.5 °C alone is 2.9 °C expanded."""
    bare, one, both = correction(None, None), correction(ICE, None), correction(ICE, BOIL)
    assert bare.uncertainty_mc > 2_887
    assert not may_say_within(bare.uncertainty_mc, 2_000)
    assert not may_say_within(one.uncertainty_mc, 2_000)
    assert may_say_within(both.uncertainty_mc, 2_000)
    assert (bare.offset_mc, bare.slope_ppm, bare.points) == (0, 0, 0)
    assert (one.offset_mc, one.slope_ppm, one.points) == (-400, 0, 1)
    assert both.uncertainty_mc < one.uncertainty_mc < bare.uncertainty_mc


@pytest.mark.parametrize(("uncertainty_mc", "said"), [(1_999, True), (2_000, True), (2_001, False), (0, False), (-1, False)])
def test_a_claim_needs_an_uncertainty_no_larger_and_one_at_all(uncertainty_mc, said):
    assert may_say_within(uncertainty_mc, 2_000) is said


def test_past_the_boiling_point_less_is_known_and_the_greatest_is_told():
    made = {ceiling_mc: correction(ICE, BOIL, ceiling_mc) for ceiling_mc in (110_000, 130_000, 200_000)}
    assert made[110_000].uncertainty_mc < made[130_000].uncertainty_mc < made[200_000].uncertainty_mc
    for ceiling_mc, each in made.items():
        at = [uncertainty_at(ICE, BOIL, at_mc).expanded_mc for at_mc in range(0, ceiling_mc + 1, 5_000)]
        assert each.uncertainty_mc == max(at)
        assert each.at_mc == ceiling_mc


def test_between_two_points_each_counts_by_its_nearness():
    """At the ice point the boiling point says nothing, half-way both say half: the line's own error propagation."""
    shares = {at_mc: {share.name: share.standard_mc for share in uncertainty_at(ICE, BOIL, at_mc).shares}
              for at_mc in (0, 49_800)}
    assert (shares[0]["ice point"], shares[0]["boiling point"]) == (90, 0)
    assert (shares[49_800]["ice point"], shares[49_800]["boiling point"]) == pytest.approx((45, 110))


@pytest.mark.parametrize(("at_mc", "mc"), [(0, 0), (49_800, 250), (99_600, 0), (199_200, 2_000)])
def test_off_the_points_the_error_may_leave_the_line_as_a_parabola_does(at_mc, mc):
    """Nothing at both points, a tenth of class 2 half-way, eight times that a whole span further on."""
    bent = next(share for share in uncertainty_at(ICE, BOIL, at_mc).shares if "straight line" in share.name)
    assert abs(bent.value_mc) == pytest.approx(mc, abs=0.1)


def test_every_contribution_makes_it_larger_and_rounding_never_smaller():
    budget = correction(ICE, BOIL).budget
    assert budget.expanded_mc >= 2 * budget.combined_mc
    assert budget.combined_mc == pytest.approx(math.sqrt(sum(share.standard_mc**2 for share in budget.shares)))
    assert all(share.standard_mc >= 0 for share in budget.shares)
    assert correction(ICE, BOIL, step_mc=1_000).uncertainty_mc > correction(ICE, BOIL).uncertainty_mc


@pytest.mark.parametrize("error_mc", [-5_000, 5_000, 22_000])
def test_what_no_good_sensor_shows_is_not_corrected_away(error_mc):
    with pytest.raises(TooFarOff, match="a correction would only hide it") as refused:
        correction(ICE, Point("air", 99_600, 99_600 + error_mc, 220))
    assert refused.value.limit_mc == believable_mc(BOIL)
    with pytest.raises(TooFarOff):
        correction(Point("air", 0, error_mc, 90), None)


def test_the_limit_of_belief_follows_the_wire():
    """Type T class 2 is 1 °C (IEC 60584-1), so less is believed of it than of type K."""
    assert believable_mc(BOIL, "T") < believable_mc(BOIL, "K") < 4_000
    with pytest.raises(TooFarOff):
        correction(None, Point("air", 99_600, 96_300, 220), kind="T")


@pytest.mark.parametrize(("ice", "boil", "why"), [
    (ICE, Point("part", 99_600, 99_600, 200), "take both with the same sensor"),
    (ICE, Point("air", 40_000, 40_000, 200), "at least 50 °C are needed"),
    (Point("air", 99_600, 99_600, 9), Point("air", 0, 0, 9), "at least 50 °C"),
])
def test_two_points_must_be_of_one_sensor_and_apart(ice, boil, why):
    with pytest.raises(ValueError, match=why):
        correction(ice, boil)
