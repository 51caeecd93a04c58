"""The serial port against an evil board on a pseudo-terminal: dribble, babble, silence, unplugging, a board that does not
drain. Whatever happens is one line of reason; nothing raises, nothing spins, nothing grows.
"""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator

import pytest

from controller.drivers import serial_port
from controller.drivers.serial_port import UNREAD_MAX, Lost, Opened, SerialPort, plain
from tests.service.chambers import Bell, Pty

pytestmark = pytest.mark.slow
QUICK = (0.02, 0.04)
"""Back-off of these tests; the real one is tested as a table."""


class Plugged:
    """A port on a pseudo-terminal, opened."""

    def __init__(self) -> None:
        self.pty, self.bell, self.got = Pty(), Bell(), []
        self.port = SerialPort(self.pty.path, 115_200, self.bell, QUICK)
        self.port.start()
        assert self.until(lambda got: Opened() in got)

    def until(self, holds, timeout_s: float = 5.0) -> bool:
        """Take until something holds of everything taken so far."""
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            self.got += self.port.take()
            if holds(self.got):
                return True
            self.bell.wait(0.05)
        return False

    def bytes(self) -> bytes:
        return b"".join(one for one in self.got if isinstance(one, bytes))

    def losses(self) -> list[str]:
        return [one.reason for one in self.got if isinstance(one, Lost)]


@pytest.fixture
def plugged() -> Iterator[Plugged]:
    made = Plugged()
    yield made
    made.port.close()
    made.pty.unplug()


def test_bytes_go_both_ways_in_order(plugged):
    plugged.port.send(b"one\n")
    plugged.port.send(b"two\n")
    heard = b""
    while not heard.endswith(b"two\n"):
        heard += plugged.pty.hear(2.0)
    assert heard == b"one\ntwo\n"
    plugged.pty.say(b"answer\n")
    assert plugged.until(lambda got: plugged.bytes() == b"answer\n")


def test_a_dribbling_board_is_heard_byte_by_byte(plugged):
    for byte in b"slow\n":
        plugged.pty.say(bytes([byte]))
        assert plugged.bell.wait(2.0), "every byte wakes, no whole line is waited for"
    assert plugged.until(lambda got: plugged.bytes() == b"slow\n")


def test_a_babbling_board_fills_no_memory():
    port = SerialPort("/nowhere", 115_200, lambda: None)
    for _ in range(400):
        port._tell(b"x" * 4096)
    kept = sum(len(one) for one in port.take())
    assert UNREAD_MAX - 4096 < kept <= UNREAD_MAX


def test_a_silent_board_costs_nothing_and_is_no_loss(plugged):
    before = time.process_time()
    assert not plugged.until(lambda got: len(got) > 1, timeout_s=1.0)
    assert time.process_time() - before < 0.2
    assert plugged.losses() == []


def test_unplugging_is_one_loss_and_no_busy_loop(plugged):
    plugged.pty.unplug()
    assert plugged.until(lambda got: plugged.losses())
    assert plain(plugged.losses()[0]) == (
        f"serial port {plugged.pty.path} was unplugged, or its adapter failed; check cable and plug")
    before = time.process_time()
    assert not plugged.until(lambda got: len(plugged.losses()) > 2, timeout_s=1.0)
    assert time.process_time() - before < 0.2, "a dead port is not spun on"


def test_a_port_that_is_not_there_says_so_once_and_is_found_when_it_comes(tmp_path):
    pty, bell, path = Pty(), Bell(), tmp_path / "by-id"
    port = SerialPort(str(path), 115_200, bell, QUICK)
    port.start()
    got = []
    try:
        assert bell.wait()
        got += port.take()
        assert got == [Lost(f"serial port {path} is not there; plug the board in, or name its port "
                            "[driver: No such file or directory]")]
        time.sleep(0.3)
        assert port.take() == [], "the same reason is not told again"
        path.symlink_to(pty.path)
        assert bell.wait()
        assert port.take() == [Opened()]
    finally:
        port.close()
        pty.unplug()


def test_a_board_that_does_not_drain_its_line_is_lost_within_bounds(plugged, monkeypatch):
    begun = time.monotonic()
    before = time.process_time()
    while not plugged.losses() and time.monotonic() - begun < 10:
        plugged.port.send(b"x" * 4096)
        plugged.until(lambda got: plugged.losses(), timeout_s=0.02)
    assert plugged.losses()[:1] == ["the board does not take what is sent"]
    assert time.monotonic() - begun < 5
    assert time.process_time() - before < (time.monotonic() - begun) * 0.5, "a full line is not spun on"


