"""The survey: the worked numeric case and the worked budget of the project's references, and properties that any must have."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.budget import add_up
from controller.commissioning.survey import (
    CENTRE,
    FIVE,
    FOLLOWS,
    NINE,
    SPOTS,
    Pair,
    comparison,
    core_shares,
    survey,
    travel_shares,
    wall_mm,
)

SET_MC = 60_000
WORKED = {  # five sensors, three readings each, set 60 °C, the third is the reference; numbers are invented
    "lower_front_left": (59_200, 59_400, 59_300), "lower_back_right": (60_100, 60_300, 60_200),
    CENTRE: (60_000, 60_000, 60_000), "upper_front_right": (61_100, 61_300, 61_200),
    "upper_back_left": (60_500, 60_700, 60_600),
}


def runs(table, shifts=None, control_mc=SET_MC):
    """Pairs of a table; `shifts` move a place's whole run, travelling and control sensor alike."""
    shifts = shifts or {}
    return {spot: [Pair(mc + shifts.get(spot, 0), control_mc + shifts.get(spot, 0)) for mc in values]
            for spot, values in table.items()}


def found(table=WORKED, **named):
    return survey(runs(table, **named), SET_MC, 300)


def test_the_worked_case_comes_out_by_the_published_definitions():
    """Means 59.3 60.2 60.0 61.2 60.6; gradient 1.90, variation 1.20, fluctuation 0.2, worst +1.3 and -0.8 °C (IEC 60068-3-5
    gradient, variation in space and fluctuation; DKD-R 5-7 reference position)."""
    result = found()
    assert [at.mean_mc for at in result.spots] == [59_300, 60_200, 60_000, 61_200, 60_600]
    assert (result.gradient_mc, result.uniformity_mc, result.fluctuation_mc) == (1_900, 1_200, 200)
    assert (result.above_mc, result.below_mc) == (1_300, -800)
    assert (result.coldest, result.hottest) == ("lower_front_left", "upper_front_right")
    assert result.stability_mc == 0


def test_the_worked_budget_comes_out():
    """Calibration U 0.30 (k = 2), inhomogeneity 1.0, instability 0.3 rectangular, resolution 0.1: uc 0.622, U 1.24 °C
    (DKD-R 5-7 half-widths; JCGM 100)."""
    budget = add_up(core_shares(300, 1_000, 300, 100))
    assert budget.combined_mc == pytest.approx(622, abs=0.5)
    assert budget.expanded_mc == pytest.approx(1_240, abs=5)
    assert [(share.distribution, round(share.divisor, 3), round(share.standard_mc, 1)) for share in budget.shares] == [
        ("normal, k = 2", 2.0, 150.0), ("rectangular", 1.732, 577.4), ("rectangular", 1.732, 173.2),
        ("rectangular, whole step", 3.464, 28.9)]


def test_the_class_is_a_comparison_and_claims_nothing():
    """AMS 2750 class 1 is +-3 °C: the worked case has its size."""
    words = comparison(found())
    assert "+1.3 and -0.8 °C" in words and "class 1 (±3 °C)" in words
    assert "designed with reference to" in words and "no compliance is claimed" in words


@pytest.mark.parametrize(("far_mc", "size"), [
    (3_000, "class 1 "), (3_001, "class 2 "), (8_000, "class 3 "), (10_000, "class 4 "), (14_000, "class 5 "),
    (28_000, "class 6 "), (28_001, "wider than every class")])
def test_the_sizes_compared_with_are_the_standard_s(far_mc, size):
    assert size in comparison(found()._replace(above_mc=100, below_mc=-far_mc))


SHIFTS = st.dictionaries(st.sampled_from(list(WORKED)), st.integers(-2_000, 2_000))


@given(SHIFTS)
def test_runs_at_other_levels_give_the_same_differences(shifts):
    result, plain = found(shifts=shifts), found()
    for name in ("gradient_mc", "uniformity_mc", "fluctuation_mc", "stability_mc"):
        assert getattr(result, name) == pytest.approx(getattr(plain, name), abs=2)
    assert (result.coldest, result.hottest) == (plain.coldest, plain.hottest)
    assert result.expanded_mc >= plain.expanded_mc - 2


