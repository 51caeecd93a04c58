"""A heated step that asks for values too: which half waits for the other, in words. Times and values are invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.commissioning import proving, store
from controller.commissioning.proofs import Voided
from controller.commissioning.proving import HALF_US, HALVES, half_there
from controller.commissioning.store import Half, Kept
from tests.commissioning.proven import facts_of
from tests.service.chambers import simulated

AT_US = 1_800_000_000_000_000


def kept(*whats: str) -> Kept:
    made = Kept("5a17c0", True)
    for what in whats:
        made = store.with_half(made, Half("limiter", what, AT_US, "Anna", "", {}))
    return made


@pytest.mark.parametrize(("whats", "words"), [
    ((), ""), (("begun",), ""), (("seen",), "values are still to be typed"), (("begun", "typed"), "still to be seen")])
def test_the_half_that_lacks_is_named(whats, words):
    found = half_there(kept(*whats), "limiter", AT_US)
    assert (words in HALVES[found]) if words else found == ""
    assert half_there(kept(*whats), "burn_off", AT_US) == "", "of another step it says nothing"


@pytest.mark.parametrize("at_us", [AT_US + HALF_US + 1, AT_US - 1])
def test_a_half_that_no_longer_counts_is_not_waited_for(at_us):
    assert half_there(kept("seen"), "limiter", at_us) == ""


def joined(tmp_path: Path, kept_: Kept, at_us: int) -> list[str]:
    return [row.step for row in proving.joined(kept_, "limiter", facts_of(simulated(tmp_path / "c"), at_us), at_us).proofs]


@pytest.mark.parametrize(("change", "steps", "proven"), [
    ("limiter", ("wiring", "limiter"), []), ("room", ("place",), ["limiter"])])
@pytest.mark.parametrize(("first", "second"), [("typed", "seen"), ("seen", "typed")])
def test_halves_are_not_joined_across_a_change_of_their_step(tmp_path, change, steps, proven, first, second):
    before = store.with_mark(kept("begun", first), Voided(change, AT_US + 1, "Anna", steps))
    assert any(half.what == "begun" for half in before.halves), "what goes on is still known to go on"
    whole = store.with_half(before, Half("limiter", second, AT_US + 2, "Anna", "", {}))
    assert joined(tmp_path, whole, AT_US + 2) == proven


@pytest.mark.parametrize(("later_us", "proven"), [(HALF_US, ["limiter"]), (HALF_US + 1, []), (-1, [])])
@pytest.mark.parametrize(("first", "second"), [("typed", "seen"), ("seen", "typed")])
def test_halves_are_not_joined_after_a_week_nor_before_their_time(tmp_path, later_us, proven, first, second):
    at_us = AT_US + later_us
    whole = store.with_half(kept(first), Half("limiter", second, at_us, "Anna", "", {}))
    assert joined(tmp_path, whole, at_us) == proven
