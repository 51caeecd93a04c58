"""The firmware's measures against its own faults, each with the fault made in the emulated chip: what is not injected is told
in the table of the firmware's README."""

from __future__ import annotations

import pytest

from controller.core.messages import OffReason, ResetCause, Tell
from tests.board import machine as chips
from tests.board.emulated import EmulatedBoard
from tests.board.host import MS, SILENCE_US, Host, fell_us, heating, needs_emulator, pins_high

pytestmark = needs_emulator
FAILED_AT = 0x4B
"""GPIOR2, where the firmware leaves what failed."""
RAM_FAILED, REGISTERS_FAILED, CLOCK_FAILED, REFERENCE_FAILED, STACK_FAILED = 2, 4, 8, 32, 64
REFERENCE_PLACE = {"atmega328p": 3, "atmega2560": 2}
"""Which of the analogue values is the reference; see senses.c."""
TICK_MASK_AT = 0x6F
"""TIMSK1: which interrupts of the ticks' timer are on."""
TO_NEW_LENGTH_US = 300 * MS
"""The watchdog's 250 ms and the chip's way to the first instruction of its reset, where the outputs are low already."""
FAN_MOST = 20 * 100
"""Pulses a second that the bound lets through, at 100 passes of 10 ms."""


def failed(board: EmulatedBoard) -> int:
    return board.machine.ram(FAILED_AT, 1)[0]


@pytest.mark.parametrize("part", range(8))
def test_a_part_of_the_pass_that_does_not_check_in_is_bitten_by_the_watchdog(part):
    """Its bit is held at 0, as if that part had not run; the seven others go on checking in."""
    with heating() as host:
        since_us = host.board.now_us
        host.board.machine.stick_ram(chips.symbols(host.board.chip)["checked_in"], part, False)
        host.run(TO_NEW_LENGTH_US)
        assert fell_us(host.board, "modulator", since_us) <= TO_NEW_LENGTH_US
        assert [event.value & chips.WATCHDOG for event in host.board.resets(since_us)] == [chips.WATCHDOG]


@pytest.mark.parametrize("byte", range(4))
def test_a_stack_that_has_come_down_to_the_variables_is_a_failed_self_test(byte):
    with heating() as host:
        since_us = host.board.now_us
        host.board.machine.put_ram(chips.symbols(host.board.chip)["_end"] + byte, b"\x01")
        host.run(400 * MS)
        assert fell_us(host.board, "modulator", since_us) <= 40 * MS
        assert failed(host.board) == STACK_FAILED and host.last().off == OffReason.SELF_TEST


@pytest.mark.parametrize("chip", chips.CHIPS)
def test_a_reference_that_reads_far_too_low_is_a_failed_self_test(chip):
    """1,100 mV with its bit of 1,024 held low: 76 mV."""
    with heating(chip=chip) as host:
        at = chips.symbols(chip)["values_mv"] + 2 * REFERENCE_PLACE[chip]
        assert 940 <= int.from_bytes(host.board.machine.ram(at, 2), "little") <= 1_270
        since_us = host.board.now_us
        host.board.machine.stick_ram(at + 1, 2, False)
        host.run(600 * MS)
        assert fell_us(host.board, "modulator", since_us) <= 400 * MS
        assert failed(host.board) & REFERENCE_FAILED and host.last().off == OffReason.SELF_TEST


@pytest.mark.parametrize("chip", chips.CHIPS)
def test_noise_on_the_fans_wire_takes_no_more_than_its_share_of_a_pass(chip):
    """25 kHz, 250 pulses a pass: each counted one is an interrupt, so the count shows where they were shut off."""
    with heating(chip=chip) as host:
        host.board.fan_noise = True
        report = host.heat(4)
        counted = host.board.machine.ram(chips.symbols(chip)["fan_pulses"], 2)
        assert FAN_MOST * 0.8 <= int.from_bytes(counted, "little") <= FAN_MOST * 1.05
        assert pins_high(host.board) == (True, True) and report.off == OffReason.NONE
        host.board.fan_noise = False
        assert host.heat(3).fan_rpm == 2_400


def test_a_tick_that_is_lost_is_a_failed_self_test():
    """Its interrupt is shut off for a little longer than a tick: the second timer sees that one is missing."""
    with heating() as host:
        mask = host.board.machine.ram(TICK_MASK_AT, 1)
        since_us = host.board.now_us
        host.board.machine.put_ram(TICK_MASK_AT, b"\0")
        host.run(12 * MS)
        host.board.machine.put_ram(TICK_MASK_AT, mask)
        host.run(400 * MS)
        assert fell_us(host.board, "modulator", since_us) <= 60 * MS
        assert failed(host.board) == CLOCK_FAILED and host.last().off == OffReason.SELF_TEST


@pytest.mark.parametrize("steps", [-15, 15], ids=["early", "late"])
def test_a_tick_that_comes_early_or_late_is_a_failed_self_test(steps):
    """By 1 ms, as the second timer has it: what that timer stood at is changed between two ticks."""
    with heating() as host:
        at = chips.symbols(host.board.chip)["beside"]
        host.run(3 * MS)
        stood = host.board.machine.ram(at, 1)[0]
        host.board.machine.put_ram(at, bytes(((stood - steps) % 256,)))
        host.run(400 * MS)
        assert failed(host.board) == CLOCK_FAILED and pins_high(host.board) == (False, False)


@pytest.mark.parametrize("frames", [2, 4])
def test_time_counts_once_a_pass_however_many_frames_come_in_it(frames):
    """Lamps are told 20 times a second, several frames at once; nothing drives. The silence is as long as ever."""
    with heating() as host:
        host.drive()
        since_us = host.board.now_us
        for _ in range(20 * 5):
            for _ in range(frames):
                host.say(Tell, 1, True, True, 0)
            host.run(50 * MS)
        assert SILENCE_US <= fell_us(host.board, "modulator", since_us) <= SILENCE_US + 100 * MS


@pytest.mark.parametrize("chip", chips.CHIPS)
@pytest.mark.parametrize("high", [False, True])
def test_a_bit_of_the_memory_stuck_from_the_start_is_known_before_the_first_report(chip, high):
    """Far from where the march in the run begins: only the march before C begins can have seen it."""
    with EmulatedBoard(chip=chip) as board:
        board.machine.stick_ram(chips.RAM_END[chip] - 300, 5, high)
        board.reset(ResetCause.POWER_ON)
        host = Host(board)
        host.run(900 * MS)
        assert failed(board) == RAM_FAILED and host.last().off == OffReason.SELF_TEST


def test_bytes_without_a_stop_bit_drive_nothing():
    """Whole drives, every byte with a framing error: the checksum is right, the line is not."""
    with heating() as host:
        host.drive()
        since_us = host.board.now_us
        host.run(100 * MS)
        host.board.framing_errors = True
        host.heat(7)
        assert SILENCE_US <= fell_us(host.board, "modulator", since_us) <= SILENCE_US + 100 * MS
        assert host.last().off == OffReason.HOST_SILENT


@pytest.mark.parametrize("register", [3, 5, 7])
@pytest.mark.parametrize("high", [False, True])
def test_a_stuck_bit_of_a_register_is_a_failed_self_test(register, high):
    """In registers that the program uses little; a bit of the others makes it fall over first."""
    with heating() as host:
        since_us = host.board.now_us
        host.board.machine.stick_ram(register, 6, high)
        host.run(400 * MS)
        assert fell_us(host.board, "modulator", since_us) <= 400 * MS
        assert failed(host.board) & REGISTERS_FAILED
