"""One request at a time, a gap between frames, and a drain after anything wrong: the rules that keep answers apart."""

from __future__ import annotations

import pytest

from controller.link.modbus import Answer, Bad, Read, Table, WriteCoil, Wrong, encode, framed, gap_us
from controller.link.modbus_wire import NOISY_AFTER_US, Came, Wire

ASKED = Read(1, Table.INPUT, 0, 1)
RIGHT = framed(bytes((1, 4, 2, 0, 215)))
ANSWER_US, QUIET_US, GAP_US = 200_000, 300_000, gap_us(115_200)
AT = 1_000_000


def ready() -> Wire:
    """A line that has been quiet since it was opened."""
    wire = Wire(115_200, 1, ANSWER_US, QUIET_US, AT - QUIET_US)
    assert wire.free_us(AT) <= AT
    return wire


def test_what_came_before_the_line_was_opened_is_drained():
    wire = Wire(115_200, 1, ANSWER_US, QUIET_US, AT)
    assert wire.receive(RIGHT, AT + 100_000) is None
    assert wire.free_us(AT + QUIET_US) == AT + 100_000 + QUIET_US


def test_no_second_request_while_one_is_outstanding_or_the_line_drains():
    wire = ready()
    wire.send(ASKED, AT)
    with pytest.raises(AssertionError):
        wire.send(ASKED, AT + 1)
    assert wire.free_us(AT) > AT + ANSWER_US, "the characters' own time comes on top"


def test_after_an_answer_the_next_request_waits_for_the_gap_alone():
    wire = ready()
    wire.send(ASKED, AT)
    assert wire.receive(RIGHT, AT + 5_000) == Came(ASKED, Answer((215,)))
    assert wire.free_us(AT + 5_000) == AT + 5_000 + GAP_US


def test_a_refusal_is_a_whole_answer_and_needs_no_drain():
    wire = ready()
    wire.send(ASKED, AT)
    came = wire.receive(framed(bytes((1, 0x84, 2))), AT + 5_000)
    assert came is not None and isinstance(came.told, Bad) and came.told.code is Wrong.EXCEPTION
    assert wire.free_us(AT + 5_000) == AT + 5_000 + GAP_US


def test_a_late_answer_is_thrown_away_and_the_line_must_be_quiet_after_it():
    wire = ready()
    wire.send(ASKED, AT)
    late_us = wire.free_us(AT)
    assert wire.late(late_us - 1) is None
    came = wire.late(late_us)
    assert came is not None and isinstance(came.told, Bad) and came.told.code is Wrong.SILENT
    assert wire.receive(RIGHT, late_us + 250_000) is None
    assert wire.free_us(late_us + QUIET_US) == late_us + 250_000 + QUIET_US


def test_bytes_that_nobody_asked_for_begin_a_drain():
    """The second copy of an answer would otherwise be taken for the next request's."""
    wire = ready()
    wire.send(ASKED, AT)
    wire.receive(RIGHT, AT + 5_000)
    came = wire.receive(RIGHT, AT + 9_000)
    assert came is not None and came.request is None and isinstance(came.told, Bad) and came.told.code is Wrong.UNASKED
    assert wire.free_us(AT + 20_000) == AT + 9_000 + QUIET_US


def test_a_line_that_babbles_is_never_free_but_can_be_shouted_over():
    wire, off = ready(), WriteCoil(1, 0, False)
    wire.receive(b"?", AT)
    for step in range(100):
        now_us = AT + step * 100_000
        assert wire.receive(b"?", now_us) is None and wire.free_us(now_us) > now_us
        assert wire.noisy(now_us) is (now_us >= AT + QUIET_US + NOISY_AFTER_US)
    assert wire.shout(off, now_us) == encode(off)
    assert wire.receive(encode(off), now_us + 5_000) is None, "an echo of what was shouted is nobody's"
    assert wire.free_us(now_us + 5_000) == now_us + 5_000 + QUIET_US
