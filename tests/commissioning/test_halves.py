"""A heated step that asks for values too: which half waits for the other, in words. Times and values are invented."""

from __future__ import annotations

import pytest

from controller.commissioning import store
from controller.commissioning.proving import HALF_US, HALVES, half_there
from controller.commissioning.store import Half, Kept

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
