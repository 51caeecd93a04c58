"""Corrections hang on the probe: they follow its id, give way to a change, and come from no other board's file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from controller.commissioning import corrections, fixed_points, store
from controller.commissioning.proofs import Proof, Voided
from controller.commissioning.store import Kept
from controller.core.setup import Chamber
from tests.service.chambers import simulated

ICE = {"true_mc": 0, "seen_mc": 600, "u_mc": 60}
BOIL = {"true_mc": 100_000, "seen_mc": 101_600, "u_mc": 150}


@pytest.fixture(scope="module")
def chamber(tmp_path_factory: pytest.TempPathFactory) -> Chamber:
    return simulated(Path(tmp_path_factory.mktemp("corrections")) / "c").chamber


NOW_US = 10
BARE_MC = fixed_points.correction(None, None).uncertainty_mc
"""Of a sensor of which nothing was shown."""
ENDS_US = 5 + 365 * 86_400_000_000


def bare(chamber: Chamber, typed_mc: int = 0) -> Chamber:
    """As the file has it, with what is known of sensors that were never shown."""
    return replace(chamber, sensors=tuple(one._replace(uncertainty_mc=max(BARE_MC, typed_mc)) for one in chamber.sensors))


def shown(chamber: Chamber, **changes: object) -> Kept:
    rows = (Proof("ice_point", True, 5, "x", "", ICE, "control"), Proof("boiling_point", True, 6, "x", "", BOIL, "control"))
    return Kept(chamber.board, True, rows)._replace(**changes)


def test_both_points_make_offset_and_slope_and_the_other_sensors_keep_what_was_typed(chamber):
    """0.6 °C high at 0 °C and 1.6 °C high at 100 °C: a straight line through both (arithmetic)."""
    control, over = corrections.corrected(shown(chamber), chamber, NOW_US).sensors[:2]
    for raw_mc, true_mc in ((600, 0), (101_600, 100_000)):
        assert abs(raw_mc + control.correction_mc + raw_mc * control.slope_ppm // 1_000_000 - true_mc) <= 2
    assert control.uncertainty_mc < chamber.sensors[0].uncertainty_mc and over == bare(chamber).sensors[1]


def test_a_correction_outlives_its_proof_in_time_but_no_change_of_the_probe(chamber):
    kept = store.with_mark(shown(chamber), Voided("sensor", 7, "x", ("ice_point", "boiling_point"), "control"))
    assert corrections.corrected(kept, chamber, NOW_US) == bare(chamber)
    other = store.with_mark(shown(chamber), Voided("sensor", 7, "x", ("ice_point", "boiling_point"), "part"))
    assert corrections.corrected(other, chamber, NOW_US) != bare(chamber)


@pytest.mark.parametrize("changes", [{"board": "000001"}, {"proofs": ()}], ids=str)
def test_nothing_is_corrected_by_another_boards_file_or_none(chamber, changes):
    assert corrections.corrected(shown(chamber, **changes), chamber, NOW_US) == bare(chamber)


@pytest.mark.parametrize("values", [{}, {**ICE, "seen_mc": 70_000}, {**ICE, "u_mc": -1}, {**ICE, "seen_mc": "600"},
                                    {**ICE, "seen_mc": 20_000}], ids=str)
def test_a_row_that_no_good_sensor_makes_corrects_nothing(chamber, values):
    kept = Kept(chamber.board, True, (Proof("ice_point", True, 5, "x", "", values, "control"),))
    assert corrections.corrected(kept, chamber, NOW_US) == bare(chamber)


@pytest.mark.parametrize(("at_us", "small"), [
    (NOW_US, True), (ENDS_US - 1, True), (ENDS_US, False), (ENDS_US + 1, False), (4, False)])
def test_a_point_that_ended_or_is_ahead_corrects_still_and_no_longer_says_how_well(chamber, at_us, small):
    """The boiling point, shown a microsecond later, still holds when the ice point ends."""
    control = corrections.corrected(shown(chamber), chamber, at_us).sensors[0]
    now = corrections.corrected(shown(chamber), chamber, NOW_US).sensors[0]
    assert (control.correction_mc, control.slope_ppm) == (now.correction_mc, now.slope_ppm) != (0, 0)
    assert (control.uncertainty_mc == now.uncertainty_mc) is small and (control.uncertainty_mc == BARE_MC) is not small


@pytest.mark.parametrize("typed_mc", [0, 600, 2_500, BARE_MC, 6_000])
@pytest.mark.parametrize("at_us", [NOW_US, ENDS_US])
def test_a_typed_uncertainty_counts_only_where_it_is_larger_than_a_bare_wires(chamber, typed_mc, at_us):
    typed = tuple(one._replace(uncertainty_mc=typed_mc) for one in chamber.sensors)
    rows = corrections.found(shown(chamber), chamber, typed, at_us)
    assert rows[1].uncertainty_mc == max(typed_mc, BARE_MC)
    assert (rows[0].uncertainty_mc < BARE_MC) is (at_us == NOW_US)
    assert at_us == NOW_US or rows[0].uncertainty_mc == max(typed_mc, BARE_MC)


@pytest.mark.parametrize(("uncertainty_mc", "words"), [(2_000, "may be said"), (2_001, "may not be said"), (900, "±0.9 °C")])
def test_whether_within_two_degrees_may_be_said_is_said(uncertainty_mc, words):
    assert words in corrections.claim_words(uncertainty_mc)


def test_how_well_is_known_is_said_of_good_points_alone():
    ice, boil = (fixed_points.Point("control", row["true_mc"], row["seen_mc"], row["u_mc"]) for row in (ICE, BOIL))
    known_mc = fixed_points.correction(ice, boil, 130_000).uncertainty_mc
    assert corrections.known_words(ice, boil, 130_000) == f"known to ±{known_mc / 1000:.1f} °C"
    assert corrections.known_words(ice, boil._replace(seen_mc=150_000), 130_000) == ""
