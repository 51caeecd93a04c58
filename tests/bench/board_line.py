"""The serial line: nonsense at the emulated parser, and the period of reports by the chip's time and at the host."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import select
import subprocess
import sys
import time
import tty
from random import Random

from controller.core.messages import Drive, Enable, Hello, Tell, Welcome
from controller.drivers.host import go_first
from controller.link.protocol import BadFrame, crc4, decode, encode
from tests.bench.figure import QUICK, Figure, at_most, percentile
from tests.bench.served import ROOT
from tests.board import machine as chips
from tests.board.emulated import EmulatedBoard
from tests.board.host import MS, S1, Host

LINES = 2_000 if QUICK else 10_000
AT_ONCE = 20
PERIOD_S = 60 if QUICK else 600
PERIOD_MS, JITTER_MS = 250, 15


def nonsense(draw: Random) -> bytes:
    """One line that is no enable: random bytes, a good frame with a wrong byte, or a whole frame with a wrong field."""
    frame = encode(draw.choice((
        Drive(4711, draw.randrange(10_000_000), True, True, 10_000, 40_000), Enable(4711, draw.randrange(10_000_000)),
        Tell(4711, draw.randrange(10_000_000), 1, True, True, 1), Hello(draw.randrange(1, 65_536), 1))))[:-1]
    kind = draw.randrange(4)
    if kind == 0:
        return draw.randbytes(draw.randrange(1, 150)).replace(b"\n", b" ")
    spoilt = bytearray(frame[:-5] if kind == 3 else frame)
    for _ in range(draw.randrange(1, 4)):
        at = draw.randrange(len(spoilt))
        spoilt[at] = draw.choice((spoilt[at] ^ 1 << draw.randrange(8), draw.randrange(32, 127)))
    line = bytes(spoilt).replace(b"\n", b" ")
    return line + b"*" + crc4(line) if kind == 3 else line[:draw.randrange(1, len(line) + 1)]


def _enables(line: bytes) -> bool:
    try:
        return isinstance(decode(line), Enable)
    except BadFrame:
        return False


def parser() -> list[Figure]:
    """random and mutated frames at the emulated parser"""
    draw, fed, unanswered = Random(3), 0, 0
    with EmulatedBoard() as board:
        host = Host(board)
        host.run(700 * MS)
        host.say(Hello)
        while fed < LINES:
            lines = [line for line in (nonsense(draw) for _ in range(AT_ONCE)) if not _enables(line)]
            fed += len(lines)
            board.receive(b"\n".join(lines) + b"\n")
            host.run(sum(len(line) + 1 for line in lines) * 87 + 100 * MS)
            host.session, host.sequence = draw.randrange(1, 65_536), 0
            unanswered += not any(isinstance(event, Welcome) for event in host.ask(Hello))
        high = sum(edge.value for pin in ("modulator", "contactor") for edge in board.edges(pin))
    return [at_most("board", f"{fed} random and mutated lines: heater pin high", high, "", 0),
            at_most("board", f"{fed} random and mutated lines: next good frame unanswered", unanswered, "", 0)]


def _off_period_ms(begun_us: list[int]) -> float:
    gaps_ms = [(later - sooner) / MS for sooner, later in itertools.pairwise(begun_us)]
    return percentile([abs(gap - PERIOD_MS) for gap in gaps_ms], 0.99)


def period() -> list[Figure]:
    """report period by the chip's time, 10 min"""
    with EmulatedBoard() as board:
        host = Host(board).open()
        begun_us = []
        for _ in range(600):
            since_us = board.now_us
            host.drive(5_000)
            host.say(Tell, 0, True, False, 0)
            host.run(S1)
            begun_us += [event.us for event in board.events if event.kind == chips.LINE and event.value == ord("R")
                         and event.us > since_us]
            board.events.clear()
    return [at_most("board", "report period over 10 min, chip's time, p99 off 250 ms", _off_period_ms(begun_us), "ms",
                    JITTER_MS)]


def period_at_host() -> list[Figure]:
    """report period at the host over a pseudo-terminal, in real time"""
    chips.built()
    before = os.getpriority(os.PRIO_PROCESS, 0)
    go_first()  # as the controller does in real time
    child = subprocess.Popen([sys.executable, "-m", "tests.board.emulated"], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        arrived_us = _arrivals(json.loads(child.stdout.readline())["port"])
    finally:
        child.terminate()
        child.wait(10)
        with contextlib.suppress(PermissionError):
            os.setpriority(os.PRIO_PROCESS, 0, before)
    name = f"report period over {PERIOD_S / 60:g} min, at the host in real time, p99 off 250 ms"
    return [at_most("board", name, _off_period_ms(arrived_us), "ms", JITTER_MS)]


def _arrivals(port: str) -> list[int]:
    """When each report's line had come whole."""
    fd = os.open(port, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd)
    arrived_us: list[int] = []
    pending, sequence = b"", 2
    next_s = time.monotonic() + 1.5
    end_s = next_s + PERIOD_S
    os.write(fd, b"\n" + encode(Hello(7, 1)) + encode(Enable(7, 2)))
    while (now_s := time.monotonic()) < end_s:
        if select.select([fd], [], [], max(0.0, min(next_s, end_s) - now_s))[0]:
            *lines, pending = (pending + os.read(fd, 65_536)).split(b"\n")
            arrived_us += [time.monotonic_ns() // 1000 for line in lines if line[:2] == b"R "]
        if time.monotonic() >= next_s:
            sequence, next_s = sequence + 1, next_s + 1.0
            os.write(fd, encode(Drive(7, sequence, True, True, 5_000, 40_000)))
    os.close(fd)
    assert len(arrived_us) > PERIOD_S * 3, "reports came"
    return arrived_us[4:]
