"""The codec. Whatever the types allow goes in; exactly that comes out, of the same types (compared by repr: True is not 1).

Broken bytes are refused with `Broken`, never with another error and never with wrong ticks taken for right ones unnoticed by
the checksum that zlib keeps.
"""

from __future__ import annotations

import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.commands import Ask, Command, PersonRole
from controller.core.messages import (
    Channel,
    Drive,
    Enable,
    Hello,
    LimitsRead,
    Refusal,
    Report,
    SetLimits,
    Stall,
    Tell,
    Welcome,
)
from controller.core.setup import Level
from controller.core.state import Garbage, Inputs, LineLost, LineOpened
from controller.records.blocks import FORMAT, Stored, decode, encode
from controller.records.columns import Broken, Cursor, pack, unpack, varint
from tests.records.scripted import SHORT, records, start

ANY_INT = st.integers(-(1 << 70), 1 << 70) | st.integers(-300, 300)
ANY_TEXT = st.text(max_size=12)
FLAG = st.booleans()


def rows(cls: type, *fields: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    return st.tuples(*fields).map(lambda values: cls(*values))


NUMBER = ANY_INT
CHANNEL = rows(Channel, NUMBER, NUMBER, NUMBER, NUMBER)
REPORT = rows(
    Report, ANY_TEXT, NUMBER, NUMBER, NUMBER, NUMBER, NUMBER, st.lists(st.none() | CHANNEL, max_size=6).map(tuple), FLAG, FLAG,
    FLAG, NUMBER, NUMBER, NUMBER, NUMBER, *[st.none() | FLAG] * 6, *[st.none() | NUMBER] * 3)
NOTICE = st.one_of(
    rows(LineOpened, NUMBER), rows(LineLost, ANY_TEXT), rows(Garbage, *[NUMBER] * len(Garbage._fields)),
    rows(Welcome, ANY_TEXT, NUMBER, NUMBER, ANY_TEXT, ANY_TEXT, NUMBER, FLAG), rows(LimitsRead, *[NUMBER] * 5),
    rows(Refusal, *[NUMBER] * 3))
FRAME = st.one_of(
    rows(Hello, NUMBER, NUMBER), rows(Enable, NUMBER, NUMBER), rows(Drive, NUMBER, NUMBER, FLAG, FLAG, NUMBER, NUMBER),
    rows(Stall, NUMBER, NUMBER), rows(Tell, NUMBER, NUMBER, NUMBER, FLAG, FLAG, NUMBER),
    rows(SetLimits, NUMBER, NUMBER, *[st.none() | NUMBER] * 3))
COMMANDS = (
    start("27", SHORT),
    Command(Ask.ACKNOWLEDGE, "Ömer \n\0 \N{ROLLING ON THE FLOOR LAUGHING}", PersonRole.VIEWER, "", name="ceiling"),
    Command(Ask.TIGHTEN, "", PersonRole.MAINTAINER, "r", None, "", Level.MEASURE_ONLY, "run_max_us", 1 << 70))
INPUTS = st.builds(
    Inputs, NUMBER, st.lists(REPORT, max_size=2).map(tuple), st.lists(NOTICE, max_size=2).map(tuple),
    st.lists(st.sampled_from(COMMANDS), max_size=2).map(tuple), NUMBER, NUMBER, FLAG)
TICK = st.builds(Stored, NUMBER, NUMBER, INPUTS, st.lists(FRAME, max_size=2).map(tuple))
VALUE = st.none() | FLAG | ANY_INT | ANY_TEXT


@given(st.one_of(st.lists(VALUE), st.lists(ANY_INT), st.lists(FLAG), st.lists(st.none() | ANY_INT)))
def test_any_column_comes_back_as_it_was(values: list[object]) -> None:
    cursor = Cursor(pack(values))
    assert repr(unpack(cursor, len(values))) == repr(values)
    assert cursor.done


@given(st.lists(TICK, min_size=1, max_size=3))
def test_any_inputs_and_frames_come_back_as_they_were(ticks: list[Stored]) -> None:
    assert repr(decode(encode(ticks))) == repr(ticks)


def test_a_real_half_minute_comes_back_and_is_small() -> None:
    ticks = [Stored(one.tick, one.utc_us, one.inputs, one.result.outputs.frames) for one in records(90)][-30:]
    data = encode(ticks)
    assert repr(decode(data)) == repr(ticks)
    assert len(data) / 30 < 45, "a tick with four reports no longer fits its share of 110 bytes"


@pytest.mark.parametrize(("values", "most"), [
    ([7] * 120, 4), (list(range(0, 30_000_000, 250_000)), 130), ([True] * 120, 7), ([None] * 120, 7)])
def test_what_hardly_changes_costs_hardly_anything(values: list[object], most: int) -> None:
    assert len(pack(values)) <= most


@given(st.binary(max_size=200))
def test_garbage_is_refused_and_nothing_else_happens(data: bytes) -> None:
    for body in (data, zlib.compress(data), zlib.compress(varint(FORMAT) + data)):
        with pytest.raises(Broken):
            decode(body)


@given(st.data())
def test_a_block_cut_or_with_a_flipped_bit_is_refused(data: st.DataObject) -> None:
    whole = encode([Stored(one.tick, one.utc_us, one.inputs, one.result.outputs.frames) for one in RECORDS])
    cut = data.draw(st.integers(0, len(whole) - 1))
    with pytest.raises(Broken):
        decode(whole[:cut])
    place = data.draw(st.integers(0, len(whole) * 8 - 1))
    flipped = bytearray(whole)
    flipped[place // 8] ^= 1 << place % 8
    try:
        assert repr(decode(bytes(flipped))) == repr(decode(whole)), "another block came out of a damaged one"
    except Broken:
        return  # zlib's header has bits without meaning; only a right block or a refusal may come


RECORDS = list(records(12))


def test_another_format_is_named() -> None:
    with pytest.raises(Broken, match="format 99"):
        decode(zlib.compress(varint(99)))


def test_a_class_that_has_grown_is_refused_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = encode([Stored(one.tick, one.utc_us, one.inputs, one.result.outputs.frames) for one in RECORDS])
    monkeypatch.setattr(Drive, "_fields", (*Drive._fields, "new"))
    with pytest.raises(Broken, match="Drive was written with 6 fields and has 7 now"):
        decode(whole)


@pytest.mark.parametrize("count", [10_001, 1 << 40, 1 << 90])
def test_a_number_of_ticks_that_no_block_has_is_refused_before_any_is_made(count: int) -> None:
    with pytest.raises(Broken, match="rows; 0 to 10000 are possible"):
        decode(zlib.compress(varint(FORMAT) + varint(count) + pack([0, 0]) * 10))


def test_a_small_block_cannot_fill_memory() -> None:
    with pytest.raises(Broken, match="larger than any block"):
        decode(zlib.compress(varint(FORMAT) + bytes(20 << 20)))
