"""The conversation with a module: what it writes, what it believes, and what registers mean."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.messages import Enable, Fault, Hello, OffReason, Report, Tell
from controller.core.module import ModuleFound, Proving, SilenceProof
from controller.link.modbus import Table
from controller.link.registers import Contact, Measure, channels, extremes_mc
from tests.link.module_peer import CONTACTOR, DUTY, MODULATOR, TIME_OUT, ModulePeer
from tests.link.module_talk import BY_DUTY, BY_RELAY, MAP, MS, SILENCE_US, S, Talk, sensor


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
    talk.module.coils[CONTACTOR] = talk.module.coils[MODULATOR] = 1
    talk.tell(Hello)
    while talk.module.coils[MODULATOR]:
        talk.run(0.001)
    off_us = talk.now_us
    while talk.module.coils[CONTACTOR]:
        talk.run(0.001)
    assert talk.now_us - off_us >= 90 * MS, "modulator first, contactor a tenth later"
    talk.run(1)
    assert talk.of(ModuleFound) == [ModuleFound("TEST01/1", 7, 3 * S, "")]
    assert talk.module.holding[TIME_OUT] == 30 and not any(talk.module.coils)


def test_a_time_out_that_does_not_hold_is_told_as_it_reads():
    talk = Talk()
    talk.module.refuses.add(6)
    talk.tell(Hello).run(1)
    assert talk.of(ModuleFound) == [ModuleFound("TEST01/1", 7, 0, "")]


def test_a_time_out_that_does_not_hold_stays_as_it_was_told_and_is_greeted_anew_slowly():
    talk = Talk()
    talk.module.refuses.add(6)
    for _ in range(16):
        talk.tell(Hello).run(2)
    assert set(talk.of(ModuleFound)) == {ModuleFound("TEST01/1", 7, 0, "")}
    assert len(talk.of(ModuleFound)) in (3, 4), "with every fifth hello"
    assert talk.report.session == 7 and talk.report.heard >= talk.sequence - 1, "its readings are heard all the same"
    talk.module.refuses.clear()
    for _ in range(6):
        talk.tell(Hello).run(2)
    assert talk.of(ModuleFound)[-1] == ModuleFound("TEST01/1", 7, 3 * S, "")


def test_a_time_out_that_changes_after_it_was_refused_needs_another_hello():
    talk = Talk()
    talk.module.refuses.add(6)
    talk.tell(Hello).run(2)
    talk.module.holding[TIME_OUT] = 20
    talk.run(2)
    assert talk.report.session == 0


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


def test_a_frame_whose_write_is_refused_is_not_heard_though_polls_go_on():
    talk = Talk().heating()
    before = talk.report.heard
    talk.module.refuses.add(5)
    seen = len(talk.of(Report))
    talk.driven(1, 0, False)
    assert len(talk.of(Report)) > seen and talk.report.heard == before
    talk.module.refuses.clear()
    talk.run(1)
    assert talk.report.heard == talk.sequence and not talk.module.heats


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


def test_a_module_that_takes_no_off_is_left_without_requests_until_its_own_time_out_acts():
    """Polls would feed that time-out; readings are worth less than the heat's end, once."""
    talk = Talk().heating()
    talk.module.deaf = True
    talk.driven(3, 0, False)
    assert talk.module.heats
    asked = len(talk.module.requests)
    talk.driven(3, 0, False)
    assert not talk.module.heats
    talk.driven(3, 0, False)
    assert len(talk.module.requests) > asked + 8, "and it is asked again afterwards"


def test_what_waits_in_the_queue_at_the_end_switches_nothing_on_again():
    talk = Talk().heating()
    talk.line.leave()
    talk.drive(10_000).run(0.5)
    assert talk.line.is_off and not talk.module.heats


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


def test_a_module_not_heard_for_as_long_as_its_time_out_needs_another_hello():
    """It has let go by itself, or should have: its setting still stands, so nothing else would show it."""
    talk = Talk(module=ModulePeer(discretes=[0, 1, 0, 0, 0, 0, 0, 0], has_time_out=False)).heating()
    talk.module.mute = True
    talk.driven(4)
    talk.module.mute = False
    talk.driven(2)
    assert talk.report.session == 0 and not talk.report.enabled and not talk.module.heats


def test_a_refused_off_does_not_keep_the_contactor_closed_nor_the_readings_away():
    talk = Talk(BY_DUTY).heating()
    talk.module.refuses.add(6)
    seen = len(talk.of(Report))
    talk.driven(2, 0, False)
    assert talk.module.holding[DUTY] and not talk.module.coils[CONTACTOR] and not talk.module.heats
    assert len(talk.of(Report)) >= seen + 4


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
    begins, over = talk.of(Proving)
    assert begins.session == over.session == 7 and over.began_us == -1
    assert 0 < begins.began_us < next(one.up_us for one in talk.of(Report) if one.contactor) + 250 * MS
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


@pytest.mark.parametrize("after_s", [2, 3])
def test_a_module_that_lets_its_coil_go_by_itself_proves_nothing_of_a_bridged_relay(after_s):
    talk = with_relay(relay_us=4 * S, relay_stuck=True)
    talk.tell(Hello).run(1)
    for step in range(40):
        enabled = talk.report.enabled
        if not enabled:
            talk.tell(Enable)
        talk.drive(10_000 if enabled else 0, enabled).run(0.25)
        if step == 4 * after_s:
            talk.module.coils = [0] * len(talk.module.coils)
        assert not talk.module.heats
    assert not any(proof.passed for proof in talk.of(SilenceProof))
    assert "by itself" in talk.of(SilenceProof)[0].words


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
    "a fault value that the wire could carry": (sensor(0, 0, scale_uc=10_000), [32_767], 0, Fault.OUT_OF_RANGE),
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


@pytest.mark.parametrize("bit", [0, 1])
@pytest.mark.parametrize("inverted", [False, True])
def test_an_inverted_contact_means_the_other_way_round_in_the_report_and_for_the_heat(bit, inverted):
    stop = Contact("local_stop", Table.DISCRETE, 3, inverted)
    talk = Talk(MAP._replace(contacts=(*MAP.contacts, stop)))
    talk.module.discretes[3] = bit
    talk.heating()
    pressed = bool(bit) != inverted
    assert talk.report.local_stop is pressed and talk.module.heats is not pressed
    assert talk.report.door is True, "its neighbour is not turned round"


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
