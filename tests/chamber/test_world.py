"""The world around the simulated board: converters, contacts, faults, hands. All of it as reports show it."""

from __future__ import annotations

import itertools

import pytest

from controller.chamber.faults import FAULTS
from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.core.messages import Enable, Hello, OffReason, RefusalCode, Report, Tell
from controller.link.session import BadLine, Ran, Session
from tests.chamber.board_host import S1, Host, refused


@pytest.fixture
def host():
    return Host().open()


def test_converters_quantise_and_are_noisy_and_count_ten_a_second(host):
    values, counts = set(), []
    for _ in range(200):
        host.run(250_000)
        values.add(host.last().channels[0].value_mc)
        counts.append(host.last().channels[0].conversions)
    assert all(value % 250 == 0 for value in values)
    assert {20_750, 21_000, 21_250} <= values <= set(range(20_250, 22_000, 250))
    steps = {(b - a) % 256 for a, b in itertools.pairwise(counts)}
    assert steps == {2, 3}


def test_a_finer_converter_shows_noise_of_0_12_degrees():
    host = Host(quantum_mc=7.8125)
    host.run(500 * S1)
    values = [event.channels[0].value_mc for event in host.events if isinstance(event, Report)]
    mean = sum(values) / len(values)
    spread = (sum((value - mean) ** 2 for value in values) / len(values)) ** 0.5
    assert mean == pytest.approx(21_000, abs=15)
    assert spread == pytest.approx(120, abs=10)
    assert len({value % 250 for value in values}) > 10


def test_the_same_seed_says_the_same_bytes_and_another_seed_others():
    def said(seed):
        board = Board(SHAPES["weak"], seed)
        board.receive(Session().send(Hello(3, 1)))
        return board.run(60 * S1)

    assert said(5) == said(5)
    assert said(5) != said(6)


def test_a_limiter_that_is_wired_around_reads_open_and_ends_no_heat(host):
    board = host.board
    host.heat(2)
    board.limiter_closed = False
    assert board.watts(board.outputs) == 0.0
    board.fault("limiter_bypassed")
    assert board.watts(board.outputs) == 500.0 and not board.limiter_closed
    board.fault("limiter_bypassed", on=False)
    assert board.watts(board.outputs) == 0.0


def test_current_is_watts_over_230_volts_and_flows_only_with_both_switches(host):
    assert host.heat(2).current_ma == 500 * 1000 // 230
    host.board.fault("element_broken")
    assert (host.heat(2).current_ma, host.last().modulator) == (0, True)
    host.board.fault("element_broken", on=False)
    host.board.fault("mains_gone")
    report = host.heat(2)
    assert (report.mains, report.current_ma, report.fan_rpm) == (False, 0, 0)


def test_a_stuck_modulator_heats_until_the_contactor_opens(host):
    host.heat(2)
    host.board.fault("modulator_stuck_on")
    report = host.heat(3, duty_e4=0)
    assert (report.modulator, report.current_ma) == (False, 2173), "the pin is read back, the current tells"
    host.drive(permit=False)
    host.run(S1)
    assert host.last().current_ma == 0


def test_a_welded_contactor_is_seen_and_holds_the_heat_off(host):
    host.heat(2)
    host.board.fault("contactor_welded")
    host.drive(permit=False)
    host.run(2 * S1)
    assert (host.last().contactor, host.last().off) == (True, OffReason.OUTPUT)
    assert refused(host.say(Enable), RefusalCode.NOT_HELD)


def test_with_both_switches_failed_the_limiter_opens_by_its_own_sensor_and_stays_open():
    host = Host(report_us=S1).open()
    host.board.fault("modulator_stuck_on")
    host.board.fault("contactor_welded")
    host.run(3600 * S1)
    report = host.last()
    assert (report.limiter, report.current_ma) == (False, 0)
    assert report.off in (OffReason.CEILING, OffReason.OUTPUT)
    assert max(event.channels[0].value_mc for event in host.events if isinstance(event, Report)) < 175_000
    assert report.channels[0].value_mc < 100_000
    host.board.fault("limiter_opened", on=False)
    host.run(S1)
    assert host.last().limiter, "reset by hand"


def test_a_frozen_sensor_repeats_value_and_counter(host):
    host.heat(3)
    host.board.fault("sensor_frozen", channel=0)
    frozen = host.last().channels[0]
    host.heat(60)
    assert host.last().channels[0] == frozen
    assert host.last().channels[1].value_mc > frozen.value_mc + 5_000


