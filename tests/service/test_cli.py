"""The command line: every verb's help and codes, making chambers, and what the doctor finds."""

from __future__ import annotations

import argparse
import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from controller.cli import VERBS, main, parser
from controller.commands import chamber, serve
from controller.commands.out import Out
from controller.config import load
from controller.core.setup import Level
from controller.doctor.finding import Mark
from controller.drivers import latch
from controller.drivers.clocks import utc_us
from controller.exit_codes import MEANINGS, Exit
from tests.service.chambers import real, simulated


def said(capsys: pytest.CaptureFixture[str]) -> dict:
    result: dict = json.loads(capsys.readouterr().out.splitlines()[-1])
    return result


def test_help_lists_every_verb_and_every_exit_code(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    text = capsys.readouterr().out
    for verb in ("serve", "simulate", "chamber", "prove", "rehearse", "replay", "doctor", "board", "account", "listen",
                 "install", "upgrade",                 "rollback", "uninstall"):
        assert verb in text
    for code in Exit:
        assert f"{code.value:2}  {MEANINGS[code]}" in text
    assert len(VERBS) == 10 and parser().prog == "soakwarden"


@pytest.mark.parametrize("words", [[], ["fly"], ["serve"], ["chamber"], ["chamber", "new"], ["replay"],
                                   ["serve", "--demo", "--chamber", "x"]])
def test_a_wrong_command_line_is_code_2(words, capsys):
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == Exit.USAGE
    capsys.readouterr()


@pytest.mark.parametrize("words", [["serve", "--demo", "--port", "/dev/ttyUSB0"], ["serve", "--chamber", "x", "--speed", "60"]])
def test_a_demo_opens_no_device_and_a_real_chamber_has_its_own_time(words, capsys, tmp_path):
    assert main([*words, "--data", str(tmp_path / "d"), "--json"]) == Exit.USAGE
    assert said(capsys)["error"] and not (tmp_path / "d").exists()


def test_serve_of_a_broken_chamber_lists_its_mistakes(tmp_path, capsys):
    path = simulated(tmp_path / "c").path
    (path / "chamber.toml").write_text((path / "chamber.toml").read_text().replace("fuse = true", "fuse = 1"))
    assert main(["serve", "--chamber", str(path), "--data", str(tmp_path / "d"), "--json"]) == Exit.CHAMBER
    assert [mistake["field"] for mistake in said(capsys)["mistakes"]] == ["wired fuse"]


@pytest.mark.parametrize("verb", ["serve", "rehearse"])
def test_a_chamber_that_is_not_there_is_said_plainly_and_is_code_6(tmp_path, capsys, verb):
    assert main([verb, "--chamber", str(tmp_path / "nope"), "--data", str(tmp_path / "d"), "--json"]) == Exit.FILES
    text = said(capsys)["error"]
    assert text == (f"the chamber folder {tmp_path}/nope is missing; allowed is a folder with a chamber.toml. "
                    "`soakwarden chamber new FOLDER` makes one.")


# -- chamber new ------------------------------------------------------------------------------------------------------------


def test_a_simulated_chamber_is_ready_at_once(tmp_path, capsys):
    assert main(["chamber", "new", str(tmp_path / "c"), "--simulated", "--yes", "--json"]) == Exit.GOOD
    assert said(capsys)["may_do"] == "unattended"
    assert latch.read(tmp_path / "c/latch", utc_us()) == ()
    assert {one.name for one in (tmp_path / "c").iterdir()} == {"chamber.toml", "latch", "proofs.json"}


def test_a_real_chamber_is_latched_and_only_measures(tmp_path, capsys):
    assert main(["chamber", "new", str(tmp_path / "c"), "--yes", "--board", "abcdef", "--port", "/dev/x"]) == Exit.GOOD
    text = capsys.readouterr().out
    assert "licensed" in text and "not commissioned" in text
    assert [one.guard for one in latch.read(tmp_path / "c/latch", utc_us())] == [latch.NOT_COMMISSIONED]
    assert load(tmp_path / "c", utc_us()).chamber.may_do is Level.MEASURE_ONLY


def test_a_folder_that_exists_is_refused_untouched(tmp_path, capsys):
    (tmp_path / "c").mkdir()
    assert main(["chamber", "new", str(tmp_path / "c"), "--yes", "--json"]) == Exit.FILES
    assert "exists already" in said(capsys)["error"] and list((tmp_path / "c").iterdir()) == []


class Person:
    """Answers in order; then an empty line for ever."""

    def __init__(self, *answers: str) -> None:
        self.answers, self.questions = list(answers), []

    def __call__(self, question: str) -> str:
        self.questions.append(question)
        return self.answers.pop(0) if self.answers else ""


def asked(folder: Path, person: Callable[[str], str]) -> int:
    options = argparse.Namespace(folder=folder, yes=False, simulated=False, uncommissioned=False, name=None, board=None,
                                 port=None, shape="bench", adapter=None, unit=None)
    return chamber.act(options, Out(False), person)


@pytest.mark.parametrize(("more", "words"), [
    (["--adapter", "A50285BI", "--board", "abcdef"], "a chamber has one of them"), (["--unit", "3"], "--adapter too"),
    (["--adapter", "A50285BI", "--simulated"], "has none")])
def test_options_that_do_not_go_together_are_refused_and_nothing_is_written(tmp_path, capsys, more, words):
    assert main(["chamber", "new", str(tmp_path / "c"), "--yes", *more]) == Exit.USAGE
    assert words in capsys.readouterr().err and not (tmp_path / "c").exists()


def test_it_asks_and_writes_what_was_answered(tmp_path, capsys):
    person = Person("n", "Toaster", "0a0b0c", "/dev/serial/by-id/y", "450", "hot", "999", "115,5")
    assert asked(tmp_path / "c", person) == Exit.GOOD
    made = load(tmp_path / "c", utc_us())
    assert (made.chamber.name, made.chamber.board, made.port) == ("Toaster", "0a0b0c", "/dev/serial/by-id/y")
    assert (made.chamber.heater.element_w, made.chamber.limits.ceiling_mc) == (450, 115_500)
    text = capsys.readouterr().out
    assert "hot is no number" in text and "999 °C; allowed is 40 to 400 °C" in text


def test_answers_that_do_not_fit_together_are_told(tmp_path, capsys):
    person = Person("n", "Toaster", "0a0b0c", "", "450", "150", "140")
    assert asked(tmp_path / "c", person) == Exit.CHAMBER
    text = capsys.readouterr().err
    assert "ceiling_c" in text and "othing was written" in text
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("words", [
    ["--board", 'x"y'], ["--board", "a\nb"], ["--board", "a\x7fb"], ["--name", ""], ["--name", "a\x7fb"],
    ["--name", "\udc80"], ["--port", "/dev/\udc80"]], ids=ascii)
def test_a_chamber_that_would_be_wrong_is_refused_and_leaves_nothing(tmp_path, capsys, words):
    board = [] if "--board" in words else ["--board", "abcdef"]
    assert main(["chamber", "new", str(tmp_path / "deep/c"), "--yes", "--json", *board, *words]) == Exit.CHAMBER
    field = "line port" if "--port" in words else words[0][2:]
    assert [mistake["field"] for mistake in said(capsys)["mistakes"]] == [field]
    assert list(tmp_path.iterdir()) == []


def test_a_name_with_quotes_is_kept_as_it_is(tmp_path, capsys):
    name = 'Öfchen "2" \\ b'
    assert main(["chamber", "new", str(tmp_path / "c"), "--yes", "--board", "abcdef", "--name", name]) == Exit.GOOD
    assert load(tmp_path / "c", utc_us()).chamber.name == name


def test_what_is_no_answer_is_asked_for_again(tmp_path, capsys):
    person = Person("maybe", "", "n", "Toaster", "Bench", "0a0b0c", "/dev/zz")
    assert asked(tmp_path / "c", person) == Exit.GOOD
    text = capsys.readouterr().out
    assert "maybe is neither yes nor no" in text and "Nothing is neither" in text and "Bench is no board's id" in text
    assert "There is no /dev/zz on this computer now" in text and person.questions.count(person.questions[0]) == 3


def test_a_fraction_of_a_watt_is_asked_for_again(tmp_path, capsys):
    assert asked(tmp_path / "c", Person("n", "Toaster", "0a0b0c", "/dev/y", "450.5", "451")) == Exit.GOOD
    assert load(tmp_path / "c", utc_us()).chamber.heater.element_w == 451
    assert "allowed is a whole number, 10 to 3000 W" in capsys.readouterr().out


def test_with_nobody_to_ask_it_says_so(tmp_path, capsys):
    def nobody(question: str) -> str:
        raise EOFError

    assert asked(tmp_path / "c", nobody) == Exit.USAGE
    assert "--yes" in capsys.readouterr().err and not (tmp_path / "c").exists()


# -- doctor -----------------------------------------------------------------------------------------------------------------


def findings(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, list[str]]]:
    code = main(["doctor", "--json", *words])
    rows = said(capsys)["findings"]
    return code, {mark.value: [f"{row['what']}: {row['found']} {row['do']}" for row in rows if row["mark"] == mark.value]
                  for mark in Mark}