@given(st.integers(-5_000, 5_000), st.integers(-5_000, 5_000))
def test_a_constant_error_of_either_sensor_changes_no_difference_between_places(travelling_mc, control_mc):
    wrong = {spot: [mc + travelling_mc for mc in values] for spot, values in WORKED.items()}
    result, plain = found(wrong, control_mc=SET_MC + control_mc), found()
    assert [at.from_centre_mc for at in result.spots] == [at.from_centre_mc for at in plain.spots]
    assert (result.gradient_mc, result.uniformity_mc) == (plain.gradient_mc, plain.uniformity_mc)


def test_the_level_is_the_control_sensor_s_mean_over_all_runs():
    result = found(shifts={CENTRE: 1_000})
    assert result.level_mc == SET_MC + 200
    assert next(at for at in result.spots if at.spot == CENTRE).mean_mc == SET_MC + 200


def test_a_shift_of_level_is_paid_for_in_the_budget():
    shares = {share.name: share.value_mc for share in travel_shares(2_000)}
    assert shares["runs at other levels"] == 2_000 * FOLLOWS
    assert found(shifts={CENTRE: 5_000}).expanded_mc > found().expanded_mc


def test_a_load_counts_by_a_fifth_of_what_it_changed():
    """DKD-R 5-7: 20 % of the loaded-unloaded difference as rectangular half-width."""
    share = travel_shares(0, loaded_mc=3_000)[-1]
    assert (share.value_mc, share.standard_mc) == (600, pytest.approx(600 / math.sqrt(3)))


def test_stability_is_the_largest_deviation_from_the_mean_at_the_centre():
    """DKD-R 5-7: at the reference position, about the mean of the half hour."""
    assert found({**WORKED, CENTRE: (59_800, 60_000, 60_500)}).stability_mc == 400
    assert found({**WORKED, CENTRE: (59_500, 60_000, 60_200)}).stability_mc == 400
    assert found({**WORKED, "upper_back_left": (59_000, 60_600, 62_200)}).stability_mc == 0


@given(st.fixed_dictionaries({spot.id: st.lists(st.integers(40_000, 80_000), min_size=3, max_size=6) for spot in FIVE}))
def test_what_holds_for_every_survey(table):
    result = found(table)
    assert result.uniformity_mc <= result.gradient_mc + 1 <= 2 * result.uniformity_mc + 2
    assert result.expanded_mc >= 2 * result.uniformity_mc / math.sqrt(3) - 1
    assert all(at.least_mc <= at.mean_mc <= at.most_mc for at in result.spots)
    means = {at.spot: at.mean_mc for at in result.spots}
    assert means[result.coldest] == min(means.values()) and means[result.hottest] == max(means.values())


def test_five_places_touch_every_wall_twice_and_nine_are_all_corners():
    assert (len(FIVE), len(NINE)) == (5, 9) == tuple(SPOTS)
    assert set(FIVE) < set(NINE) and FIVE[0] == NINE[0] and FIVE[0].id == CENTRE
    for side in ("lower", "upper", "front", "back", "left", "right"):
        assert sum(side in spot.id for spot in FIVE) == 2
        assert sum(side in spot.id for spot in NINE) == 4


@pytest.mark.parametrize(("dimension_mm", "mm"), [(300, 50), (500, 50), (800, 80), (101, 50)])
def test_places_keep_a_tenth_from_the_wall_and_at_least_50_mm(dimension_mm, mm):
    """IEC 60068-3-5 (from memory)."""
    assert wall_mm(dimension_mm) == pytest.approx(mm)


@pytest.mark.parametrize("dimension_mm", [100, 0, -5, math.nan])
def test_a_chamber_too_narrow_for_two_places_is_told_so(dimension_mm):
    with pytest.raises(ValueError, match="survey the centre alone"):
        wall_mm(dimension_mm)


@pytest.mark.parametrize(("table", "why"), [
    ({spot: values for spot, values in WORKED.items() if spot != CENTRE}, "needs the centre"),
    ({CENTRE: WORKED[CENTRE]}, "at least one other place"),
    ({}, "there is: none"),
    ({**WORKED, CENTRE: (60_000, 60_000)}, "centre has 2 readings, at least 3"),
    ({**WORKED, "cellar": (60_000,) * 3}, "place 'cellar' has no name"),
], ids=["no centre", "alone", "empty", "short", "strange"])
def test_what_is_no_survey_is_refused_with_what_is_missing(table, why):
    with pytest.raises(ValueError, match=why):
        found(table)
