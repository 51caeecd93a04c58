"""What goes wrong with line, processor and memory, at the emulated board: heat goes off in time, or was never on."""

from __future__ import annotations

from random import Random

import pytest

from controller.core.messages import (
    Drive,
    Enable,
    Hello,
    LimitsRead,
    OffReason,
    RefusalCode,
    Report,
    ResetCause,
    SetLimits,
    Tell,
    Welcome,
)
from controller.link.protocol import encode
from controller.link.session import BoardSession
from tests.board import machine as chips
from tests.board.emulated import EmulatedBoard
from tests.board.host import (
    CONTACTOR_US,
    MS,
    S1,
    SILENCE_US,
    Host,
    fell_us,
    heating,
    needs_emulator,
    pins_high,
)
from tests.board.memory_image import IDENTITY_BYTES, LIMITS_AT, LIMITS_BYTES
from tests.board.surroundings import NOISES, Noise

pytestmark = needs_emulator
WATCHDOG_US = 250 * MS
RESET_US = 50 * MS
"""Margin: a pass, and the way into the reset. There the outputs float low, whatever start-up time the fuses say."""
SELF_TEST_US = 90 * S1
"""Every byte of program and RAM is looked at again within this: slowly, because the processor sleeps nearly always."""
RECORD_BITS = 8 * (IDENTITY_BYTES + LIMITS_BYTES)


# The line

class Spied:
    """A noise that also reads, as a board would, what it lets through: when the last good drive of this session came."""

    def __init__(self, noise: Noise, host: Host) -> None:
        self._noise, self._host = noise, host
        self._session = BoardSession()
        self._heard = host.sequence
        self.last_drive_us = host.board.now_us

    def __call__(self, data: bytes) -> bytes:
        through = self._noise(data)
        for event in self._session.receive(through):
            if getattr(event, "session", None) == self._host.session and event.sequence > self._heard:
                self._heard = event.sequence
                if isinstance(event, Drive):
                    self.last_drive_us = self._host.board.now_us
        return through


@pytest.mark.parametrize("name", sorted(NOISES))
def test_heat_stands_only_while_whole_drives_get_through_the_noise(name):
    """Every kind of damage to what the host says, a drive a second for 12 s. The same bytes are read here too: the pins may
    be high for the silence time after the last drive that came through whole, and no longer."""
    with heating() as host:
        host.run(20 * MS)
        spied = host.board.noise_to = Spied(NOISES[name](7), host)
        for quarter in range(48):
            if quarter % 4 == 0:
                host.drive()
            host.run(250 * MS)
            silent_us = host.board.now_us - spied.last_drive_us
            assert silent_us <= SILENCE_US + 100 * MS or not host.board.outputs.modulator
            assert silent_us <= SILENCE_US + 100 * MS + CONTACTOR_US or not host.board.outputs.contactor
        host.board.noise_to = None
        assert host.last().session == 4711, "no other session was opened by noise"
        host.board.silent_line()
        host.run(SILENCE_US + 200 * MS)
        assert pins_high(host.board) == (False, False)
        host.board.receive(b"\n")
        answers = host.ask(Hello, session=4712)
        assert any(isinstance(event, Welcome) for event in answers), "and it still answers"


def test_a_drowned_line_is_a_silent_host():
    with heating() as host:
        host.drive()
        since_us = host.board.now_us
        host.run(200 * MS)
        host.board.noise_to = NOISES["drowned"](3)
        host.heat(7)
        assert SILENCE_US <= fell_us(host.board, "modulator", since_us) <= SILENCE_US + 100 * MS
        assert host.last().off == OffReason.HOST_SILENT


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", sorted(NOISES))
def test_noise_never_switches_on(name, seed):
    """Not enabled; whole hellos, enables and drives of the wrong session are torn up by the line, 30 times each."""
    with EmulatedBoard(seed=seed) as board:
        host = Host(board)
        host.run(700 * MS)
        host.say(Hello)
        host.run(50 * MS)
        board.noise_to = NOISES[name](seed)
        for _ in range(30):
            host.say(Drive, True, True, 10_000, 40_000)
            host.say(Tell, 1, True, True, 1)
            host.run(40 * MS)
        board.noise_to = None
        host.run(500 * MS)
        assert not board.edges("modulator") and not board.edges("contactor")
        assert host.last().enabled is False


def test_a_drive_cut_anywhere_is_no_drive_and_the_next_line_is_heard():
    with EmulatedBoard() as board:
        host = Host(board).open()
        host.run(50 * MS)
        whole = encode(Drive(4711, 3, True, True, 10_000, 40_000))
        for cut in range(len(whole)):
            board.receive(whole[:cut])
            host.run(10 * MS)
            assert not board.edges("contactor"), f"{whole[:cut]} heats"
            board.receive(b"\n")
        board.receive(whole)
        host.run(150 * MS)
        assert pins_high(board) == (True, True)


