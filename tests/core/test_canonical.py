"""Canonical JSON. Every situation the core can be in is written, read back and compared; floats come back bit for bit."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core import canonical
from controller.core.program import CoolDown, Treatment
from controller.core.readings import Faulted, Stale
from controller.core.regulator import Regulator
from controller.core.schedule import Schedule
from controller.core.setup import Chamber
from controller.core.state import State
from controller.core.tick import advance
from tests.core import drawn
from tests.core.ready import SITUATIONS, stopping
from tests.core.world import CHAMBER, DEMO, changed, soaking


@pytest.mark.parametrize("name", sorted(SITUATIONS))
def test_every_situation_comes_back_as_it_was_and_reads_the_same_again(name):
    state = SITUATIONS[name]().state
    text = canonical.text(state)
    again = canonical.load(State, json.loads(text))
    assert again == state
    assert canonical.text(again) == text


@given(st.data())
def test_any_state_a_tick_can_give_comes_back_and_goes_on_alike(data):
    state = data.draw(drawn.states())
    state = advance(state, data.draw(drawn.inputs(state))).state
    again = canonical.load(State, json.loads(canonical.text(state)))
    assert again == state
    came = data.draw(drawn.inputs(state))
    assert advance(again, came) == advance(state, came)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_float_comes_back_bit_for_bit(integral):
    again = canonical.load(Regulator, json.loads(canonical.text(Regulator(integral, 1))))
    assert math.copysign(1, again.integral) == math.copysign(1, integral)
    assert again.integral.hex() == integral.hex()


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_not_a_number_is_refused(bad):
    with pytest.raises(ValueError, match="JSON compliant"):
        canonical.text(changed(soaking().state, regulator=Regulator(bad, 0)))


def test_the_text_is_sorted_without_spaces_and_keeps_its_letters():
    text = canonical.text(changed(CHAMBER, name="Kammer für Ä"))
    assert text == json.dumps(json.loads(text), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert "für Ä" in text
    assert text.startswith('{"board":')


def test_members_of_a_union_come_back_as_what_they_were():
    state = stopping().state
    again = canonical.load(State, json.loads(canonical.text(state)))
    assert [type(one) for one in again.run.programs] == [Treatment, CoolDown]
    bent = changed(state, readings=(Stale(5), Faulted("wire broken"), state.readings[2]))
    assert canonical.load(State, json.loads(canonical.text(bent))).readings == bent.readings


@pytest.mark.parametrize(("damage", "said"), [
    ({"name": ...}, "missing or unknown name"), ({"extra": 1}, "missing or unknown extra"),
    ({"is": "Other"}, "expected a Chamber"),
])
def test_a_damaged_text_names_the_class_and_what_is_wrong(damage, said):
    data = canonical.dump(CHAMBER)
    for key, value in damage.items():
        data.pop(key, None)
        if value is not ...:
            data[key] = value
    with pytest.raises(ValueError, match=said):
        canonical.load(Chamber, data)


def test_what_core_does_not_use_has_no_form():
    for value in (b"bytes", {1, 2}, object()):
        with pytest.raises(TypeError, match="no canonical form"):
            canonical.dump(value)


def test_a_schedule_comes_back():
    assert canonical.load(Schedule, json.loads(canonical.text(DEMO))) == DEMO
