"""The firmware's reader and writer of frames, compiled for this computer, against the host's own and the shared vectors."""

from __future__ import annotations

import ctypes
import json
import re
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller.chamber.codes import ANSWERS
from controller.core.messages import (
    Channel,
    Drive,
    Enable,
    Fault,
    Hello,
    LimitsRead,
    Refusal,
    RefusalCode,
    Report,
    SetLimits,
    Stall,
    Tell,
    Welcome,
)
from controller.link.protocol import FROM_BOARD, BadFrame, crc4, decode, encode
from tests.board.firmware_core import KINDS, MIRRORED, ChannelReport, Frame, LimitsC, ReportC, WelcomeC

VECTORS = json.loads((Path(__file__).parents[2] / "hardware_notes" / "protocol_vectors.json").read_text())["vectors"]
BAD = 6
LONGEST = 63
"""Bytes of a line to the board, without its newline."""


def test_the_structures_here_are_those_of_the_headers(core):
    assert [core.size_of(which) for which in range(len(MIRRORED))] == [ctypes.sizeof(kind) for kind in MIRRORED]


def test_the_checksum_has_the_published_check_value(core):
    # CRC-16/CCITT-FALSE of "123456789": catalogue check value, see ../protocol.md
    assert core.crc16(b"123456789", 9) == 0x29B1


@given(data=st.binary(max_size=300))
def test_the_checksum_is_the_hosts(core, data):
    assert b"%04X" % core.crc16(data, len(data)) == crc4(data)


def read(core, line: bytes):
    """What the firmware makes of a line: a message, a refusal, or None for noise."""
    frame = Frame()
    core.frame_read(line, len(line), ctypes.byref(frame))
    if frame.kind == BAD:
        return Refusal(frame.session, frame.sequence, frame.refusal)
    if frame.kind == 0:
        return None
    kind = next(kind for kind, number in KINDS.items() if number == frame.kind)
    return kind(frame.session, frame.sequence, *{
        Hello: (), Enable: (), Stall: (),
        Drive: (frame.permit, frame.contactor, frame.duty_e4, frame.window_ms),
        Tell: (frame.armed, frame.heating, frame.hot, frame.sounder),
        SetLimits: (frame.board_ceiling_mc if frame.has_board_ceiling else None,
                    frame.run_ceiling_mc if frame.has_run_ceiling else None,
                    frame.run_max_s if frame.has_run_max else None),
    }[kind])


def expected(line: bytes):
    """What the host's decoder and the simulated board make of it."""
    try:
        message = decode(line)
    except BadFrame as bad:
        code = ANSWERS.get(bad.code)
        if code is None or line[:1] in FROM_BOARD or len(line) > LONGEST:
            return None
        found = re.search(rb" s=([0-9]{1,5}) q=([0-9]{1,7})[ *]", line)
        session, sequence = (int(found[1]), int(found[2])) if found else (0, 0)
        return Refusal(session if session < 65_536 else 0, sequence, code)
    return message if type(message) in KINDS else None


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector["name"])
def test_every_vector_is_read_as_the_host_reads_it(core, vector):
    line = vector["line"].encode("latin-1")
    if len(line) > LONGEST:
        assert read(core, line[:255]) is None, "too long for a board: dropped"
    else:
        assert read(core, line) == expected(line)


def sealed(body: bytes) -> bytes:
    return body + b"*" + crc4(body)


