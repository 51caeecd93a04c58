"""The stall frame at the simulated board: when it is obeyed, when refused, and what the watchdog leaves of the board."""

from __future__ import annotations

import pytest

from controller.core.messages import Drive, Enable, Hello, LimitsRead, OffReason, RefusalCode, ResetCause, Stall, Tell
from controller.link.session import Ran
from tests.chamber.board_host import S1, Host, refused

BITE_US = 250_000


@pytest.fixture
def host():
    """Enabled, the modulator on at full duty, the contactor open."""
    host = Host().open()
    for _ in range(2):
        host.drive(contactor=False)
        host.run(S1)
    assert (host.last().modulator, host.last().contactor, host.last().enabled) == (True, False, True)
    return host


def pins(host):
    return host.board.outputs.modulator, host.board.outputs.contactor


def test_a_stall_is_ended_by_the_watchdog_alone_and_leaves_everything_off(host):
    assert host.say(Stall) == []
    assert host.run(BITE_US - 1) == [], "no answer and no report while the program stands still"
    assert pins(host) == (True, False), "outputs as they are"
    host.run(1)
    assert pins(host) == (False, False)
    host.run(S1)
    report = host.last()
    assert (report.boot, report.session, report.heard, report.off) == (2, 0, 0, OffReason.RESET)
    assert host.say(Hello, session=4712)[0].reset == ResetCause.WATCHDOG
    assert host.board.plant.in_j == 0.0


def test_what_is_said_to_a_stalled_board_is_lost(host):
    host.say(Stall)
    for kind in ((Drive, True, True, 10_000, 40_000), (Enable,), (Hello,), (Tell, 1, True, True, 3)):
        assert host.say(*kind) == []
    assert pins(host) == (True, False)
    host.run(S1)
    assert (host.last().session, host.board.tell.sounder) == (0, 0)


def test_heat_after_a_stall_needs_a_fresh_handshake(host):
    host.say(Stall)
    host.run(S1)
    assert refused(host.drive(), RefusalCode.SESSION)
    assert refused(host.say(Enable), RefusalCode.SESSION)
    assert host.run(3 * S1) and pins(host) == (False, False)
    host.open()
    assert host.heat(1).modulator


def _closed(host):
    host.drive()
    host.run(S1)


def _opening(host):
    _closed(host)
    host.drive(contactor=False)
    host.run(50_000)


def _welded(host):
    _closed(host)
    host.board.fault("contactor_welded")
    host.drive(contactor=False)
    host.run(200_000)
    assert not host.board.outputs.contactor


def _voided(host):
    host.say(Hello, session=4711)


def _silent(host):
    host.run(5 * S1)


REFUSED = {
    "contactor closed": (_closed, {}, RefusalCode.OUTPUTS_ON),
    "contactor on its way to open": (_opening, {}, RefusalCode.OUTPUTS_ON),
    "contactor reads closed though it was let go": (_welded, {}, RefusalCode.OUTPUTS_ON),
    "not enabled": (_voided, {}, RefusalCode.NOT_HELD),
    "silence has ended the enable": (_silent, {}, RefusalCode.NOT_HELD),
    "another session": (lambda host: None, {"session": 4712}, RefusalCode.SESSION),
    "a sequence heard before": (lambda host: None, {"sequence": 2}, RefusalCode.SEQUENCE),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_stall_is_refused_and_the_board_goes_on(host, name):
    make, how, code = REFUSED[name]
    make(host)
    before = pins(host)
    assert refused(host.say(Stall, **how), code)
    assert pins(host) == before
    host.run(S1)
    assert host.last().boot == 1, "it was reset"


def test_no_session_no_stall():
    host = Host()
    assert refused(host.say(Stall), RefusalCode.SESSION)
    host.run(S1)
    assert host.last().boot == 1


def test_a_stall_never_feeds_the_silence_timer():
    host = Host().open()
    host.heat(1)
    for _ in range(6):
        assert refused(host.say(Stall), RefusalCode.OUTPUTS_ON if host.board.enabled else RefusalCode.NOT_HELD)
        host.run(S1)
    assert (host.last().off, pins(host)) == (OffReason.HOST_SILENT, (False, False))


def test_without_a_watchdog_it_stands_still_for_ever_and_heats_nothing(host):
    host.board.fault("watchdog_missing")
    host.say(Stall)
    assert host.run(600 * S1) == [] and pins(host) == (True, False)
    assert host.board.plant.in_j == 0.0
    host.board.fault("reset", cause=ResetCause.POWER_ON)  # unplugged and plugged in again
    host.run(S1)
    assert (host.last().boot, pins(host)) == (2, (False, False))
    host.open()
    assert host.heat(1).modulator


def test_the_clock_of_a_stalled_lock_step_board_goes_on():
    host = Host(lock_step=True)
    host.open()
    host.say(Stall)
    host.board.receive(host.wire.run(S1))
    events = host.hear(host.board.take())
    assert events[-1] == Ran(S1)
    assert [event.boot for event in events if hasattr(event, "boot")] == [2, 2, 2]
    assert not [event for event in events if isinstance(event, LimitsRead)]
