"""The controller as the process that a service manager, a shell or `serve` starts: signals, refusals, restarts."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import pytest

from controller.config import PROOFS_FILE, load
from controller.drivers import latch, sealed
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.records.queries import Reader
from controller.start_up import main as start
from tests.service.chambers import real, simulated
from tests.service.rig import Raw

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]


STARTED: list[subprocess.Popen[str]] = []


@pytest.fixture(autouse=True)
def nothing_is_left_running() -> Iterator[None]:
    """Whatever a test has started and not ended, ends with it."""
    yield
    while STARTED:
        process = STARTED.pop()
        if process.poll() is None:
            process.kill()
            process.wait()
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()


def started(words: list[str], **named: Any) -> subprocess.Popen[str]:
    STARTED.append(subprocess.Popen([sys.executable, "-m", *words], text=True, **named))
    return STARTED[-1]


def controller(data: Path, chamber: Path, *more: str, environment: dict[str, str] | None = None) -> subprocess.Popen[str]:
    return started(["controller.service", "--chamber", str(chamber), "--data", str(data), *more], stderr=subprocess.PIPE,
                   env={**os.environ, **(environment or {})})


@contextmanager
def board(*more: str) -> Iterator[str]:
    """A simulated board's process; gives its port."""
    process = started(["controller.chamber.peer", "--auto-arm", *more], stdout=subprocess.PIPE)
    yield json.loads(process.stdout.readline())["port"]
    process.terminate()
    process.wait(10)


def ended(process: subprocess.Popen[str], timeout_s: float = 30.0) -> tuple[int, str]:
    _, said = process.communicate(timeout=timeout_s)
    return process.returncode, said


@pytest.fixture
def chamber(tmp_path: Path) -> Path:
    return simulated(tmp_path / "c").path


def test_sigterm_in_a_run_is_heat_off_a_reason_and_code_0(tmp_path, chamber):
    data = tmp_path / "d"
    with board("--lock-step") as port:
        process = controller(data, chamber, "--port", port, "--lock-step", "--speed", "100")
        with Raw(data / "controller.sock") as person:
            person.until(lambda now: now["board"]["accepted"] and now["air_mc"] is not None)
            assert "ok" in person.start()
            person.until(lambda now: now["circuit"]["contactor"]["state"] == "closed")
            process.send_signal(signal.SIGTERM)
            assert ended(process) == (0, "")
    events = Reader(data / "record.db").events(limit=500)
    assert events[-1].kind == "controller_stopped" and events[-1].fields == {"reason": "SIGTERM"}
    assert "heat_seen_off" in [event.kind for event in events]
    assert latch.read(chamber / "latch", utc_us()) == ()


def test_a_kill_in_a_run_is_a_latch_at_the_next_start(tmp_path, chamber):
    data = tmp_path / "d"
    with board("--lock-step") as port:
        process = controller(data, chamber, "--port", port, "--lock-step", "--speed", "100")
        with Raw(data / "controller.sock") as person:
            person.until(lambda now: now["board"]["accepted"] and now["air_mc"] is not None)
            person.start()
            person.until(lambda now: now["run"] is not None)
            process.kill()
            process.wait()
        again = controller(data, chamber, "--port", port, "--lock-step", "--speed", "100")
        with Raw(data / "controller.sock") as person:
            now = person.until(lambda now: now["tick"] > 3)
            assert [one["guard"] for one in now["latches"]] == ["ended_in_a_run"]
            assert "start" not in now["possible"] and "middle of a run" in now["sentence"]
        again.terminate()
        assert ended(again)[0] == 0


def test_a_second_start_is_refused_with_a_line_that_says_who(tmp_path, chamber):
    with board() as port:
        first = controller(tmp_path / "d", chamber, "--port", port)
        with Raw(tmp_path / "d/controller.sock") as person:
            person.until(lambda now: True)
        code, said = ended(controller(tmp_path / "d", chamber, "--port", port))
        assert code == Exit.TAKEN and str(first.pid) in said and "--data" in said and said.count("\n") == 1
        code, said = ended(controller(tmp_path / "other", chamber, "--port", port))
        assert code == Exit.TAKEN and "serial port" in said and said.count("\n") == 1
        first.terminate()
        assert ended(first)[0] == 0


