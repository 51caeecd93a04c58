"""The three units as the service manager's own program reads and scores them, and the controller under what its unit sets.

No service manager runs here: notification and watchdog are tried with a socket of our own, the memory rule with the
kernel's switch.
"""

from __future__ import annotations

import configparser
import ctypes
import itertools
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from controller.drivers.clocks import TICK_US
from controller.install import look, plan
from controller.install.places import FILES, UNIT_FILES, UNITS
from controller.install.plan import Facts
from tests.service.chambers import simulated
from tests.service.test_processes import board
from tests.tidy.measure import ROOT

GOALS = {"soakwarden-controller@.service": 20, "soakwarden-api.service": 20, "soakwarden-messenger.service": 20}
"""Tenths of the exposure level that `systemd-analyze security` gives; 0 is least, 100 most."""
ANALYSE = shutil.which("systemd-analyze")
needs_systemd = pytest.mark.skipif(ANALYSE is None, reason="systemd-analyze is missing: on Debian, apt install systemd")
NOTES = (ROOT / "hardware_notes/installing.md").read_text(encoding="utf-8")


def unit(name: str) -> dict[str, list[str]]:
    """The settings of a unit's service section; a key may stand several times."""
    found: dict[str, list[str]] = {}
    for line in (ROOT / FILES / name).read_text().splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


@pytest.fixture
def staged(tmp_path) -> Path:
    """The units and drop-ins as they would be written for two chambers, with a program that is there."""
    facts = Facts(ROOT, "new", chambers=("oven", "second"), texts=look.texts(ROOT))
    for step in plan.install(facts):
        path = getattr(step, "path", Path("/"))
        if path.is_relative_to(UNITS) and hasattr(step, "text"):
            to = tmp_path / path.relative_to(UNITS)
            to.parent.mkdir(exist_ok=True)
            to.write_text(step.text.replace("/opt/soakwarden/current/.venv/bin/python", sys.executable))
    (tmp_path / "soakwarden-controller@oven.service").write_text((tmp_path / "soakwarden-controller@.service").read_text())
    return tmp_path


NAMES = ("soakwarden-controller@oven.service", "soakwarden-api.service", "soakwarden-messenger.service")


def verified(path: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(ANALYSE), "verify", "--recursive-errors=yes", str(path)], capture_output=True, text=True,
                          check=False)


@needs_systemd
@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_the_service_manager_finds_no_mistake(staged, name):
    done = verified(staged / name)
    assert (done.returncode, done.stderr) == (0, "")


@needs_systemd
@pytest.mark.slow
@pytest.mark.parametrize("line", ["WatchDogSec=8", "DeviceAlow=char-ttyUSB rw", "RestrictAddressFamilies=AF_NIX"])
def test_a_misspelled_setting_would_be_found(staged, line):
    path = staged / NAMES[0]
    path.write_text(path.read_text().replace("[Service]\n", f"[Service]\n{line}\n"))
    done = verified(path)
    assert done.returncode or line.partition("=")[0] in done.stderr or "AF_NIX" in done.stderr


def score(name: str) -> float:
    """Exposure level as the service manager's program gives it."""
    done = subprocess.run([str(ANALYSE), "security", "--offline=true", "--no-pager", str(ROOT / FILES / name)],
                          capture_output=True, text=True, check=True)
    found = re.search(r"Overall exposure level for .*: ([\d.]+)", done.stdout)
    assert found, done.stdout[-300:]
    return float(found[1])


@needs_systemd
@pytest.mark.slow
@pytest.mark.parametrize("name", UNIT_FILES)
def test_the_exposure_is_low_and_as_the_notes_say(name):
    measured = score(name)
    print(f"{name}: {measured}")
    assert subprocess.run([str(ANALYSE), "security", "--offline=true", f"--threshold={GOALS[name]}", "--no-pager",
                           str(ROOT / FILES / name)], capture_output=True, check=False).returncode == 0
    noted = re.search(rf"\| `{re.escape(name)}` \| ([\d.]+) \| ([\d.]+) \|", NOTES)
    assert noted and float(noted[2]) == GOALS[name] / 10
    version = subprocess.run([str(ANALYSE), "--version"], capture_output=True, text=True, check=True).stdout
    if re.match(r"systemd 252\b", version):  # others weigh differently; the bound holds for all
        assert float(noted[1]) == measured


# -- what the settings rest on -----------------------------------------------------------------------------------------------


def test_a_unit_that_keeps_failing_is_started_for_ever_but_not_hurriedly():
    for name in UNIT_FILES:
        settings = unit(name)
        assert settings["StartLimitIntervalSec"] == ["0"] and int(settings["RestartSec"][0]) >= 2
    assert unit(UNIT_FILES[0])["Restart"] == ["on-failure"]


def test_the_watchdog_waits_longer_than_the_board_and_for_several_ticks():
    """Shorter than the board's silence it would end a controller that may still go on; a tick is a second."""
    board_silence_s, watchdog_s = 4.8, int(unit(UNIT_FILES[0])["WatchdogSec"][0])
    assert board_silence_s < watchdog_s <= 4 * board_silence_s and watchdog_s * 1_000_000 >= 4 * TICK_US


def test_the_controller_reaches_serial_adapters_and_no_network():
    settings = unit(UNIT_FILES[0])
    assert settings["DeviceAllow"] == ["char-ttyUSB rw", "char-ttyACM rw"] and settings["DevicePolicy"] == ["closed"]
    assert settings["RestrictAddressFamilies"] == ["AF_UNIX"] and settings["IPAddressDeny"] == ["any"]
    assert "PrivateNetwork" not in settings, "an abstract socket name is the port's lock, and would no longer be shared"
    assert "ProtectClock" not in settings and "adjtimex" in settings["SystemCallFilter"][-1], "timed starts ask for clock sync"


