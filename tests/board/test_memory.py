"""The board's own memory: a ceiling that falls by wire and rises only with a hand on the board, over resets and power cuts."""

from __future__ import annotations

from collections import Counter

import pytest

from controller.chamber.simulated import RUN_MAX_S
from controller.core.messages import (
    Drive,
    Enable,
    Hello,
    LimitsRead,
    OffReason,
    Refusal,
    RefusalCode,
    ResetCause,
    SetLimits,
    Welcome,
)
from tests.board import machine as chips
from tests.board.emulated import EmulatedBoard
from tests.board.host import MS, S1, Host, fell_us, heating, needs_emulator, pins_high
from tests.board.memory_image import LIMITS_AT, LIMITS_BYTES, Identity, limits_bytes, memory_image, stored_ceiling_mc

pytestmark = needs_emulator
FROM_MC, TO_MC = 140_000, 120_000


def limits(host: Host, *fields: int | None) -> LimitsRead | Refusal:
    """The answer to an `S`; a stored ceiling is written first, at some 3.4 ms a byte (from memory), and a
    second after the one before."""
    host.say(SetLimits, *fields)
    asked = host.sequence
    events = host.run(1_300 * MS)
    return next(event for event in events if isinstance(event, LimitsRead)
                or (isinstance(event, Refusal) and event.sequence == asked))


def woken(host: Host, cause: ResetCause = ResetCause.POWER_ON) -> LimitsRead:
    """The limits after a reset."""
    host.board.reset(cause)
    host.run(800 * MS)
    host.session, host.sequence = host.session + 1, 0
    return next(event for event in host.ask(Hello) if isinstance(event, LimitsRead))


def test_a_ceiling_falls_by_wire_and_stays_fallen():
    with heating() as host:
        answer = limits(host, TO_MC, None, None)
        assert (answer.board_ceiling_mc, answer.run_ceiling_mc) == (TO_MC, TO_MC)
        assert stored_ceiling_mc(host.board.machine.eeprom()) == TO_MC, "the answer is read back from the memory"
        assert pins_high(host.board) == (True, True), "tightening does not stop a run below the new ceiling"
        for cause in (ResetCause.POWER_ON, ResetCause.WATCHDOG):
            after = woken(host, cause)
            assert (after.board_ceiling_mc, after.run_ceiling_mc) == (TO_MC, TO_MC)


def test_the_answer_tells_what_the_memory_holds_and_not_what_was_asked():
    """A bit of the new record goes wrong behind the write: the ceiling is then no ceiling, and nothing heats."""
    with heating() as host:
        limits(host, TO_MC, None, None)
        byte = host.board.machine.eeprom()[LIMITS_AT + 3]
        host.board.machine.put_eeprom(LIMITS_AT + 3, bytes((byte ^ 1,)))
        host.heat(1)
        assert host.last().off == OffReason.SETTINGS and pins_high(host.board) == (False, False)


def test_a_ceiling_rises_only_with_the_local_stop_held_and_the_outputs_off():
    with heating() as host:
        assert limits(host, FROM_MC + 1_000, None, None).code == RefusalCode.NOT_HELD
        host.board.local_stop = True
        host.run(45 * MS)  # the stop is seen; the contactor still waits for the current to go
        assert host.board.outputs.contactor
        assert host.refused(SetLimits, FROM_MC + 1_000, None, None) == RefusalCode.OUTPUTS_ON
        host.run(S1)
        assert limits(host, FROM_MC + 5_000, None, None).board_ceiling_mc == FROM_MC + 5_000
        assert limits(host, 400_001, None, None).code == RefusalCode.RANGE
        host.board.local_stop = False
        assert woken(host).board_ceiling_mc == FROM_MC + 5_000
        assert limits(host, FROM_MC + 6_000, None, None).code == RefusalCode.NOT_HELD