def test_the_service_manager_hears_ready_pings_and_stopping(tmp_path, chamber):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, board() as port:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        process = controller(tmp_path / "d", chamber, "--port", port, environment={
            "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "2000000"})
        assert manager.recv(999).startswith(b"READY=1")
        assert manager.recv(999) == b"WATCHDOG=1\n"
        process.terminate()
        assert ended(process)[0] == 0
        heard = b""
        while b"STOPPING" not in heard:
            heard = manager.recv(999)


def test_a_board_that_is_not_there_yet_is_found_when_it_comes(tmp_path, chamber):
    link = tmp_path / "by-id"
    process = controller(tmp_path / "d", chamber, "--port", str(link))
    with Raw(tmp_path / "d/controller.sock") as person:
        now = person.until(lambda now: now["tick"] > 0)
        assert not now["board"]["present"] and now["sentence"] == "The board is not heard."
        with board() as port:
            link.symlink_to(port)
            person.until(lambda now: now["board"]["accepted"])
        person.until(lambda now: not now["board"]["present"])
    process.terminate()
    assert ended(process)[0] == 0
    kinds = [event.kind for event in Reader(tmp_path / "d/record.db").events(limit=500)]
    assert kinds.count("board_lost") == 2 and "board_found" in kinds


# -- refusals, in this process ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("words", "code", "said"), [
    (["--chamber", "{tmp}/none", "--port", "/dev/null"], Exit.FILES, "chamber new"),
    (["--chamber", "{tmp}/c"], Exit.CHAMBER, "--port"),
    (["--chamber", "{tmp}/r", "--lock-step"], Exit.USAGE, "simulated"),
    (["--chamber", "{tmp}/c", "--port", "x", "--speed", "60"], Exit.USAGE, "--lock-step"),
    (["--chamber", "{tmp}/c", "--port", "x", "--lock-step", "--speed", "0"], Exit.USAGE, "0.1"),
    (["--chamber", "{tmp}/c", "--port", "{tmp}/p", "--data", "{tmp}/file"], Exit.FILES, "--data"),
], ids=str)
def test_what_cannot_start_says_why_and_what_to_do(tmp_path, chamber, capsys, words, code, said):
    real(tmp_path / "r")
    (tmp_path / "file").write_text("")
    arguments = [word.format(tmp=tmp_path) for word in words]
    assert start(["--data", str(tmp_path / "d"), *arguments]) == code
    assert said in capsys.readouterr().err


def test_simulated_and_real_data_never_mix(tmp_path, chamber, capsys):
    data = tmp_path / "d"
    data.mkdir()
    sealed.write(data / "belongs", {"board": "abcdef", "simulated": False})
    assert start(["--chamber", str(chamber), "--data", str(data), "--port", str(tmp_path / "p")]) == Exit.FILES
    assert "belongs to a real chamber, board abcdef" in capsys.readouterr().err


def test_a_chamber_whose_proofs_are_lost_only_measures(chamber):
    (chamber / PROOFS_FILE).unlink()
    assert load(chamber, utc_us()).level.level == 0


# -- serve ------------------------------------------------------------------------------------------------------------------


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Demo:
    """`serve --demo`, and the lines it prints."""

    def __init__(self, data: Path, *more: str) -> None:
        self.data = data
        self.lines: list[dict] = []
        self.process = started(["controller.cli", "serve", "--demo", "--speed", "100", "--data", str(data), "--http",
                                str(free_port()), "--json", *more], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        self._came = threading.Condition()
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        for line in self.process.stdout:
            with self._came:
                self.lines.append(json.loads(line))
                self._came.notify()

    def line(self, words: str, timeout_s: float = 100.0) -> dict:
        """The first line with these words."""
        with self._came:
            assert self._came.wait_for(lambda: any(words in line["say"] for line in self.lines), timeout_s), self.lines
            return next(line for line in self.lines if words in line["say"])

    def children(self) -> dict[str, int]:
        return {child.cmdline()[2]: child.pid for child in psutil.Process(self.process.pid).children()}

    def end(self, number: int = signal.SIGINT) -> int:
        self.process.send_signal(number)
        code = self.process.wait(40)
        self._thread.join()
        return code


def soon(look: Callable[[], Any], most: int = 400) -> Any:
    """What `look` gives once that is something."""
    for _ in range(most):
        found = look()
        if found:
            return found
        threading.Event().wait(0.05)
    raise AssertionError("it never came to that")


def test_the_demo_presses_its_button_survives_a_dead_page_and_ends_cleanly(tmp_path):
    demo = Demo(tmp_path / "d")
    assert "SIMULATED" in demo.line("board")["say"]
    assert demo.line("Open http://127.0.0.1:")["url"]
    demo.line("answers, SIMULATED")  # what happens from here on is heard
    with Raw(tmp_path / "d/controller.sock") as person:
        person.until(lambda now: now["air_mc"] is not None)
        person.start()
        demo.line("The simulated arm button was pressed.")
        demo.line("idle to running")
        children = demo.children()
        os.kill(children["api"], signal.SIGKILL)
        demo.line("starting it again")
        demo.line("The api was started again.")
        assert person.now()["run"]["state"] in ("running", "complete"), "the heat does not depend on the page"
    modes = {(demo.data / name).stat().st_mode & 0o077 for name in ("desk.db", "record.db", "api.log")}
    assert modes == {0}, "they are their owner's alone"
    assert demo.end() == Exit.GOOD
    for pid in [*children.values()]:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)
    assert Reader(tmp_path / "d/record.db").events(limit=500)[-1].fields == {"reason": "SIGTERM"}


