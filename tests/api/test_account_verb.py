"""`soakwarden account`: a code on this computer, an account with it, and clear words when it cannot be."""

from __future__ import annotations

import io
import json
import os
from pathlib import Path

import pytest

from controller import door_code
from controller.cli import main
from controller.exit_codes import Exit
from tests.api.elsewhere import PASSWORD
from tests.api.server import Server


def typed(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def test_a_code_made_here_makes_an_account_and_later_a_new_password(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    with Server(tmp_path, "--real") as server:
        for password in (PASSWORD, "another long password"):
            assert main(["account", "code", "--desk", str(tmp_path), "--json"]) == Exit.GOOD
            made = json.loads(capsys.readouterr().out)
            assert Path(made["file"]).stat().st_mode & 0o777 == 0o600 and made["code"] not in Path(made["file"]).read_text()
            typed(monkeypatch, made["code"], "Anna", password)
            assert main(["account", "--http", str(server.port), "--json"]) == Exit.GOOD
            assert json.loads(capsys.readouterr().out) == {"name": "Anna", "role": "maintainer"}
            answer = server.client.post("/sign-in", json={"name": "Anna", "password": password})
            assert answer.status_code == 200
        typed(monkeypatch, PASSWORD)
        assert main(["account", "--http", str(server.port), "--code", made["code"], "--name", "Ben"]) == Exit.FINDINGS
        assert "No invitation has this code" in capsys.readouterr().err


def test_where_no_service_answers_it_says_what_to_do(monkeypatch: pytest.MonkeyPatch,
                                                     capsys: pytest.CaptureFixture[str]) -> None:
    typed(monkeypatch, "AAAA", "Anna", PASSWORD)
    assert main(["account", "--http", "1"]) == Exit.PEER
    assert "name its port with --http" in capsys.readouterr().err


def test_where_nothing_is_typed_nothing_is_done(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    typed(monkeypatch, "AAAA")
    assert main(["account"]) == Exit.USAGE
    assert "nothing was done" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["account", "code", "--desk", str(tmp_path / "missing")]) == Exit.FILES
    assert "--desk" in capsys.readouterr().err


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can leave a file for somebody else")
def test_a_code_that_root_leaves_can_be_read_by_the_owner_of_the_folder(tmp_path: Path) -> None:
    os.chown(tmp_path, 12_345, 12_345)
    assert door_code.leave(tmp_path, door_code.make(), 0).stat().st_uid == 12_345
