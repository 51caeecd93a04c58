"""The conversation with a module that is late, wrong, silent, doubled or noisy: no wrong answer becomes a reading, no late one
is taken for the next one's, and the line comes back by itself.
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.messages import Hello, Report
from controller.link.modbus import crc16
from controller.link.module import Conversation
from tests.link.module_peer import CONTACTOR, MODULATOR, SPOILT
from tests.link.module_talk import BY_DUTY, MAP, MS, SILENCE_US, S, Talk, sensor


@pytest.mark.parametrize("how", SPOILT)
def test_whatever_is_wrong_gives_no_report_and_the_heat_ends(how):
    talk = Talk().heating()
    talk.run(0.3)
    talk.module.spoil = SPOILT[how]
    talk.drive(10_000).run(0.6)
    seen = len(talk.of(Report))
    talk.driven(6, 0, False)
    assert len(talk.of(Report)) == seen, "no answer that is wrong becomes a report"
    assert talk.wrongs()
    talk.module.spoil = None
    talk.driven(3, 0, False)
    assert len(talk.of(Report)) > seen, "the line comes back by itself"
    assert not talk.module.heats


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(150, 480), min_size=1, max_size=30), st.integers(0, 3))
def test_a_late_answer_is_never_taken_for_the_next_ones(late_ms, kind):
    """Every poll's registers say which poll they are of: a value may be missing, never of an earlier moment than its poll."""
    talk = Talk()
    lateness = itertools.cycle(late_ms)
    count = 0

    def late(answer: bytes) -> list[tuple[int, bytes]]:
        if answer[1] == 4:
            body = answer[:3] + talk.module.now_us.to_bytes(8, "big")
            answer = body + crc16(body).to_bytes(2, "little")
        nonlocal count
        count += 1
        return [(next(lateness) * MS if count % 4 >= kind else 0, answer)]

    talk.module.spoil = late
    registers = MAP._replace(sensors=(sensor(0, 2, words=2, signed=False, scale_uc=1),))
    talk.line = Conversation(registers, SILENCE_US, 0)
    talk.run(8, 3 * MS)
    for report in talk.of(Report):
        channel = report.channels[0]
        assert channel is not None
        asked_us = channel.value_mc * 1_000
        assert report.up_us - 1_000 <= asked_us + 1_000, "the registers were read after the poll began"


BABBLE = {"every 20 ms": 20 * MS, "every 100 ms": 100 * MS, "just before the line would be quiet": 290 * MS}
WAYS = {"a drive": lambda talk: talk.drive(0, False), "a session's begin": lambda talk: talk.tell(Hello),
        "the program's end": lambda talk: talk.line.leave()}


@pytest.mark.parametrize("every", BABBLE)
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("registers", [MAP, BY_DUTY], ids=["coil", "duty"])
def test_off_goes_out_over_a_second_talker_modulator_first_and_again_and_no_reading_is_believed(registers, every, way):
    talk = Talk(registers).heating()
    talk.babble_every_us = BABBLE[every]
    talk.drive(10_000).run(1)
    seen, asked, began_us = len(talk.of(Report)), len(talk.module.requests), talk.now_us
    WAYS[way](talk)
    while talk.module.coils[CONTACTOR]:
        talk.run(0.001)
    assert not talk.module.heats and talk.now_us - began_us <= 1 * S
    sent = talk.module.requests[asked:]
    assert [request[1:4] for request in sent][-1][2] == CONTACTOR and len(sent) == 2, "modulator first"
    talk.run(4)
    assert len(talk.module.requests) >= asked + 12, "once may be lost"
    assert len(talk.of(Report)) == seen and not talk.line.is_off, "no echo is taken while somebody else talks"
    talk.babble_every_us = 0
    talk.run(1.5)
    assert talk.line.is_off and not any(talk.module.coils[:2])


def test_a_second_talker_switches_nothing_on_and_nothing_off_that_is_wanted():
    talk = Talk().heating()
    talk.babble_every_us = 50 * MS
    talk.run(0.1)
    asked = len(talk.module.requests)
    for _ in range(3):
        talk.drive(10_000).run(0.5)
    assert talk.module.heats and len(talk.module.requests) == asked
    talk.drive(0).run(1)
    assert talk.module.coils[CONTACTOR] and not talk.module.coils[MODULATOR], "the modulator's gap is kept"


def test_a_tick_that_stands_still_is_not_shouted_for():
    talk = Talk().heating()
    talk.babble_every_us, talk.beats = 50 * MS, False
    talk.run(7)
    asked = len(talk.module.requests)
    assert not talk.module.heats
    talk.run(3)
    assert len(talk.module.requests) == asked


def test_after_a_failed_block_something_that_looks_otherwise_is_asked_first():
    """An answer later than any drain then meets a request that it does not fit."""
    talk = Talk().run(1)
    while talk.module.requests[-1][1] != 1:
        talk.run(0.01)
    talk.module.mute = True
    before = len(talk.module.requests)
    talk.run(0.5)
    talk.module.mute = False
    talk.run(0.6)
    assert [one[1] for one in talk.module.requests[before:]][:4] == [4, 1, 4, 2]


@given(st.binary(max_size=400), st.integers(0, 500))
@settings(max_examples=40, deadline=None)
def test_noise_at_any_moment_is_never_an_error(noise, ms):
    talk = Talk().run(0.4 + ms / 1000, 7 * MS)
    talk.line.received(noise, talk.now_us)
    talk.run(1.5, 7 * MS)
    assert talk.of(Report)