TO_BOARD = st.one_of(
    st.builds(Hello, st.integers(1, 65_535), st.integers(0, 9_999_999)),
    st.builds(Enable, st.integers(0, 65_535), st.integers(0, 9_999_999)),
    st.builds(Stall, st.integers(0, 65_535), st.integers(0, 9_999_999)),
    st.builds(Drive, st.integers(0, 65_535), st.integers(0, 9_999_999), st.booleans(), st.booleans(),
              st.integers(0, 10_000), st.integers(1_000, 600_000)),
    st.builds(Tell, st.integers(0, 65_535), st.integers(0, 9_999_999), st.integers(0, 2), st.booleans(), st.booleans(),
              st.integers(0, 3)),
    st.builds(SetLimits, st.integers(0, 65_535), st.integers(0, 9_999_999),
              *[st.none() | st.integers(-99_999, 999_999)] * 2, st.none() | st.integers(0, 999_999)),
)
PIECES = st.sampled_from([b" ", b"=", b"-", b"0", b"00", b"1", b"9", b"s", b" s=", b" q=", b"v=", b"v=2", b"D", b"R", b"*",
                          b"\xff", b"\x00", b"10000000", b"4294967296", b"99999999999", b"+1", b" x=1", b""])


@given(message=TO_BOARD)
def test_every_frame_the_host_writes_is_read_as_meant(core, message):
    assert read(core, encode(message)[:-1]) == message


@given(message=TO_BOARD, at=st.integers(0, 60), cut=st.integers(0, 12), put=PIECES)
@example(Hello(1, 1), 1, 0, b"x")
@example(Enable(1, 1), 3, 1, b"")
@example(Enable(1, 1), 4, 0, b" ")
def test_a_changed_frame_under_a_good_checksum_is_refused_as_the_host_would(core, message, at, cut, put):
    body = encode(message)[:-6]
    line = sealed(body[:at] + put + body[at + cut:])
    if len(line) <= LONGEST:
        assert read(core, line) == expected(line)


@given(line=st.binary(max_size=80))
def test_noise_is_nothing(core, line):
    if len(line) <= LONGEST:
        assert read(core, line) == expected(line)
    else:
        assert read(core, line) is None


@given(message=TO_BOARD, at=st.integers(0, 62), bit=st.integers(0, 7))
def test_one_wrong_bit_makes_noise(core, message, at, bit):
    line = bytearray(encode(message)[:-1])
    line[at % len(line)] ^= 1 << bit
    assert read(core, bytes(line)) is None


def test_lines_of_any_length_up_to_the_longest_byte_are_read_safely(core):
    for length in range(256):
        assert read(core, b"D" * length) is None


# Writing


def written(core, name: str, *args) -> bytes:
    buffer = ctypes.create_string_buffer(256)
    length = getattr(core, f"write_{name}")(buffer, *args)
    return buffer.raw[:length]


CHANNELS = st.lists(st.none() | st.builds(Channel, st.integers(-99_999, 999_999), st.integers(-9_999, 99_999),
                                          st.integers(0, 255), st.integers(0, 255)), min_size=6, max_size=6).map(tuple)
FLAG = st.none() | st.booleans()
HEX = "0123456789abcdef"
BOARD = st.text(HEX, min_size=6, max_size=6)
REPORTS = st.builds(
    Report, BOARD, st.integers(0, 65_535), st.integers(0, 65_535), st.integers(0, 9_999_999), st.integers(0, 9_999_999),
    st.integers(0, 10**15 - 1), CHANNELS, st.booleans(), st.booleans(), st.booleans(), st.integers(0, 14),
    st.integers(0, 9_999_999), st.integers(0, 999_999), st.integers(0, 999_999), FLAG, FLAG, FLAG, FLAG, FLAG, FLAG,
    st.none() | st.integers(0, 99_999), st.none() | st.integers(0, 9_999), st.none() | st.integers(0, 9_999))


def channel_of(channel: Channel | None) -> ChannelReport:
    return ChannelReport(False, 0, 0, 0, 0) if channel is None else ChannelReport(True, *channel)


def report_of(report: Report) -> ReportC:
    contacts = (report.mains, report.limiter, report.door, report.local_stop, report.arm, report.smoke)
    maybe = (report.current_ma, report.fan_rpm, report.aux_mv)
    return ReportC(report.board.encode(), report.boot, report.session, report.sequence, report.heard,
                   report.up_us // 1_000_000, report.up_us % 1_000_000,
                   (ChannelReport * 6)(*[channel_of(channel) for channel in report.channels]), report.modulator,
                   report.contactor, report.enabled, report.off, report.on_us, report.switches, report.run_s,
                   "".join("-" if one is None else str(int(one)) for one in contacts).encode(),
                   *[-1 if one is None else one for one in maybe])


