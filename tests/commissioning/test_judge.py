"""Typed values: every field of every step driven past its limits, every rule between values, and what is no value at all."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning import judge
from controller.commissioning.step import YES
from controller.commissioning.steps import BY_ID, STEPS
from tests.commissioning.proven import TYPED
from tests.service.chambers import simulated

FIELDS = [(step, field) for step in STEPS for field in step.fields]


@pytest.fixture(scope="module")
def chamber(tmp_path_factory: pytest.TempPathFactory):
    return simulated(tmp_path_factory.mktemp("judge") / "c").chamber


def wrong(chamber, step: str, **changes: Any) -> dict[str, judge.Wrong]:
    found = judge.typed(BY_ID[step], {**TYPED[step], **changes}, chamber)
    return {one.field: one for one in found.wrong}


@pytest.mark.parametrize("step", list(TYPED))
def test_good_values_pass_and_are_told_in_short(chamber, step):
    found = judge.typed(BY_ID[step], TYPED[step], chamber)
    assert found.wrong == () and judge.words(BY_ID[step], found.values)


@pytest.mark.parametrize(("step", "field"), FIELDS, ids=lambda one: getattr(one, "id", getattr(one, "key", "")))
def test_every_field_is_judged_and_says_what_to_do(chamber, step, field):
    bad: list[Any] = [field.low - 0.01, field.high + 0.01] if field.number else ["no"] if field.choices == YES else []
    for value in bad:
        one = wrong(chamber, step.id, **{field.key: value})[field.key]
        assert one.allowed and one.advice
    for value in [field.low, field.high] if field.number else []:
        named = wrong(chamber, step.id, **{field.key: value})
        assert named.get(field.key) is None or named[field.key].advice != field.wrong, "the limits themselves are allowed"


@pytest.mark.parametrize(("step", "field"), FIELDS, ids=lambda one: getattr(one, "id", getattr(one, "key", "")))
@pytest.mark.parametrize("value", [None, math.nan, math.inf, 1e12, "twelve", [], {}, "YES", True], ids=repr)
def test_what_is_no_value_is_refused_by_name(chamber, step, field, value):
    if value is True and field.choices == YES:
        assert field.key not in wrong(chamber, step.id, **{field.key: True})
        return
    with pytest.raises(judge.BadValues) as caught:
        wrong(chamber, step.id, **{field.key: value})
    assert [one.field for one in caught.value.mistakes] == [field.key]
    assert caught.value.mistakes[0].allowed and caught.value.mistakes[0].advice


@pytest.mark.parametrize(("step", "changes", "field"), [
    ("wiring", {"element_ohm": 89.0}, "element_ohm"), ("wiring", {"element_ohm": 122.0}, "element_ohm"),
    ("wiring", {"mains_v": 120.0}, "element_ohm"),
    ("wiring", {"fuse_a": 10.1}, "fuse_a"), ("wiring", {"fuse_a": 2.1}, "fuse_a"),
    ("limiter", {"open_mohm": 0.9}, "open_mohm"), ("limiter", {"closed_ohm": 0.6}, "closed_ohm"),
    ("limiter", {"mark_c": 158.0}, "mark_c"), ("limiter", {"mark_c": 142.0}, "mark_c"),
], ids=str)
def test_values_must_fit_each_other_and_the_chamber_file(chamber, step, changes, field):
    """500 W at 230 V are 105.8 Ω and 2.17 A (Ohm's law); 15 % about the resistance, the file's tolerance about the mark."""
    assert field in wrong(chamber, step, **changes)


@pytest.mark.parametrize(("step", "changes"), [
    ("wiring", {"element_ohm": 90.0}), ("wiring", {"element_ohm": 121.6}), ("wiring", {"mains_v": 120.0, "element_ohm": 28.8}),
    ("wiring", {"fuse_a": 10.0}), ("wiring", {"fuse_a": 2.2}), ("limiter", {"mark_c": 157.0}), ("limiter", {"mark_c": 143.0}),
], ids=str)
def test_what_just_fits_passes(chamber, step, changes):
    assert wrong(chamber, step, **changes) == {}


@pytest.mark.parametrize(("age_us", "passes"), [
    (0, True), (24 * 3_600_000_000 - 1, True), (24 * 3_600_000_000, False), (-1, False)])
def test_a_message_counts_for_a_day(chamber, age_us, passes):
    assert (wrong(chamber, "message_channels", arrived_age_us=age_us) == {}) is passes


ANYTHING = st.none() | st.integers() | st.floats() | st.text(max_size=9) | st.lists(st.none())


@given(st.dictionaries(st.text(max_size=20) | st.sampled_from(sorted({field.key for _, field in FIELDS})), ANYTHING),
       st.sampled_from([step for step in STEPS if step.fields or step.id == "message_channels"]))
def test_whatever_is_typed_is_judged_or_refused(chamber, values, step):
    try:
        judge.typed(step, values, chamber)
    except judge.BadValues as error:
        assert error.mistakes


def test_the_table_says_what_each_number_is_of(chamber):
    found = judge.words(BY_ID["wiring"], judge.typed(BY_ID["wiring"], TYPED["wiring"], chamber).values)
    for name in ("earth", "insulation", "link", "element", "mains", "fuse", "cable"):
        assert f"{name} " in found


def test_no_message_yet_is_said_in_words(chamber):
    found = judge.typed(BY_ID["message_channels"], {"arrived_age_us": -1, "channel": "", "way": ""}, chamber)
    assert "No test message has arrived yet: send one on the sheet Messages" in found.advice
