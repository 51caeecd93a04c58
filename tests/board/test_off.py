"""Every reason to be off, made for real at the emulated board, and the time to heat-off read from its pins.

Bounds: a pass is 10 ms and a contact must read the same three times; a conversion takes about 169 ms at 50 Hz and is
fetched in the pass after it; a converter that hangs is given one second. Then the modulator is low, and 100 ms later the
line contactor.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import pytest

from controller.core.messages import Enable, Fault, Hello, OffReason, RefusalCode, SetLimits
from controller.core.messages import ResetCause as Cause
from tests.board.emulated import ALL_ONES, ALL_ZEROS, HUNG, SETTINGS_LOST, EmulatedBoard
from tests.board.host import CONTACTOR_US, MS, PASS_US, S1, SILENCE_US, Host, fell_us, heating, needs_emulator, pins_high
from tests.board.surroundings import COLD_RANGE, OPEN, OVER_OR_UNDER, RANGE

pytestmark = needs_emulator
CONTACT_US = 60 * MS
CONVERSION_US = 250 * MS
HANG_US = 1_400 * MS
ENDS_THE_ENABLE = True


def _sensor(at: int, **named: Any) -> Callable[[EmulatedBoard], None]:
    def make(board: EmulatedBoard) -> None:
        for name, value in named.items():
            setattr(board.sensors[at], name, value)
    return make


def _hand(name: str, value: bool) -> Callable[[EmulatedBoard], None]:
    return lambda board: setattr(board, name, value)


class Row(NamedTuple):
    """A reason made, how long the modulator may stay high, and whether a fresh enable is needed afterwards."""

    name: str
    make: Callable[[EmulatedBoard], None]
    off: OffReason
    within_us: int
    ends_the_enable: bool = True


ROWS = (
    Row("door", _hand("door_shut", False), OffReason.DOOR, CONTACT_US, False),
    Row("local stop", _hand("local_stop", True), OffReason.LOCAL_STOP, CONTACT_US),
    Row("smoke", _hand("smoke", True), OffReason.SMOKE, CONTACT_US),
    Row("over ceiling", _sensor(0, true_c=141.0), OffReason.CEILING, CONVERSION_US),
    Row("over ceiling at the second sensor", _sensor(1, true_c=141.0), OffReason.CEILING, CONVERSION_US),
    Row("over ceiling at the third sensor, which is not the board's own", _sensor(2, true_c=141.0), OffReason.CEILING,
        CONVERSION_US),
    Row("wire broken", _sensor(0, status=OPEN), OffReason.SENSOR, CONVERSION_US, False),
    Row("wire broken at the second", _sensor(1, status=OPEN), OffReason.SENSOR, CONVERSION_US, False),
    Row("wire at the supply", _sensor(0, status=OVER_OR_UNDER), OffReason.SENSOR, CONVERSION_US, False),
    Row("out of the type's range", _sensor(1, status=RANGE), OffReason.SENSOR, CONVERSION_US, False),
    Row("cold junction's own fault", _sensor(0, status=COLD_RANGE), OffReason.SENSOR, CONVERSION_US, False),
    Row("cold junction below 0 °C", _sensor(0, cold_c=-0.5), OffReason.SENSOR, CONVERSION_US, False),
    Row("cold junction above 70 °C", _sensor(1, cold_c=70.5), OffReason.SENSOR, CONVERSION_US, False),
    Row("converter hangs", lambda board: board.machine.fail(0, HUNG), OffReason.SENSOR, HANG_US, False),
    Row("second converter hangs", lambda board: board.machine.fail(1, HUNG), OffReason.SENSOR, HANG_US, False),
    Row("converter answers zeros", lambda board: board.machine.fail(0, ALL_ZEROS), OffReason.SENSOR, CONVERSION_US, False),
    Row("converter answers ones", lambda board: board.machine.fail(1, ALL_ONES), OffReason.SENSOR, HANG_US, False),
    Row("self-test: an input is stuck", lambda board: board.machine.stick_pin("smoke", True), OffReason.SELF_TEST, S1),
)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_heat_is_off_in_time_at_the_pin_and_for_the_right_reason(row):
    with heating() as host:
        host.drive()
        host.run(137 * MS)
        since_us = host.board.now_us
        row.make(host.board)
        host.heat(3)
        off_us = fell_us(host.board, "modulator", since_us)
        assert off_us <= row.within_us
        waited_us = fell_us(host.board, "contactor", since_us) - off_us
        assert abs(waited_us - CONTACTOR_US) <= PASS_US, "the contactor opens 100 ms later, without current"
        assert host.last().off == row.off
        assert (host.last().enabled, host.last().modulator, host.last().contactor) == (not row.ends_the_enable, False, False)


ENDED = {
    "door": _hand("door_shut", True), "local stop": _hand("local_stop", False), "smoke": _hand("smoke", False),
    "over ceiling": _sensor(0, true_c=None), "wire broken": _sensor(0, status=0),
    "converter hangs": lambda board: board.machine.fail(0, 0),
}


@pytest.mark.parametrize("row", [row for row in ROWS if row.name in ENDED], ids=lambda row: row.name)
def test_a_reason_that_ends_the_enable_needs_a_fresh_one_and_the_others_do_not(row):
    with heating() as host:
        row.make(host.board)
        host.heat(3)
        if row.ends_the_enable:
            assert host.refused(Enable) == RefusalCode.NOT_HELD, "an enable while the reason stands"
        ENDED[row.name](host.board)
        host.heat(2)
        assert pins_high(host.board) == ((not row.ends_the_enable,) * 2)
        if row.ends_the_enable:
            assert host.last().off == row.off, "it goes on saying what ended the enable"
        host.say(Enable)
        host.heat(1)
        assert pins_high(host.board) == (True, True)


@pytest.mark.parametrize("chip", ["atmega328p", "atmega2560"])
@pytest.mark.parametrize("duty_e4", [10_000, 6_000], ids=["full", "in a window"])
def test_a_silent_host_is_off_4_8_s_after_its_last_drive(chip, duty_e4):
    with heating(chip=chip) as host:
        host.drive(duty_e4)
        since_us = host.board.now_us
        host.run(7 * S1)
        assert SILENCE_US - PASS_US <= fell_us(host.board, "modulator", since_us) <= SILENCE_US + 100 * MS
        assert fell_us(host.board, "contactor", since_us) <= SILENCE_US + 100 * MS + CONTACTOR_US
        assert (host.last().off, host.last().enabled) == (OffReason.HOST_SILENT, False)
        host.heat(2)
        assert pins_high(host.board) == (False, False), "a drive alone must not heat again"


def test_the_last_drive_in_the_off_part_of_a_window_still_ends_in_silence():
    """Duty 20 % of 4 s: the pulse is over when the silence is; the contactor must fall all the same."""
    with heating() as host:
        host.say(Hello)
        host.say(Enable)
        host.drive(2_000, window_ms=4_000)
        host.run(3 * S1)
        host.drive(2_000, window_ms=20_000)
        since_us = host.board.now_us
        host.run(7 * S1)
        assert not host.board.outputs.modulator
        assert fell_us(host.board, "contactor", since_us) <= SILENCE_US + 100 * MS + CONTACTOR_US


def test_over_the_run_ceiling_is_off_though_the_board_ceiling_is_far():
    with heating() as host:
        host.ask(SetLimits, None, 60_000, None)
        host.drive()
        since_us = host.board.now_us
        host.board.sensors[0].true_c = 61.0
        host.heat(2)
        assert fell_us(host.board, "modulator", since_us) <= CONVERSION_US
        assert (host.last().off, host.last().enabled) == (OffReason.RUN_CEILING, False)


def test_the_run_time_is_counted_on_the_board():
    with heating() as host:
        host.ask(SetLimits, None, None, 6)
        host.heat(8)
        assert pins_high(host.board) == (False, False)
        assert host.last().off == OffReason.RUN_TIME and host.last().run_s == 6
        closed_us = host.board.edges("contactor")[-1].us - host.board.edges("contactor")[0].us
        assert abs(closed_us - 6 * S1 - CONTACTOR_US) <= 5 * PASS_US
        assert host.refused(Enable) == RefusalCode.NOT_HELD


def test_a_welded_contactor_is_found_a_second_after_it_was_let_go():
    with heating() as host:
        host.board.faults.contactor_welded = True
        host.drive(0, permit=False, contactor=False)
        since_us = host.board.now_us
        host.run(S1)
        assert host.last().off == OffReason.NO_PERMIT and host.last().contactor, "it reads closed"
        host.run(S1)
        assert host.last().off == OffReason.OUTPUT
        assert fell_us(host.board, "contactor", since_us) <= CONTACT_US + CONTACTOR_US
        assert host.refused(Enable) == RefusalCode.NOT_HELD
        host.heat(2)
        assert pins_high(host.board) == (False, False)


def test_a_modulator_pin_that_stays_high_is_found_too():
    with heating() as host:
        host.board.modulator_pin_stuck = True
        host.drive(0, permit=False, contactor=False)
        host.run(2 * S1)
        assert host.last().off == OffReason.OUTPUT and host.last().modulator


def test_a_converter_that_lost_its_settings_is_not_believed_and_is_set_anew():
    with heating() as host:
        host.board.machine.fail(0, SETTINGS_LOST)
        since_us = host.board.now_us
        host.heat(1)
        assert any(event.us - since_us <= CONVERSION_US and not event.value for event in
                   host.board.edges("modulator", since_us)), "off while nobody knows what it measures"
        host.heat(2)
        assert pins_high(host.board) == (True, True) and host.last().channels[0].fault == 0


def test_a_hung_converter_shows_as_silent_and_its_counter_stands_still():
    with heating() as host:
        host.board.machine.fail(2, HUNG)
        host.heat(2)
        first = host.last().channels[2]
        host.heat(2)
        assert host.last().channels[2].conversions == first.conversions
        assert host.last().channels[2].fault & Fault.CONVERTER_SILENT
        assert pins_high(host.board) == (True, True), "the third is not the board's own"


def test_outputs_are_off_at_reset_until_hello_enable_and_drive():
    with EmulatedBoard() as board:
        host = Host(board)
        host.run(S1)
        assert (host.last().off, host.last().session) == (OffReason.RESET, 0)
        assert host.refused(Enable) == RefusalCode.SESSION
        host.say(Hello)
        host.heat(2)
        assert host.last().off == OffReason.NOT_ENABLED
        host.say(Enable)
        host.run(S1)
        assert host.last().off == OffReason.NO_PERMIT, "a drive before the enable must not count"
        assert not board.edges("modulator") and not board.edges("contactor")
        host.heat(1)
        assert pins_high(board) == (True, True)
        on_us = board.edges("modulator")[0].us - board.edges("contactor")[0].us
        assert abs(on_us - CONTACTOR_US) <= PASS_US, "contactor first, modulator 100 ms later"


@pytest.mark.parametrize("cause", [Cause.POWER_ON, Cause.BROWN_OUT, Cause.EXTERNAL, Cause.WATCHDOG], ids=lambda c: c.name)
def test_a_reset_in_a_run_is_off_at_once_and_stays_so_until_it_is_asked_anew(cause):
    """The supply is gone for 300 ms; a brown-out and a power-on leave rubbish in the RAM."""
    with heating() as host:
        since_us = host.board.now_us
        host.board.reset(cause, held_us=300 * MS)
        host.board.advance(0)
        host.heat(3)
        assert fell_us(host.board, "modulator", since_us) <= MS and fell_us(host.board, "contactor", since_us) <= MS
        assert (host.last().off, host.last().session, host.last().boot) == (OffReason.RESET, 0, 2)
        host.say(Hello, session=4712)
        host.run(100 * MS)
        welcome = next(event for event in reversed(host.events) if type(event).__name__ == "Welcome")
        assert (welcome.reset, welcome.boot) == (cause, 2)
        assert not host.last().modulator