def test_a_line_with_one_wrong_digit_is_neither_obeyed_nor_answered():
    """Every digit of every frame that could change something, made another: only the checksum is left to tell."""
    frames = (Hello(4711, 90), Enable(4711, 91), Drive(4711, 92, True, True, 10_000, 40_000),
              SetLimits(4711, 93, 90_000, 80_000, 5))
    with EmulatedBoard() as board:
        host = Host(board)
        host.run(700 * MS)
        host.ask(Hello)
        before = len(host.events)
        for whole in map(encode, frames):
            for at in (at for at, byte in enumerate(whole) if 0x30 <= byte <= 0x39):
                board.receive(whole[:at] + bytes((0x30 + (whole[at] - 0x2F) % 10,)) + whole[at + 1:])
                host.run(10 * MS)
        host.run(500 * MS)
        answers = {type(event) for event in host.events[before:]} - {Report, LimitsRead}
        assert not answers and host.last().heard == 1 and not host.last().enabled
        assert host.last(LimitsRead).run_ceiling_mc == 140_000


def test_noise_from_the_board_is_never_answered_and_an_echo_is_not_either():
    with heating() as host:
        host.heat(1)
        before = len(host.events)
        report = encode(host.last())
        for line in (report, b"N s=4711 q=9 c=3*0000\n", b"\xff" * 300 + b"\n", b"@run 1000000\n", b"\n" * 20):
            host.board.receive(line)
            host.run(20 * MS)
        answers = [event for event in host.events[before:] if not isinstance(event, Report)]
        assert not [event for event in answers if type(event).__name__ in ("Refusal", "Welcome", "BadLine")]


def test_two_hosts_at_one_board_the_newer_session_wins_and_the_older_cannot_heat():
    with heating() as host:
        other = Host(host.board, session=900)
        other.say(Hello)
        since_us = host.board.now_us
        other.run(150 * MS)
        assert fell_us(host.board, "modulator", since_us) <= 40 * MS, "a hello of another session is off"
        for _ in range(3):
            assert host.refused(Drive, True, True, 10_000, 40_000) == RefusalCode.SESSION
            assert host.refused(Enable) == RefusalCode.SESSION
        assert not host.board.outputs.contactor
        other.say(Enable)
        assert other.heat(1).session == 900 and pins_high(host.board) == (True, True)
        for _ in range(6):  # the older goes on driving: the newer one's silence is silence all the same
            host.say(Drive, True, True, 10_000, 40_000)
            host.run(S1)
        assert pins_high(host.board) == (False, False) and host.last().off == OffReason.HOST_SILENT


def test_a_port_that_resets_the_board_when_it_is_opened_shows_a_new_boot_id():
    with heating() as host:
        since_us = host.board.now_us
        host.board.reset(ResetCause.EXTERNAL)
        host.run(700 * MS)
        assert fell_us(host.board, "contactor", since_us) <= MS
        welcome = next(event for event in host.ask(Hello, session=4712) if type(event).__name__ == "Welcome")
        assert (welcome.boot, welcome.reset) == (2, ResetCause.EXTERNAL)


# The processor

@pytest.mark.parametrize("chip", chips.CHIPS)
@pytest.mark.parametrize("after_ms", [0, 3, 7, 251, 900])
def test_a_frozen_loop_is_bitten_by_the_watchdog(chip, after_ms):
    """Frozen at an instruction with interrupts on; timer and line go on being served."""
    with heating(chip=chip) as host:
        host.drive()
        host.run(after_ms * MS + 1)
        since_us = host.board.now_us
        host.board.fault("hang")
        host.heat(3)
        assert fell_us(host.board, "modulator", since_us) <= WATCHDOG_US + RESET_US
        assert fell_us(host.board, "contactor", since_us) <= WATCHDOG_US + RESET_US
        assert [event.value & chips.WATCHDOG for event in host.board.resets(since_us)] == [chips.WATCHDOG]
        assert (host.last().boot, host.last().off) == (2, OffReason.RESET)
        welcome = next(event for event in host.ask(Hello) if type(event).__name__ == "Welcome")
        assert welcome.reset == ResetCause.WATCHDOG


def test_a_crystal_that_runs_wrong_never_heats():
    """Against the watchdog's own oscillator, which is rough: half and double speed are found, 16 MHz is not doubted."""
    for crystal_hz in (8_000_000, 32_000_000):
        with EmulatedBoard(crystal_hz=crystal_hz) as board:
            host = Host(board).open()
            host.board.sensors[0].noise_c = 0.0
            for _ in range(3):
                host.drive()
                host.run(S1)
            assert not board.edges("modulator"), f"a crystal of {crystal_hz} Hz heats"