def test_a_silent_board_goes_on_hearing_and_a_hung_one_does_not():
    for name, after in (("silence", False), ("hang", True)):
        host = Host().open()
        host.heat(2)
        host.board.fault(name)
        assert host.run(S1) == []
        host.drive(permit=False)
        host.run(S1)
        assert host.board.outputs.modulator is after


def test_a_hung_board_that_wakes_catches_up_without_a_lie(host):
    host.heat(2)
    host.board.fault("hang")
    host.run(60 * S1)
    host.board.fault("hang", on=False)
    host.run(S1)
    assert host.last().off == OffReason.HOST_SILENT
    assert host.last().up_us == 63 * S1


def test_garbage_is_followed_by_frames_that_are_understood(host):
    host.board.fault("garbage", bytes=5000)
    events = host.run(2 * S1)
    assert any(isinstance(event, BadLine) for event in events)
    assert sum(isinstance(event, Report) for event in events) >= 7


def test_absent_parts_are_a_dash_and_never_nought():
    host = Host(absent=frozenset({"mains", "door", "smoke", "current_ma", "fan_rpm"}))
    host.run(S1)
    report = host.last()
    assert (report.mains, report.door, report.smoke, report.current_ma, report.fan_rpm) == (None,) * 5
    assert report.limiter is True


def test_lamps_and_sounder_are_kept_as_told(host):
    host.say(Tell, 1, True, True, 3)
    tell = host.board.tell
    assert (tell.armed, tell.heating, tell.hot, tell.sounder) == (1, True, True, 3)


@pytest.mark.parametrize("report_us", [250_000, 1_000_000])
def test_the_demos_own_hand_presses_for_half_a_second_one_second_after_the_lamp_flashes(report_us):
    host = Host(auto_arm=True, report_us=report_us).open()
    host.run(700_000)
    host.events.clear()
    host.say(Tell, 2, False, False, 0)
    for _ in range(5):
        host.say(Tell, 2, False, False, 0)
        host.run(S1)
    pressed = [event.up_us for event in host.events if isinstance(event, Report) and event.arm]
    assert pressed == ([1_750_000, 2_000_000, 2_250_000] if report_us == 250_000 else [2_000_000, 3_000_000])[:len(pressed)]
    assert pressed


def test_without_a_flashing_lamp_nobody_presses():
    host = Host(auto_arm=True).open()
    host.say(Tell, 1, False, False, 0)
    host.run(5 * S1)
    host.say(Tell, 2, False, False, 0)
    host.say(Tell, 0, False, False, 0)
    host.run(5 * S1)
    assert not [event for event in host.events if isinstance(event, Report) and event.arm]


def test_lock_step_moves_only_when_told_and_says_how_far():
    host = Host(lock_step=True)
    host.board.receive(host.wire.run(S1) + host.wire.run(500_000))
    events = host.hear(host.board.take())
    assert [event.us for event in events if isinstance(event, Ran)] == [S1, S1 + 500_000]
    assert sum(isinstance(event, Report) for event in events) == 6


def test_in_lock_step_a_hung_boards_clock_goes_on_and_it_says_nothing():
    host = Host(lock_step=True)
    host.board.fault("hang")
    host.board.receive(host.wire.run(S1))
    assert [type(event) for event in host.hear(host.board.take())] == [Ran] and host.board.now_us == S1
    host.board.fault("hang", on=False)
    host.board.receive(host.wire.run(S1))
    assert sum(isinstance(event, Report) for event in host.hear(host.board.take())) >= 4


def test_out_of_lock_step_a_clock_line_is_noise(host):
    before_us = host.board.now_us
    host.board.receive(b"@run 1000000\n")
    assert host.board.now_us == before_us
    assert host.board.take() == b""


def test_an_unknown_fault_is_refused_by_name(host):
    with pytest.raises(ValueError, match="there are arm, contactor_bridged"):
        host.board.fault("gremlin")
    with pytest.raises(ValueError, match="this board has 0 to 2"):
        host.board.fault("sensor_open", channel=3)


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_every_fault_leaves_a_board_that_still_runs(host, name):
    host.heat(2)
    host.board.fault(name)
    host.heat(3)
    host.board.fault(name, on=False)
    host.heat(3)
    assert host.last().up_us > 0