def test_the_demo_starts_a_killed_messenger_again_and_the_heat_does_not_notice(tmp_path):
    demo = Demo(tmp_path / "d")
    demo.line("Open http://")
    with Raw(tmp_path / "d/controller.sock") as person, Raw(tmp_path / "d/messenger.sock") as messenger:
        soon(lambda: messenger.ask("status")["ok"]["channels"])
        person.until(lambda now: now["air_mc"] is not None)
        person.start()
        demo.line("idle to running")
        os.kill(demo.children()["controller.messenger"], signal.SIGKILL)
        demo.line("The messenger ended with code -9; starting it again")
        demo.line("The messenger was started again.")
        now = person.now()
        assert now["run"]["state"] in ("running", "complete") and now["latches"] == []
    with Raw(tmp_path / "d/messenger.sock") as messenger:
        letters = soon(lambda: messenger.ask("mailbox")["ok"]["letters"])
    assert sum("A run has begun" in one["title"] for one in letters) == 1
    assert demo.end() == Exit.GOOD


def test_a_demo_whose_controller_dies_ends_and_says_so(tmp_path):
    demo = Demo(tmp_path / "d")
    demo.line("Open http://")
    os.kill(demo.children()["controller.service"], signal.SIGKILL)
    assert demo.process.wait(40) == Exit.BROKEN
    demo._thread.join()
    told = demo.process.stderr.read()
    assert told.strip() == "The controller was killed by signal 9; the board switches off by itself within 5 s."


def _circuit(page: str) -> dict[str, Any]:
    with urllib.request.urlopen(f"{page}api/v1/chambers", timeout=10) as answer:
        return json.load(answer)["circuits"][0]


def test_two_demo_chambers_have_a_controller_each_and_one_page(tmp_path):
    demo = Demo(tmp_path / "d", "--chambers", "2", "--circuit-w", "600", "--faults-socket",
                str(tmp_path / "faults"))
    assert demo.line("Small chamber (invented): SIMULATED board")["port"]
    page = demo.line("Open http://127.0.0.1:")["url"]
    with Raw(tmp_path / "d/bench/controller.sock") as bench, Raw(tmp_path / "d/small/controller.sock") as small:
        boards = {bench.now()["chamber"]["board"], small.now()["chamber"]["board"]}
        assert len(boards) == 2, "one board is no two chambers"
        circuit = soon(lambda: (found := _circuit(page))["sum_w"] > 600 and found)
        assert (circuit["max_w"], circuit["over"]) == (600, True)
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as faults:
            faults.sendto(json.dumps({"fault": "smoke", "on": True}).encode(), str(tmp_path / "faults-small"))
        small.until(lambda now: any(latch["guard"] == "smoke" for latch in now["latches"]))
        assert bench.now()["latches"] == [], "each chamber has faults of its own"
    controllers = [child for child in psutil.Process(demo.process.pid).children() if "controller.service" in child.cmdline()]
    assert len(controllers) == 2
    controllers[0].kill()
    assert demo.process.stderr.readline().startswith("Bench chamber (invented): The controller was killed by signal 9")
    assert demo.process.poll() is None and controllers[1].is_running(), "the other chamber goes on"
    assert demo.end() == Exit.GOOD
