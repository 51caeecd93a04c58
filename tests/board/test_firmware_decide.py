"""The firmware's decisions, compiled for this computer: against the simulated board, and against their own contract.

The two boards are driven by one script on the firmware's grid of 10 ms. Duties and windows are such that every edge lies
on that grid; there they must agree in every output, answer and reason. Off the grid the duty over many windows counts.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.core.messages import (
    Drive,
    Enable,
    Hello,
    LimitsRead,
    OffReason,
    Refusal,
    RefusalCode,
    SetLimits,
    Stall,
    Welcome,
)
from controller.link.protocol import crc4, decode, encode
from tests.board.firmware_core import KINDS, Frame, Inputs, OutputsC, State, Window, frame_of

PASS_US = 10_000
CEILING_MC = 140_000
LONGEST_S = 96 * 3600


class Scripted(Board):
    """The simulated board with its physics taken out: readings are what a script says, time is cheap."""

    def measure(self, up_us):
        """Nothing moves a reading but the script."""

    def pass_time(self, us, outputs):
        outputs.passed(us)
        self.now_us += us
        if outputs.contactor:
            self._let_go_us = self.now_us


@dataclass
class Firmware:
    """The C decisions with the little that a shell does around them: inputs kept, stored ceiling kept."""

    core: ctypes.CDLL
    welded: bool = False
    state: State = field(default_factory=State)
    inputs: Inputs = field(default_factory=Inputs)
    out: OutputsC = field(default_factory=OutputsC)

    def __post_init__(self):
        self.core.decide_reset(ctypes.byref(self.state), 0, CEILING_MC, LONGEST_S)
        self.inputs.own = 3
        for channel in self.inputs.channels[:2]:
            channel.fitted, channel.value_mc = True, 21_000
        self.inputs.settings_good = self.inputs.self_test_good = self.inputs.door_shut = True
        self.inputs.board_ceiling_mc, self.inputs.longest_s = CEILING_MC, LONGEST_S

    def decide(self, passes=0, frame=None):
        inputs = self.inputs
        inputs.passes, inputs.frame = passes, frame or Frame()
        inputs.modulator_reads, inputs.contactor_reads = self.state.modulator, self.state.contactor or self.welded
        self.core.decide(ctypes.byref(self.state), ctypes.byref(inputs), ctypes.byref(self.out))
        if self.out.store:
            inputs.board_ceiling_mc = self.out.store_ceiling_mc
        return self.out

    def hear(self, message):
        """The answers to one frame, as the host's messages."""
        out = self.decide(0, frame_of(message))
        session = self.state.session
        limits = LimitsRead(session, self.inputs.board_ceiling_mc, self.state.run_ceiling_mc, self.state.run_max_s,
                            4_800_000)
        return {0: [], 1: [Welcome, limits], 2: [limits],
                3: [Refusal(message.session, message.sequence, out.refusal)]}[out.answer]


class Both:
    """One script for two boards; everything that can be seen is compared after every step."""

    def __init__(self, core):
        self.python = Scripted(SHAPES["bench"], settings={"board_ceiling_mc": CEILING_MC, "boot": 0, "switches": 0})
        self.python.channels = (None,) * 6
        self.python.hottest_mc, self.python.sensor_bad = 21_000, False
        self.firmware = Firmware(core)
        self.sequence = 0
        self.python._judge()
        self.firmware.decide()
        self.compare()

    def compare(self):
        ours, theirs = self.python, self.firmware
        assert (ours.outputs.modulator, ours.outputs.contactor, ours.enabled, ours.off, ours.outputs.switches) == (
            theirs.out.modulator, theirs.out.contactor, theirs.state.enabled, theirs.out.off, theirs.state.switches)

    def wait(self, passes):
        for _ in range(passes):
            self.python.advance(PASS_US)
            self.firmware.decide(1)
            self.compare()

    def say(self, kind, *fields, session=4711, step=1):
        self.sequence = max(0, self.sequence + step)
        message = kind(session, self.sequence, *fields)
        self.python.take()
        self.python.receive(encode(message))
        answers = [decode(line) for line in self.python.take().splitlines()]
        assert [Welcome if isinstance(one, Welcome) else one for one in answers] == self.firmware.hear(message)
        self.compare()

    def stall(self):
        """Where both obey, both are woken, so that the script goes on: what a watchdog leaves is for other tests."""
        self.say(Stall)
        assert self.firmware.out.stall == self.python._stalled
        self.python._stalled = False

    def unreadable(self, body):
        """A whole hello that cannot be read: refused, and off."""
        self.python.take()
        self.python.receive(body + b"*" + crc4(body) + b"\n")
        frame = Frame()
        line = body + b"*" + crc4(body)
        self.firmware.core.frame_read(line, len(line), ctypes.byref(frame))
        out = self.firmware.decide(0, frame)
        assert self.python.take() == encode(Refusal(frame.session, frame.sequence, out.refusal))
        assert not out.modulator
        self.compare()

    def change(self, **facts):
        """Facts of the chamber, by the simulated board's names."""
        inputs = self.firmware.inputs
        for name, value in facts.items():
            if name == "welded":
                self.python.faults.contactor_welded = self.firmware.welded = value
            elif name == "self_test_good":
                self.python.faults.self_test = self.python.faults.self_test or not value
                inputs.self_test_good = value
            elif name == "hottest_mc":
                self.python.hottest_mc = inputs.channels[1].value_mc = value
            elif name == "sensor_bad":
                self.python.sensor_bad, inputs.channels[0].faults = value, int(value)
            else:
                setattr(self.python, name, value)
                setattr(inputs, name, value)
        self.python._judge()
        self.firmware.decide()
        self.compare()


