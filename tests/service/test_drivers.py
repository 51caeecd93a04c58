"""Locks, service notification, clocks, lateness: each against the real thing, or a clock that a test moves."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from controller.drivers import clocks
from controller.drivers.clocks import TICK_US, LockStepClock, StepWatch, WallClock, utc_us
from controller.drivers.locks import Taken, lock_folder, lock_port
from controller.drivers.notify import Notifier
from controller.drivers.peer_user import peer_user
from controller.lateness import Lateness

HOLD = "import sys,pathlib;from controller.drivers.locks import *;h={call};print('held',flush=True);sys.stdin.read()"


def held_elsewhere(call: str) -> subprocess.Popen[str]:
    process = subprocess.Popen([sys.executable, "-c", HOLD.format(call=call)], stdin=subprocess.PIPE,
                               stdout=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "held\n"
    return process


def let_go(process: subprocess.Popen[str]) -> None:
    process.communicate("")


def test_a_data_folder_is_held_by_one_process_and_named_to_the_next(tmp_path):
    other = held_elsewhere(f"lock_folder(pathlib.Path({str(tmp_path)!r}))")
    with pytest.raises(Taken, match=rf"in use by process {other.pid}.*--data"):
        lock_folder(tmp_path)
    let_go(other)
    lock_folder(tmp_path).close()


def test_a_port_is_held_by_one_process_under_all_its_names(tmp_path):
    other = held_elsewhere("lock_port('/dev/null')")
    link = tmp_path / "by-id"
    link.symlink_to("/dev/null")
    with pytest.raises(Taken, match="--port"):
        lock_port(str(link))
    let_go(other)
    lock_port(str(link)).close()


# -- service notification ---------------------------------------------------------------------------------------------------


class Manager:
    """A service manager's end of NOTIFY_SOCKET."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self.socket.setblocking(False)

    def heard(self) -> list[str]:
        lines = []
        while True:
            try:
                lines.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return lines


@pytest.mark.parametrize("abstract", [False, True])
def test_the_manager_hears_ready_pings_and_the_end(tmp_path, abstract):
    address = f"@soakwarden-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    manager = Manager(address)
    notifier = Notifier({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "4000000", "WATCHDOG_PID": str(os.getpid())})
    notifier.ready("watching")
    heard = manager.heard()
    for second in range(1, 9):
        notifier.ping(second * 1_000_000)
    heard += manager.heard()
    notifier.stopping("SIGTERM")
    heard += manager.heard()
    manager.socket.close()
    assert heard[0] == "READY=1\nSTATUS=watching\n"
    assert heard[1:-1] == ["WATCHDOG=1\n"] * 8, "well within half the watchdog's time"
    assert heard[-1] == "STOPPING=1\nSTATUS=SIGTERM\n"


def test_pings_are_not_sent_more_often_than_needed(tmp_path):
    manager = Manager(str(tmp_path / "n"))
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "n"), "WATCHDOG_USEC": "20000000"})
    pings = []
    for second in range(1, 61):
        notifier.ping(second * 1_000_000)
        pings += manager.heard()  # the kernel queues about ten
    notifier.stopping("done")
    manager.socket.close()
    assert len(pings) == 12, "every quarter of 20 s in one minute"