def test_nothing_bad_is_code_0_and_says_what_was_looked_at(tmp_path, capsys):
    code, found = findings(capsys, "--data", str(tmp_path / "none"), "--chamber", str(simulated(tmp_path / "c").path))
    assert code == Exit.GOOD and found["bad"] == []
    everything = " ".join(found["good"] + found["note"])
    for word in ("Python", "SQLite", "data folder", "chamber", "clock"):
        assert word in everything


def test_an_old_sqlite_is_a_note_with_its_reason(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 40, 1))
    _, found = findings(capsys, "--data", str(tmp_path))
    assert any("3.51.3" in line and "Here one thread writes" in line for line in found["note"])


@pytest.mark.parametrize(("break_it", "words"), [
    (lambda path: (path / "d/record.db").write_bytes(b"no database" * 500), "record"),
    (lambda path: (path / "d/controller.sock").write_text(""), "controller"),
    (lambda path: (path / "c/chamber.toml").write_text("x = 1"), "chamber file"),
], ids=["record", "controller", "chamber"])
def test_what_is_broken_is_found_with_what_to_do(tmp_path, capsys, break_it, words):
    simulated(tmp_path / "c")
    (tmp_path / "d").mkdir()
    break_it(tmp_path)
    code, found = findings(capsys, "--data", str(tmp_path / "d"), "--chamber", str(tmp_path / "c"))
    assert code == Exit.FINDINGS and any(line.startswith(words) for line in found["bad"])
    assert all(line.strip().endswith((".", "!")) for line in found["bad"] if line.startswith(("record", "controller")))


