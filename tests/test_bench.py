"""The bench's own arithmetic and its file: a measurement that is wrong is worse than none."""

from __future__ import annotations

import json

import pytest

from tests.bench import __main__ as bench
from tests.bench import proofs
from tests.bench.figure import Figure, at_most, median, percentile


@pytest.mark.parametrize(("share", "expected"), [(0.0, 1), (0.5, 50), (0.99, 99), (0.991, 100), (1.0, 100)])
def test_a_percentile_is_the_smallest_value_that_so_many_do_not_pass(share, expected):
    assert percentile(list(range(100, 0, -1)), share) == expected


def test_the_median_of_few_is_one_of_them():
    assert median([3.0, 1.0, 2.0]) == 2.0


def test_a_value_at_its_goal_holds_and_past_it_does_not():
    assert at_most("spine", "x", 10.0, "ms", 10).holds
    assert not at_most("spine", "x", 10.0001, "ms", 10).holds


def test_rounding_for_the_table_never_decides():
    assert at_most("spine", "x", 100.04, "ms", 100) == Figure("spine", "x", 100.0, "ms", 100, False)


def broken() -> list[Figure]:
    """a row that fails"""
    raise RuntimeError("no board")


def good() -> list[Figure]:
    """a row that works"""
    return [at_most("spine", "quick", 1.0, "s", 6)]


def test_a_failed_row_is_told_and_the_others_are_measured(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(bench, "OUT", tmp_path / "bench.json")
    monkeypatch.setitem(bench.AREAS, "spine", (broken, good))
    assert bench.main(["spine"]) == 1
    lost, kept = json.loads((tmp_path / "bench.json").read_text())
    assert set(kept) == {"area", "name", "value", "unit", "goal", "holds"}
    assert (kept["name"], kept["value"], kept["holds"]) == ("quick", 1.0, True)
    assert (lost["value"], lost["holds"]) == (None, False)
    assert "RuntimeError" in lost["name"]
    assert "load" in capsys.readouterr().out


def test_an_unknown_area_is_refused_with_those_there_are(capsys):
    assert bench.main(["cellar"]) == 2
    assert "spine" in capsys.readouterr().err


def test_every_row_of_the_figures_has_a_function_that_says_what_it_measures():
    counted = {area: len(rows) for area, rows in bench.AREAS.items() if area != "proofs"}
    assert counted == {"spine": 6, "room": 3, "board": 10}
    assert {row.__module__.rsplit(".", 1)[-1] for row in bench.AREAS["proofs"]} == set(proofs.PARTS) >= {"proofs_sensors"}
    assert all(row.__doc__ for rows in bench.AREAS.values() for row in rows)
