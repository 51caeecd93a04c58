"""The stall frame at the emulated board: the program stops where it stands, and the chip's own watchdog ends that."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from controller.core.messages import Drive, Enable, Hello, OffReason, RefusalCode, Report, ResetCause, Stall, Welcome
from tests.board import machine as chips
from tests.board.emulated import EmulatedBoard
from tests.board.host import CONTACTOR_US, MS, S1, Host, fell_us, heating, needs_emulator, pins_high

pytestmark = needs_emulator
BITTEN_US = 300 * MS
"""The watchdog's period, and the way into the reset. A pass after the frame was heard the program stops."""
BOOT_US = 700 * MS


@pytest.fixture(params=chips.CHIPS)
def host(request: pytest.FixtureRequest) -> Iterator[Host]:
    """Enabled, the modulator on at full duty, the contactor open."""
    with EmulatedBoard(chip=request.param) as board:
        host = Host(board).open()
        for _ in range(2):
            host.drive(contactor=False)
            host.run(S1)
        yield host
        assert not board.differences, f"a pin was not what the outputs say: {board.differences}"


def test_with_the_contactor_open_the_modulator_follows_its_duty_and_nothing_heats(host):
    """What the proof of the contactor at every start stands on."""
    for _ in range(60):
        host.drive(contactor=False)
        host.run(S1)
        assert pins_high(host.board) == (True, False)
    report = host.last()
    assert (report.modulator, report.contactor, report.off, report.current_ma) == (True, False, OffReason.NONE, 0)
    assert report.run_s == 0 and not host.board.edges("contactor")
    assert host.board.plant.in_j == 0.0


def test_the_watchdog_ends_a_stall_with_both_pins_low_and_the_session_gone(host):
    since_us = host.board.now_us
    before = len(host.events)
    host.say(Stall)
    host.run(BITTEN_US)
    assert fell_us(host.board, "modulator", since_us) <= BITTEN_US and pins_high(host.board) == (False, False)
    assert [event.value & chips.WATCHDOG for event in host.board.resets(since_us)] == [chips.WATCHDOG]
    assert [event for event in host.events[before:] if not isinstance(event, Report)] == [], "no answer"
    host.run(BOOT_US)
    report = host.last()
    assert (report.boot, report.session, report.heard, report.off) == (2, 0, 0, OffReason.RESET)
    assert next(event for event in host.ask(Hello, session=4712) if isinstance(event, Welcome)).reset == ResetCause.WATCHDOG


def test_a_stalled_board_reports_nothing_more(host):
    host.run(20 * MS)
    host.say(Stall)
    said = host.run(20 * MS)
    assert not [event for event in said + host.run(200 * MS) if not isinstance(event, Report)]
    newest_us = host.last().up_us
    host.run(BOOT_US)
    assert host.last().up_us < newest_us, "the next report is of the next boot"


def test_the_outputs_stay_low_after_a_stall_until_a_fresh_handshake(host):
    host.say(Stall)
    host.run(BITTEN_US + BOOT_US)
    since_us = host.board.now_us
    for kind in ((Drive, True, True, 10_000, 40_000), (Enable,), (Drive, True, True, 10_000, 40_000), (Stall,)):
        assert host.refused(*kind) == RefusalCode.SESSION
        host.run(S1)
    assert not host.board.edges("modulator", since_us) and not host.board.edges("contactor", since_us)
    assert len(host.board.resets(since_us)) == 0
    host.say(Hello, session=4712)
    host.session = 4712
    host.run(50 * MS)
    host.say(Enable)
    host.heat(1)
    assert pins_high(host.board) == (True, True)


@pytest.mark.parametrize(("duty_e4", "permit"), [(0, True), (10_000, False)], ids=["no duty", "no permit"])
@pytest.mark.parametrize("late_ms", [0, 3, 6])
def test_a_drive_in_the_same_pass_is_done_before_the_program_stops(host, duty_e4, permit, late_ms):
    """Both frames arrive within 6 ms, at one of these moments in one pass of 10 ms. What the drive takes away is off at
    the pins although the program stops at once."""
    host.run(late_ms * MS + 1)
    since_us = host.board.now_us
    host.drive(duty_e4, permit=permit, contactor=False)
    host.say(Stall)
    host.run(40 * MS)
    assert fell_us(host.board, "modulator", since_us) <= 40 * MS and not host.board.resets(since_us)
    host.run(BITTEN_US)
    assert len(host.board.resets(since_us)) == 1


@pytest.mark.parametrize("chip", chips.CHIPS)
def test_a_stall_is_refused_while_the_contactor_is_closed_or_has_not_opened_yet(chip):
    with heating(chip=chip) as host:
        assert host.refused(Stall) == RefusalCode.OUTPUTS_ON
        host.drive(contactor=False)
        host.run(30 * MS)
        assert host.board.outputs.contactor, "it opens 100 ms later"
        assert host.refused(Stall) == RefusalCode.OUTPUTS_ON
        host.run(CONTACTOR_US)
        host.board.faults.contactor_welded = True
        host.run(200 * MS)
        assert not host.board.outputs.contactor and host.last().contactor, "let go, but it reads closed"
        assert host.refused(Stall) == RefusalCode.OUTPUTS_ON
        host.run(S1)
        assert host.refused(Stall) == RefusalCode.NOT_HELD, "by now the switch that stays closed has ended the enable"
        assert (host.last().boot, host.board.resets(S1)) == (1, [])


def test_a_stall_is_refused_to_others_and_to_a_board_that_is_not_enabled(host):
    assert host.refused(Stall, session=4712) == RefusalCode.SESSION
    assert host.refused(Stall, sequence=2) == RefusalCode.SEQUENCE
    assert pins_high(host.board) == (True, False), "the board goes on"
    host.ask(Hello)
    assert host.refused(Stall) == RefusalCode.NOT_HELD
    host.say(Enable)
    host.run(6 * S1)
    assert host.refused(Stall) == RefusalCode.NOT_HELD, "silence has ended the enable"
    assert (host.last().boot, host.last().off) == (1, OffReason.HOST_SILENT)


def test_a_stall_never_feeds_the_silence_timer(host):
    host.drive()
    since_us = host.board.now_us
    for _ in range(6):
        host.say(Stall)  # refused: the contactor is closed
        host.run(S1)
    assert fell_us(host.board, "modulator", since_us + 200 * MS) <= 4_700 * MS
    assert host.last().off == OffReason.HOST_SILENT