EVEN = st.integers(0, 300).map(lambda half: 2 * half)
STEPS = st.one_of(
    st.tuples(st.just("wait"), EVEN),
    st.tuples(st.just("drive"), st.booleans(), st.booleans(), st.sampled_from([0, 5_000, 10_000]),
              st.sampled_from([2_000, 4_000, 10_000, 40_000])),
    st.tuples(st.just("heat"), st.integers(1, 12), st.sampled_from([5_000, 10_000])),
    st.tuples(st.just("enable")),
    st.tuples(st.just("open")),
    st.tuples(st.just("hello"), st.sampled_from([4711, 4712, 9]), st.sampled_from([-2, 0, 1])),
    st.tuples(st.just("bad_hello"), st.sampled_from([b"H v=2 s=1 q=1", b"H v=1 s=0 q=1", b"H v=1", b"Hx"])),
    st.tuples(st.just("stale"), st.sampled_from([0, -1, -3])),
    st.tuples(st.just("limits"), st.none() | st.sampled_from([139_000, 140_000, 141_000, 0, 400_001]),
              st.none() | st.sampled_from([60_000, 120_000, 141_000, -5]), st.none() | st.sampled_from([0, 2, 20, 400_000])),
    st.tuples(st.just("fact"), st.sampled_from(["door_shut", "local_stop", "smoke", "sensor_bad", "welded"]), st.booleans()),
    st.tuples(st.just("hot"), st.sampled_from([21_000, 59_999, 60_000, 119_999, 120_000, 139_999, 140_000])),
    st.tuples(st.just("self_test")),
    st.tuples(st.just("stall")),
)


def act(both: Both, step) -> None:
    what, *args = step
    match what:
        case "wait":
            both.wait(args[0])
        case "drive":
            both.say(Drive, *args)
        case "heat":
            for _ in range(args[0]):
                both.say(Drive, True, True, args[1], 4_000)
                both.wait(100)
        case "enable":
            both.say(Enable)
        case "open":
            both.say(Hello)
            both.say(Enable)
            both.say(Drive, True, True, 10_000, 4_000)
        case "hello":
            both.say(Hello, session=args[0], step=args[1])
        case "bad_hello":
            both.unreadable(args[0])
        case "stale":
            both.say(Drive, True, True, 10_000, 4_000, step=args[0])
        case "limits":
            both.say(SetLimits, *args)
        case "fact" if args[0] != "welded" or not args[1] or both.python.outputs.contactor:
            both.change(**{args[0]: args[1]})
        case "hot":
            both.change(hottest_mc=args[0])
        case "self_test":
            both.change(self_test_good=False)
        case "stall":
            both.stall()


@given(steps=st.lists(STEPS, max_size=30))
def test_the_firmware_and_the_simulated_board_are_one_board(core, steps):
    both = Both(core)
    for step in steps:
        act(both, step)


def _set(name, value):
    return lambda firmware: setattr(firmware.inputs, name, value)


def _state(name, value):
    return lambda firmware: setattr(firmware.state, name, value)


