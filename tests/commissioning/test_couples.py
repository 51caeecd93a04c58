"""Diagnosis of thermocouples. What a mistake shows is computed here with thermocouple-its90, a library of its own hand that
carries NIST's coefficients (Monograph 175, IEC 60584-1), never with the functions that are tested."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning.couples import CAUSES, GOOD_MC, InBath, diagnose, sentence

thermocouple_its90 = pytest.importorskip("thermocouple_its90")
COLD_C, HEAD_C = 25.0, 60.0


def emf(kind, c):
    return float(thermocouple_its90.get(kind).emf(c))


def back(kind, mv):
    """Exact inverse by halving, so that no inverse polynomial's 0.05 °C comes in."""
    low, high = -200.0, 400.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if emf(kind, middle) < mv else (low, middle)
    return low


def shows(cause, hot_c, *, table="K", cold_c=COLD_C, head_c=HEAD_C):
    """What a converter set to `table` shows with one mistake planted."""
    def hot(kind):
        return emf(kind, hot_c) - emf(kind, cold_c)

    cold = emf(table, cold_c)
    lost = emf(table, head_c) - cold
    mv = {
        "fine": lambda: hot(table) + cold,
        "reversed": lambda: -hot(table) + cold,
        "no_cold_junction": lambda: hot(table),
        "copper": lambda: hot(table) - lost + cold,
        "double_reversal": lambda: hot(table) - 2 * lost + cold,
        "short": lambda: emf(table, head_c),
        "air": lambda: emf(table, cold_c - 3),
        "cold_junction_off": lambda: hot(table) + emf(table, cold_c - 9),
        **{f"wire_{wire}": lambda wire=wire: hot(wire.upper()) + cold for wire in "kjt"},
    }
    return back(table, mv[cause]())


def baths(cause, *, table="K", cold_c=COLD_C, head_c=HEAD_C, ice_head_c=20.0, off_c=(0.0, 0.0), others=(), told=False):
    """Ice and boiling water with one mistake planted; `told`: somebody measured the head."""
    return [
        InBath(round(hot_c * 1000), round((shows(cause, hot_c, table=table, cold_c=cold_c, head_c=head) + off) * 1000),
               round(cold_c * 1000), round(head * 1000) if told else None, others)
        for hot_c, head, off in ((0.0, ice_head_c, off_c[0]), (100.0, head_c, off_c[1]))
    ]


def causes(found):
    return [finding.cause for finding in found]


PUBLISHED = [
    ("K", "wire_j", 122), ("J", "wire_k", 83), ("T", "wire_k", 96), ("K", "reversed", -55), ("K", "copper", 65),
    ("K", "double_reversal", 31),
]
"""True 100 °C, terminals 25 °C, head 60 °C (computed, ITS-90)."""


@pytest.mark.parametrize(("table", "cause", "c"), PUBLISHED)
def test_each_mistake_predicts_the_size_that_is_published_for_it(table, cause, c):
    boiling = baths(cause, table=table, told=True)[1]
    predict = next(row.predict for row in CAUSES if row.id == cause)
    (low_mc, high_mc), = predict(table, [boiling])
    assert low_mc / 1000 == pytest.approx(c, abs=0.9)
    assert high_mc - low_mc <= 1
    assert boiling.seen_mc == pytest.approx(low_mc, abs=2), "thermocouple-its90 computes the same"


def test_a_short_at_a_feed_through_of_40_shows_40():
    assert diagnose("K", [InBath(100_000, 40_000, 25_000, head_mc=40_000)])[0].cause == "short"
    assert shows("short", 100.0, head_c=40.0) == pytest.approx(40.0, abs=0.001)


def test_k_on_j_and_on_t_at_105_are_those_of_the_reference_table():
    """references of the project, 1.2 TC9 (no cold junction in it: 82.16 °C and 100.52 °C at terminals of 0 °C)."""
    for table, c in (("J", 82.16), ("T", 100.52)):
        (low_mc, _), = next(row.predict for row in CAUSES if row.id == "wire_k")(table, [InBath(105_000, 0, 0)])
        assert low_mc / 1000 == pytest.approx(c, abs=0.01)


SHARP = [(table, cause) for table in "KJT" for cause in ("reversed", "no_cold_junction", "wire_k", "wire_j", "wire_t", "air")
         if cause != f"wire_{table.lower()}"]


@pytest.mark.parametrize(("table", "cause"), SHARP)
@pytest.mark.parametrize("cold_c", [18.0, 25.0, 33.0])
def test_every_mistake_that_leaves_nothing_open_is_named_first(table, cause, cold_c):
    found = diagnose(table, baths(cause, table=table, cold_c=cold_c))
    assert found[0].cause == cause, sentence(found)


LOOSE = [(table, cause) for table in "KJT" for cause in ("copper", "double_reversal", "short", "cold_junction_off")]


@pytest.mark.parametrize(("table", "cause"), LOOSE)
def test_with_the_head_measured_the_others_are_named_first_as_well(table, cause):
    assert diagnose(table, baths(cause, table=table, told=True))[0].cause == cause


