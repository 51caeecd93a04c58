"""The simulated board, spoken to by bytes alone, as a host would. Every rule of the manual has a test of its name."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller.chamber.codes import VOIDING
from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import REASONS, Board, new_settings
from controller.core.messages import (
    Drive,
    Enable,
    Fault,
    Hello,
    LimitsRead,
    OffReason,
    Refusal,
    RefusalCode,
    Report,
    ResetCause,
    SetLimits,
    Stall,
    Tell,
    Welcome,
)
from controller.link.protocol import crc4, encode
from controller.link.session import BadLine, Session
from tests.chamber.board_host import S1, Host, refused

PAGE = (Path(__file__).parents[2] / "hardware_notes" / "protocol.md").read_text(encoding="utf-8")


@pytest.fixture
def host():
    return Host().open()


def test_a_report_leaves_every_250_ms_of_board_time_whatever_the_stretches():
    for stretch_us in (10_000, 250_000, 333_333, 5 * S1):
        host = Host()
        while host.board.now_us < 5 * S1:
            host.run(min(stretch_us, 5 * S1 - host.board.now_us))
        reports = [event for event in host.events if isinstance(event, Report)]
        assert [report.up_us for report in reports] == [250_000 * (n + 1) for n in range(20)]
        assert [report.sequence for report in reports] == list(range(20))
    assert isinstance(host.last(LimitsRead), LimitsRead)


def test_outputs_are_off_at_reset_until_hello_enable_and_drive():
    host = Host()
    host.run(S1)
    assert host.last().off == OffReason.RESET
    assert refused(host.drive(), RefusalCode.SESSION)
    host.say(Hello)
    assert refused(host.say(Drive, True, True, 10_000, 40_000, sequence=1), RefusalCode.SEQUENCE)
    host.heat(2)
    assert (host.last().enabled, host.last().modulator, host.last().off) == (False, False, OffReason.NOT_ENABLED)
    host.say(Enable)
    host.run(S1)
    assert (host.last().enabled, host.last().modulator) == (True, False), "a drive before the enable must not count"
    assert host.last().off == OffReason.NO_PERMIT
    assert host.heat(1).modulator


def test_a_hello_is_answered_by_welcome_and_limits():
    host = Host(board_id="00beef")
    welcome, limits = host.say(Hello)
    assert welcome == Welcome("00beef", 1, 4711, "0.1", "00000000", ResetCause.POWER_ON, True)
    assert limits == LimitsRead(4711, 140_000, 140_000, 345_600, 4_800_000)


@pytest.mark.parametrize("session", [4711, 4712])
def test_any_hello_turns_the_outputs_off_and_voids_the_enable(host, session):
    host.heat(2)
    host.say(Hello, session=session)
    assert not host.board.outputs.modulator
    host.run(250_000)
    assert (host.last().enabled, host.last().contactor, host.last().current_ma) == (False, False, 0)


def test_an_old_hello_replayed_switches_off_but_revives_no_old_frame(host):
    host.heat(3)
    assert host.say(Hello, sequence=1)[-1].code == RefusalCode.SEQUENCE
    assert not host.board.enabled
    assert refused(host.say(Enable, sequence=2), RefusalCode.SEQUENCE)


def test_a_sequence_that_does_not_rise_is_refused(host):
    host.heat(1)
    for sequence in (host.sequence, host.sequence - 1, 0):
        assert refused(host.say(Drive, True, True, 1, 40_000, sequence=sequence), RefusalCode.SEQUENCE)
    assert host.board.drive.duty_e4 == 10_000


@pytest.mark.parametrize("frame", [
    (Enable,), (Drive, True, True, 10_000, 40_000), (Tell, 2, True, True, 3), (SetLimits, 1, 1, 1), (Stall,)], ids=repr)
def test_another_session_is_refused_and_nothing_obeyed(host, frame):
    before = (host.board.enabled, host.board.drive, host.board.tell, host.board.run_ceiling_mc, host.board.heard)
    assert refused(host.say(*frame, session=4712), RefusalCode.SESSION)
    assert before == (host.board.enabled, host.board.drive, host.board.tell, host.board.run_ceiling_mc, host.board.heard)


def test_silence_switches_off_after_4_8_s_and_the_contactor_100_ms_later(host):
    host.heat(3)
    host.run(3_799_999)  # one second has passed since the last drive
    assert host.board.outputs.modulator
    host.run(1)
    assert not host.board.outputs.modulator
    assert host.board.outputs.contactor
    host.run(100_000)
    assert not host.board.outputs.contactor
    host.run(S1)
    assert (host.last().off, host.last().enabled) == (OffReason.HOST_SILENT, False)
    assert host.heat(2).off == OffReason.HOST_SILENT, "a drive alone must not heat again"
    host.say(Enable)
    assert host.heat(1).modulator


def test_only_a_drive_feeds_the_silence_timer(host):
    host.heat(1)
    for _ in range(6):
        host.say(Tell, 0, True, False, 0)
        host.say(SetLimits, None, None, None)
        host.run(S1)
    assert host.last().off == OffReason.HOST_SILENT
    host = Host().open()
    host.heat(1)
    for _ in range(6):
        host.say(Drive, True, True, 10_000, 40_000, session=99)
        host.say(Drive, True, True, 10_000, 40_000, sequence=1)
        host.run(S1)
    assert host.last().off == OffReason.HOST_SILENT


def test_no_permit_is_off_while_the_frame_is_heard(host):
    host.heat(2)
    host.drive(permit=False, contactor=False, duty_e4=0)
    assert host.board.watts(host.board.outputs) == 0.0
    assert host.board.outputs.contactor
    host.run(100_000)
    assert not host.board.outputs.contactor


def test_permit_without_contactor_lets_the_modulator_follow_and_heats_nothing(host):
    for _ in range(3):
        host.drive(contactor=False)
        host.run(S1)
    report = host.last()
    assert (report.modulator, report.contactor, report.current_ma) == (True, False, 0)
    assert host.board.plant.in_j == 0.0


def test_heard_names_the_newest_frame_and_dates_the_report(host):
    host.heat(2)
    assert host.last().heard == host.sequence
    host.say(Tell, 1, False, False, 0)
    host.run(250_000)
    assert host.last().heard == host.sequence


HANDS = {
    "door_open": OffReason.DOOR, "local_stop": OffReason.LOCAL_STOP, "smoke": OffReason.SMOKE,
    "sensor_open": OffReason.SENSOR,
}


@pytest.mark.parametrize(("name", "reason"), HANDS.items())
def test_the_boards_own_permissives_hold_the_heat_off(host, name, reason):
    host.heat(2)
    host.board.fault(name)
    report = host.heat(2)
    assert (report.off, report.modulator, report.current_ma) == (reason, False, 0)
    assert report.enabled is (reason not in VOIDING)
    host.board.fault(name, on=False)
    assert host.heat(2).modulator is (reason not in VOIDING)
    host.say(Enable)
    assert host.heat(1).modulator


def test_an_enable_is_refused_while_a_voiding_reason_stands(host):
    host.board.fault("local_stop")
    assert refused(host.say(Enable), RefusalCode.NOT_HELD)
    assert host.heat(1).off == OffReason.LOCAL_STOP


def test_a_broken_part_sensor_is_not_the_boards_own(host):
    host.board.fault("sensor_open", channel=2)
    report = host.heat(2)
    assert report.modulator
    assert report.channels[2].fault == Fault.OPEN


def test_the_board_ceiling_acts_alone_and_ends_the_enable():
    host = Host(settings=new_settings(SHAPES["bench"]) | {"board_ceiling_mc": 60_000}).open()
    report = host.heat(300)
    assert (report.off, report.enabled) == (OffReason.CEILING, False)
    assert max(event.channels[0].value_mc for event in host.events if isinstance(event, Report)) < 75_000


def test_the_run_ceiling_acts_at_the_limit_itself(host):
    host.heat(60)
    hottest_mc = max(channel.value_mc for channel in host.last().channels if channel)
    host.say(SetLimits, None, hottest_mc - 5_000, None)
    assert host.heat(1).off == OffReason.RUN_CEILING


def test_the_run_time_is_counted_on_the_board(host):
    host.say(SetLimits, None, None, 30)
    reports = [host.heat(1) for _ in range(40)]
    assert reports[28].modulator
    assert reports[28].run_s == 29
    assert reports[-1].off == OffReason.RUN_TIME
    assert reports[-1].run_s == 30


def test_run_limits_only_fall_within_a_session_and_a_hello_sets_them_back(host):
    assert host.say(SetLimits, None, 112_000, 3_600) == [LimitsRead(4711, 140_000, 112_000, 3_600, 4_800_000)]
    assert refused(host.say(SetLimits, None, 112_001, None), RefusalCode.LOOSENS)
    assert refused(host.say(SetLimits, None, 100_000, 3_601), RefusalCode.LOOSENS)
    assert host.board.run_ceiling_mc == 112_000, "all or nothing"
    assert host.say(Hello, session=5)[1] == LimitsRead(5, 140_000, 140_000, 345_600, 4_800_000)


def test_the_stored_ceiling_falls_by_wire_and_rises_only_with_a_hand_on_the_board():
    settings = new_settings(SHAPES["bench"])
    host = Host(settings=settings).open()
    assert host.say(SetLimits, 120_000, None, None)[0].run_ceiling_mc == 120_000
    assert settings["board_ceiling_mc"] == 120_000
    assert Host(settings=settings).open().last(LimitsRead).board_ceiling_mc == 120_000, "kept over a reset"
    assert refused(host.say(SetLimits, 125_000, None, None), RefusalCode.NOT_HELD)
    host.heat(1)
    host.board.fault("local_stop")
    assert refused(host.say(SetLimits, 125_000, None, None), RefusalCode.OUTPUTS_ON), "the contactor opens 100 ms later"
    host.run(S1)
    assert refused(host.say(SetLimits, 400_001, None, None), RefusalCode.RANGE)
    assert host.say(SetLimits, 125_000, None, None)[0].board_ceiling_mc == 125_000
    assert settings["board_ceiling_mc"] == 125_000


def test_a_contactor_that_still_reads_closed_keeps_the_stored_ceiling_where_it_is():
    host = Host().open()
    host.heat(1)
    host.board.fault("contactor_welded")
    host.board.fault("local_stop")
    host.run(3 * S1)
    assert refused(host.say(SetLimits, 150_000, None, None), RefusalCode.OUTPUTS_ON)


@pytest.mark.parametrize("settings", [{}, {"board_ceiling_mc": -5}, {"board_ceiling_mc": 10**6}], ids=repr)
def test_bad_settings_mean_no_heat(settings):
    host = Host(settings=settings)
    host.run(S1)
    assert host.last().off == OffReason.SETTINGS


def test_a_reset_is_a_new_boot_with_everything_off_and_forgotten(host):
    host.heat(5)
    host.say(Tell, 1, True, True, 3)
    host.board.fault("reset", cause=ResetCause.BROWN_OUT)
    assert not host.board.outputs.contactor
    host.run(250_000)
    report = host.last()
    assert (report.boot, report.session, report.up_us, report.heard, report.run_s) == (2, 0, 250_000, 0, 0)
    assert (report.off, report.switches) == (OffReason.RESET, 1)
    assert host.board.tell.sounder == 0
    assert refused(host.drive(), RefusalCode.SESSION)
    assert host.say(Hello)[0].reset == ResetCause.BROWN_OUT


@pytest.mark.parametrize(("body", "code"), [
    ("H v=2 s=9 q=1", RefusalCode.VERSION), ("D s=4711 q=50 p=1 c=1 u=10001 w=40000", RefusalCode.RANGE),
    ("D s=4711 q=50 p=1 c=1 u=05 w=40000", RefusalCode.RANGE), ("Z s=4711 q=50", RefusalCode.UNKNOWN_FRAME),
    ("E s=4711 q=50 z=1", RefusalCode.UNKNOWN_FRAME), ("E", RefusalCode.UNKNOWN_FRAME)])
def test_a_whole_frame_that_cannot_be_read_is_answered(host, body, code):
    host.board.receive(body.encode() + b"*" + crc4(body.encode()) + b"\n")
    answers = host.hear(host.board.take())
    assert refused(answers, code)
    assert (answers[0].session, answers[0].sequence) in ((4711, 50), (9, 1), (0, 0))
    assert host.board.heard == host.sequence


def test_noise_and_echoes_are_never_answered(host):
    for line in (b"", b"abc\n", b"E s=4711 q=50*0000\n", encode(Refusal(4711, 50, 3)), b"\xff" * 999 + b"\n"):
        host.board.receive(line)
        assert host.board.take() == b""


@given(st.binary(max_size=400))
def test_no_bytes_ever_switch_anything_on(data):
    host = Host().open()
    host.board.receive(data + b"\n")
    assert not host.board.outputs.modulator
    assert host.heat(1).modulator, "and after any garbage the next frame is understood"


FRAMES = st.one_of(
    st.builds(Hello, st.integers(1, 3), st.integers(0, 30)),
    st.builds(Enable, st.integers(1, 3), st.integers(0, 30)),
    st.builds(Drive, st.integers(1, 3), st.integers(0, 30), st.booleans(), st.booleans(), st.integers(0, 10_000),
              st.integers(1_000, 60_000)),
    st.builds(SetLimits, st.integers(1, 3), st.integers(0, 30), st.none() | st.integers(-5, 150_000),
              st.none() | st.integers(-5, 150_000), st.none() | st.integers(0, 400_000)),
)


@given(st.lists(st.tuples(FRAMES, st.integers(0, 3 * S1)), max_size=40))
@example([(Hello(1, 0), 0), (SetLimits(1, 1, 1, 2, None), 0)])
def test_any_frames_at_all_keep_the_rules(steps):
    board = Board(SHAPES["small"])
    wire = Session()
    ceiling_mc = board.settings["board_ceiling_mc"]
    for message, us in steps:
        board.receive(wire.send(message))
        for event in wire.receive(board.run(us)):
            assert not isinstance(event, BadLine)
        outputs = board.outputs
        if outputs.modulator:
            assert board.enabled
            assert board.session
            assert board.drive.permit
            assert board.now_us < board.heard_drive_us + 4_800_000
        if not board.enabled:
            assert not outputs.modulator
        assert board.settings["board_ceiling_mc"] <= ceiling_mc
        assert board.run_ceiling_mc <= max(board.settings["board_ceiling_mc"], 0) or board.settings_bad
        ceiling_mc = board.settings["board_ceiling_mc"]


def test_the_manual_lists_the_off_reasons_in_the_boards_own_order():
    order = re.search(r"looked for in this order: ([0-9, ]+)\.", PAGE)[1]
    assert [int(code) for code in order.split(",")] == [reason.value for reason, _ in REASONS]
    starred = {int(code) for code in re.findall(r"^\| (\d+) \| [A-Z_]+ \| \* ", PAGE, re.MULTILINE)}
    assert starred == {reason.value for reason in VOIDING}


@pytest.mark.parametrize("fault", [("sensor_open", {"channel": 0}), ("contactor_welded", {}), ("door_open", {})])
def test_silence_ends_the_enable_whatever_else_stands(host, fault):
    """Time must go on too: a board that waited for a moment already past once stood still for ever."""
    name, args = fault
    host.heat(2)
    host.board.fault(name, **args)
    host.run(10 * S1)
    assert not host.last().enabled
    assert not host.last().modulator


TROUBLES = {
    OffReason.SELF_TEST: {"faults.self_test": True},
    OffReason.SETTINGS: {"settings_bad": True},
    OffReason.LOCAL_STOP: {"local_stop": True},
    OffReason.SMOKE: {"smoke": True},
    OffReason.CEILING: {"hottest_mc": 140_000, "run_ceiling_mc": 150_000},
    OffReason.RUN_CEILING: {"run_ceiling_mc": 0},
    OffReason.RUN_TIME: {"run_max_s": 0},
    OffReason.SENSOR: {"sensor_bad": True},
    OffReason.OUTPUT: {"_let_go_us": -2 * S1},
    OffReason.DOOR: {"door_shut": False},
    OffReason.RESET: {"session": 0},
    OffReason.HOST_SILENT: {"heard_drive_us": -10 * S1},
    OffReason.NOT_ENABLED: {"enabled": False},
    OffReason.NO_PERMIT: {"drive": Drive(4711, 9, False, True, 10_000, 40_000)},
}
"""One way to make each row of REASONS stand in a board that heats."""


@pytest.mark.parametrize("reason", TROUBLES, ids=lambda reason: reason.name)
def test_the_short_question_never_hides_a_reason_to_be_off(host, reason):
    host.heat(3)
    board = host.board
    assert board._at_ease() and board._standing() is OffReason.NONE
    assert [row for row, _ in REASONS] == list(TROUBLES)
    if reason is OffReason.OUTPUT:  # welded shut and let go for more than a second
        board.faults.contactor_welded, board.outputs.contactor = True, False
    for name, value in TROUBLES[reason].items():
        whose, _, what = name.rpartition(".")
        setattr(getattr(board, whose) if whose else board, what, value)
    assert not board._at_ease()
    assert board._standing() is reason
