"""Finding boards: on pseudo-terminals with simulated boards in processes of their own, and where something else hangs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from controller.cli import main
from controller.commands import board as verb
from controller.config import load
from controller.drivers import ports
from controller.drivers.clocks import utc_us
from controller.drivers.locks import lock_port
from controller.drivers.ports import Answer, Asked, Finder, asked, listed
from controller.exit_codes import Exit
from controller.install.places import RULE
from controller.start_up import PORTS_FILE, Refused, assembled, found, module_port, parser
from tests.service.chambers import Pty, real, simulated
from tests.service.module_layout import ADAPTER, DEVICES, link


@contextmanager
def board(number: str, folder: Path, *more: str) -> Iterator[Path]:
    """A simulated board in a process of its own; the link to its port."""
    process = subprocess.Popen([sys.executable, "-m", "controller.chamber.peer", "--board", number, *more], text=True,
                               stdout=subprocess.PIPE)
    try:
        link = folder / f"usb-Maker_Adapter_{number}-if00-port0"
        link.symlink_to(json.loads(process.stdout.readline())["port"])
        yield link
    finally:
        process.terminate()
        process.communicate(timeout=15)


@pytest.fixture
def links(tmp_path) -> Path:
    (tmp_path / "by-id").mkdir()
    return tmp_path / "by-id"


def said(capsys: pytest.CaptureFixture[str]) -> dict:
    result: dict = json.loads(capsys.readouterr().out.splitlines()[-1])
    return result


@pytest.mark.slow
def test_each_board_is_found_by_what_it_says_unasked(links, capsys):
    with board("00beef", links) as one, board("00cafe", links) as two:
        assert main(["board", "find", "--in", str(links), "--yes", "--json"]) == Exit.GOOD
    rows = {row["port"]: row for row in said(capsys)["ports"]}
    assert {port: row["board"] for port, row in rows.items()} == {str(one): "00beef", str(two): "00cafe"}
    assert rows[str(one)]["rule"] == (
        'SUBSYSTEM=="tty", ENV{ID_SERIAL}=="Maker_Adapter_00beef", ENV{ID_USB_INTERFACE_NUM}=="00", '
        'SYMLINK+="soakwarden-00beef", GROUP="soakwarden", MODE="0660"')


@pytest.mark.slow
def test_nothing_is_ever_sent_to_a_port_and_what_it_says_is_told(links, capsys):
    far = Pty()
    (links / "usb-Printer-if00").symlink_to(far.path)
    speaks = threading.Timer(0.3, far.say, [b"ok T:21.0\nok T:21.0\n"])  # opening throws away what came before
    speaks.start()
    assert main(["board", "find", "--in", str(links), "--yes", "--listen-s", "0.8", "--json"]) == Exit.PEER
    speaks.join()
    assert said(capsys)["ports"][0]["words"] == "says 20 bytes that no board of this protocol says"
    assert far.hear(0.1) == b"", "it listens only"
    assert asked(far.path, 115_200, 0.2).words == "says nothing within 0.2 s"
    far.unplug()


def test_a_port_that_a_controller_holds_is_not_opened(links):
    far = Pty()
    (links / "usb-x-if00").symlink_to(far.path)
    with lock_port(far.path):
        answer = asked(str(links / "usb-x-if00"), 115_200, 0.1)
    assert answer == Answer(str(links / "usb-x-if00"), "", "is held by a controller; it was not opened", False)
    far.unplug()


def test_a_port_that_is_gone_or_is_none_is_told(links, tmp_path):
    (links / "gone").symlink_to(tmp_path / "nothing")
    (tmp_path / "file").write_text("")
    assert asked(str(links / "gone"), 115_200).words == "is gone"
    assert "cannot be opened as a serial port" in asked(str(tmp_path / "file"), 115_200).words


@pytest.mark.parametrize("answer", ["n", "", "no", "what"])
def test_nothing_is_opened_before_somebody_agrees(links, capsys, monkeypatch, answer):
    (links / "usb-x-if00").symlink_to("/dev/null")
    monkeypatch.setattr(verb, "asked", lambda *_words: pytest.fail("it was opened"))
    options = verb.argparse.Namespace(folder=links, yes=False, speed=115_200, listen_s=1.0, name=False, by_socket=False,
                                      adapter="", devices=links, root=Path("/"), json=False)
    from controller.commands.out import Out

    assert verb.act(options, Out(False), lambda _question: answer) == Exit.USAGE
    text = capsys.readouterr()
    assert "resets many boards" in text.out and "Nothing was opened" in text.err


def test_with_no_port_at_all_it_says_what_to_plug_in(tmp_path, capsys):
    assert main(["board", "find", "--in", str(tmp_path / "none"), "--yes"]) == Exit.FILES
    assert "a cable that carries data" in capsys.readouterr().err


@pytest.mark.slow
def test_the_rule_gets_one_line_a_board_and_keeps_the_others(links, tmp_path, capsys):
    rule = tmp_path / "root" / RULE.relative_to("/")
    rule.parent.mkdir(parents=True)
    rule.write_text('# mine\nSUBSYSTEM=="tty", SYMLINK+="soakwarden-111111"\nSUBSYSTEM=="tty", SYMLINK+="soakwarden-00beef"\n')
    with board("00beef", links):
        words = ["board", "find", "--in", str(links), "--yes", "--name", "--root", str(tmp_path / "root")]
        assert main(words) == Exit.GOOD and main(words) == Exit.GOOD
    lines = rule.read_text().splitlines()
    assert lines[:2] == ["# mine", 'SUBSYSTEM=="tty", SYMLINK+="soakwarden-111111"']
    assert len(lines) == 3 and 'ENV{ID_SERIAL}=="Maker_Adapter_00beef"' in lines[2]
    assert "udevadm trigger" in capsys.readouterr().out


def test_an_adapter_without_a_number_is_named_by_its_socket(links, tmp_path, monkeypatch):
    far = Pty()
    by_path = tmp_path / "by-path"
    by_path.mkdir()
    (links / "usb-Cheap_Serial-if00-port0").symlink_to(far.path)
    (by_path / "platform-soc-usb-0:1.2:1.0-port0").symlink_to(far.path)
    found = verb._socket_of(str(links / "usb-Cheap_Serial-if00-port0"), by_path)
    assert found == 'ENV{ID_PATH}=="platform-soc-usb-0:1.2:1.0"'
    far.unplug()


# -- the controller finds its own ---------------------------------------------------------------------------------------------


def finder(links: Path, memory: dict[str, Asked], answers: dict[str, str]) -> tuple[Finder, list[str]]:
    """A finder that opens nothing: `answers` says which board is where; and the ports that it would have opened."""
    opened: list[str] = []

    def ask(port: str, _speed: int) -> Answer:
        opened.append(Path(port).name)
        return Answer(port, answers.get(Path(port).name, ""), "words", True)

    return Finder("00beef", 115_200, memory, links, ask), opened


def three(links: Path) -> None:
    for name in ("a", "b", "c"):
        (links / name).symlink_to("/dev/null")


def test_it_looks_where_its_board_was_first_and_nowhere_else_then(links):
    three(links)
    look, opened = finder(links, {str(links / "c"): Asked(0, "00beef")}, {"c": "00beef"})
    assert look.look() == str(links / "c") and opened == ["c"]


def test_a_port_with_another_board_is_not_opened_again_until_it_is_plugged_anew(links):
    three(links)
    answers = {"a": "00cafe"}
    look, opened = finder(links, {}, answers)
    assert look.look() == "" and opened == ["a", "b", "c"]
    answers["c"] = "00beef"
    assert look.look() == str(links / "c") and opened == ["a", "b", "c", "b", "c"], "a silent one may have got its supply"
    look.memory[str(links / "a")] = Asked(1, "00cafe")  # plugged at another time than now
    del opened[:], answers["c"]
    look.memory.pop(str(links / "c"))
    look.look()
    assert opened == ["a", "b", "c"]


def test_a_board_that_does_not_turn_up_is_told_with_what_is_there(links, tmp_path):
    three(links)
    look, _ = finder(links, {}, {"a": "00cafe"})
    with pytest.raises(Refused, match=r"board 00beef was not found within 0 s: .*a words.*board find") as refused:
        found(look, tmp_path, "00beef", 0.0)
    assert refused.value.code == Exit.PEER and not (tmp_path / PORTS_FILE).exists()


@pytest.mark.slow
def test_two_controllers_on_one_computer_each_find_their_own_board(links, tmp_path):
    """Both at once, each in a process of its own; then again, when both know the way."""
    for number in ("00beef", "00cafe"):
        path = simulated(tmp_path / number / "chamber").path
        text = (path / "chamber.toml").read_text()
        (path / "chamber.toml").write_text(text.replace(load(path, utc_us()).chamber.board, number))
    with board("00beef", links), board("00cafe", links):
        for _ in range(2):
            processes = [subprocess.Popen(
                [sys.executable, "-m", "controller.service", "--chamber", str(tmp_path / number / "chamber"), "--data",
                 str(tmp_path / number), "--port", "find", "--find-in", str(links)], stderr=subprocess.PIPE, text=True)
                for number in ("00beef", "00cafe")]
            try:
                assert all(accepted(tmp_path / number) for number in ("00beef", "00cafe"))
            finally:
                for process in processes:
                    process.terminate()
                told = [process.communicate(timeout=30)[1] for process in processes]
            assert told == ["", ""]


def accepted(data: Path) -> bool:
    from tests.service.rig import Raw

    with Raw(data / "controller.sock") as client:
        return bool(client.until(lambda now: now["board"]["accepted"])["board"]["accepted"])


def test_find_may_stand_in_the_chamber_file(tmp_path, links, monkeypatch):
    path = real(tmp_path / "c")
    (path / "chamber.toml").write_text((path / "chamber.toml").read_text().replace("/dev/serial/by-id/none", "find"))
    monkeypatch.setattr("controller.start_up.FIND_S", 0.0)
    monkeypatch.setattr("controller.start_up.found", lambda look, data, board: pytest.fail(f"{board} {data.name}"))
    options = parser().parse_args(["--chamber", str(path), "--data", str(tmp_path / "d"), "--find-in", str(links)])
    with ExitStack() as held, pytest.raises(pytest.fail.Exception, match="abcdef d"):
        assembled(options, held)


def test_ports_are_listed_by_lasting_names_in_order(links):
    three(links)
    assert listed(links) == tuple(str(links / name) for name in "abc") and listed(links / "none") == ()
    assert ports.plugged_ns(str(links / "a")) == os.stat("/dev/null").st_ctime_ns and ports.plugged_ns("/none") == 0


def test_a_modbus_adapter_is_named_by_its_number_and_never_opened(links, tmp_path, capsys, monkeypatch):
    link(links, "/dev/null", "A50285BI")
    monkeypatch.setattr(verb, "asked", lambda *_words: pytest.fail("it was opened"))
    words = ["board", "find", "--in", str(links), "--devices", str(tmp_path / DEVICES), "--root", str(tmp_path / "root"),
             "--adapter"]
    assert main([*words, "A50285BI"]) == Exit.GOOD
    rule = (tmp_path / "root" / RULE.relative_to("/")).read_text()
    assert 'ENV{ID_SERIAL}=="Invented_Adapter_A50285BI"' in rule and "soakwarden-A50285BI" in rule
    assert main([*words, "OTHER"]) == Exit.FILES
    assert "There are: A50285BI" in capsys.readouterr().err
    link(links, "/dev/zero", "A50285BI", 1)
    assert main([*words, "A50285BI"]) == Exit.FILES
    assert "2 ports have an adapter with the serial number A50285BI" in capsys.readouterr().err


NUMBERED = {"A50285BI": "A50285BI", "AB_12_3": "AB_12_3", "A 12": "A_12", "": "", None: ""}


@pytest.mark.parametrize("serial", NUMBERED)
def test_an_adapters_number_is_its_own_word_and_not_its_names(links, tmp_path, serial):
    """Kernel files as Linux has them: `serial` beside `idVendor` of the device that the port's interface belongs to."""
    made = link(links, "/dev/null", serial)
    assert ports.serial_number(str(made), tmp_path / DEVICES) == NUMBERED[serial]
    assert ports.serial_number(str(made), tmp_path / "none") == ""
    assert ports.adapter_ports("Adapter", links, tmp_path / DEVICES) == () == ports.adapter_ports("", links, tmp_path / DEVICES)
    found = ports.adapter_ports(NUMBERED[serial], links, tmp_path / DEVICES)
    assert found == ((str(made),) if NUMBERED[serial] else ())


def test_an_adapter_is_taken_when_it_is_the_only_one_with_its_number(links, tmp_path):
    devices = tmp_path / DEVICES
    right = link(links, "/dev/null")
    link(links, "/dev/full", f"{ADAPTER}2")
    link(links, "/dev/zero", None)
    assert module_port(ADAPTER, links, devices, 0.0) == str(right)
    with pytest.raises(Refused, match=f"There are: {ADAPTER}, {ADAPTER}2; and 1 without a number.*use another"):
        module_port("OTHER", links, devices, 0.0)
    link(links, "/dev/random", ADAPTER, 1)
    with pytest.raises(Refused, match=r"2 ports have an adapter .*Unplug all but one"):
        module_port(ADAPTER, links, devices, 0.0)