@pytest.mark.parametrize(("table", "cause"), LOOSE)
def test_without_it_they_are_among_what_is_named(table, cause):
    assert cause in causes(diagnose(table, baths(cause, table=table)))


@pytest.mark.parametrize("table", "KJT")
def test_copper_and_a_double_reversal_show_the_same_and_both_are_named(table):
    """Copper from a head at 60 °C, or a double reversal at a head of about 42 °C: nobody can tell by the reading."""
    found = diagnose(table, baths("copper", table=table))
    assert {"copper", "double_reversal"} <= set(causes(found))
    assert sentence(found).count("It may also be this") == len(found) - 1


def test_a_cause_that_leaves_nothing_open_stands_before_one_that_fits_by_leaving_a_temperature_open():
    """K wire on a J setting, one degree off at both baths: copper with a head somewhere would fit to the millidegree."""
    found = diagnose("J", baths("wire_k", table="J", off_c=(1.0, 1.0)))
    assert found[0].cause == "wire_k" and "copper" in causes(found)
    assert found[0].off_mc > 900 > 1 > next(finding.off_mc for finding in found if finding.cause == "copper")


def test_a_sensor_in_the_air_is_called_exchanged_when_another_shows_the_bath():
    ice, boil = baths("air")
    assert "exchanged" not in causes(diagnose("K", [ice, boil]))
    found = diagnose("K", [ice._replace(others_mc=(24_000, 600)), boil._replace(others_mc=(24_000, 99_100))])
    assert found[0].cause == "exchanged"
    assert "air" in causes(found)


@pytest.mark.parametrize(("ice_mc", "boil_mc", "cause"), [(200, 94_000, "boil_not_true"), (5_500, 99_800, "ice_not_true")])
def test_a_bath_that_is_not_what_it_is_taken_for_is_thought_of(ice_mc, boil_mc, cause):
    """At 1,800 m a pressure that is reduced to sea level and taken for the station's is six degrees."""
    assert cause in causes(diagnose("K", [InBath(0, ice_mc, 25_000), InBath(100_000, boil_mc, 25_000)]))


@pytest.mark.parametrize("table", "KJT")
def test_what_a_good_sensor_may_be_off_is_fine_and_a_little_more_is_not(table):
    limit_mc = GOOD_MC[table]
    for off_mc in (-limit_mc, 0, limit_mc):
        assert causes(diagnose(table, [InBath(0, off_mc, 25_000), InBath(100_000, 100_000 + off_mc, 25_000)])) == ["fine"]
    for off_mc in (-limit_mc - 1, limit_mc + 1):
        assert "fine" not in causes(diagnose(table, [InBath(0, 0, 25_000), InBath(100_000, 100_000 + off_mc, 25_000)]))


def test_the_points_own_uncertainty_is_allowed_for():
    assert causes(diagnose("K", [InBath(100_000, 103_500, 25_000, u_mc=200)])) == ["fine"]
    assert causes(diagnose("K", [InBath(100_000, 103_500, 25_000)])) != ["fine"]


def test_what_nothing_shows_is_called_unknown():
    assert causes(diagnose("K", [InBath(0, 300_000, 25_000), InBath(100_000, -150_000, 25_000)])) == ["unknown"]


@pytest.mark.parametrize("seed", range(150))
def test_with_class_2_wire_and_a_simple_converter_the_mistake_is_still_named(seed):
    """Offsets up to 1.5 °C at either bath, terminals and heads anywhere plausible."""
    random = Random(seed)
    table = random.choice("KJT")
    cause = random.choice([each for letter, each in (*SHARP, *LOOSE) if letter == table])
    cold_c = random.uniform(18, 34)
    seen = baths(cause, table=table, cold_c=cold_c, head_c=cold_c + random.uniform(15, 45),
                 ice_head_c=cold_c - random.uniform(-3, 12), off_c=(random.uniform(-1.5, 1.5), random.uniform(-1.5, 1.5)))
    found = causes(diagnose(table, seen))
    near = {"wire_k": "T", "wire_t": "K"}.get(cause) == table
    assert cause in found or (near and found == ["fine"]), "K and T lie 4 °C apart in boiling water"


@given(st.sampled_from("KJT"), st.integers(-200_000, 1_372_000), st.integers(-200_000, 1_372_000), st.integers(0, 70_000),
       st.integers(60_000, 104_000))
def test_whatever_is_seen_something_is_said_and_the_nearest_first(table, ice_mc, boil_mc, cold_mc, boils_mc):
    found = diagnose(table, [InBath(0, ice_mc, cold_mc), InBath(boils_mc, boil_mc, cold_mc)])
    assert found and all(finding.words and finding.do for finding in found)
    assert len(set(causes(found))) == len(found)


@pytest.mark.parametrize(("table", "seen", "why"), [
    ("N", [InBath(0, 0, 25_000)], "none of K, J, T"),
    ("K", [], "take a reading in melting ice"),
])
def test_what_cannot_be_judged_is_refused_with_what_to_do(table, seen, why):
    with pytest.raises(ValueError, match=why):
        diagnose(table, seen)