def test_a_full_disk_is_found(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=1 << 20))
    code, found = findings(capsys, "--data", str(tmp_path))
    assert code == Exit.FINDINGS and any("1 MiB free" in line for line in found["bad"])


@pytest.mark.parametrize(("port", "mark", "words"), [
    ("/dev/none", "bad", "No such file"), ("{tmp}", "bad", "no device"), ("/dev/null", "note", "by id")])
def test_the_port_is_looked_at_without_being_opened(tmp_path, capsys, port, mark, words):
    _, found = findings(capsys, "--data", str(tmp_path), "--port", port.format(tmp=tmp_path))
    assert any(line.startswith("port") and words in line for line in found[mark])


def test_a_real_chambers_latch_and_next_thing_are_told(tmp_path, capsys):
    _, found = findings(capsys, "--data", str(tmp_path), "--chamber", str(real(tmp_path / "r")))
    assert any("not commissioned" in line for line in found["note"])
    assert any("Fit a push button" in line for line in found["good"])
    assert any("/dev/serial/by-id/none" in line for line in found["bad"])


def test_two_chamber_folders_of_one_name_are_refused_before_anything_starts(tmp_path, capsys):
    words = [word for at in ("a", "b") for word in ("--chamber", str(tmp_path / at / "oven"))]
    assert main(["serve", *words, "--json"]) == Exit.USAGE
    assert "Two chamber folders are called oven" in said(capsys)["error"]


@pytest.mark.parametrize(("code", "demo", "waits"), [
    (Exit.BROKEN, False, True), (Exit.TAKEN, False, False), (Exit.BROKEN, True, False)])
def test_page_and_messenger_stay_a_while_when_a_real_controller_dies(monkeypatch, code, demo, waits):
    desk = serve._Desk(argparse.Namespace(demo=demo, data=Path("d"), address=""), Out(True), [])
    waited = []
    monkeypatch.setattr(desk._ending, "wait", waited.append)
    desk._let_it_be_told(code)
    assert (waited == [serve.TELL_S]) is waits