def test_run_limits_only_fall_within_a_session_and_a_hello_sets_them_back():
    with heating() as host:
        assert limits(host, None, 100_000, 3_600).run_ceiling_mc == 100_000
        assert limits(host, None, 100_001, None).code == RefusalCode.LOOSENS
        assert limits(host, None, 90_000, 3_601).code == RefusalCode.LOOSENS
        assert limits(host, None, None, None).run_ceiling_mc == 100_000, "all or nothing"
        answers = host.ask(Hello, session=5000)
        fresh = next(event for event in answers if isinstance(event, LimitsRead))
        assert (fresh.run_ceiling_mc, fresh.run_max_s) == (FROM_MC, 345_600)


def test_a_second_lowering_in_the_middle_of_the_first_wins():
    with heating() as host:
        host.say(SetLimits, TO_MC, None, None)
        host.run(50 * MS)
        host.say(SetLimits, TO_MC - 7_000, None, None)
        host.run(1_500 * MS)
        assert stored_ceiling_mc(host.board.machine.eeprom()) == TO_MC - 7_000
        assert host.last(LimitsRead).board_ceiling_mc == TO_MC - 7_000
        assert woken(host).board_ceiling_mc == TO_MC - 7_000


@pytest.mark.parametrize(("byte", "length"), [(0, LIMITS_BYTES), (3, 1), (4, 1), (LIMITS_BYTES - 1, 1)])
def test_a_ceiling_that_cannot_be_stored_still_counts_and_nothing_heats(byte, length):
    """The record, or a byte of it, takes no write any more. The board must not go back to the higher ceiling that it reads
    there."""
    low_mc = 70_000
    with heating() as host:
        board = host.board
        board.machine.wear_eeprom(LIMITS_AT + byte, length)
        answer = limits(host, low_mc, None, None)
        assert isinstance(answer, LimitsRead) and answer.board_ceiling_mc == low_mc
        host.heat(6)
        assert pins_high(board) == (False, False) and host.last().off == OffReason.SETTINGS
        assert host.last(LimitsRead).board_ceiling_mc == low_mc, "it stands"
        board.machine.put_eeprom(LIMITS_AT, limits_bytes(FROM_MC, RUN_MAX_S))
        host.heat(2)
        host.say(Enable)
        host.heat(2)
        assert host.last().off == OffReason.SETTINGS, "until a reset, whatever the memory reads then"


def test_a_flood_of_falling_ceilings_writes_the_record_once_a_second():
    """20 a second. Each counts at once; the memory takes 100,000 writes a byte (from memory of the data sheet)."""
    with heating() as host:
        since_us, seconds = host.board.now_us, 20
        for step in range(20 * seconds):
            host.say(SetLimits, FROM_MC - 50 * (step + 1), None, None)
            host.run(50 * MS)
        host.run(3 * S1)
        host.board.receive(b"\n")  # the flood may have ended in half a line
        writes = Counter(event.value for event in host.board.events
                         if event.kind == chips.EEPROM_WRITE and event.us >= since_us)
        written = [writes[at] for at in range(LIMITS_AT, LIMITS_AT + LIMITS_BYTES)]
        assert 10 <= max(written) <= seconds + 4, writes
        answer = limits(host, TO_MC - 1_000, None, None)
        assert isinstance(answer, LimitsRead) and answer.board_ceiling_mc == TO_MC - 1_000
        assert stored_ceiling_mc(host.board.machine.eeprom()) == TO_MC - 1_000


def test_a_lower_ceiling_counts_while_the_memory_rests():
    """The second of two within a second is not stored yet when the air passes it."""
    with heating() as host:
        assert isinstance(limits(host, 100_000, None, None), LimitsRead)
        host.drive()
        host.say(SetLimits, 90_000, None, None)
        host.run(300 * MS)
        host.say(SetLimits, 60_000, None, None)
        host.board.sensors[1].true_c = 65.0
        host.run(500 * MS)
        assert stored_ceiling_mc(host.board.machine.eeprom()) == 90_000
        assert pins_high(host.board)[0] is False and host.last().off == OffReason.CEILING


