"""Asking the services: real controllers on their sockets, dead sockets, silent ones, and a page on loopback."""

from __future__ import annotations

import json
import socket
import tempfile
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from controller.install.places import API, API_OPTIONS, HOUSE, MESSENGER, controller_unit
from controller.install.probe import HTTP_DEFAULT, ServiceProbe, http_port, listened_to
from tests.answered import LEAVING
from tests.service.chambers import integers, short
from tests.service.rig import Rig


@pytest.fixture
def root() -> Iterator[Path]:
    """A house below a folder with a short name: a socket's path has at most 107 bytes."""
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / HOUSE.relative_to("/") / "oven").mkdir(parents=True)
        (Path(name) / HOUSE.relative_to("/") / "desk").mkdir()
        yield Path(name)


def socket_of(root: Path, name: str = "oven") -> Path:
    return root / HOUSE.relative_to("/") / name / "controller.sock"


@pytest.fixture
def rig(root):
    """A controller whose socket stands where the house has it."""
    made = Rig(root)
    made.steps(6)
    socket_of(root).symlink_to(made.socket_path)
    yield made
    made.close()


def test_a_controller_with_nothing_to_do_may_be_stopped(root, rig):
    assert ServiceProbe(root, pages=False).busy(["oven"]) == []
    assert ServiceProbe(root, pages=False).answering(["oven"]) == {controller_unit("oven")}


def test_a_start_that_waits_for_the_button_is_told(root):
    rig = Rig(root, auto_arm=False)
    socket_of(root).symlink_to(rig.socket_path)
    rig.steps(6)
    command = {"ask": "start", "by": "test", "role": "maintainer", "ref": "r", "schedule": integers(short()),
               "level": "unattended", "leaving": LEAVING}
    with rig.client() as client:
        client.say(json.dumps({"id": 7, "do": "command", "command": command}).encode() + b"\n")
        while not rig.service.state.pending:
            rig.steps()
        assert "ok" in client.hear()
        assert ServiceProbe(root, pages=False).busy(["oven"]) == [
            "oven: a start waits; stop it on the page, or wait for the run's end."]
    rig.close()


@pytest.mark.slow
def test_a_run_that_is_on_is_told_and_an_ended_one_is_not(root):
    rig = Rig(root, auto_arm=True)
    socket_of(root).symlink_to(rig.socket_path)
    rig.go()
    probe = ServiceProbe(root, pages=False)
    try:
        with rig.client() as client:
            client.until(lambda now: now["board"]["accepted"])
            assert "ok" in client.start()
            client.until(lambda now: now["run"] is not None)
            assert "the run 1 is on" in probe.busy(["oven"])[0]
            client.command("stop_heating")
            client.until(lambda now: now["run"]["state"] == "aborted")
            assert probe.busy(["oven"]) == []
    finally:
        rig.close()


def test_no_controller_and_a_dead_ones_socket_are_nothing_to_wait_for(root):
    assert ServiceProbe(root, pages=False).busy(["oven"]) == []
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
        dead.bind(str(socket_of(root)))
        dead.listen()
    assert not listened_to(socket_of(root)) and ServiceProbe(root, pages=False).busy(["oven"]) == []


def test_a_controller_that_does_not_answer_is_not_taken_for_an_idle_one(root, monkeypatch):
    monkeypatch.setattr("controller.install.probe.ASK_S", 0.1)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as mute:
        mute.bind(str(socket_of(root)))
        mute.listen()
        told = ServiceProbe(root, pages=False).busy(["oven"])
    assert len(told) == 1 and "does not answer" in told[0] and "systemctl stop soakwarden-controller@oven.service" in told[0]


class Page(BaseHTTPRequestHandler):
    """Answers like an api where nobody is signed in."""

    def do_GET(self) -> None:
        self.send_response(401 if self.path == "/api/v1/health" else 500)
        self.end_headers()

    def log_message(self, *words: object) -> None:
        """Says nothing."""


def test_a_page_that_asks_for_a_sign_in_answers(root):
    server = HTTPServer(("127.0.0.1", 0), Page)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    (root / API_OPTIONS.relative_to("/")).parent.mkdir(parents=True)
    (root / API_OPTIONS.relative_to("/")).write_text(f"# x\nAPI_OPTIONS=--http {server.server_port}\n")
    assert ServiceProbe(root).answering([]) == {API}
    server.shutdown()
    server.server_close()
    assert ServiceProbe(root).answering([]) == frozenset()
    assert MESSENGER not in ServiceProbe(root).answering([])


@pytest.mark.parametrize(("text", "port"), [
    ("API_OPTIONS=--http 9000 --address 192.0.2.5", 9000), ("API_OPTIONS=--address 192.0.2.5 --http=9001", 9001),
    ("# API_OPTIONS=--http 1\nAPI_OPTIONS=", HTTP_DEFAULT), ("", HTTP_DEFAULT)])
def test_the_pages_port_is_the_one_its_options_name(tmp_path, text, port):
    (tmp_path / "api.env").write_text(text)
    assert http_port(tmp_path / "api.env") == port
    assert http_port(tmp_path / "none") == HTTP_DEFAULT
