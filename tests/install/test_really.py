"""An upgrade with processes that really run: a stand-in for the service manager starts and stops controllers from the installed
folder, each with a simulated board, and a version that does not come up is taken back by itself.
"""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import subprocess
import sys
import sysconfig
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from controller.drivers.clocks import utc_us
from controller.install import look, plan
from controller.install.executor import Stopped, carry_out
from controller.install.places import HOUSE, PROGRAMS, controller_unit
from controller.install.plan import Plan
from controller.install.probe import ServiceProbe
from controller.install.steps import Well
from controller.install.version import LEFT_OUT, PARTS, name_of
from controller.install.world import StepFailed, World
from tests.service.chambers import simulated
from tests.service.rig import Raw
from tests.tidy.measure import ROOT

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
NAME = "oven"


class Manager:
    """Starts and stops the controller as its unit says; makes environments that borrow this one's libraries."""

    def __init__(self, root: Path, port: str) -> None:
        self._root, self._port = root, port
        self._process: subprocess.Popen[bytes] | None = None

    def run(self, words: Sequence[str]) -> None:
        if words[0] == "systemctl":
            self._systemctl(words)
        elif "pip" in words:
            site = next(Path(words[0]).parent.parent.glob("lib/python*/site-packages"))
            (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n")
        elif "venv" in words:
            subprocess.run([*words[:-1], "--without-pip", words[-1]], check=True)
        elif str(self._root) in words[0]:
            done = subprocess.run(words, capture_output=True, text=True, check=False)
            if done.returncode:
                raise StepFailed(done.stderr)

    def answers_yes(self, words: Sequence[str]) -> bool:
        return False

    def _systemctl(self, words: Sequence[str]) -> None:
        if controller_unit(NAME) not in words:
            return
        if words[1] == "stop":
            self.end()
        elif words[1] in ("start", "enable") and (self._process is None or self._process.poll() is not None):
            data = self._root / HOUSE.relative_to("/") / NAME
            python = self._root / PROGRAMS.relative_to("/") / "current/.venv/bin/python"
            clean = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
            self._process = subprocess.Popen(
                [str(python), "-I", "-m", "controller.service", "--chamber", str(data / "chamber"), "--data", str(data),
                 "--port", self._port], stderr=subprocess.DEVNULL, env=clean)

    def end(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(30)


@pytest.fixture
def port() -> Iterator[str]:
    board = subprocess.Popen([sys.executable, "-m", "controller.chamber.peer", "--auto-arm"], stdout=subprocess.PIPE)
    yield json.loads(board.stdout.readline())["port"]
    board.terminate()
    board.communicate(timeout=15)


@pytest.fixture
def house(port: str) -> Iterator[tuple[World, Path]]:
    """A root with this checkout installed and its controller running; and a copy of the checkout that is another version."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name) / "r"
        manager = Manager(root, port)
        on = World(root, manager, ServiceProbe(root, pages=False), lambda _text: None, time.sleep, time.monotonic)
        carry_out(plan.install(look.facts(on, ROOT)), on)
        simulated(root / HOUSE.relative_to("/") / NAME / "chamber")
        carry_out(plan.install(look.facts(on, ROOT)), on)
        newer = Path(name) / "newer"
        for part in PARTS:
            if (ROOT / part).is_dir():
                shutil.copytree(ROOT / part, newer / part, ignore=LEFT_OUT)
            else:
                shutil.copy(ROOT / part, newer)
        text = (newer / "pyproject.toml").read_text()
        (newer / "pyproject.toml").write_text(text.replace('version = "', 'version = "99.', 1))
        with client(on) as asks:
            asks.until(lambda now: now["board"]["accepted"])
        yield on, newer
        manager.end()


def client(on: World) -> Raw:
    return Raw(on.at(HOUSE / NAME / "controller.sock"))


def running(on: World) -> str:
    """The version that the controller itself says."""
    with client(on) as asks:
        version: str = asks.ask("health")["ok"]["version"]
        return version


def upgrade(on: World, newer: Path, within_s: float) -> Plan:
    steps = plan.install(look.facts(on, newer))
    return tuple(dataclasses.replace(step, within_s=within_s) if isinstance(step, Well) else step for step in steps)


def test_a_newer_version_runs_after_the_upgrade_and_the_older_one_after_the_way_back(house):
    on, newer = house
    old = running(on)
    carry_out(upgrade(on, newer, 30.0), on)
    assert running(on) == f"99.{old}" and os.readlink(on.at(PROGRAMS / "current")) == name_of(newer)
    there = look.facts(on, look.previous_of(on))
    carry_out(plan.roll_back(there, with_data=True), on)
    assert running(on) == old
    with client(on) as asks:
        asks.until(lambda now: now["board"]["accepted"])


def test_a_version_that_loads_but_does_not_come_up_is_taken_back_and_the_older_one_runs(house):
    on, newer = house
    old, boot = running(on), boot_of(on)
    path = newer / "controller/start_up.py"
    path.write_text(path.read_text().replace("    options = parser().parse_args(arguments)\n", "    raise SystemExit(1)\n"))
    with pytest.raises(Stopped, match=r"did not answer within 4 s") as stopped:
        carry_out(upgrade(on, newer, 4.0), on)
    assert stopped.value.left == [] and running(on) == old and boot_of(on) == boot + 1
    assert not on.at(PROGRAMS / name_of(newer)).exists()


def boot_of(on: World) -> int:
    with client(on) as asks:
        boot: int = asks.ask("health")["ok"]["boot"]
        return boot


def test_with_a_real_run_on_an_upgrade_is_refused_and_the_run_goes_on(house):
    on, newer = house
    with client(on) as asks:
        assert "ok" in asks.start()
        asks.until(lambda now: now["run"] is not None and now["run"]["state"] == "running")
        boot = boot_of(on)
        with pytest.raises(Stopped, match="the run 1 is on"):
            carry_out(upgrade(on, newer, 30.0), on)
        now = asks.now()
        assert now["run"]["state"] == "running" and boot_of(on) == boot and now["utc_us"] <= utc_us()