def test_sending_never_blocks_the_tick(plugged):
    begun = time.monotonic()
    for _ in range(500):
        plugged.port.send(b"x" * 4096)
    assert time.monotonic() - begun < 0.2


def test_what_was_left_for_a_lost_line_is_not_sent_to_the_next_one(plugged):
    first, plugged.port.path = plugged.pty, (second := Pty()).path
    for _ in range(40):
        plugged.port.send(b"D old\n" * 400)
    first.unplug()
    assert plugged.until(lambda got: got.count(Opened()) == 2)
    assert second.hear(0.3) == b"", "an old drive frame must not reach a fresh board"
    second.unplug()


@pytest.mark.parametrize("call", ["read", "write", "in_waiting", "cancel_read", "close", "fileno"])
@pytest.mark.parametrize("error", [OSError(5, "Input/output error"), TypeError("gone"), ValueError("odd")], ids=repr)
def test_whatever_call_fails_with_whatever_becomes_a_lost_line(monkeypatch, call, error):
    """Unplugging raises four unrelated types in pyserial; every call is made to fail in turn."""
    real = serial_port.serial.Serial
    failing = threading.Event()

    class Evil(real):
        def __getattribute__(self, name):
            if name == call and failing.is_set():
                raise error
            return super().__getattribute__(name)

    monkeypatch.setattr(serial_port.serial, "Serial", Evil)
    pty, bell = Pty(), Bell()
    port = SerialPort(pty.path, 115_200, bell, QUICK)
    port.start()
    assert bell.wait()
    failing.set()
    port.send(b"x\n")
    pty.say(b"y\n")
    bell.wait(1.0)
    failing.clear()
    port.send(b"x\n")
    port.close()
    pty.unplug()
    assert not port._reader.is_alive() and not port._writer.is_alive(), "both threads outlive any failure, and end when told"


@pytest.mark.parametrize(("error", "words"), [
    (serial_port.serial.SerialException("device reports readiness to read but returned no data"), "check cable and plug"),
    (OSError(5, "Input/output error"), "was unplugged, or its adapter failed; check cable and plug"),
    (PermissionError(13, "x"), "may not be opened by this user; add the user to the group that owns it"),
    (OSError(11, "x"), "is in use by another program; end that one"), (TypeError(""), "check cable and plug"),
], ids=repr)
def test_a_lost_line_is_said_in_our_words_with_the_drivers_behind_them(error, words):
    said = serial_port.words("/dev/x", error, serial_port.GONE)
    assert plain(said).startswith("serial port /dev/x ") and plain(said).endswith(words)
    assert "device reports" not in plain(said) and "[driver: " in said and "\n" not in said


def test_the_waits_grow_to_ten_seconds_and_stay():
    assert serial_port.BACK_OFF_S == (1.0, 2.0, 4.0, 8.0, 10.0)
    assert serial_port.WRITE_S <= 0.25


def test_a_line_that_breaks_at_once_is_not_reopened_ever_faster(monkeypatch):
    """Opening resets many boards: a line that opens and breaks in turn is backed off like one that never opens."""
    waits = []
    port = SerialPort("/nowhere", 115_200, lambda: None, (1.0, 2.0, 4.0))
    monkeypatch.setattr(port, "_open", lambda: "")
    monkeypatch.setattr(port, "_read_until_lost", lambda: "broke")

    class Closing(threading.Event):
        def wait(self, timeout=None):
            waits.append(timeout)
            if len(waits) == 5:
                self.set()
            return True

    monkeypatch.setattr(port, "_closing", Closing())
    port._read_for_ever()
    assert waits == [1.0, 2.0, 4.0, 4.0, 4.0]


OPEN_AS_NOBODY = """
import os, sys
if os.geteuid() == 0:
    os.setuid(65534)
try:
    os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
except OSError as error:
    print(error.errno)
else:
    print(0)
"""
"""Root passes an exclusive use, so it is tried by somebody else."""


def test_another_opener_is_shut_out(plugged):
    os.chmod(plugged.pty.path, 0o666)  # so that nothing but the exclusive use stands in the way
    tried = subprocess.run([sys.executable, "-c", OPEN_AS_NOBODY, plugged.pty.path], capture_output=True, text=True, check=True)
    assert int(tried.stdout) == errno.EBUSY
