"""Wire protocol. One list of vectors, kept beside the manual, drives every reader; hypothesis draws every message.

Outside check: CRC-16/CCITT-FALSE of "123456789" is 0x29B1 (its published check value; the catalogue of CRCs lists it
under that name). The vectors' checksums come from a bit-by-bit loop, not from the code under test.
"""

from __future__ import annotations

import json
import re
from binascii import crc_hqx
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core import messages
from controller.link import protocol
from controller.link.protocol import CODECS, FRAMES, BadFrame, BadMessage, Wrong, crc4, decode, encode

NOTES = Path(__file__).parents[2] / "hardware_notes"
FILE = json.loads((NOTES / "protocol_vectors.json").read_text(encoding="utf-8"))
VECTORS = FILE["vectors"]
GOOD = [row for row in VECTORS if row["good"]]
BAD = [row for row in VECTORS if not row["good"]]
FORMS = {
    "board": st.from_regex(r"\A[0-9a-f]{6}\Z"),
    "firmware": st.from_regex(r"\A[0-9a-z.]{1,12}\Z"),
    "firmware_hash": st.from_regex(r"\A[0-9a-f]{8}\Z"),
    "channels": st.tuples(*[st.none() | st.builds(
        messages.Channel, st.integers(-99_999, 999_999), st.integers(-9_999, 99_999), st.integers(0, 255),
        st.integers(0, 255))] * 6),
}


def named(row: dict) -> str:
    return row["name"]


def message_of(row: dict) -> tuple:
    fields = dict(row["message"])
    made = getattr(messages, fields.pop("frame"))
    if "channels" in fields:
        fields["channels"] = tuple(one and messages.Channel(*one) for one in fields["channels"])
    return made(**fields)


def values(layout: protocol.Layout) -> st.SearchStrategy:
    return st.builds(layout.message, **{name: value(field, name) for field in layout.fields for name in field.names})


def value(field: protocol.Field, name: str) -> st.SearchStrategy:
    form = field.form
    if form.high:
        whole = st.integers(form.low, form.high)
        return whole | st.none() if form.read("-" if "(-|" in form.pattern else "1") is None else whole
    if name in FORMS:
        return FORMS[name]
    return st.booleans() | st.none() if "-]" in form.pattern else st.booleans()


EVERY_MESSAGE = st.one_of([values(layout) for layout in FRAMES])


