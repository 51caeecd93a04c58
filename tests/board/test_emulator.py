"""The emulated board itself: what all other tests of this folder stand on, and the firmware against published values."""

from __future__ import annotations

import pytest

from controller.chamber.shapes import SHAPES
from controller.core.messages import Fault, Hello, LimitsRead, OffReason, Refusal, Report, Tell, Welcome
from controller.link.protocol import encode
from controller.link.session import BadLine
from tests.board import machine as chips
from tests.board.emulated import EmulatedBoard
from tests.board.host import MS, S1, Host, heating, needs_emulator, pins_high
from tests.board.memory_image import IDENTITY_BYTES, Identity, identity_bytes, limits_bytes, memory_image

pytestmark = needs_emulator
COLD_C = (0.0, 10.0, 25.0, 40.0, 55.0, 70.0)
HOT_C = (0.0, 1.0, 20.0, 50.0, 100.0, 105.0, 126.9686, 150.0, 200.0, 250.0, 300.0, 350.0, 400.0)
CONVERTER_STEP_MC = 1000 / 128


@pytest.mark.parametrize("chip", chips.CHIPS)
def test_a_board_boots_reports_and_heats_its_chamber(chip):
    with heating(chip=chip) as host:
        first = host.last()
        last = host.heat(120)
        assert (last.modulator, last.contactor, last.enabled, last.off) == (True, True, True, OffReason.NONE)
        assert last.current_ma == pytest.approx(SHAPES["bench"].element_w * 1000 / 230, abs=20)
        assert last.fan_rpm == 2400 and last.aux_mv == pytest.approx(host.board.aux_mv, abs=10)
        assert last.channels[0].value_mc > first.channels[0].value_mc + 10_000, "the element warms the air"
        assert last.channels[0].value_mc == pytest.approx(host.board.plant.sensors[0] * 1000, abs=1_000)
        assert (last.mains, last.limiter) == ((True, True) if chip == "atmega2560" else (None, None))
        assert not [event for event in host.events if isinstance(event, BadLine)], "every line it sends is a good one"
        limits = [event for event in host.events if isinstance(event, LimitsRead)]
        assert len(limits) >= 120 // 5


def test_reports_leave_every_250_ms_and_their_clock_is_the_boards():
    with EmulatedBoard() as board:
        host = Host(board)
        host.run(20 * S1)
        reports = [event for event in host.events if isinstance(event, Report)]
        begun = [event.us for event in board.events if event.kind == chips.LINE and event.value == ord("R")]
        assert [report.sequence for report in reports] == list(range(len(reports)))
        assert len(begun) >= 75
        assert all(abs(later - sooner - 250 * MS) <= 15 * MS for sooner, later in zip(begun, begun[1:], strict=False))
        assert all(abs((later.up_us - sooner.up_us) - 250 * MS) <= MS
                   for sooner, later in zip(reports, reports[1:], strict=False))


def test_the_firmwares_temperatures_are_those_of_its_90():
    """Type K, 0 to 400 °C, terminals at 0 to 70 °C: the reference functions of NIST Monograph 175 / IEC 60584-1 make the
    millivolts, the converter takes them back. Off by at most a step of the converter and one of the cold junction's 1/64 °C."""
    memory = memory_image("atmega328p", Identity(), 400_000, 3_600)
    with EmulatedBoard(memory=memory) as board:
        host = Host(board)
        for cold_c in COLD_C:
            for at in range(0, len(HOT_C), 3):
                wanted = [HOT_C[min(at + channel, len(HOT_C) - 1)] for channel in range(3)]
                for sensor, true_c in zip(board.sensors, wanted, strict=True):
                    sensor.true_c, sensor.cold_c, sensor.noise_c = true_c, cold_c, 0.0
                host.run(800 * MS)
                for channel, true_c in zip(host.last().channels[:3], wanted, strict=True):
                    assert channel.fault == 0
                    assert abs(channel.cold_mc - cold_c * 1000) <= 1
                    assert abs(channel.value_mc - true_c * 1000) <= CONVERTER_STEP_MC, f"{true_c} °C, terminals at {cold_c} °C"


@pytest.mark.parametrize(("named", "low_mc", "high_mc"), [
    ({"reversed_leads": True}, -57_000, -54_000), ({"wire": "J"}, 121_000, 123_500),
    ({"cold_error_c": 5.0}, 104_500, 105_500), ({"wire": "T"}, 103_000, 106_000)], ids=str)
def test_a_wrongly_wired_sensor_reads_wrong_as_in_life(named, low_mc, high_mc):
    """True 100 °C, terminals at 25 °C; the figures are computed from the reference functions."""
    with EmulatedBoard() as board:
        host = Host(board)
        for name, value in {"true_c": 100.0, "cold_c": 25.0, "noise_c": 0.0, **named}.items():
            setattr(board.sensors[0], name, value)
        host.run(1500 * MS)
        assert low_mc <= host.last().channels[0].value_mc <= high_mc


