"""Corrections hang on the probe: they follow its id, give way to a change, and come from no other board's file."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.commissioning import corrections, store
from controller.commissioning.proofs import Proof, Voided
from controller.commissioning.store import Kept
from controller.core.setup import Chamber
from tests.service.chambers import simulated

ICE = {"true_mc": 0, "seen_mc": 600, "u_mc": 60}
BOIL = {"true_mc": 100_000, "seen_mc": 101_600, "u_mc": 150}


@pytest.fixture(scope="module")
def chamber(tmp_path_factory: pytest.TempPathFactory) -> Chamber:
    return simulated(Path(tmp_path_factory.mktemp("corrections")) / "c").chamber


def shown(chamber: Chamber, **changes: object) -> Kept:
    rows = (Proof("ice_point", True, 5, "x", "", ICE, "control"), Proof("boiling_point", True, 6, "x", "", BOIL, "control"))
    return Kept(chamber.board, True, rows)._replace(**changes)


def test_both_points_make_offset_and_slope_and_the_other_sensors_keep_what_was_typed(chamber):
    """0.6 °C high at 0 °C and 1.6 °C high at 100 °C: a straight line through both (arithmetic)."""
    control, over = corrections.corrected(shown(chamber), chamber).sensors[:2]
    for raw_mc, true_mc in ((600, 0), (101_600, 100_000)):
        assert abs(raw_mc + control.correction_mc + raw_mc * control.slope_ppm // 1_000_000 - true_mc) <= 2
    assert control.uncertainty_mc < chamber.sensors[0].uncertainty_mc and over == chamber.sensors[1]


def test_a_correction_outlives_its_proof_in_time_but_no_change_of_the_probe(chamber):
    kept = store.with_mark(shown(chamber), Voided("sensor", 7, "x", ("ice_point", "boiling_point"), "control"))
    assert corrections.corrected(kept, chamber) == chamber
    other = store.with_mark(shown(chamber), Voided("sensor", 7, "x", ("ice_point", "boiling_point"), "part"))
    assert corrections.corrected(other, chamber) != chamber


@pytest.mark.parametrize("changes", [{"board": "000001"}, {"proofs": ()}], ids=str)
def test_nothing_is_corrected_by_another_boards_file_or_none(chamber, changes):
    assert corrections.corrected(shown(chamber, **changes), chamber) == chamber


@pytest.mark.parametrize("values", [{}, {**ICE, "seen_mc": 70_000}, {**ICE, "u_mc": -1}, {**ICE, "seen_mc": "600"},
                                    {**ICE, "seen_mc": 20_000}], ids=str)
def test_a_row_that_no_good_sensor_makes_corrects_nothing(chamber, values):
    kept = Kept(chamber.board, True, (Proof("ice_point", True, 5, "x", "", values, "control"),))
    assert corrections.corrected(kept, chamber) == chamber
