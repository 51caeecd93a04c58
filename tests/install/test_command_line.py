"""The four verbs and `chamber add`, as people give them: below a folder, once with an environment that really runs."""

from __future__ import annotations

import functools
import json
import os
import signal
import subprocess
import sys
import sysconfig
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.cli import main
from controller.commands import versions
from controller.commands.out import Out
from controller.config import load
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.install import world as worlds
from controller.install.places import HOUSE, PROGRAMS
from controller.install.steps import Text, Undo, nothing
from controller.install.world import World
from tests.install import staging
from tests.service.chambers import simulated
from tests.tidy.measure import ROOT


@pytest.fixture(autouse=True)
def environments_without_an_index(monkeypatch):
    """No library is fetched: a new environment borrows those of this one. All else is as it is."""
    run = worlds._run

    def borrowed(words: Sequence[str]) -> subprocess.CompletedProcess[str]:
        if "pip" in words:
            site = next(Path(words[0]).parent.parent.glob("lib/python*/site-packages"))
            (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n")
            return subprocess.CompletedProcess(words, 0, "", "")
        return run((*words[:-1], "--without-pip", words[-1]) if "venv" in words else words)

    monkeypatch.setattr(worlds, "_run", borrowed)


def said(capsys: pytest.CaptureFixture[str]) -> dict:
    result: dict = json.loads(capsys.readouterr().out.splitlines()[-1])
    return result


def current(root: Path) -> Path:
    return root / PROGRAMS.relative_to("/") / "current"


def clean() -> dict[str, str]:
    """This process's environment without what would lead Python elsewhere."""
    return {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}


@pytest.mark.slow
def test_what_is_installed_runs_from_where_it_was_put(tmp_path, capsys):
    root = tmp_path / "root"
    assert main(["install", "--root", str(root), "--json"]) == Exit.GOOD
    assert said(capsys)["before"] == ""
    program = str(current(root) / ".venv/bin/soakwarden")
    done = subprocess.run([program, "--help"], capture_output=True, text=True, check=True, cwd=tmp_path, env=clean())
    assert "soakwarden" in done.stdout
    where = "import controller, api, sys; print(controller.__file__, api.__file__)"
    python = str(current(root) / ".venv/bin/python")
    loaded = subprocess.run([python, "-I", "-c", where], capture_output=True, text=True, check=True, cwd=ROOT,
                            env=clean()).stdout.split()
    assert all(Path(path).resolve().is_relative_to(current(root).resolve()) for path in loaded), "not this checkout"
    about = "from controller.start_up import own_version as v; print(v())"
    version = subprocess.run([python, "-I", "-c", about], capture_output=True, text=True, check=True)
    assert version.stdout.strip() == current(root).readlink().name.partition("-")[0]
    writable = [path for path in current(root).resolve().rglob("*") if not path.is_symlink() and path.stat().st_mode & 0o022]
    assert not writable, "the service may not change its own program"


@pytest.mark.slow
def test_a_version_that_cannot_even_be_loaded_is_never_linked(tmp_path, capsys):
    broken = staging.checkout(tmp_path / "c")
    assert main(["install", "--root", str(tmp_path / "r"), "--from", str(broken), "--json"]) == Exit.WENT_BACK
    text = capsys.readouterr()
    assert "No module named" in text.err and "Everything before it was undone" in text.err
    assert not current(tmp_path / "r").exists()


@pytest.mark.slow
def test_the_make_verb_installs_with_nothing_but_python(tmp_path):
    """The one line of the notes, its plan only: it runs with the system's Python, before any library is there."""
    done = subprocess.run(["make", "install", f"ROOT={tmp_path / 'r'}", "DRY=--dry-run", f"PYTHON={sys.executable}"], cwd=ROOT,
                          capture_output=True, text=True, check=True)
    assert "Nothing is done; these would be the steps" in done.stdout and not (tmp_path / "r").exists()


def test_a_dry_run_prints_every_step_and_does_nothing(tmp_path, capsys):
    assert main(["install", "--root", str(tmp_path / "r"), "--dry-run", "--json"]) == Exit.GOOD
    steps = said(capsys)["steps"]
    assert len(steps) > 15 and all(step["words"] for step in steps) and not (tmp_path / "r").exists()


def test_root_is_asked_for_before_anything_is_done(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(versions.os, "geteuid", lambda: 1000)
    on = staging.world(Path("/"))
    monkeypatch.setattr(versions, "carry_out", lambda *_words: pytest.fail("it began"))
    assert versions.perform((), on, False, Out(True)) == Exit.FILES
    assert "sudo" in said(capsys)["error"]


@dataclass(frozen=True)
class Signal:
    """A step in which a signal comes."""

    number: signal.Signals
    words: str = "a signal comes"
    undo_words: str = "nothing to undo"

    def do(self, on: World) -> Undo:
        os.kill(os.getpid(), self.number)
        return nothing


def test_a_terminal_that_goes_away_does_not_stop_it_half_way(tmp_path, monkeypatch):
    steps = (Text(Path("/a"), "a"), Signal(signal.SIGHUP), Text(Path("/b"), "b"))
    out = Out(False)
    monkeypatch.setattr(out, "say", lambda _text: (_ for _ in ()).throw(OSError("no terminal")))
    assert versions.perform(steps, versions.world_of(tmp_path, out), False, out) == Exit.GOOD
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b"]


def test_being_asked_to_end_undoes_it_first(tmp_path, capsys):
    steps = (Text(Path("/a"), "a"), Signal(signal.SIGTERM), Text(Path("/b"), "b"))
    before = signal.getsignal(signal.SIGTERM)
    assert versions.perform(steps, versions.world_of(tmp_path, Out(False)), False, Out(False)) == Exit.WENT_BACK
    told = capsys.readouterr().err
    assert "it was asked to end" in told and "Everything before it was undone" in told
    assert list(tmp_path.iterdir()) == [] and signal.getsignal(signal.SIGTERM) == before


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_installer_that_is_ended_says_so_in_a_sentence(tmp_path, number):
    """Really started and really ended, while it makes the environment: no traceback, and nothing of it is left."""
    root = tmp_path / "root"
    words = [sys.executable, "-m", "controller.install", "install", "--root", str(root), "--wheels", str(tmp_path)]
    heard = functools.partial(signal.signal, number, signal.SIG_DFL)  # a build server may start us with Ctrl-C ignored
    with subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=clean(),
                          preexec_fn=heard) as ended:
        assert ended.stdout is not None
        assert any("an environment with its libraries" in line for line in ended.stdout), "it never came that far"
        ended.send_signal(number)
        _, told = ended.communicate(timeout=60)
    assert ended.returncode == Exit.WENT_BACK, told
    assert "it was asked to end" in told and "Traceback" not in told
    assert not root.exists(), sorted(root.rglob("*"))


@pytest.mark.parametrize(("words", "text"), [
    (["rollback"], "no version before this one"), (["uninstall"], "Nothing is installed here"),
    (["upgrade", "--from", "."], "Nothing is installed here"), (["chamber", "add", "oven"], "Nothing is installed here"),
    (["chamber", "add", "Öfen"], "cannot be a chamber's name"), (["chamber", "add", "desk"], "cannot be a chamber's name")])
def test_where_there_is_nothing_it_says_so(tmp_path, capsys, words, text):
    assert main([*words, "--root", str(tmp_path), "--json"]) in (Exit.FILES, Exit.USAGE)
    assert text in said(capsys)["error"] and list(tmp_path.iterdir()) == []


def test_what_is_no_checkout_is_refused(tmp_path, capsys):
    assert main(["install", "--root", str(tmp_path / "r"), "--from", str(tmp_path), "--json"]) == Exit.FILES
    assert "is no version of this program" in said(capsys)["error"]


def test_an_upgrade_is_done_by_the_new_versions_own_installer(tmp_path, capfd):
    root, new = staging.installed(tmp_path)
    assert main(["upgrade", "--from", str(new), "--root", str(root)]) == Exit.FILES
    assert "holds no version" in capfd.readouterr().err
    (new / "controller/install/__main__.py").write_text("import sys; print('new installer', sys.argv[1:]); sys.exit(12)\n")
    (new / "controller/__init__.py").write_text("")
    (new / "controller/install/__init__.py").write_text("")
    assert main(["upgrade", "--from", str(new), "--root", str(root), "--dry-run"]) == Exit.WENT_BACK
    text = capfd.readouterr().out
    assert "new installer" in text and "--dry-run" in text and str(new) in text


def test_rolling_back_and_uninstalling_say_what_became_of_the_data(tmp_path, capsys):
    root, new = staging.installed(tmp_path)
    from controller.install import plan
    from controller.install.executor import carry_out

    carry_out(plan.install(staging.facts(staging.world(root), new)), staging.world(root))
    newest = current(root).readlink()
    assert main(["rollback", "--root", str(root), "--json"]) == Exit.GOOD
    back = said(capsys)
    assert back["before"] == str(newest) and back["version"] == str(current(root).readlink()) and back["data"] is False
    assert main(["uninstall", "--root", str(root)]) == Exit.GOOD
    assert f"The data are in {HOUSE}, for root to read." in capsys.readouterr().out
    assert (root / HOUSE.relative_to("/") / "oven/chamber/chamber.toml").exists() and not current(root).exists()


def test_a_run_that_is_on_is_code_11_and_says_that_nothing_was_changed(tmp_path, capsys, monkeypatch):
    root, new = staging.installed(tmp_path)
    monkeypatch.setattr(versions.ServiceProbe, "busy", lambda self, chambers: ["oven: the run 7 is on (running)."])
    assert main(["install", "--root", str(root), "--from", str(new), "--json"]) == Exit.BUSY
    assert "nothing was changed: oven: the run 7 is on" in said(capsys)["error"]


def test_a_chamber_is_added_with_find_as_its_port_and_taken_as_it_is_the_second_time(tmp_path, capsys):
    root, _ = staging.installed(tmp_path, ())
    words = ["chamber", "add", "oven", "--root", str(root), "--yes", "--board", "00beef", "--json"]
    assert main(words) == Exit.GOOD
    folder = root / HOUSE.relative_to("/") / "oven/chamber"
    made = load(folder, utc_us())
    assert (made.chamber.board, made.port, made.chamber.simulated) == ("00beef", "find", False)
    assert main([word.replace("oven", "left-bench").replace("00beef", "00cafe") for word in words]) == Exit.GOOD
    assert [made.chamber.name, load(folder.parents[1] / "left-bench/chamber", utc_us()).chamber.name] == ["Oven", "Left bench"]
    text = (folder / "chamber.toml").read_text()
    capsys.readouterr()
    assert main(words) == Exit.GOOD and (folder / "chamber.toml").read_text() == text
    assert said(capsys)["chamber"] == "oven"


def test_the_services_look_after_no_simulated_or_broken_chamber(tmp_path, capsys):
    root, _ = staging.installed(tmp_path, ())
    simulated(root / HOUSE.relative_to("/") / "demo/chamber")
    assert main(["chamber", "add", "demo", "--root", str(root), "--json"]) == Exit.CHAMBER
    assert "is a simulated chamber" in said(capsys)["error"]
    assert main(["chamber", "add", "other", "--simulated", "--root", str(root), "--json"]) == Exit.USAGE
    assert "real chambers" in said(capsys)["error"] and not (root / HOUSE.relative_to("/") / "other").exists()
    (root / HOUSE.relative_to("/") / "demo/chamber/chamber.toml").write_text("x = 1")
    assert main(["chamber", "add", "demo", "--root", str(root), "--json"]) == Exit.CHAMBER
    assert said(capsys)["mistakes"]


@pytest.mark.parametrize(("python", "hidden"), [
    *((f"{home}/ada/venv/bin/python", True) for home in versions.HOMES), ("/usr/bin/python3", False),
    ("/opt/python/bin/python3", False), ("/rooted/bin/python", False)])
def test_a_python_in_somebodys_home_is_no_services_python(python, hidden):
    assert versions.hidden(Path(python)) is hidden


def test_the_real_computer_is_not_given_a_python_that_the_units_cannot_see(capsys, monkeypatch):
    monkeypatch.setattr(versions, "hidden", lambda _python: True)
    monkeypatch.setattr(versions, "perform", lambda *_words: pytest.fail("it began"))
    assert main(["install", "--json"]) == Exit.FILES
    assert "where the services may not look" in said(capsys)["error"]
