"""What `serve` makes of its children: whose health it believes, how an end is told, and what it refuses to start."""

from __future__ import annotations

import json
import os
import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from controller import demo
from controller.cli import main
from controller.commands.children import ApiChild, BoardChild, Child, MessengerChild, PracticeChild
from controller.commands.news import News
from controller.commands.station import how_it_ended
from controller.core.setup import Level
from controller.drivers.clocks import utc_us
from controller.drivers.locks import lock_folder
from controller.exit_codes import Exit
from controller.practice.__main__ import main as practise
from tests.service.chambers import real


@contextmanager
def answering(body: bytes) -> Iterator[int]:
    """Something on loopback that answers every question with `body`; gives its port."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_words: object) -> None:
            """Silent."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


class Said(ApiChild):
    """An api child of which only the number is looked at."""

    @property
    def pid(self) -> int:
        return os.getpid()


@pytest.mark.parametrize(("body", "healthy"), [
    (json.dumps({"api": {"pid": os.getpid()}}).encode(), True),
    (json.dumps({"api": {"pid": os.getpid() + 1}}).encode(), False),
    (b'{"api": 3}', False), (b"[]", False), (b"hello", False), (b"\xff", False),
], ids=["own", "another service", "no table", "a list", "no json", "no text"])
def test_only_the_childs_own_answer_counts_as_its_health(tmp_path, body, healthy):
    with answering(body) as port:
        api = Said(["none"], tmp_path / "log", port)
        assert (api.watch() == "" and api.ready) is healthy


@contextmanager
def saying(path: Path, line: bytes) -> Iterator[None]:
    """Something on a unix socket that answers every line with `line`."""
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listening.bind(str(path))
    listening.listen()

    def serve() -> None:
        with listening.accept()[0] as one:
            one.recv(100)
            one.sendall(line)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield
    finally:
        thread.join()
        listening.close()


class SaidMessenger(MessengerChild):
    """A messenger child of which only the number is looked at."""

    @property
    def pid(self) -> int:
        return os.getpid()


@pytest.mark.parametrize(("line", "healthy"), [
    (json.dumps({"ok": {"pid": os.getpid()}}).encode() + b"\n", True),
    (json.dumps({"ok": {"pid": os.getpid() + 1}}).encode() + b"\n", False),
    (b'{"error": {}}\n', False), (b"[]\n", False), (b"hello", False), (b"\xff\n", False), (b"", False),
], ids=["own", "another messenger", "an error", "a list", "no json", "no text", "nothing"])
def test_only_the_messengers_own_answer_counts_as_its_health(tmp_path, line, healthy):
    with saying(tmp_path / "s", line):
        messenger = SaidMessenger(["none"], tmp_path / "log", tmp_path / "s")
        assert (messenger.watch() == "" and messenger.ready) is healthy


def test_a_messenger_that_ends_is_started_again_after_a_while(tmp_path):
    messenger = MessengerChild(["controller.messenger", "--no-such-option"], tmp_path / "log", tmp_path / "s")
    messenger.start()
    messenger._process.wait(30)
    assert messenger.watch() == f"The messenger ended with code {Exit.USAGE}; starting it again in 1 s. The heat does not " \
                                "depend on it."


def test_a_taken_page_port_is_one_clear_line_and_starts_nothing(tmp_path, capsys):
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        port = holder.getsockname()[1]
        assert main(["serve", "--demo", "--http", str(port), "--data", str(tmp_path / "d"), "--json"]) == Exit.TAKEN
    (told,) = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert told["error"].startswith(f"Port {port} of this computer is in use") and "--http" in told["error"]
    assert not (tmp_path / "d/controller.sock").exists() and not (tmp_path / "d/record.db").exists()


@pytest.mark.parametrize("port", ["0", "-1", "65536"])
def test_a_page_port_that_is_none_is_a_wrong_command_line(tmp_path, capsys, port):
    assert main(["serve", "--demo", "--http", port, "--data", str(tmp_path / "d"), "--json"]) == Exit.USAGE
    assert "1 to 65535" in json.loads(capsys.readouterr().out)["error"]


def test_an_api_that_refuses_to_start_is_not_started_for_ever(tmp_path):
    api = ApiChild(["controller.cli", "no such verb"], tmp_path / "log", 9)
    api.start()
    api._process.wait(30)
    assert api.refused() and "no such verb" in api.tail() and api.exit_code() == Exit.USAGE


def test_an_api_that_was_there_once_is_started_again_whatever_its_code(tmp_path):
    api = ApiChild(["controller.cli", "no such verb"], tmp_path / "log", 9)
    api.answered = True
    api.start()
    api._process.wait(30)
    assert not api.refused() and "starting it again" in api.watch()


SILENT = "the board switches off by itself within 5 s"


@pytest.mark.parametrize(("code", "tail", "told"), [
    (-signal.SIGKILL, "line of before", f"The controller was killed by signal 9; {SILENT}."),
    (Exit.TAKEN, "data folder x is in use by process 7", "The controller did not start: data folder x is in use by process 7"),
    (Exit.BROKEN, "KeyError", f"The controller ended with code 1; {SILENT}. KeyError"),
    (Exit.GOOD, "", "The controller was asked to end; it switched the heat off first."),
], ids=str)
def test_the_controllers_end_is_told_as_what_it_was(code, tail, told):
    assert how_it_ended(code, tail) == told


