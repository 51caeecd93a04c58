"""Modbus RTU frames: against the specification's worked frames, against pymodbus's own framer, and against themselves.

Every answer is driven whole and byte by byte; whatever comes in gives an answer, a coded wrong, or "not yet", never an error.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from controller.link.forms import BadMessage
from controller.link.modbus import (
    BIT_TABLES,
    FRAME_MAX_BYTES,
    Answer,
    Bad,
    Exchange,
    Read,
    Table,
    WriteCoil,
    WriteRegister,
    WriteRegisters,
    Wrong,
    answer_bytes,
    crc16,
    encode,
    framed,
    function_of,
    gap_us,
)

WORKED = (
    (Read(0x11, Table.HOLDING, 0x6B, 3), "11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA",
     (0x022B, 0x0000, 0x0064)),
    (Read(1, Table.HOLDING, 0, 10), "01 03 00 00 00 0A C5 CD", "", ()),
    (Read(1, Table.HOLDING, 0, 1), "01 03 00 00 00 01 84 0A", "", ()),
    (WriteCoil(0x11, 0xAC, True), "11 05 00 AC FF 00 4E 8B", "11 05 00 AC FF 00 4E 8B", ()),
    (WriteRegister(1, 1, 3), "01 06 00 01 00 03 98 0B", "01 06 00 01 00 03 98 0B", ()),
    (WriteRegisters(1, 1, (10, 0x0102)), "01 10 00 01 00 02 04 00 0A 01 02 92 30", "", ()),
)
"""Data of the examples in the Modbus Application Protocol Specification V1.1b3, sections 6.3, 6.5, 6.6 and 6.12 (from memory),
with checksums on which pymodbus, crcmod and a bitwise reckoning agree."""


@pytest.mark.parametrize(("request_", "sent", "answered", "values"), WORKED, ids=[row[1] for row in WORKED])
def test_the_specifications_worked_frames(request_, sent, answered, values):
    assert encode(request_) == bytes.fromhex(sent)
    if answered:
        assert Exchange(request_).receive(bytes.fromhex(answered)) == Answer(values)


def test_the_checksum_has_the_catalogues_check_value():
    """0x4B37 for "123456789" (CRC catalogue, CRC-16/MODBUS), 0x1241 for 02 07 (the serial-line guide's own example)."""
    assert crc16(b"123456789") == 0x4B37
    assert framed(b"\x02\x07") == bytes.fromhex("02 07 41 12")


@given(st.binary(max_size=FRAME_MAX_BYTES))
def test_the_checksum_is_pymodbuss(data):
    assert crc16(data) == int.from_bytes(FramerRTU.compute_CRC(data).to_bytes(2, "big"), "little")


def test_the_worked_exception():
    exchange = Exchange(Read(1, Table.HOLDING, 0, 1))
    told = exchange.receive(bytes.fromhex("01 83 02 C0 F1"))
    assert told == Bad(Wrong.EXCEPTION, "code 2: it has no such address", 2)


@pytest.mark.parametrize(("speed", "us"), [(9_600, 3_646), (19_200, 1_823), (38_400, 1_750), (115_200, 1_750)])
def test_frames_stand_three_and_a_half_characters_apart(speed, us):
    """8N1 has 10 bits; the guide's 4,010 µs at 9,600 baud are of 11-bit characters. Above 19,200 baud 1,750 µs."""
    assert gap_us(speed) == us
    assert gap_us(9_600, 2) == 4_011


units, addresses, words = st.integers(1, 247), st.integers(0, 0xFFFF), st.integers(0, 0xFFFF)


@st.composite
def reads(draw) -> Read:
    table = draw(st.sampled_from(Table))
    start = draw(addresses)
    most = min(2_000 if table in BIT_TABLES else 125, 0x10000 - start)
    return Read(draw(units), table, start, draw(st.integers(1, most)))


@st.composite
def several(draw) -> WriteRegisters:
    values = tuple(draw(st.lists(words, min_size=1, max_size=123)))
    return WriteRegisters(draw(units), draw(st.integers(0, 0x10000 - len(values))), values)


requests = st.one_of(reads(), st.builds(WriteCoil, units, addresses, st.booleans()),
                     st.builds(WriteRegister, units, addresses, words), several())


def theirs(request):
    """The same request as pymodbus reads it from our bytes."""
    used, pdu = FramerRTU(DecodePDU(True)).handleFrame(encode(request), 0, 0)
    assert used == len(encode(request))
    return pdu


@given(requests)
def test_pymodbus_reads_from_our_requests_what_we_meant(request_):
    pdu = theirs(request_)
    assert (pdu.dev_id, pdu.function_code) == (request_.unit, function_of(request_))
    if isinstance(request_, Read):
        assert (pdu.address, pdu.count) == (request_.start, request_.size)
    elif isinstance(request_, WriteCoil):
        assert (pdu.address, pdu.bits) == (request_.address, [request_.on])
    else:
        values = [request_.value] if isinstance(request_, WriteRegister) else list(request_.values)
        assert (pdu.address, pdu.registers) == (request_.address, values)


def answer_to(request, draw) -> tuple[bytes, tuple[int, ...]]:
    """The frame that pymodbus's server side would send, and what stands in it."""
    pdu = theirs(request)
    answer = DecodePDU(False).lookupPduClass(bytes((0, function_of(request))))(dev_id=request.unit)
    values: tuple[int, ...] = ()
    if isinstance(request, Read):
        bits = request.table in BIT_TABLES
        values = tuple(draw(st.lists(st.integers(0, 1 if bits else 0xFFFF), min_size=request.size, max_size=request.size)))
        if bits:
            answer.bits = [bool(value) for value in values]
        else:
            answer.registers = list(values)
    else:
        answer.address, answer.registers, answer.bits = pdu.address, pdu.registers, pdu.bits
        answer.count = getattr(pdu, "count", 0)
    return FramerRTU(DecodePDU(False)).buildFrame(answer), values


@given(requests, st.data())
def test_answers_that_pymodbus_builds_are_read_whole_and_byte_by_byte(request_, data):
    frame, values = answer_to(request_, data.draw)
    assert len(frame) == answer_bytes(request_)
    assert Exchange(request_).receive(frame) == Answer(values)
    dribble = Exchange(request_)
    *early, last = [dribble.receive(frame[at : at + 1]) for at in range(len(frame))]
    assert last == Answer(values) and set(early) == {None}


@given(requests, st.data(), st.integers(0, 7))
def test_one_bit_turned_anywhere_is_never_an_answer(request_, data, bit):
    frame, _ = answer_to(request_, data.draw)
    at = data.draw(st.integers(0, len(frame) - 1))
    spoilt = bytearray(frame)
    spoilt[at] ^= 1 << bit
    assert not isinstance(Exchange(request_).receive(bytes(spoilt)), Answer)


@given(requests, st.lists(st.binary(max_size=300), max_size=6))
def test_whatever_comes_nothing_is_raised_and_no_more_than_a_frame_is_kept(request_, pieces):
    exchange = Exchange(request_)
    for piece in pieces:
        told = exchange.receive(piece)
        assert told is None or isinstance(told, Answer | Bad)
        assert len(exchange._kept) <= FRAME_MAX_BYTES + 1


ASKED = Read(7, Table.INPUT, 4, 2)
RIGHT = framed(bytes((7, 4, 4, 1, 2, 3, 4)))
WRONGS = {
    "another unit": (framed(bytes((8, 4, 4, 1, 2, 3, 4))), Wrong.UNIT, "unit 8 answered; 7 was asked"),
    "another function": (framed(bytes((7, 3, 4, 1, 2, 3, 4))), Wrong.FUNCTION, "function 0x03 answered; 0x04 was asked"),
    "fewer registers": (framed(bytes((7, 4, 2, 1, 2))), Wrong.COUNT, "2 bytes of data came; 4 were asked"),
    "more registers": (framed(bytes((7, 4, 6, 1, 2, 3, 4, 5, 6))), Wrong.COUNT, "6 bytes of data came; 4 were asked"),
    "a garbled byte": (RIGHT[:5] + b"\xff" + RIGHT[6:], Wrong.CHECKSUM, "it says"),
    "the checksum's bytes changed about": (RIGHT[:-2] + RIGHT[:-3:-1], Wrong.CHECKSUM, "it says"),
    "twice": (RIGHT * 2, Wrong.TOO_LONG, "the answer has 9"),
    "an exception of another function": (framed(bytes((7, 0x83, 2))), Wrong.FUNCTION, "0x83"),
    "an exception nobody defined": (framed(bytes((7, 0x84, 0x99))), Wrong.EXCEPTION, "code 153: a code nobody defined"),
}


@pytest.mark.parametrize("how", WRONGS)
def test_every_wrong_answer_has_its_code_and_words(how):
    frame, code, words = WRONGS[how]
    told = Exchange(ASKED).receive(frame)
    assert isinstance(told, Bad) and told.code is code and words in told.reason


def test_a_write_that_is_echoed_otherwise_did_not_happen():
    told = Exchange(WriteCoil(1, 3, False)).receive(encode(WriteCoil(1, 3, True)))
    assert isinstance(told, Bad) and told.code is Wrong.ECHO


def test_a_short_answer_is_silence_that_says_how_much_came():
    exchange = Exchange(ASKED)
    assert exchange.receive(RIGHT[:5]) is None
    assert exchange.silent() == Bad(Wrong.SILENT, "5 of 9 bytes came in time")
    assert Exchange(ASKED).silent().reason == "nothing came in time"


UNSENDABLE = {
    "unit is 0": Read(0, Table.INPUT, 0, 1), "unit is 248": WriteCoil(248, 0, True), "count is 0": Read(1, Table.INPUT, 0, 0),
    "count is 126": Read(1, Table.INPUT, 0, 126), "count is 2001": Read(1, Table.COIL, 0, 2_001),
    "count is 2;": Read(1, Table.INPUT, 65_535, 2), "start is -1": Read(1, Table.INPUT, -1, 1),
    "address is 65536": WriteCoil(1, 65_536, True), "value is 65536": WriteRegister(1, 0, 65_536),
    "value is -1": WriteRegisters(1, 0, (-1,)), "count is 124": WriteRegisters(1, 0, (0,) * 124),
}


@pytest.mark.parametrize("words", UNSENDABLE)
def test_what_cannot_be_sent_is_refused_with_its_field(words):
    with pytest.raises(BadMessage, match=words):
        encode(UNSENDABLE[words])
