"""What the serial driver relies on in pyserial, each tried on a pseudo-terminal: an upgrade that changes one turns red here.

Red means: read the change, then look at `controller/drivers/serial_port.py`.
"""

from __future__ import annotations

import inspect
import os
import termios
import threading
import time
import tty
from collections.abc import Iterator

import pytest
import serial
from serial import serialposix

from controller.drivers import serial_port

pytestmark = pytest.mark.slow


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    """(the far side, the name that a host opens)."""
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    for descriptor in (master, slave):
        try:
            os.close(descriptor)
        except OSError:
            continue


def opened(path: str, **named: object) -> serial.Serial:
    return serial.Serial(path, 115_200, **{"timeout": 0.2, "write_timeout": 0.25, "exclusive": True, **named})


def unplug(master: int) -> None:
    os.close(master)


def test_defaults_would_wait_for_ever(pty):
    with serial.Serial(pty[1]) as port:
        assert port.timeout is None and port.write_timeout is None and port.exclusive is None


def test_an_exclusive_open_refuses_the_next_exclusive_one_only(pty):
    with opened(pty[1]):
        with pytest.raises(serial.SerialException):
            opened(pty[1])
        serial.Serial(pty[1]).close()


def test_the_lock_comes_after_the_open_so_a_refused_opener_has_opened(pty):
    source = inspect.getsource(serialposix.Serial.open)
    assert source.index("os.open") < source.index("_reconfigure_port"), "opening resets many boards: hence our own port lock"


def test_a_read_with_a_time_out_gives_what_there_is(pty):
    with opened(pty[1]) as port:
        os.write(pty[0], b"half")
        assert port.read(max(1, port.in_waiting)) in (b"h", b"ha", b"hal", b"half")



def test_readline_waits_anew_for_each_byte(pty):
    with opened(pty[1], timeout=0.15) as port:
        def dribble() -> None:
            for byte in b"slowly":
                os.write(pty[0], bytes([byte]))
                time.sleep(0.1)

        thread = threading.Thread(target=dribble)
        begun = time.monotonic()
        thread.start()
        port.readline()
        assert time.monotonic() - begun > 0.3, "hence the reader takes whatever there is and frames it itself"
        thread.join()


def test_a_far_side_that_does_not_read_is_a_write_time_out_within_bounds(pty):
    with opened(pty[1]) as port:
        begun = time.monotonic()
        with pytest.raises(serial.SerialTimeoutException):
            for _ in range(100):
                port.write(b"x" * 4096)
        assert time.monotonic() - begun < 5


def test_a_write_time_out_is_a_serial_exception_and_that_an_os_error():
    assert issubclass(serial.SerialTimeoutException, serial.SerialException)
    assert issubclass(serial.SerialException, OSError)


@pytest.mark.parametrize(("call", "error"), [
    (lambda port: port.read(1), serial.SerialException), (lambda port: port.write(b"x"), serial.SerialException),
    (lambda port: port.in_waiting, OSError), (lambda port: port.flush(), termios.error),
    (lambda port: port.reset_input_buffer(), termios.error)], ids=["read", "write", "in_waiting", "flush", "reset"])
def test_after_unplugging_each_call_raises_its_own_kind(pty, call, error):
    port = opened(pty[1])
    unplug(pty[0])
    with pytest.raises(error):
        for _ in range(3):
            call(port)
    assert port.is_open, "is_open tells nothing"
    port.close()


def test_a_terminal_error_is_no_os_error():
    assert not issubclass(termios.error, OSError), "hence the driver's boundary catches everything"


def test_unplugging_wakes_a_blocked_read(pty):
    port = opened(pty[1], timeout=10)
    threading.Timer(0.2, unplug, [pty[0]]).start()
    begun = time.monotonic()
    with pytest.raises(serial.SerialException):
        port.read(1)
    assert time.monotonic() - begun < 5
    port.close()


def test_a_dead_port_raises_at_once_every_time(pty):
    port = opened(pty[1], timeout=10)
    unplug(pty[0])
    begun = time.monotonic()
    for _ in range(50):
        with pytest.raises(OSError):
            port.read(1)
    assert time.monotonic() - begun < 2, "a loop that catches and retries would spin: hence the back-off"
    port.close()


def test_a_cancel_with_nobody_reading_makes_the_next_read_empty(pty):
    with opened(pty[1], timeout=5) as port:
        port.cancel_read()
        begun = time.monotonic()
        assert port.read(1) == b""
        assert time.monotonic() - begun < 2, "empty is nothing yet, never a time-out"


def test_the_port_can_be_kept_from_dropping_its_lines(pty):
    with opened(pty[1]) as port:
        settings = termios.tcgetattr(port.fileno())
        settings[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, settings)
        assert not termios.tcgetattr(port.fileno())[2] & termios.HUPCL


def test_the_driver_never_drains():
    assert ".flush(" not in inspect.getsource(serial_port) and "tcdrain" not in inspect.getsource(serial_port)
    assert serial_port.WRITE_S <= 0.25