def test_each_converters_counter_counts_its_finished_conversions():
    with EmulatedBoard() as board:
        host = Host(board)
        host.run(5 * S1)
        before, finished = host.last(), board.ran.finished
        host.run(10 * S1)
        after = host.last()
        for at in range(3):
            counted = (after.channels[at].conversions - before.channels[at].conversions) % 256
            assert abs(counted - (board.ran.finished[at] - finished[at])) <= 2
            assert counted >= 45, "a conversion takes 169 ms, so five a second at least"


@pytest.mark.parametrize("fault", ["sensor_open", "sensor_frozen"])
def test_the_simulated_boards_faults_work_here_too(fault):
    with EmulatedBoard() as board:
        host = Host(board)
        host.run(S1)
        board.fault(fault, channel=1)
        host.run(2 * S1)
        assert host.last().channels[1].fault == (Fault.OPEN if fault == "sensor_open" else Fault.CONVERTER_SILENT)
        board.fault(fault, channel=1, on=False)
        host.run(3 * S1)
        assert host.last().channels[1].fault == 0
        with pytest.raises(ValueError, match="there are arm"):
            board.fault("no such")


def test_lamps_sounder_and_the_silence_button():
    with EmulatedBoard() as board:
        host = Host(board).open()
        host.say(Tell, 2, True, False, 2)
        host.run(4 * S1)
        assert 3 <= sum(edge.value for edge in board.edges("lamp_armed")) <= 5, "flashes once a second"
        assert board.edges("lamp_heating")[-1].value and not board.edges("lamp_hot")
        assert 3 <= sum(edge.value for edge in board.edges("sounder")) <= 5
        board.silence_pressed = True
        host.run(300 * MS)
        board.silence_pressed = False
        since_us = board.now_us
        host.run(4 * S1)
        assert not board.edges("sounder", since_us), "silenced"
        host.say(Tell, 0, False, True, 3)
        host.run(4 * S1)
        assert board.edges("sounder", since_us), "a worse one sounds again"
        assert board.edges("lamp_hot")[-1].value and not board.edges("lamp_heating")[-1].value


@pytest.mark.parametrize("chip", chips.CHIPS)
def test_a_press_shorter_than_a_report_is_shown_once(chip):
    with EmulatedBoard(chip=chip) as board:
        host = Host(board)
        host.run(2_010 * MS)
        board.arm_pressed = True
        host.run(120 * MS)
        board.arm_pressed = False
        host.run(2 * S1)
        shown = [event.arm for event in host.events if isinstance(event, Report)]
        assert 1 <= sum(shown) <= 2 and not shown[-1]


def test_pins_are_read_as_port_and_ddr():
    """A register that says high on a pin that is no output is not high: a reset floats the pins."""
    with heating() as host:
        board = host.board
        board.machine.reset(chips.EXTERNAL)
        board.stretch(board.now_us)
        assert pins_high(board) == (False, False)


def test_a_pin_that_is_not_what_the_outputs_say_is_told():
    """The check that every other test here relies on: the firmware's own `outputs` are changed behind its back."""
    with EmulatedBoard() as board:
        board.run(S1)
        at = chips.symbols(board.chip)["outputs"]
        for _ in range(200):  # a pass writes them anew: somewhere between two passes the difference is seen
            board.machine.put_ram(at, b"\1")
            board.run(1_700)
        assert board.differences


def test_the_same_seed_is_the_same_to_the_last_bit():
    def told(seed: int) -> bytes:
        with EmulatedBoard(seed=seed) as board:
            return board.run(5 * S1)

    assert told(1) == told(1) != told(2)


def test_lock_step_lines_are_obeyed_and_never_reach_the_firmware():
    with EmulatedBoard(lock_step=True) as board:
        board.receive(b"@run 700000\n" + encode(Hello(1, 1)) + b"@run 3")
        board.receive(b"33333\n@run 0\n@run x\n")
        said = board.take()
        assert said.count(b"@ran 700000\n") == 1 and said.endswith(b"@ran 1033333\n")
        assert said.index(b"@ran 700000") < said.index(b"W v=1")
        assert all(line[:1] in b"RLW@" for line in said.split(b"\n") if line)


def test_a_machine_that_is_asked_nonsense_says_so_and_ends():
    one = chips.Machine("atmega328p")
    with pytest.raises(RuntimeError, match="ended with code 2"):
        one._ask(b"?", b"")
    one.close()


def test_the_memory_image_is_what_the_firmware_reads():
    assert len(identity_bytes(Identity())) == IDENTITY_BYTES
    image = memory_image("atmega328p", Identity("0a1b2c"), 123_456, 789)
    assert image.startswith(identity_bytes(Identity("0a1b2c")) + limits_bytes(123_456, 789))
    with EmulatedBoard(memory=image) as board:
        host = Host(board)
        host.run(700 * MS)
        answers = [event for event in host.ask(Hello) if not isinstance(event, Refusal)]
        assert [type(event) for event in answers[:2]] == [Welcome, LimitsRead]
        assert (answers[0].board, answers[1].board_ceiling_mc, answers[1].run_max_s) == ("0a1b2c", 123_456, 789)