@pytest.mark.parametrize("where", ["first", "middle", "last"])
def test_a_flipped_bit_of_the_program_is_a_failed_self_test(where):
    """In a run, in a byte that is not executed at that moment (a constant or an instruction's twin): found at the latest
    when the checksum comes round."""
    with heating() as host:
        size = chips.image("atmega328p").stat().st_size
        at = {"first": 0x60, "middle": size // 2, "last": size - 5}[where]
        byte = host.board.machine.flash(at, 1)[0]
        since_us = host.board.now_us
        host.board.machine.put_flash(at, bytes((byte ^ 0x10,)))
        for _ in range(SELF_TEST_US // S1):
            host.drive()
            host.run(S1)
            if not host.board.outputs.contactor:
                break
        assert pins_high(host.board) == (False, False), "the program's checksum was never looked at"
        assert host.board.now_us - since_us <= SELF_TEST_US


def test_a_program_that_runs_into_nothing_is_bitten_by_the_watchdog():
    """A jump to an address that is no program, in the middle of a pass: nothing is fed any more."""
    with heating() as host:
        since_us = host.board.now_us
        size = chips.image("atmega328p").stat().st_size
        vectors = 26 * 4
        host.board.machine.put_flash(vectors, b"\xff" * (size - vectors))  # all but the vectors is erased
        host.board.run(2 * S1)
        assert host.board.resets(since_us)[0].us - since_us <= WATCHDOG_US + RESET_US
        assert fell_us(host.board, "contactor", since_us) <= WATCHDOG_US + RESET_US


def test_a_stuck_bit_of_the_memory_is_a_failed_self_test_that_stands_until_a_reset():
    with heating() as host:
        free_at = chips.symbols("atmega328p")["_end"] + 40
        since_us = host.board.now_us
        host.board.machine.stick_ram(free_at, 3, not host.board.machine.ram(free_at, 1)[0] >> 3 & 1)
        for _ in range(SELF_TEST_US // S1):
            host.drive()
            host.run(S1)
            if not host.board.outputs.contactor:
                break
        assert host.last().off == OffReason.SELF_TEST and pins_high(host.board) == (False, False)
        assert host.board.now_us - since_us <= SELF_TEST_US
        host.board.machine.stick_ram(chips.NO_PLACE, 0, False)
        host.heat(2)
        assert host.last().off == OffReason.SELF_TEST, "it stands until a reset"
        assert host.refused(Enable) == RefusalCode.NOT_HELD
        host.board.reset(ResetCause.EXTERNAL)
        host.run(S1)
        host.say(Hello, session=4712)
        host.say(Enable, session=4712)
        host.say(Drive, True, True, 10_000, 40_000, session=4712)
        host.run(300 * MS)
        assert pins_high(host.board) == (True, True)


@pytest.mark.parametrize("name", ["door", "local_stop", "smoke", "contactor_open"])
@pytest.mark.parametrize("high", [False, True])
def test_a_stuck_input_is_a_failed_self_test(name, high):
    with heating() as host:
        since_us = host.board.now_us
        host.board.machine.stick_pin(name, high)
        host.heat(3)
        assert fell_us(host.board, "modulator", since_us) <= S1
        host.board.machine.stick_pin(None)
        host.heat(1)
        assert host.last().off == OffReason.SELF_TEST


# The settings

def test_every_flipped_bit_of_the_settings_at_boot_is_off_settings_and_never_heats():
    with EmulatedBoard() as board:
        whole = board.machine.eeprom()[:LIMITS_AT + LIMITS_BYTES]
        host = Host(board)
        for bit in range(RECORD_BITS):
            spoilt = bytearray(whole)
            spoilt[bit // 8] ^= 1 << bit % 8
            board.machine.put_eeprom(0, bytes(spoilt))
            board.reset(ResetCause.EXTERNAL)
            since_us = board.now_us
            host.run(600 * MS)
            assert host.last().up_us < 600 * MS and host.last().off == OffReason.SETTINGS, f"bit {bit}: {host.last()}"
            host.session, host.sequence = 1 + bit, 0
            host.say(Hello)
            assert host.refused(Enable) == RefusalCode.NOT_HELD
            host.say(Drive, True, True, 10_000, 40_000)
            host.run(150 * MS)
            assert not board.edges("modulator", since_us) and not board.edges("contactor", since_us), f"bit {bit} heats"


def test_every_flipped_bit_of_the_settings_in_a_run_is_off_within_a_second():
    with heating() as host:
        board = host.board
        whole = board.machine.eeprom()[:LIMITS_AT + LIMITS_BYTES]
        for bit in range(RECORD_BITS):
            host.drive()
            host.run(250 * MS)
            assert pins_high(board) == (True, True), f"before bit {bit}: {host.last()}"
            since_us = board.now_us
            board.machine.put_eeprom(bit // 8, bytes((whole[bit // 8] ^ 1 << bit % 8,)))
            host.run(S1)
            assert fell_us(board, "modulator", since_us) <= S1 - CONTACTOR_US and not board.outputs.contactor, f"bit {bit}"
            assert host.last().off == OffReason.SETTINGS and not host.last().enabled
            board.machine.put_eeprom(0, whole)
            host.run(800 * MS)
            host.drive()
            host.run(100 * MS)
            assert pins_high(board) == (False, False), "good settings again heat nothing by themselves"
            host.say(Enable)


def test_noise_kinds_each_change_something():
    """What the noise tests stand on: no kind of noise lets everything through."""
    for name, make in NOISES.items():
        noise, draw = make(1), Random(2)
        lines = [draw.randbytes(60) for _ in range(40)]
        assert sum(noise(line) != line for line in lines) >= 5, name