def test_what_decides_about_heat_is_read_only_to_the_page():
    facts = Facts(ROOT, "new", chambers=("oven",), texts=look.texts(ROOT))
    drop_ins = [step.text for step in plan.install(facts) if getattr(step, "path", Path()).name == "chambers.conf"]
    assert len(drop_ins) == 2 and all("ReadOnlyPaths=-/var/lib/soakwarden/oven/chamber\n" in text for text in drop_ins)


def test_every_command_of_a_unit_knows_its_options():
    """The words of ExecStart, with the variables taken as the files set them, are understood by the programs' own parsers."""
    from api.__main__ import arguments
    from controller.messenger.__main__ import arguments as messages
    from controller.start_up import parser

    words = unit("soakwarden-controller@.service")["ExecStart"][0].split()
    told = parser().parse_args([word for word in words[4:] if not word.startswith("$")])
    assert told.chamber == Path("/var/lib/soakwarden/%i/chamber")
    options = re.search(r"^API_OPTIONS=(.*)$", (ROOT / FILES / "api.env").read_text(), re.MULTILINE)[1].split()
    api = [word for word in unit("soakwarden-api.service")["ExecStart"][0].split()[4:] if not word.startswith("$")]
    made = arguments([*api, "--data", "/var/lib/soakwarden/oven", *options])
    assert made.real and made.desk == Path("/var/lib/soakwarden/desk") and made.http == 8650
    example = re.search(r"^#\s+API_OPTIONS=(.*)$", (ROOT / FILES / "api.env").read_text(), re.MULTILINE)[1].split()
    assert arguments(["--data", "x", *example]).cert == Path("/etc/soakwarden/page.crt"), "what the file suggests is understood"
    messenger = [word for word in unit("soakwarden-messenger.service")["ExecStart"][0].split()[4:] if not word.startswith("$")]
    assert messages([*messenger, "--data", "/var/lib/soakwarden/oven"]).desk == Path("/var/lib/soakwarden/desk")


def test_the_journal_of_the_units_is_bounded_apart_from_others():
    journal = configparser.ConfigParser()
    journal.read(ROOT / FILES / "journald@soakwarden.conf")
    assert journal["Journal"]["SystemMaxUse"] == "64M"
    for name in UNIT_FILES:
        assert unit(name)["LogNamespace"] == ["soakwarden"]


# -- the controller under it -------------------------------------------------------------------------------------------------

PR_SET_MDWE, MDWE_REFUSE_EXEC_GAIN = 65, 1
"""prctl(2): no memory both writable and executable, as MemoryDenyWriteExecute= has it (Linux 6.3 or newer)."""


def no_executable_memory() -> None:
    """In the child: as the unit sets it, where the kernel can."""
    ctypes.CDLL(None).prctl(PR_SET_MDWE, MDWE_REFUSE_EXEC_GAIN, 0, 0, 0)


PAGE_AND_MESSAGES = """
import api.__main__, controller.messenger.__main__, apprise, argon2
assert argon2.PasswordHasher(time_cost=2, memory_cost=19456, parallelism=1).hash("x").startswith("$argon2id$")
"""


@pytest.mark.slow
def test_page_and_messenger_load_and_hash_without_executable_memory():
    done = subprocess.run([sys.executable, "-c", PAGE_AND_MESSAGES], cwd=ROOT, capture_output=True, text=True, check=False,
                          preexec_fn=no_executable_memory)
    assert done.returncode == 0, done.stderr


@contextmanager
def under_its_unit(folder: Path, port: str) -> Iterator[tuple[subprocess.Popen[bytes], socket.socket]]:
    """A controller with the unit's watchdog and memory rule, and the service manager's end of its socket."""
    watchdog_s = int(unit("soakwarden-controller@.service")["WatchdogSec"][0])
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(folder / "notify"))
    manager.settimeout(30.0)
    environment = {**os.environ, "NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": str(watchdog_s * 1_000_000)}
    process = subprocess.Popen([sys.executable, "-m", "controller.service", "--chamber", str(folder / "chamber"),
                                "--data", str(folder / "data"), "--port", port], env=environment,
                               preexec_fn=no_executable_memory)
    try:
        yield process, manager
    finally:
        process.send_signal(signal.SIGCONT)
        process.terminate()
        process.wait(30)
        manager.close()


@pytest.mark.slow
def test_it_pings_often_enough_for_its_unit_and_stops_when_it_hangs(tmp_path):
    simulated(tmp_path / "chamber")
    (tmp_path / "data").mkdir()
    watchdog_s = int(unit("soakwarden-controller@.service")["WatchdogSec"][0])
    with board() as port, under_its_unit(tmp_path, port) as (process, manager):
        assert manager.recv(4096).startswith(b"READY=1")
        pings = []
        while len(pings) < 4:
            if manager.recv(4096) == b"WATCHDOG=1\n":
                pings.append(time.monotonic())
        gaps = [after - before for before, after in itertools.pairwise(pings)]
        assert max(gaps) < watchdog_s / 2, "the manual page asks for a ping at half the time"
        process.send_signal(signal.SIGSTOP)
        time.sleep(0.1)
        manager.setblocking(False)
        with pytest.raises(BlockingIOError):
            while True:
                manager.recv(4096)
        time.sleep(watchdog_s / 2)
        with pytest.raises(BlockingIOError):
            manager.recv(4096)
    assert process.returncode == 0