@pytest.mark.parametrize("environment", [
    {}, {"NOTIFY_SOCKET": "/nowhere/at/all"}, {"NOTIFY_SOCKET": "", "WATCHDOG_USEC": "x"},
    {"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}], ids=str)
def test_without_a_manager_nothing_happens_and_nothing_raises(environment):
    notifier = Notifier(environment)
    notifier.ready("x")
    notifier.ping(5_000_000)
    notifier.stopping("x")
    assert notifier.watchdog_us == 0 or environment.get("NOTIFY_SOCKET")


def test_no_child_can_ping_in_our_name():
    environment = {"NOTIFY_SOCKET": "/x", "WATCHDOG_USEC": "1", "WATCHDOG_PID": "1", "PATH": "/bin"}
    Notifier(environment)
    assert environment == {"PATH": "/bin"}


# -- clocks -----------------------------------------------------------------------------------------------------------------


class Hand:
    """A monotonic clock that a test moves."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.us = 1_000_000_000
        monkeypatch.setattr(clocks, "mono_us", lambda: self.us)


def test_lateness_does_not_add_up(monkeypatch):
    hand = Hand(monkeypatch)
    clock = WallClock()
    late = []
    for _ in range(5):
        hand.us += TICK_US + 30_000 if not late else TICK_US
        late.append(clock.begin())
    assert late == [30_000] * 5, "each deadline is absolute: a tick 30 ms late is followed by one 30 ms late, not 60"


def test_missed_ticks_are_skipped_and_not_hurried_after(monkeypatch):
    hand = Hand(monkeypatch)
    clock = WallClock()
    hand.us += 10 * TICK_US + 200_000
    assert clock.begin() == 9 * TICK_US + 200_000
    assert clock._due_us - hand.us == 800_000, "the next deadline is the next whole second, not one of the past"


def test_waiting_ends_at_the_deadline_or_when_woken(monkeypatch):
    hand = Hand(monkeypatch)
    clock = WallClock()
    woken = threading.Event()
    woken.set()
    assert clock.wait(woken) is False
    hand.us += TICK_US
    assert clock.wait(woken) is True, "a due tick is not put off by a wake-up"


def test_in_lock_step_a_slow_computer_is_never_late(monkeypatch):
    hand = Hand(monkeypatch)

    def slow(us: int) -> bool:
        hand.us += 3 * us
        return True

    clock = LockStepClock(1.0, slow)
    assert [clock.begin() for _ in range(3)] == [0, 0, 0]
    assert clock.mono_us() == 1_000_000_000 + 3 * TICK_US, "only the peer's time has passed"


@pytest.mark.parametrize("speed", [0.5, 1.0, 60.0])
def test_lock_step_is_paced(monkeypatch, speed):
    hand = Hand(monkeypatch)
    clock = LockStepClock(speed, lambda us: True)
    clock.begin()
    assert clock._due_us - hand.us == round(TICK_US / speed)


def test_a_fast_clock_never_goes_back_behind_its_record():
    ahead_us = utc_us() + 3_600 * TICK_US
    assert LockStepClock(60.0, lambda us: True, ahead_us).utc_us() == ahead_us + TICK_US
    assert abs(LockStepClock(60.0, lambda us: True, 1).utc_us() - utc_us()) < TICK_US


def test_lock_step_stamps_are_the_start_plus_the_peers_time(monkeypatch):
    Hand(monkeypatch)
    monkeypatch.setattr(clocks, "utc_us", lambda: 5_000_000)
    clock = LockStepClock(60.0, lambda us: True)
    for _ in range(3):
        clock.begin()
    assert clock.utc_us() == 5_000_000 + 3 * TICK_US


@pytest.mark.parametrize("jump_us", [1_000_000, -1_000_000, 3_600_000_000, -3_600_000_000, -1_700_000_000_000_000])
def test_a_step_of_the_wall_clock_is_noticed_once(jump_us):
    watch = StepWatch()
    utc, found = 1_700_000_000_000_000, []
    for second in range(6):
        utc += jump_us if second == 3 else 0
        found.append(watch.look(utc + second * TICK_US, second * TICK_US))
    assert found == [0, 0, 0, jump_us, 0, 0]


def test_a_clock_that_is_being_adjusted_does_not_step():
    watch = StepWatch()
    assert not any(watch.look(second * (TICK_US + 500), second * TICK_US) for second in range(10_000))


def test_the_histogram_tells_ninety_nine_in_a_hundred():
    lateness = Lateness()
    for late_us in [1_000] * 98 + [9_000, 800_000]:
        lateness.add(late_us)
    assert 9_000 <= lateness.p99_us() <= 9_000 * 1.25
    assert lateness.largest_us == 800_000
    assert Lateness().p99_us() == 0


def test_our_own_user_is_not_named(tmp_path: Path):
    here, there = socket.socketpair()
    with here, there:
        assert peer_user(here) == ""


FIRST_OR_NOT = """
import os, sys
from controller.drivers.host import go_first
if "nobody" in sys.argv:
    os.setuid(65534)
print(go_first(), os.getpriority(os.PRIO_PROCESS, 0))
"""


def may_go_first() -> bool:
    """Tried in a process of its own, so that this one stays where it is."""
    tried = "import os; os.setpriority(os.PRIO_PROCESS, 0, -10)"
    return subprocess.run([sys.executable, "-c", tried], capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(os.geteuid() != 0 or not may_go_first(), reason="only root may go first, and not in every container")
@pytest.mark.parametrize(("who", "says"), [("root", "True -10\n"), ("nobody", "False 0\n")])
def test_the_controller_goes_first_where_it_may_and_runs_all_the_same_where_not(who: str, says: str) -> None:
    done = subprocess.run([sys.executable, "-c", FIRST_OR_NOT, who], check=True, capture_output=True, text=True)
    assert done.stdout == says
