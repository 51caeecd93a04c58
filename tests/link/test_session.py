"""Session. Every vector is tried whole, byte by byte and with bytes left over; then the wire is filled with garbage."""

from __future__ import annotations

import json
import random
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.messages import Drive, Enable, Hello, Refusal, Tell
from controller.link.protocol import FROM_BOARD, Wrong, decode, encode
from controller.link.session import SHOWN_BYTES, BadLine, BoardSession, Ran, Run, Session

VECTORS = json.loads(
    (Path(__file__).parents[2] / "hardware_notes" / "protocol_vectors.json").read_text(encoding="utf-8"))["vectors"]
EVERY_VECTOR = pytest.mark.parametrize("row", VECTORS, ids=lambda row: row["name"])
FRAME = encode(Refusal(4711, 7, 3))
NEXT = Refusal(4711, 7, 3)


def half(row: dict) -> Session | BoardSession:
    return Session() if row["line"][:1].encode() in FROM_BOARD else BoardSession()


def expected(row: dict) -> object:
    return decode(row["line"].encode("latin-1")) if row["good"] else row["wrong"]


def seen(event: object) -> object:
    return event.code.value if isinstance(event, BadLine) else event


@EVERY_VECTOR
def test_a_line_in_one_piece(row):
    assert [seen(event) for event in half(row).receive(row["line"].encode("latin-1") + b"\n")] == [expected(row)]


@EVERY_VECTOR
def test_a_line_byte_by_byte(row):
    session = half(row)
    data = row["line"].encode("latin-1") + b"\n"
    events = [event for byte in data for event in session.receive(bytes([byte]))]
    assert [seen(event) for event in events] == [expected(row)]


@EVERY_VECTOR
def test_a_line_with_bytes_left_over(row):
    session = half(row)
    data = row["line"].encode("latin-1") + b"\n"
    assert [seen(event) for event in session.receive(data + data[:5])] == [expected(row)]
    assert [seen(event) for event in session.receive(data[5:])] == [expected(row)]


@given(st.lists(st.sampled_from(VECTORS), max_size=8), st.data())
def test_where_the_stream_is_cut_makes_no_difference(rows, data):
    stream = b"".join(row["line"].encode("latin-1") + b"\n" for row in rows)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=6)))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    whole, cut = Session(), Session()
    assert [event for piece in pieces for event in cut.receive(piece)] == whole.receive(stream)


@given(st.binary(max_size=2000))
def test_after_any_garbage_the_next_whole_frame_is_understood(garbage):
    session = Session()
    session.receive(garbage + b"\n")
    assert session.receive(FRAME) == [NEXT]


@given(st.binary(max_size=600))
def test_a_hello_is_understood_in_the_middle_of_garbage(garbage):
    board = BoardSession()
    board.receive(garbage)
    assert board.receive(Session().send(Hello(9, 1)))[-1] == Hello(9, 1)


def test_a_million_random_bytes_raise_nothing_and_keep_nothing():
    draw = random.Random(20)
    for session in (Session(), BoardSession(), Session(lock_step=True), BoardSession(lock_step=True)):
        tracemalloc.start()
        for _ in range(250):
            for event in session.receive(draw.randbytes(4000)):
                assert isinstance(event, BadLine)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 200_000


def test_a_babbler_without_newlines_is_told_once_and_never_fills_memory():
    session = Session()
    events = []
    tracemalloc.start()
    for _ in range(1000):
        events += session.receive(b"x" * 1000)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert [event.code for event in events] == [Wrong.TOO_LONG]
    assert len(events[0].line) == SHOWN_BYTES
    assert peak < 50_000
    assert session.receive(b"\n" + FRAME) == [NEXT]


def test_the_end_of_a_line_that_was_too_long_is_not_told_again_and_the_next_too_long_line_is():
    session = Session()
    assert [event.code for event in session.receive(b"x" * 400)] == [Wrong.TOO_LONG]
    assert session.receive(b"the end of it\n" + FRAME) == [NEXT]
    assert [event.code for event in session.receive(b"y" * 400)] == [Wrong.TOO_LONG]


def test_a_frame_of_exactly_the_longest_length_is_read_byte_by_byte():
    longest = next(row for row in VECTORS if row["good"] and "longest" in row["name"])["line"].encode() + b"\n"
    assert len(longest) == 256
    session = Session()
    assert len([event for byte in longest for event in session.receive(bytes([byte]))]) == 1


def test_empty_lines_are_nothing():
    assert Session().receive(b"\n\n\n" + FRAME + b"\n") == [NEXT]


def test_a_frame_that_goes_the_other_way_is_a_bad_line():
    assert [event.code for event in Session().receive(encode(Enable(1, 2)))] == [Wrong.UNKNOWN_FRAME]
    assert [event.code for event in BoardSession().receive(FRAME)] == [Wrong.UNKNOWN_FRAME]


def test_a_hello_is_led_by_a_newline_and_other_frames_are_not():
    session = Session()
    assert session.send(Hello(1, 1)) == b"\n" + encode(Hello(1, 1))
    for message in (Enable(1, 2), Drive(1, 3, True, True, 1, 1000), Tell(1, 4, 0, False, False, 0)):
        assert session.send(message) == encode(message)


def test_clock_lines_pass_in_lock_step_only():
    assert Session(lock_step=True).receive(b"@ran 250000\n") == [Ran(250_000)]
    assert BoardSession(lock_step=True).receive(b"@run 250000\n") == [Run(250_000)]
    for session in (Session(), BoardSession()):
        assert all(isinstance(event, BadLine) for event in session.receive(b"@ran 1\n@run 1\n"))


@pytest.mark.parametrize("line", [b"@ran", b"@ran ", b"@ran -1", b"@ran 1.5", b"@ran 9999999999999999", b"@run 5",
                                  b"@ran 1 2", b"@", b"@ran \xc2\xb2"], ids=repr)
def test_a_malformed_clock_line_is_a_bad_line(line):
    assert [type(event) for event in Session(lock_step=True).receive(line + b"\n")] == [BadLine]


def test_a_peer_is_never_asked_to_run_no_time():
    assert BoardSession(lock_step=True).receive(b"@run 0\n")[0].code is Wrong.VALUE
    for us in (0, -1, 10**16):
        with pytest.raises(ValueError, match="allowed is 1 to"):
            Session(lock_step=True).run(us)
    with pytest.raises(ValueError, match="in lock-step only"):
        Session().run(1)
    assert Session(lock_step=True).run(1_000_000) == b"@run 1000000\n"
    assert BoardSession(lock_step=True).ran(7) == b"@ran 7\n"
