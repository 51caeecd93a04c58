"""The board's own process, over real pseudo-terminals and pipes. These wait in real time, as briefly as they can."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
import serial

from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.core.messages import Drive, Enable, Hello, Report, ResetCause, Welcome
from controller.link.session import BadLine, Ran, Session

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.slow


@contextlib.contextmanager
def peer(*args: str):
    child = subprocess.Popen([sys.executable, "-m", "controller.chamber.peer", *args], cwd=ROOT, text=True,
                             stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        yield json.loads(child.stdout.readline()), child
    finally:
        child.terminate()
        child.communicate(timeout=15)


class Far:
    """The host's end of the port."""

    def __init__(self, port: str, lock_step: bool = False) -> None:
        self.serial = serial.Serial(port, 115_200, timeout=0.02, exclusive=True)
        self.wire = Session(lock_step)
        self.events: list = []

    def say(self, message) -> None:
        self.serial.write(self.wire.send(message))

    def hear(self, until, limit_s: float = 15.0):
        """Listen until an event fits; that event."""
        end = time.monotonic() + limit_s
        while time.monotonic() < end:
            events = self.wire.receive(self.serial.read(4096))
            self.events += events
            for event in events:
                if until(event):
                    return event
        raise AssertionError(f"nothing fitting in {limit_s} s; heard {self.events[-3:]}")

    def report(self, fits=lambda report: True):
        return self.hear(lambda event: isinstance(event, Report) and fits(event))


def test_in_real_time_it_reports_four_times_a_second():
    with peer("--shape", "small", "--board", "00beef") as (said, child):
        assert said == {"port": said["port"], "board": "00beef", "pid": child.pid}
        far = Far(said["port"])
        first = far.report()
        begun = time.monotonic()
        last = far.report(lambda report: report.sequence == first.sequence + 6)
        assert time.monotonic() - begun == pytest.approx(1.5, abs=0.2)
        assert last.up_us - first.up_us == 1_500_000
        assert not [event for event in far.events if isinstance(event, BadLine)]


def test_a_host_that_does_not_read_never_holds_the_board_up(tmp_path):
    path = tmp_path / "faults"
    with peer("--faults-socket", str(path)) as (said, child), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        far = Far(said["port"])
        first = far.report()
        for _ in range(3):  # far more than a pseudo-terminal holds; what does not fit is lost, not kept
            sock.sendto(b'{"fault": "garbage", "bytes": 100000}', str(path))
            time.sleep(0.4)
        later = far.report()
        assert later.up_us - first.up_us >= 1_000_000
        assert child.poll() is None


def test_faults_come_by_a_datagram_and_nonsense_changes_nothing(tmp_path):
    path = tmp_path / "faults"
    with peer("--faults-socket", str(path)) as (said, child), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        far = Far(said["port"])
        assert path.stat().st_mode & 0o777 == 0o600
        for nonsense in (b"", b"{", b"[]", b'{"fault": "gremlin"}', b'{"fault": "sensor_open", "channel": 9}', b"\xff",
                         b'{"fault": "reset", "cause": "x"}'):
            sock.sendto(nonsense, str(path))
        sock.sendto(b'{"fault": "smoke"}', str(path))
        assert far.report(lambda report: report.smoke).boot == 1
        sock.sendto(b'{"fault": "smoke", "on": false}', str(path))
        far.report(lambda report: not report.smoke)
        assert child.poll() is None


def test_the_fault_reset_on_open_makes_every_opening_a_reset(tmp_path):
    path = tmp_path / "faults"
    with peer("--faults-socket", str(path)) as (said, _), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        far = Far(said["port"])
        assert far.report().boot == 1
        sock.sendto(b'{"fault": "reset_on_open"}', str(path))
        time.sleep(0.1)
        far.serial.close()
        far = Far(said["port"])
        assert far.report(lambda report: report.boot == 2).session == 0
        far.say(Hello(8, 1))
        assert far.hear(lambda event: isinstance(event, Welcome)).reset == ResetCause.EXTERNAL


def test_in_lock_step_it_says_nothing_unasked_and_the_same_as_in_process():
    with peer("--lock-step", "--seed", "7") as (said, _):
        far = Far(said["port"], lock_step=True)
        time.sleep(0.4)
        assert far.serial.read(10) == b""
        board = Board(SHAPES["bench"], 7, lock_step=True)
        frames = (Hello(9, 1), Enable(9, 2), Drive(9, 3, True, True, 5000, 40_000))
        sent = b"".join(far.wire.send(frame) for frame in frames) + far.wire.run(30_000_000)
        board.receive(sent)
        far.serial.write(sent)
        wanted = board.take()
        heard = b""
        while not heard.endswith(b"@ran 30000000\n"):
            heard += far.serial.read(4096)
        assert heard == wanted
        assert isinstance(far.wire.receive(heard)[-1], Ran)


def stdio(*args: str, **more) -> subprocess.Popen:
    return subprocess.Popen([sys.executable, "-m", "controller.chamber.peer", "--stdio", *args], cwd=ROOT,
                            stdin=subprocess.PIPE, stdout=subprocess.PIPE, **more)


def test_on_standard_input_and_output_a_long_stretch_arrives_whole_and_it_ends_with_its_input():
    child = stdio("--report-us", "1000000")
    out, _ = child.communicate(b"@run 600000000\n@run 1000000\n", timeout=20)
    lines = out.splitlines()
    assert sum(line.startswith(b"R ") for line in lines) == 601
    assert lines[-1] == b"@ran 601000000"
    assert child.returncode == 0


def test_it_ends_when_its_parent_does():
    """A go-between starts the peer and is killed; nobody tells the peer."""
    program = ("import subprocess, sys, time; p = subprocess.Popen([sys.executable, '-m', 'controller.chamber.peer'],"
               " stdout=subprocess.PIPE); print(p.stdout.readline().decode(), end='', flush=True); time.sleep(60)")
    between = subprocess.Popen([sys.executable, "-c", program], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    pid = json.loads(between.stdout.readline())["pid"]
    watch = os.pidfd_open(pid)
    between.send_signal(signal.SIGKILL)
    between.communicate()
    assert select.select([watch], [], [], 20.0)[0], "the peer outlived its parent"
    os.close(watch)


@pytest.mark.parametrize(("args", "words"), [
    (["--shape", "castle"], "invalid choice"), (["--board", "5A17C0"], "six hex digits, lower case"),
    (["--report-us", "5"], "allowed is 50000 to 1000000 µs")])
def test_arguments_that_do_not_fit_are_told(args, words):
    command = [sys.executable, "-m", "controller.chamber.peer", *args]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 2
    assert words in done.stderr
