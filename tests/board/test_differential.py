"""The same scripts at the firmware and at the board model in Python: the same answers, the same state, the same outputs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.core.messages import Drive, Enable, Hello, LimitsRead, Refusal, Report, SetLimits, Stall, Tell, Welcome
from controller.link.protocol import crc4, encode
from controller.link.session import Session
from tests.board.emulated import EmulatedBoard
from tests.board.host import MS, S1, needs_emulator

pytestmark = [needs_emulator, pytest.mark.timeout(600)]
BOOT_US = 700 * MS
SETTLE_US = 430 * MS
"""Long enough for a stored ceiling to be written, and for one report after it; no sum of waits is the silence time, at
which the two may differ by a pass."""
TURN_US = 300 * MS
"""A report may fall into the 100 ms between the two switches at one of them and not at the other: they are asked again."""
VECTORS = json.loads((Path(__file__).parents[2] / "hardware_notes" / "protocol_vectors.json").read_text(encoding="utf-8"))
LINE_MAX = 63


class Step(NamedTuple):
    """A line without its newline, or a hand that moves, and how long to wait afterwards."""

    line: bytes
    hand: str
    wait_us: int


def line(message: Any) -> bytes:
    return encode(message)[:-1]


def sealed(body: bytes) -> bytes:
    return body + b"*" + crc4(body)


SEQUENCES = st.integers(0, 12)
SESSIONS = st.sampled_from([4711, 4711, 4711, 4711, 4712, 0, 65535])
CEILINGS = st.sampled_from([None, 139_999, 140_000, 140_001, 100_000, 60_000, 10_000, 0, -5, 400_001, 999_999])
FRAMES = st.one_of(
    st.builds(Hello, SESSIONS.filter(bool), SEQUENCES), st.builds(Enable, SESSIONS, SEQUENCES),
    st.builds(Enable, st.just(4711), SEQUENCES),
    st.builds(Drive, SESSIONS, SEQUENCES, st.booleans(), st.booleans(), st.sampled_from([0, 10_000]), st.just(40_000)),
    st.builds(Drive, st.just(4711), SEQUENCES, st.just(True), st.just(True), st.just(10_000), st.just(40_000)),
    st.builds(Stall, SESSIONS, SEQUENCES), st.builds(Stall, st.just(4711), SEQUENCES),
    st.builds(Tell, SESSIONS, SEQUENCES, st.integers(0, 2), st.booleans(), st.booleans(), st.integers(0, 3)),
    st.builds(SetLimits, SESSIONS, SEQUENCES, CEILINGS, CEILINGS, st.sampled_from([None, 0, 1, 345_600, 345_601, 999_999])),
).map(line)
VALUES = st.sampled_from([b"", b"0", b"1", b"00", b"01", b"-", b"-0", b"-1", b"+1", b" 1", b"2", b"3", b"10001", b"999",
                          b"1000", b"600001", b"65536", b"99999999", b"1e3", b"0x1", b"a"])


@st.composite
def broken(draw: Any) -> bytes:
    """A whole frame with a good checksum and something wrong in it: a value, a key, a field too many or too few."""
    words = draw(FRAMES)[:-5].split(b" ")
    at = draw(st.integers(0, len(words) - 1))
    how = draw(st.sampled_from(["value", "value", "key", "drop", "twice", "swap", "letter", "space", "end"]))
    key, _, value = words[at].partition(b"=")
    if how == "value" and at:
        words[at] = key + b"=" + draw(VALUES)
    elif how == "key" and at:
        words[at] = draw(st.sampled_from([b"z", b"Q", b"", b"ss"])) + b"=" + value
    elif how == "drop":
        del words[at]
    elif how == "twice":
        words.insert(at, words[at])
    elif how == "swap" and at + 1 < len(words):
        words[at], words[at + 1] = words[at + 1], words[at]
    elif how == "letter":
        words[0] = draw(st.sampled_from([b"h", b"A", b"W", b"R", b"N", b"L", b"@", b"", b"HH"]))
    elif how == "space":
        words.insert(at, b"")
    else:
        words[-1] += draw(st.sampled_from([b" ", b"\r", b"*", b" x", b" x=1"]))
    return sealed(b" ".join(words))[:LINE_MAX]


NOISE = st.one_of(
    st.binary(min_size=1, max_size=40).map(lambda data: data.replace(b"\n", b"\r")),
    FRAMES.map(lambda whole: whole[:-1] + b"Z"), FRAMES.map(lambda whole: whole[:-4] + whole[-4:].lower()),
    FRAMES.map(lambda whole: whole + b"\r"), FRAMES.map(lambda whole: whole[3:]))
WAITS = st.sampled_from([0, 0, 0, 600 * MS, 2 * S1, 6 * S1])
HANDS = st.sampled_from(["door_shut", "local_stop", "smoke"])
STEPS = st.one_of(st.builds(Step, FRAMES, st.just(""), WAITS), st.builds(Step, FRAMES, st.just(""), WAITS),
                  st.builds(Step, broken(), st.just(""), st.just(0)), st.builds(Step, NOISE, st.just(""), st.just(0)),
                  st.builds(Step, st.just(b""), HANDS, WAITS))
OPENED = [Step(line(Hello(4711, 1)), "", 0), Step(line(Enable(4711, 2)), "", 0)]
HEATING = [*OPENED, Step(line(Drive(4711, 3, True, True, 10_000, 40_000)), "", 0)]


def answers(events: list[Any], sent: bytes) -> list[Any]:
    """What answers the line. Limits come every 5 s too, so they count only after a frame that asks for them."""
    asked = sent[:2] in (b"H ", b"S ")
    refused = [event for event in events if isinstance(event, Refusal)]
    welcomed = [(event.session, event.simulated, event.reset) for event in events if isinstance(event, Welcome)]
    limits = [event for event in events if isinstance(event, LimitsRead)]
    return [*welcomed, *refused, *(limits[-1:] if asked and not refused else [])]


def state(report: Report) -> tuple[Any, ...]:
    return (report.session, report.heard, report.modulator, report.contactor, report.enabled, report.off, report.door,
            report.local_stop, report.smoke)


def last_state(said: bytes, wire: Session) -> tuple[Any, ...]:
    return state([event for event in wire.receive(said) if isinstance(event, Report)][-1])


def compared(steps: list[Step]) -> None:
    """Runs the script at both and compares after every step."""
    model = Board(SHAPES["bench"], seed=1)
    with EmulatedBoard(SHAPES["bench"], seed=1) as chip:
        wires = {id(board): Session() for board in (model, chip)}
        for board in (model, chip):
            wires[id(board)].receive(board.run(BOOT_US))
        for step in steps:
            said = []
            for board in (model, chip):
                if step.hand:
                    setattr(board, step.hand, not getattr(board, step.hand))
                    board.advance(60 * MS)
                if step.line:
                    board.receive(step.line + b"\n")
                said.append(answers(wires[id(board)].receive(board.run(SETTLE_US)), step.line))
            assert said[1] == said[0], f"after {step}"
            states = [last_state(board.run(step.wait_us + SETTLE_US), wires[id(board)]) for board in (model, chip)]
            if states[1] != states[0]:
                states = [last_state(board.run(TURN_US), wires[id(board)]) for board in (model, chip)]
            assert states[1] == states[0], f"after {step}"
        assert not chip.differences


@settings(max_examples=40 if settings().max_examples < 100 else 500)
@given(st.lists(STEPS, min_size=3, max_size=12), st.sampled_from([[], OPENED, HEATING]))
@example([Step(line(Drive(4711, 9, True, True, 10_000, 40_000)), "", 6 * S1), Step(line(Enable(4711, 10)), "", 0)], HEATING)
@example([Step(b"", "local_stop", 0), Step(line(SetLimits(4711, 9, 150_000, None, None)), "", 0)], HEATING)
def test_firmware_and_model_answer_every_script_alike(steps, before):
    compared([*before, *steps])


@settings(max_examples=30 if settings().max_examples < 100 else 300)
@given(st.lists(st.one_of(broken(), NOISE), min_size=12, max_size=25))
def test_firmware_and_model_refuse_the_same_lines_with_the_same_code(lines):
    compared([*OPENED, *(Step(one, "", 0) for one in lines)])


@pytest.mark.parametrize("part", range(4))
def test_every_published_line_is_read_alike(part):
    """Every line of the vectors, good or bad, those of the board's own direction too."""
    lines = [row["line"].encode("latin-1") for row in VECTORS["vectors"]][part::4]
    compared([*OPENED, *(Step(one[:LINE_MAX], "", 0) for one in lines)])


def test_every_published_good_line_to_the_board_is_obeyed():
    """None is refused for its form: at most for its session or sequence."""
    for row in VECTORS["vectors"]:
        if not row["good"] or row["message"]["frame"] not in ("Hello", "Enable", "Drive", "Tell", "SetLimits", "Stall"):
            continue
        with EmulatedBoard() as chip:
            wire = Session()
            wire.receive(chip.run(BOOT_US))
            if row["message"]["frame"] != "Hello":
                chip.receive(encode(Hello(max(1, row["message"]["session"]), 0)))
                wire.receive(chip.run(100 * MS))
            chip.receive(row["line"].encode("latin-1") + b"\n")
            events = wire.receive(chip.run(SETTLE_US))
            codes = [event.code for event in events if isinstance(event, Refusal)]
            assert not set(codes) & {1, 4, 8}, f"{row['name']}: {row['line']} is refused with {codes}"
            heard = [event.heard for event in events if isinstance(event, Report)][-1]
            assert heard == row["message"]["sequence"] or codes, row["name"]
