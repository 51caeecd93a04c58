"""`soakwarden listen` where it cannot begin: one clear line, its own exit code, nothing lost."""

from __future__ import annotations

import json
import socket

import pytest

from controller.cli import main
from controller.drivers.locks import lock_folder
from controller.exit_codes import Exit


def refused(capsys, *words: str) -> tuple[int, str]:
    code = main(["listen", "--json", "--address", "127.0.0.1", *words])
    return code, json.loads(capsys.readouterr().out.splitlines()[-1])["error"]


@pytest.mark.parametrize("port", ["-1", "65536"])
def test_a_port_that_is_none_is_a_wrong_command_line(tmp_path, capsys, port):
    code, said = refused(capsys, "--data", str(tmp_path), "--port", port)
    assert code == Exit.USAGE and "0 to 65535" in said and list(tmp_path.iterdir()) == []


def test_a_port_in_use_is_named(tmp_path, capsys):
    with socket.create_server(("127.0.0.1", 0)) as held:
        code, said = refused(capsys, "--data", str(tmp_path), "--port", str(held.getsockname()[1]))
    assert code == Exit.TAKEN and "--port" in said


@pytest.mark.parametrize("damage", [b"", b"{}", b'{"body": {"format": "x"}, "sha256": ""}'])
def test_a_damaged_memory_is_named_and_left_as_it_is(tmp_path, capsys, damage):
    (tmp_path / "listen.json").write_bytes(damage)
    code, said = refused(capsys, "--data", str(tmp_path), "--port", "0")
    assert code == Exit.FILES and "Move it away" in said and (tmp_path / "listen.json").read_bytes() == damage


def test_a_second_listener_in_the_same_folder_is_refused(tmp_path, capsys):
    with lock_folder(tmp_path):
        code, said = refused(capsys, "--data", str(tmp_path), "--port", "0")
    assert code == Exit.TAKEN and "in use" in said


def test_a_list_of_addresses_that_cannot_be_read_is_named(tmp_path, capsys):
    code, said = refused(capsys, "--data", str(tmp_path), "--port", "0", "--tell-file", str(tmp_path / "none"))
    assert code == Exit.FILES and "--tell-file" in said


def test_a_folder_that_cannot_be_made_is_named(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    code, said = refused(capsys, "--data", str(tmp_path / "file/inner"), "--port", "0")
    assert code == Exit.FILES and "--data" in said