@given(report=REPORTS)
def test_a_report_is_written_as_the_host_would_write_it(core, report):
    assert written(core, "report", ctypes.byref(report_of(report))) == encode(report)


@pytest.mark.parametrize("vector", [one for one in VECTORS if one["good"] and one["message"]["frame"] == "Report"],
                         ids=lambda vector: vector["name"])
def test_every_report_of_the_vectors_is_written_to_the_byte(core, vector):
    line = vector["line"].encode("latin-1")
    assert written(core, "report", ctypes.byref(report_of(decode(line)))) == line + b"\n"


def test_the_longest_report_has_exactly_256_bytes(core):
    worst = Channel(-99_999, 99_999, 255, 255)._replace(value_mc=999_999)
    report = Report("ffffff", 65_535, 65_535, 9_999_999, 9_999_999, 10**15 - 1, (worst,) * 6, True, True, True, 14,
                    9_999_999, 999_999, 999_999, *[True] * 6, 99_999, 9_999, 9_999)
    assert len(written(core, "report", ctypes.byref(report_of(report)))) == len(encode(report)) == 256


@given(value_mc=st.integers(-2**31, 2**31 - 1), cold_mc=st.integers(-2**31, 2**31 - 1))
def test_a_channel_beyond_its_range_says_the_nearest_and_that_it_is(core, value_mc, cold_mc):
    report = report_of(Report("5a17c0", 1, 1, 1, 1, 1, (None,) * 6, False, False, False, 0, 0, 0, 0, *[None] * 6, None,
                              None, None))
    report.channels[0] = ChannelReport(True, value_mc, cold_mc, Fault.OPEN, 7)
    channel = decode(written(core, "report", ctypes.byref(report))).channels[0]
    fits = -99_999 <= value_mc <= 999_999 and -9_999 <= cold_mc <= 99_999
    assert channel == (min(max(value_mc, -99_999), 999_999), min(max(cold_mc, -9_999), 99_999),
                       Fault.OPEN | (0 if fits else Fault.OUT_OF_RANGE), 7)


@given(board=BOARD, boot=st.integers(0, 65_535), session=st.integers(0, 65_535),
       firmware=st.text("0123456789abcdefghijklmnopqrstuvwxyz.", min_size=1, max_size=12),
       number=st.integers(0, 2**32 - 1), cause=st.integers(0, 4), simulated=st.booleans())
def test_a_welcome_is_written_as_the_host_would(core, board, boot, session, firmware, number, cause, simulated):
    wanted = encode(Welcome(board, boot, session, firmware, f"{number:08x}", cause, simulated))
    assert written(core, "welcome", ctypes.byref(WelcomeC(board.encode(), boot, session, firmware.encode(), number, cause,
                                                          simulated))) == wanted


@given(session=st.integers(0, 65_535), board_mc=st.integers(-99_999, 999_999), run_mc=st.integers(-99_999, 999_999),
       run_s=st.integers(0, 999_999), silence_us=st.integers(0, 9_999_999))
def test_limits_are_written_as_the_host_would(core, session, board_mc, run_mc, run_s, silence_us):
    values = (session, board_mc, run_mc, run_s, silence_us)
    assert written(core, "limits", ctypes.byref(LimitsC(*values))) == encode(LimitsRead(*values))


@given(session=st.integers(0, 65_535), sequence=st.integers(0, 9_999_999), code=st.sampled_from(list(RefusalCode)))
def test_a_refusal_is_written_as_the_host_would(core, session, sequence, code):
    assert written(core, "refusal", session, sequence, code) == encode(Refusal(session, sequence, code))