WRONG = {
    OffReason.RESET: _state("session", 0),
    OffReason.NOT_ENABLED: _state("enabled", False),
    OffReason.NO_PERMIT: _state("permit", False),
    OffReason.HOST_SILENT: _state("silent", 480),
    OffReason.LOCAL_STOP: _set("local_stop", True),
    OffReason.DOOR: _set("door_shut", False),
    OffReason.CEILING: lambda firmware: setattr(firmware.inputs.channels[1], "value_mc", CEILING_MC),
    OffReason.RUN_CEILING: _state("run_ceiling_mc", 21_000),
    OffReason.RUN_TIME: _state("run_max_s", 0),
    OffReason.SENSOR: lambda firmware: setattr(firmware.inputs.channels[0], "fitted", False),
    OffReason.SETTINGS: _set("settings_good", False),
    OffReason.SMOKE: _set("smoke", True),
    OffReason.SELF_TEST: _set("self_test_good", False),
}
"""One way to make each reason stand in a board that heats; OUTPUT cannot while both are closed, see below."""


@pytest.mark.parametrize("reason", list(WRONG), ids=lambda one: one.name)
def test_each_reason_switches_off_in_the_pass_in_which_it_stands(core, reason):
    firmware = heating(core)
    WRONG[reason](firmware)
    out = firmware.decide(1)
    assert (out.modulator, out.off) == (False, reason)
    for _ in range(10):
        out = firmware.decide(1)
    assert not out.contactor, "100 ms later"


def heating(core) -> Firmware:
    """Contactor and modulator closed, at full duty."""
    firmware = Firmware(core)
    for sequence, message in enumerate([Hello(7, 1), Enable(7, 2), Drive(7, 3, True, True, 10_000, 40_000)], 1):
        assert message.sequence == sequence
        firmware.hear(message)
    for _ in range(11):
        firmware.decide(1)
    assert firmware.out.modulator and firmware.out.contactor and firmware.out.off == 0
    return firmware


def test_a_switch_that_stays_closed_for_a_second_is_said_and_bars_an_enable(core):
    firmware = heating(core)
    firmware.welded = True
    firmware.hear(Drive(7, 4, False, False, 0, 40_000))
    seen = [firmware.decide(1).off for _ in range(130)]
    assert seen[10 + 99] == OffReason.NO_PERMIT
    assert seen[10 + 101] == OffReason.OUTPUT
    assert firmware.hear(Enable(7, 5)) == [Refusal(7, 5, RefusalCode.NOT_HELD)]


REFUSED_HELLOS = (b"H v=1 s=7 q=1", b"H v=2 s=9 q=1", b"H v=1 s=0 q=1", b"H v=1")


@pytest.mark.parametrize("body", REFUSED_HELLOS, ids=bytes.decode)
def test_a_refused_hello_is_off_and_changes_nothing_else(core, body):
    firmware = heating(core)
    firmware.hear(SetLimits(7, 4, None, 60_000, 5_000))
    heated, line, frame = firmware.state.heated, body + b"*" + crc4(body), Frame()
    core.frame_read(line, len(line), ctypes.byref(frame))
    out = firmware.decide(0, frame)
    assert (out.modulator, out.answer, firmware.state.enabled) == (False, 3, False)
    state = firmware.state
    assert (state.session, state.run_ceiling_mc, state.run_max_s, state.heated) == (7, 60_000, 5_000, heated)


def test_a_refused_hello_keeps_the_reason_of_an_enable_that_had_ended(core):
    both = Both(core)
    both.say(Hello)
    both.say(Enable)
    both.wait(490)
    both.unreadable(b"H v=1")
    assert both.firmware.out.off == OffReason.HOST_SILENT
    both.say(Enable)
    both.unreadable(b"H v=1")
    assert both.firmware.out.off == OffReason.NOT_ENABLED


@pytest.mark.parametrize("passes", [1, 3, 255])
def test_passes_that_come_late_are_counted(core, passes):
    firmware = heating(core)
    waited = 0
    while firmware.state.enabled:
        waited += passes
        firmware.decide(passes)
    assert 480 - 11 <= waited < 480 - 11 + passes, "silence counts time, not decisions"


@given(duty_e4=st.integers(0, 10_000), window_ms=st.sampled_from([1_000, 3_330, 10_000, 20_000, 40_000]))
def test_over_many_windows_the_duty_is_what_was_asked(core, duty_e4, window_ms):
    firmware = heating(core)
    firmware.hear(Drive(7, 4, True, True, duty_e4, window_ms))
    span, began = 50 * window_ms // 10, firmware.state.on_passes
    for passes in range(0, span, 5):
        if passes % 100 == 0:
            firmware.hear(Drive(7, 5 + passes, True, True, duty_e4, window_ms))
        firmware.decide(5)
    given_passes = firmware.state.on_passes - began
    assert abs(given_passes - duty_e4 * span // 10_000) <= 4_000 + window_ms // 10 + 100 + 10


# Any state at all, the impossible included: what the prover shows, seen again with numbers

WORD, LONG = st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1)
BYTE, INT = st.integers(0, 255), st.integers(-2**31, 2**31 - 1)
NEAR = st.one_of(st.integers(0, 20), BYTE)
WINDOWS = st.builds(Window, st.booleans(), st.booleans(), WORD, st.integers(0, 60_000), st.integers(0, 100), WORD, WORD,
                    st.one_of(st.integers(-10**9, 10**9), INT))
