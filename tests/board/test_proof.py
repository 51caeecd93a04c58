"""The proof of the decisions: what is kept is about today's sources, is whole, and each planted defect still has its place.

The provers themselves run in `make prove`; the slow test here runs them on the smallest functions where they are installed.
"""

from __future__ import annotations

import re

import pytest

from tests.board import prove

KEPT = prove.RESULT.read_text(encoding="utf-8")


def test_the_proof_that_is_kept_is_about_these_sources():
    assert f"checksum {prove.checksum()}" in KEPT, "the decisions have changed since they were proven: make prove"


def test_the_proof_that_is_kept_is_whole():
    proved, goals = re.search(r"goals discharged: \*\*(\d+) of (\d+)\*\*", KEPT).groups()
    assert proved == goals
    rows = re.findall(r"^\| (\w+) \| (\d+) \| (\d+) \|$", KEPT, re.MULTILINE)
    assert [name for name, _, _ in rows] == prove.functions()
    assert all(goals == discharged for _, goals, discharged in rows)


def test_every_planted_defect_was_caught():
    caught = re.findall(r"^\| ([^|]+) \| (\w+) \| (\d+) \| ([\w, ]+) \|$", KEPT.split("| planted defect")[1], re.MULTILINE)
    assert [words for words, _, _, _ in caught] == [defect.words for defect in prove.PLANTED]
    assert all(int(left) > 0 and function in names for _, function, left, names in caught)


@pytest.mark.parametrize("defect", prove.PLANTED, ids=lambda defect: defect.words)
def test_every_planted_defect_has_its_place(tmp_path, defect):
    prove.planted(tmp_path, defect)
    assert [(tmp_path / name).read_text() for name in prove.CODE] != [
        (prove.FIRMWARE / name).read_text() for name in prove.CODE]


@pytest.mark.slow
# The provers are 1.5 GB: only `make prove` installs them. The tests above hold what it kept to today's sources.
@pytest.mark.skipif(bool(prove.missing()), reason=prove.missing() or "-")
def test_the_prover_tells_a_sound_ceiling_from_a_broken_one(tmp_path):
    defect = next(one for one in prove.PLANTED if one.function == "is_below")
    prove.find_solvers()
    assert prove.proven(prove.FIRMWARE, "is_below").whole
    prove.planted(tmp_path, defect)
    assert not prove.proven(tmp_path, "is_below").whole