def test_a_childs_tail_holds_only_what_it_said_since_it_was_started(tmp_path: Path):
    (tmp_path / "log").write_text("before\n")
    child = Child("x", ["this"], tmp_path / "log")
    child.start()
    assert child._process.wait(30) == 0
    assert "before" not in child.tail() and "Zen" in child.tail()


def test_a_second_start_on_the_same_data_is_refused_before_a_board_is_started(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(BoardChild, "start", lambda child: pytest.fail("a board was started"))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with lock_folder(tmp_path):
        assert main(["serve", "--demo", "--data", str(tmp_path), "--http", str(port)]) == Exit.TAKEN
    told = capsys.readouterr().err
    assert str(os.getpid()) in told and "--data" in told and "Nothing was started" in told and told.count("\n") == 1


# -- what is told while it runs ---------------------------------------------------------------------------------------------


def board_now(present: bool = True, accepted: bool = True) -> dict:
    return {"board": {"present": present, "accepted": accepted}, "chamber": {"board": "5a17c0", "simulated": True}}


def test_a_latch_that_a_start_finds_is_told_once(tmp_path):
    said: list[str] = []
    news = News(tmp_path / "socket", lambda text, event: said.append(text), demo=True)
    for _ in range(2):
        news.take({"now": {"latches": [{"guard": "ended_in_a_run", "cause": "The controller ended in the middle of a run."}]}})
    assert said == ["Latched: The controller ended in the middle of a run. No heat until a maintainer clears it."]


FOUND = {"kind": "board_found", "fields": {"board": "5a17c0", "simulated": True}}
LOST = {"kind": "board_lost", "fields": {"reason": "unplugged"}}
ANSWERS = "Board 5a17c0 answers, SIMULATED."


def test_why_the_record_fails_is_told_once_each_time_also_where_it_began_before_anybody_followed(tmp_path):
    said: list[str] = []
    news = News(tmp_path / "socket", lambda text, event: said.append(text), demo=True)
    for failing in ("set aside", "set aside", "", "", "disk full", "disk full for 3 s"):
        news.take({"now": {"record": {"failing": failing}}})
    assert said == ["The record fails: set aside. Control goes on.", "The record fails: disk full. Control goes on."]


@pytest.mark.parametrize(("pushes", "told"), [
    ([{"now": board_now(), "rows": [], "resumed": False}], [ANSWERS]),
    ([{"now": board_now()}, {"now": board_now(), "events": []}, {"now": board_now(), "events": [FOUND]}], [ANSWERS]),
    ([{"now": board_now(accepted=False)}, {"now": board_now(False)}], []),
    ([{"now": board_now(False), "events": [FOUND]}, {"now": board_now(), "events": []}], [ANSWERS]),
    ([{"now": board_now()}, {"now": board_now(False, False), "events": [LOST]}, {"now": board_now(), "events": [FOUND]}],
     [ANSWERS, "The line to the board is gone: unplugged. It is tried again.", ANSWERS]),
])
def test_a_board_that_answers_is_told_once_though_its_event_came_before_anybody_followed(tmp_path, pushes, told):
    said: list[str] = []
    news = News(tmp_path / "socket", lambda text, event: said.append(text), demo=True)
    for push in pushes:
        news.take(push)
    assert said == told


def test_from_scratch_takes_no_chamber_whose_proofs_came_with_it(tmp_path, capsys):
    """The ordinary demo's folder is not the place to begin from nothing; nothing is started, nothing is changed."""
    folder = demo.chamber(tmp_path / "chamber", utc_us())
    before = (folder.path / "proofs.json").read_bytes()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    assert main(["serve", "--demo", "--from-scratch", "--data", str(tmp_path), "--http", str(port)]) == Exit.FILES
    assert "has invented proofs already; name another folder with --data" in capsys.readouterr().err
    assert (folder.path / "proofs.json").read_bytes() == before and not (tmp_path / "controller.log").exists()


def test_a_chamber_from_scratch_has_proven_nothing_and_one_sensor_travels(tmp_path):
    made = demo.chamber(tmp_path / "chamber", utc_us(), from_scratch=True)
    assert made.chamber.simulated and made.kept.proofs == () and made.level.level is Level.MEASURE_ONLY
    assert [(one.id, one.channel) for one in made.chamber.sensors][-1] == ("travelling", 3)
    again = demo.chamber(tmp_path / "chamber", utc_us(), from_scratch=True)
    assert again.chamber == made.chamber, "it goes on where it was"


def test_a_real_chamber_has_its_own_hands(tmp_path, capsys):
    path = real(tmp_path / "c")
    assert main(["serve", "--chamber", str(path), "--from-scratch", "--data", str(tmp_path / "d")]) == Exit.USAGE
    assert "--from-scratch is for --demo only" in capsys.readouterr().err
    assert practise(["--chamber", str(path), "--data", str(tmp_path), "--hands", str(tmp_path / "s")]) == Exit.CHAMBER
    assert "is a real chamber" in capsys.readouterr().out


def test_what_a_practice_process_says_is_told_line_by_line(tmp_path):
    told: list[str] = []
    child = PracticeChild(["platform"], tmp_path / "practice.log", told.append)
    child.start()
    hears = next(thread for thread in threading.enumerate() if thread.name == "practice")
    hears.join(20.0)
    child.end(1.0)
    assert not hears.is_alive() and child.exit_code() == 0
    assert told and all("\n" not in line for line in told)
