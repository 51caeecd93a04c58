"""The conversation with a module, in memory and in its own time: what it writes, what it believes, what it does when the module
is late, wrong, silent or stubborn. Every question is asked of an invented module that a test can spoil.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.messages import Drive, Enable, Fault, Hello, OffReason, Report, Tell
from controller.core.module import ModuleFound, SilenceProof
from controller.core.state import Garbage
from controller.link.modbus import Table, crc16
from controller.link.module import Conversation
from controller.link.registers import NOWHERE, Contact, Measure, RegisterMap, Sensor, channels, extremes_mc
from tests.link.module_peer import CONTACTOR, DUTY, MODULATOR, TIME_OUT, TRIGGER, ModulePeer

MS, S = 1_000, 1_000_000
SILENCE_US = 4_800_000


def sensor(channel: int, register: int, **more: Any) -> Sensor:
    return Sensor(**{"channel": channel, "register": register, "words": 1, "low_word_first": False, "signed": True,
                     "scale_uc": 100_000, "faults": (32_767,), "fault_register": NOWHERE, "fault_mask": 0,
                     "counter_register": NOWHERE, **more})


MAP = RegisterMap(
    "TEST01", 1, 115_200, 1, 200 * MS, 300 * MS, Table.INPUT, 0, 4, (sensor(0, 0), sensor(1, 1), sensor(2, 2)),
    contactor_coil=CONTACTOR, modulator_coil=MODULATOR, time_out_register=TIME_OUT, time_out_value=30, time_out_us=3 * S,
    contacts=(Contact("door", Table.DISCRETE, 1, False), Contact("arm", Table.DISCRETE, 2, False)),
)
BY_DUTY = MAP._replace(modulator_coil=NOWHERE, duty_register=DUTY, duty_full=1_000)
BY_RELAY = MAP._replace(
    time_out_register=NOWHERE, time_out_value=0, time_out_us=0, trigger_coil=TRIGGER, timer_relay_us=4 * S,
    contacts=(*MAP.contacts, Contact("contactor_seen", Table.DISCRETE, 0, False)))


@dataclass
class Talk:
    """A conversation, its module, and the wire between: time passes in `run` alone, in steps of a millisecond."""

    registers: RegisterMap = MAP
    module: ModulePeer = field(default_factory=lambda: ModulePeer(discretes=[0, 1, 0, 0, 0, 0, 0, 0]))
    now_us: int = 0
    said: list[Any] = field(default_factory=list)
    session: int = 7
    sequence: int = 0
    under_way: list[tuple[int, bytes]] = field(default_factory=list)
    beats: bool = True

    def __post_init__(self) -> None:
        self.line = Conversation(self.registers, SILENCE_US, 0)

    def run(self, seconds: float, step_us: int = MS) -> Talk:
        end_us = self.now_us + round(seconds * S)
        while self.now_us < end_us:
            self.now_us += step_us
            self.module.advance(step_us)
            if self.beats:
                self.line.beat(self.now_us)
            for at_us, data in [one for one in self.under_way if one[0] <= self.now_us]:
                self.under_way.remove((at_us, data))
                self.line.received(data, self.now_us)
            sent = self.line.turn(self.now_us)
            assert sent or self.line.until_us > self.now_us, "a line with nothing to do must say when to come back"
            if sent:
                self.under_way += [(self.now_us + 2 * MS + late_us, data) for late_us, data in self.module.receive(sent)]
            self.said += self.line.take()
        return self

    def tell(self, kind: type, *fields: Any) -> Talk:
        self.sequence += 1
        self.line.hear(kind(self.session, self.sequence, *fields), self.now_us)
        return self

    def drive(self, duty_e4: int, permit: bool = True) -> Talk:
        return self.tell(Drive, permit, permit, duty_e4, 40_000)

    def heating(self, duty_e4: int = 10_000) -> Talk:
        """A session, enabled and driven for a second."""
        self.tell(Hello).run(2)
        for _ in range(12):
            self.tell(Enable).drive(0, False).run(0.5)
        return self.drive(duty_e4).run(1)

    def driven(self, seconds: int, duty_e4: int = 10_000, permit: bool = True) -> Talk:
        for _ in range(seconds):
            self.drive(duty_e4, permit).run(1)
        return self

    def of(self, kind: type) -> list[Any]:
        return [one for one in self.said if isinstance(one, kind)]

    @property
    def report(self) -> Report:
        return self.of(Report)[-1]

    def wrongs(self) -> list[str]:
        return [one.why for one in self.of(Garbage)]


def test_a_poll_is_a_report_four_times_a_second_with_every_sensor_and_contact():
    talk = Talk().run(5.35)
    assert 19 <= len(talk.of(Report)) <= 21
    report = talk.report
    assert [channel and channel.value_mc for channel in report.channels] == [21_500, 21_600, 21_700, None, None, None]
    assert (report.board, report.door, report.arm, report.smoke, report.limiter) == ("TEST01/1", True, False, None, None)
    assert (report.modulator, report.contactor, report.enabled, report.session) == (False, False, False, 0)
    assert not talk.wrongs()


def test_one_block_read_a_poll_and_no_two_neighbours_look_alike():
    for registers in (MAP, BY_DUTY, BY_RELAY):
        talk = Talk(registers)
        talk.heating()
        asked = [request for request in talk.module.requests if request[1] < 5]
        assert sum(request[1] == 4 for request in asked) <= len(talk.of(Report)) + 1
        pairs = itertools.pairwise(asked)
        assert all(one == two or (one[1], one[4:6]) != (two[1], two[4:6]) for one, two in pairs)


def test_a_hello_turns_the_outputs_off_sets_the_time_out_and_has_both_read_back():
    talk = Talk()
    talk.module.coils[CONTACTOR] = talk.module.coils[MODULATOR] = 1
    talk.run(1)
    talk.tell(Hello).run(1)
    assert talk.of(ModuleFound) == [ModuleFound("TEST01/1", 7, 3 * S, "")]
    assert talk.module.holding[TIME_OUT] == 30 and not any(talk.module.coils)


def test_a_time_out_that_does_not_hold_is_told_as_it_reads():
    talk = Talk()
    talk.module.refuses.add(6)
    talk.tell(Hello).run(1)
    assert talk.of(ModuleFound) == [ModuleFound("TEST01/1", 7, 0, "")]


def test_outputs_that_do_not_read_back_off_are_told():
    talk = Talk()
    talk.module.refuses.add(5)
    talk.module.coils[CONTACTOR] = 1
    talk.tell(Hello).run(5)
    assert talk.of(ModuleFound)[0].wrong == "its outputs do not read back off"


def test_on_is_contactor_first_and_off_is_modulator_at_once_and_contactor_a_tenth_later():
    talk = Talk().heating()
    assert talk.module.heats and talk.report.enabled and talk.report.off is OffReason.NONE
    writes = [request for request in talk.module.requests if request[1] == 5]
    on = [request[3] for request in writes if request[4] == 0xFF]
    assert on == [CONTACTOR, MODULATOR]
    asked_us = talk.now_us
    talk.drive(0, False)
    modulator_us = contactor_us = 0
    while not contactor_us:
        talk.run(0.001)
        modulator_us = modulator_us or (0 if talk.module.coils[MODULATOR] else talk.now_us - asked_us)
        contactor_us = 0 if talk.module.coils[CONTACTOR] else talk.now_us - asked_us
    assert modulator_us <= 20 * MS
    assert 100 * MS <= contactor_us <= 130 * MS


def test_a_duty_is_written_as_the_registers_share_and_counts_as_on_time():
    talk = Talk(BY_DUTY).heating(2_500).driven(4, 2_500)
    assert talk.module.holding[DUTY] == 250
    on_us = sum(report.on_us for report in talk.of(Report)[-8:])
    assert on_us == pytest.approx(8 * 250 * MS * 0.25, rel=0.05)
    talk.drive(0, False).run(0.2)
    assert talk.module.holding[DUTY] == 0 and not talk.module.coils[CONTACTOR]


def test_a_frame_is_heard_only_by_a_poll_that_began_after_it_was_done():
    talk = Talk().heating()
    before = talk.report.heard
    talk.drive(10_000)
    number = talk.sequence
    talk.module.mute = True
    talk.run(1)
    assert talk.report.heard == before
    talk.module.mute = False
    talk.run(1)
    assert talk.report.heard == number


@pytest.mark.parametrize("frames", [(), (Tell,)], ids=["nothing", "only lamps"])
def test_a_tick_that_drives_no_more_ends_the_heat_within_the_silence_limit(frames):
    talk = Talk().heating()
    began_us = talk.now_us
    while talk.module.heats:
        for kind in frames:
            talk.tell(kind, 0, True, False, 0)
        talk.run(0.1)
    assert talk.now_us - began_us <= SILENCE_US + 200 * MS
    talk.run(1)
    assert talk.report.off is OffReason.HOST_SILENT and not talk.report.enabled
    talk.driven(3)
    assert not talk.module.heats, "heat comes back by a fresh enable only"


def test_a_tick_that_stands_still_ends_all_asking_so_that_the_modules_own_time_out_acts():
    talk = Talk().heating()
    talk.beats = False
    talk.run(7)
    asked = len(talk.module.requests)
    talk.run(5)
    assert len(talk.module.requests) == asked
    talk.beats = True
    talk.run(1)
    assert len(talk.module.requests) > asked


def test_a_killed_host_is_ended_by_the_modules_own_time_out():
    talk = Talk().heating()
    assert talk.module.heats
    talk.module.advance(3 * S)
    assert not talk.module.heats


CONTACTS = {"door": (1, 0, OffReason.DOOR), "local_stop": (3, 1, OffReason.LOCAL_STOP), "smoke": (4, 1, OffReason.SMOKE)}


@pytest.mark.parametrize("name", CONTACTS)
def test_a_contact_that_stands_against_heat_ends_it_at_the_next_poll(name):
    place, bad, reason = CONTACTS[name]
    named = {one.name: one for one in MAP.contacts} | {name: Contact(name, Table.DISCRETE, place, False)}
    talk = Talk(MAP._replace(contacts=tuple(named.values()))).heating()
    talk.module.discretes[place] = bad
    talk.run(0.4)
    assert not talk.module.heats and talk.report.off is reason


def test_an_output_that_lets_go_by_itself_is_not_told_on_again():
    talk = Talk().heating()
    talk.module.coils[MODULATOR] = 0
    talk.run(0.8)
    assert talk.report.off is OffReason.OUTPUT and not talk.report.enabled
    assert not talk.module.heats


def test_an_output_that_somebody_else_switches_on_is_told_off_again():
    talk = Talk().heating().driven(1, 0, False)
    talk.module.coils[MODULATOR] = talk.module.coils[CONTACTOR] = 1
    talk.run(0.6)
    assert not any(talk.module.coils)


def test_a_module_that_was_without_supply_needs_another_hello():
    talk = Talk().heating()
    talk.module.coils, talk.module.holding = [0] * 8, [0] * 40
    talk.drive(10_000).run(1.5)
    assert talk.report.session == 0 and not talk.module.heats
    talk.session = 8
    talk.heating()
    assert talk.report.session == 8 and talk.module.heats and talk.module.holding[TIME_OUT] == 30


def test_a_refused_off_does_not_keep_the_contactor_closed_nor_the_readings_away():
    talk = Talk(BY_DUTY).heating()
    talk.module.refuses.add(6)
    seen = len(talk.of(Report))
    talk.driven(2, 0, False)
    assert talk.module.holding[DUTY] and not talk.module.coils[CONTACTOR] and not talk.module.heats
    assert len(talk.of(Report)) >= seen + 4


# -- a hostile module ------------------------------------------------------------------------------------------------


def twice(answer: bytes) -> list[tuple[int, bytes]]:
    return [(0, answer + answer)]


def other_unit(answer: bytes) -> list[tuple[int, bytes]]:
    body = bytes((answer[0] + 1, *answer[1:-2]))
    return [(0, body + crc16(body).to_bytes(2, "little"))]


def other_function(answer: bytes) -> list[tuple[int, bytes]]:
    body = bytes((answer[0], answer[1] % 4 + 1, *answer[2:-2]))
    return [(0, body + crc16(body).to_bytes(2, "little"))]


def longer(answer: bytes) -> list[tuple[int, bytes]]:
    return [(0, answer + b"\x00\x00")]


SPOILT = {
    "never": lambda answer: [], "late": lambda answer: [(260 * MS, answer)], "short": lambda answer: [(0, answer[:-3])],
    "long": longer, "garbled": lambda answer: [(0, answer[:3] + bytes(255 - byte for byte in answer[3:]))],
    "twice at once": twice, "for another unit": other_unit, "with another function": other_function,
    "babbling": lambda answer: [(ms * 5 * MS, b"\xa5" * 9) for ms in range(40)],
}


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


# -- the timer relay --------------------------------------------------------------------------------------------------


def with_relay(**module: Any) -> Talk:
    return Talk(BY_RELAY, ModulePeer(discretes=[0, 1, 0, 0, 0, 0, 0, 0], has_time_out=False, **module))


def test_a_timer_relay_is_proven_before_the_enable_is_taken():
    talk = with_relay(relay_us=4 * S)
    talk.tell(Hello).run(1)
    heated = False
    for _ in range(14):
        talk.tell(Enable).drive(10_000).run(0.5)
        heated = heated or (talk.module.heats and not talk.report.enabled)
    proof = talk.of(SilenceProof)
    assert len(proof) == 1 and proof[0].passed and 3.9 * S <= proof[0].after_us <= 4.5 * S
    assert not heated, "no heat before the proof"
    talk.driven(8)
    assert talk.module.heats, "retriggered by every drive"


def test_a_killed_host_is_ended_by_the_timer_relay():
    talk = with_relay(relay_us=4 * S).heating().driven(3)
    assert talk.module.heats
    talk.module.advance(4 * S)
    assert talk.module.coils[CONTACTOR] and not talk.module.heats


BAD_RELAYS = {
    "bridged": ({"relay_us": 4 * S, "relay_stuck": True}, "still closed"),
    "too slow": ({"relay_us": 9 * S}, "still closed"),
    "not there": ({"relay_us": 1}, "not seen closed"),
}


@pytest.mark.parametrize("how", BAD_RELAYS)
def test_a_timer_relay_that_is_not_proven_gives_no_heat(how):
    module, words = BAD_RELAYS[how]
    talk = with_relay(**module)
    talk.tell(Hello).run(1)
    for _ in range(20):
        talk.tell(Enable).drive(10_000).run(0.5)
        assert not talk.module.heats
    assert [proof.passed for proof in talk.of(SilenceProof)] == [False]
    assert words in talk.of(SilenceProof)[0].words
    assert talk.report.off is OffReason.OUTPUT


def test_a_proof_that_nobody_asks_for_any_more_opens_the_contactor():
    talk = with_relay(relay_us=4 * S)
    talk.tell(Hello).run(1)
    talk.tell(Enable).drive(0, False).run(1)
    assert talk.module.coils[CONTACTOR]
    talk.run(1)
    assert not talk.module.coils[CONTACTOR] and not talk.of(SilenceProof)


# -- what registers mean ------------------------------------------------------------------------------------------------

MEANT = {
    "tenths": (sensor(0, 0), [215], 21_500, 0), "below zero": (sensor(0, 0), [65_481], -5_500, 0),
    "unsigned": (sensor(0, 0, signed=False), [65_481], 0, Fault.OUT_OF_RANGE),
    "sixteenths": (sensor(0, 0, scale_uc=62_500), [345], 21_563, 0),
    "a fault value": (sensor(0, 0), [32_767], 0, Fault.OUT_OF_RANGE),
    "high word first": (sensor(0, 0, words=2, scale_uc=1_000), [1, 2], 65_538, 0),
    "low word first": (sensor(0, 0, words=2, scale_uc=1_000, low_word_first=True), [2, 1], 65_538, 0),
    "32 bits below zero": (sensor(0, 0, words=2, scale_uc=1_000), [65_535, 65_535], -1, 0),
    "a fault bit": (sensor(0, 0, fault_register=1, fault_mask=4), [215, 4], 21_500, Fault.OPEN),
    "another fault bit": (sensor(0, 0, fault_register=1, fault_mask=4), [215, 3], 21_500, 0),
}


@pytest.mark.parametrize("how", MEANT)
def test_registers_mean_what_the_map_says(how):
    one, block, value_mc, fault = MEANT[how]
    found = channels(MAP._replace(sensors=(one,), start=0, size=len(block)), block, 3)[0]
    assert found is not None and (found.value_mc, found.fault, found.conversions) == (value_mc, fault, 3)


@given(st.integers(1, 2), st.booleans(), st.integers(1, 10**6), st.data())
def test_the_extremes_are_the_extremes(words, signed, scale_uc, data):
    low, high = extremes_mc(words, signed, scale_uc)
    block = data.draw(st.lists(st.integers(0, 65_535), min_size=words, max_size=words))
    one = sensor(0, 0, words=words, signed=signed, scale_uc=scale_uc, faults=())
    found = channels(MAP._replace(sensors=(one,), size=words), block, 0)[0]
    assert found is not None and (found.fault or low - 1 <= found.value_mc <= high + 1)


def test_a_counter_and_measures_come_from_the_block():
    registers = MAP._replace(sensors=(sensor(0, 0, counter_register=3),), measures=(Measure("fan_rpm", 1, 10_000),))
    talk = Talk(registers)
    talk.module.inputs[1], talk.module.inputs[3] = 240, 300
    talk.run(1)
    assert talk.report.fan_rpm == 2_400 and talk.report.channels[0].conversions == 44