@pytest.mark.parametrize("what", ["no permit", "hello", "silence"])
def test_nothing_waits_for_a_ceiling_that_waits_for_the_memory(what):
    """Six ceilings in a row keep the memory busy for seconds; the board hears all the same, and says six times `L`."""
    with heating() as host:
        host.drive()
        for step in range(6):
            host.run(20 * MS)
            host.say(SetLimits, FROM_MC - 1 - step, None, None)
        host.run(20 * MS)
        since_us = host.board.now_us
        if what == "no permit":
            host.drive(permit=False)
        if what == "hello":
            host.say(Hello)
        host.run(9 * S1)
        bound_us = 5 * S1 if what == "silence" else 60 * MS
        assert fell_us(host.board, "modulator", since_us) <= bound_us
        assert fell_us(host.board, "contactor", since_us) <= bound_us + 110 * MS
        assert sum(isinstance(event, LimitsRead) for event in host.events) >= 6
        assert stored_ceiling_mc(host.board.machine.eeprom()) == FROM_MC - 6


@pytest.mark.parametrize("byte", range(1, LIMITS_BYTES + 1))
@pytest.mark.parametrize("torn", [False, True], ids=["written", "torn"])
def test_power_that_goes_in_the_middle_of_writing_a_ceiling_never_leaves_a_higher_one(byte, torn):
    """Cut as the n-th byte of the record is being written; `torn`, that byte ends up as neither the old nor the new one. A
    record with a bad checksum is no ceiling: nothing heats until it is set anew by hand."""
    with heating() as host:
        board = host.board
        host.drive(0, permit=False, contactor=False)
        host.run(300 * MS)
        host.say(SetLimits, TO_MC, None, None)
        board.stops = chips.STOP_EEPROM
        written = 0
        end_us = board.now_us + 600 * MS
        while board.now_us < end_us and written < byte:
            written += sum(event.kind == chips.EEPROM_WRITE and LIMITS_AT <= event.value < LIMITS_AT + LIMITS_BYTES
                           for event in board.stretch(end_us))
        board.stops = chips.STOP_EDGE
        if torn and written == byte:
            place = board.events[-1].value
            board.machine.put_eeprom(place, bytes((board.machine.eeprom()[place] ^ 0x5A,)))
        after = woken(host)
        host.say(Enable)
        host.say(Drive, True, True, 10_000, 40_000)
        host.run(600 * MS)
        stored = stored_ceiling_mc(board.machine.eeprom())
        assert stored in (None, FROM_MC, TO_MC)
        if stored is None:
            assert host.last().off == OffReason.SETTINGS and pins_high(board) == (False, False)
            board.local_stop = True
            host.run(100 * MS)
            assert limits(host, TO_MC, None, None).board_ceiling_mc == TO_MC, "set anew by hand"
            board.local_stop = False
            assert woken(host).board_ceiling_mc == TO_MC
        else:
            assert after.board_ceiling_mc == stored and pins_high(board) == (True, True)


def test_a_board_says_who_it_is_and_whether_it_is_simulated_by_its_programmers_word():
    for simulated in (True, False):
        memory = memory_image("atmega328p", Identity("00beef", simulated), FROM_MC, 3_600)
        with EmulatedBoard(memory=memory) as board:
            host = Host(board)
            host.run(800 * MS)
            welcome, read, *_ = [event for event in host.ask(Hello) if not isinstance(event, Refusal)]
            assert isinstance(welcome, Welcome) and isinstance(read, LimitsRead)
            assert (welcome.board, welcome.simulated, welcome.boot, welcome.session) == ("00beef", simulated, 1, 4711)
            assert read == LimitsRead(4711, FROM_MC, FROM_MC, 3_600, 4_800_000)


def test_the_boot_id_rises_with_every_reset_and_wraps():
    with EmulatedBoard() as board:
        host = Host(board)
        boots = []
        for _ in range(60):  # the log of its life has 48 places: round, and round again
            host.run(600 * MS)
            boots.append(host.last().boot)
            board.reset(ResetCause.EXTERNAL)
        assert boots == list(range(1, 61))


def test_the_count_of_switchings_is_never_lost_to_a_reset():
    with heating() as host:
        for _ in range(20):
            host.drive()
            host.run(150 * MS)
            host.drive(0, permit=False, contactor=False)
            host.run(150 * MS)
        before = host.last().switches
        assert before >= 20
        woken(host)
        assert before <= host.last().switches <= before + 32, "it may run ahead, never behind"