def bit_by_bit(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ (0x1021 if crc & 0x8000 else 0)
        crc &= 0xFFFF
    return crc


def test_crc_has_its_published_check_value():
    assert crc4(b"123456789") == b"29B1" == FILE["check"]["crc"].encode()
    assert bit_by_bit(b"123456789") == 0x29B1


@given(st.binary(max_size=300))
def test_crc_is_the_one_the_manual_gives_code_for(data):
    assert bit_by_bit(data) == crc_hqx(data, 0xFFFF)


@pytest.mark.parametrize("row", GOOD, ids=named)
def test_every_good_vector_reads_and_writes_as_it_stands(row):
    line = row["line"].encode("latin-1")
    assert decode(line) == message_of(row)
    assert encode(message_of(row)) == line + b"\n"


@pytest.mark.parametrize("row", BAD, ids=named)
def test_every_bad_vector_is_refused_for_its_own_reason(row):
    with pytest.raises(BadFrame) as caught:
        decode(row["line"].encode("latin-1"))
    assert caught.value.code.value == row["wrong"]
    assert caught.value.reason


def test_vectors_show_every_frame_and_every_kind_of_mistake():
    assert {row["line"][0] for row in GOOD} == set(CODECS)
    assert {row["wrong"] for row in BAD} == {wrong.value for wrong in Wrong}


@given(EVERY_MESSAGE)
def test_every_message_comes_back_as_it_went(message):
    line = encode(message)
    back = decode(line)
    assert back == message
    assert type(back) is type(message)
    assert [type(one) for one in back] == [type(one) for one in message]


@given(EVERY_MESSAGE)
def test_quick_readers_and_writers_agree_with_the_table(message):
    codec = next(codec for codec in CODECS.values() if codec.layout.message is type(message))
    text = protocol.table_writer(codec.layout)(message)
    assert encode(message)[:-6].decode() == text
    assert protocol.table_reader(codec.layout)(codec.pattern.fullmatch(text).groups()) == message


@given(EVERY_MESSAGE)
def test_no_line_is_longer_than_256_bytes(message):
    assert len(encode(message)) <= protocol.LINE_MAX_BYTES


def test_the_longest_report_has_exactly_256_bytes():
    row = next(row for row in GOOD if "longest" in row["name"])
    assert len(encode(message_of(row))) == 256


@given(EVERY_MESSAGE, st.data())
def test_one_changed_byte_is_never_another_message(message, data):
    line = bytearray(encode(message)[:-1])
    at = data.draw(st.integers(0, len(line) - 1))
    line[at] ^= data.draw(st.integers(1, 255))
    with pytest.raises(BadFrame):
        decode(bytes(line))


@given(st.text(alphabet="HEDTSXWRLN vsqbo=-,/0123456789af*", max_size=80))
def test_whatever_reads_is_the_one_way_to_write_it(text):
    body = text.encode()
    line = body + b"*" + crc4(body)
    try:
        message = decode(line)
    except BadFrame:
        return
    assert encode(message) == line + b"\n"


@given(st.binary(max_size=300))
def test_any_bytes_with_a_good_checksum_raise_nothing_but_bad_frame(body):
    with pytest.raises(BadFrame):
        decode(body + b"*" + crc4(body))


@given(EVERY_MESSAGE, st.data())
def test_a_number_out_of_its_range_is_neither_written_nor_read(message, data):
    codec = next(codec for codec in CODECS.values() if codec.layout.message is type(message))
    index, low, high = data.draw(st.sampled_from(codec.bounds or ((-1, 0, 0),)))
    if index < 0:
        return
    wrong = data.draw(st.sampled_from((low - 1, high + 1, high + 10**20)))
    broken = message._replace(**{message._fields[index]: wrong})
    with pytest.raises(BadMessage, match=rf"{message._fields[index]} is {wrong}; allowed is {low} to {high}"):
        encode(broken)
    body = protocol.table_writer(codec.layout)(broken).encode()
    with pytest.raises(BadFrame) as caught:
        decode(body + b"*" + crc4(body))
    assert caught.value.code is Wrong.RANGE
    assert str(high) in caught.value.reason


@pytest.mark.parametrize("channel", [
    messages.Channel(1_000_000, 0, 0, 0), messages.Channel(0, 100_000, 0, 0), messages.Channel(-100_000, 0, 0, 0),
    messages.Channel(0, 0, -1, 0), messages.Channel(0, 0, 0, -1), messages.Channel(0, 0, 256, 0),
    messages.Channel(0, 0, 0, 256),
], ids=str)
def test_a_channel_out_of_range_is_not_written(channel):
    report = message_of(next(row for row in GOOD if row["name"] == "report"))
    with pytest.raises(BadMessage, match="allowed is -99999 to 999999"):
        encode(report._replace(channels=(channel, None, None, None, None, None)))
    with pytest.raises(BadMessage, match="a report has 6"):
        encode(report._replace(channels=(None,) * 5))


def test_a_text_that_would_break_the_line_is_not_written():
    welcome = message_of(next(row for row in GOOD if row["name"] == "welcome"))
    for firmware in ("", "0.1\n", "a b", "0123456789abc", "Ä"):
        with pytest.raises(BadMessage):
            encode(welcome._replace(firmware=firmware))


# The manual


PAGE = (NOTES / "protocol.md").read_text(encoding="utf-8")


def test_every_frame_printed_in_the_manual_reads():
    lines = re.findall(r"^(?:host|board)? *([A-Z] .*\*[0-9A-F]{4})$", PAGE, re.MULTILINE)
    assert len(lines) > 15
    assert {type(decode(line.encode())).__name__ for line in lines} == {
        layout.message.__name__ for layout in FRAMES}


def test_the_manual_has_a_row_for_every_field_with_its_range():
    for layout in FRAMES:
        section = PAGE.split(f"### `{layout.letter}` ")[1].split("\n### ")[0].split("\n## ")[0]
        rows = re.findall(r"^\| `(\w)` \| (.*) \|$", section, re.MULTILINE)
        assert [key for key, _ in rows] == [field.key for field in layout.fields], layout.letter
        for (key, words), field in zip(rows, layout.fields, strict=True):
            if field.form.high:
                assert f"{field.form.low:,} to {field.form.high:,}" in words, (layout.letter, key)


@pytest.mark.parametrize("table", [messages.OffReason, messages.RefusalCode, messages.ResetCause, messages.Fault],
                         ids=lambda table: table.__name__)
def test_the_manual_explains_every_code(table):
    for code in table:
        number = f"0x{code.value:02x}" if table is messages.Fault else str(code.value)
        assert re.search(rf"^\| {number} \| {code.name} \| .{{15,}} \|$", PAGE, re.MULTILINE), code


def test_the_manuals_reference_crc_is_right():
    code = re.search(r"```python\n(def crc16.*?)```", PAGE, re.DOTALL)[1]
    scope: dict = {}
    exec(code, scope)
    assert scope["crc16"](b"123456789") == 0x29B1