STATES = st.builds(
    State, st.integers(0, 3), st.integers(0, 9), st.booleans(), st.booleans(), st.one_of(st.integers(1, 14), BYTE),
    st.one_of(st.just(112_000), INT), st.one_of(st.just(90_000), LONG), st.booleans(), st.booleans(),
    st.one_of(st.integers(0, 10_000), WORD), st.one_of(st.integers(100, 60_000), WORD), st.one_of(st.integers(0, 480), WORD),
    st.one_of(st.integers(0, 10**6), LONG), st.booleans(), st.booleans(), st.booleans(), NEAR, NEAR, NEAR, NEAR, WINDOWS,
    st.integers(0, 1_000), st.integers(0, 10**6))
FRAMES = st.builds(Frame, st.integers(0, 8), BYTE, st.booleans(), st.integers(0, 3), st.integers(0, 12), st.booleans(),
                   st.booleans(), st.one_of(st.integers(0, 10_000), WORD), LONG, BYTE, st.booleans(), st.booleans(), BYTE,
                   st.booleans(), st.booleans(), INT, INT, LONG)


@st.composite
def any_inputs(draw) -> Inputs:
    inputs = Inputs(passes=draw(st.one_of(st.integers(0, 2), BYTE)), frame=draw(FRAMES), own=draw(st.integers(0, 7)),
                    board_ceiling_mc=draw(st.one_of(st.just(140_000), INT)),
                    longest_s=draw(st.one_of(st.just(90_000), LONG)))
    often = st.sampled_from([True] * 5 + [False])
    for name in ("settings_good", "self_test_good", "door_shut"):
        setattr(inputs, name, draw(often))
    for name in ("local_stop", "smoke", "modulator_reads", "contactor_reads"):
        setattr(inputs, name, not draw(often))
    for channel in inputs.channels:
        channel.fitted, channel.faults = draw(often), draw(st.sampled_from([0, 0, 0, 1, 32]))
        channel.value_mc = draw(st.one_of(st.integers(20_000, 100_000), INT))
    return inputs


def permitted(state: State, inputs: Inputs) -> bool:
    """Every permissive of the manual, written again without a look at the C."""
    counted = [channel for channel in inputs.channels if channel.fitted and not channel.faults]
    own = [inputs.channels[bit] for bit in range(3) if inputs.own >> bit & 1]
    return bool(
        inputs.self_test_good and not state.failed and inputs.settings_good and 0 < inputs.board_ceiling_mc <= 400_000
        and 0 < inputs.longest_s <= 999_999 and not inputs.local_stop and not inputs.smoke and inputs.door_shut
        and all(channel.value_mc < min(inputs.board_ceiling_mc, state.run_ceiling_mc) for channel in counted)
        and all(channel.fitted and not channel.faults for channel in own)
        and state.heated < state.run_max_s * 100 and state.modulator_late <= 100 and state.contactor_late <= 100
        and state.session and state.enabled and state.permit and state.silent < 480)


@given(state=STATES, inputs=any_inputs())
def test_from_any_state_heat_means_that_every_permissive_stands(core, state, inputs):
    before, out = State.from_buffer_copy(state), OutputsC()
    core.decide(ctypes.byref(state), ctypes.byref(inputs), ctypes.byref(out))
    allowed = permitted(state, inputs)
    assert not out.modulator or allowed
    assert not out.contactor or allowed or (state.opening and 0 < state.opens_in <= 10)
    assert (out.off == 0) == allowed
    assert not out.stall or (inputs.frame.kind == KINDS[Stall] and state.enabled and not out.contactor and
                             not inputs.contactor_reads and 0 < inputs.frame.session == state.session == before.session and
                             inputs.frame.sequence > before.heard)
    assert not (state.enabled and not before.enabled) or inputs.frame.kind == KINDS[Enable]
    assert not (state.permit and not before.permit) or inputs.frame.kind == KINDS[Drive]
    assert state.failed or (inputs.self_test_good and not before.failed)
