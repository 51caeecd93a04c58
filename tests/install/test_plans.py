"""Installing, upgrading, going back, removing: below a folder, with a service manager that records, and fails where told to."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller.install import plan
from controller.install.executor import Stopped, carry_out, words
from controller.install.places import API, HOUSE, MESSENGER, PROGRAMS, controller_unit
from controller.install.steps import Busy
from controller.install.version import name_of
from controller.install.world import StepFailed
from tests.install import staging
from tests.install.staging import (
    CHAMBERS,
    KNOWN,
    UP,
    Fails,
    Recorder,
    Services,
    contents,
    current,
    everything,
    facts,
    installed,
    whole,
    with_databases,
    world,
)
from tests.tidy.measure import ROOT

# -- the first time, and once more ------------------------------------------------------------------------------------------


def test_the_first_installation_puts_everything_where_it_belongs_and_starts_nothing_but_the_services(tmp_path):
    runner = Recorder()
    root = tmp_path / "root"
    source = staging.checkout(tmp_path / "old")
    carry_out(plan.install(facts(world(root), source)), world(root, runner))
    assert current(root) == name_of(source) and whole(root)
    for path in ("etc/systemd/system/soakwarden-controller@.service", "etc/systemd/journald@soakwarden.conf",
                 "etc/udev/rules.d/70-soakwarden.rules", "usr/local/bin/soakwarden", "etc/soakwarden/api.env"):
        assert (root / path).is_file(), path
    assert (root / "usr/local/bin/soakwarden").stat().st_mode & 0o777 == 0o755
    assert (root / "etc/soakwarden/api.env").stat().st_mode & 0o777 == 0o640
    assert (root / HOUSE.relative_to("/")).stat().st_mode & 0o7777 == 0o2750
    assert runner.ran[0][0] == "useradd" and "--system" in runner.ran[0]
    assert runner.system()[-1] == f"systemctl enable --now --no-block {API} {MESSENGER}"


def test_libraries_are_taken_by_hash_and_never_built(tmp_path):
    runner = Recorder()
    carry_out(plan.install(facts(world(tmp_path / "r"), staging.checkout(tmp_path / "c"))), world(tmp_path / "r", runner))
    pip = next(words for words in runner.ran if "pip" in words)
    assert "--require-hashes" in pip and pip[pip.index("--only-binary") + 1] == ":all:"


def test_doing_it_twice_changes_nothing_and_makes_no_second_environment(tmp_path):
    root, _ = installed(tmp_path)
    before, runner = everything(root), Recorder(yes=True)
    carry_out(plan.install(facts(world(root), tmp_path / "old")), world(root, runner))
    assert everything(root) == before
    assert not [words for words in runner.ran if "venv" in words or words[0] == "useradd"]
    assert not [command for command in runner.system() if "stop" in command or "restart" in command]


def test_what_people_have_written_is_kept(tmp_path):
    root, new = installed(tmp_path)
    kept = [root / "etc/soakwarden/api.env", root / "etc/udev/rules.d/70-soakwarden.rules"]
    for path in kept:
        path.write_text("mine\n")
    carry_out(plan.install(facts(world(root), new)), world(root))
    assert [path.read_text() for path in kept] == ["mine\n", "mine\n"]


def test_a_first_installation_that_fails_anywhere_leaves_nothing_behind(tmp_path):
    source = staging.checkout(tmp_path / "c")
    steps = plan.install(facts(world(tmp_path / "r"), source))
    for number in range(len(steps) + 1):
        root = tmp_path / f"r{number}"
        with pytest.raises(Stopped) as stopped:
            carry_out((*steps[:number], Fails(), *steps[number:]), world(root))
        assert stopped.value.left == []
        assert not [path for path in root.rglob("*") if not path.is_dir()], number


# -- a newer version ---------------------------------------------------------------------------------------------------------


def test_an_upgrade_runs_the_new_version_and_keeps_the_old_one_beside(tmp_path):
    root, new = installed(tmp_path)
    old = current(root)
    carry_out(plan.install(facts(world(root, probe=Services(UP)), new)), world(root, probe=Services(UP)))
    assert current(root) == name_of(new) and whole(root)
    assert os.readlink(root / PROGRAMS.relative_to("/") / "previous") == old
    kept = {path.name for path in (root / PROGRAMS.relative_to("/")).iterdir()}
    assert kept == {old, name_of(new), "current", "previous"}


def test_the_third_version_takes_the_first_ones_place(tmp_path):
    root, new = installed(tmp_path)
    first = current(root)
    carry_out(plan.install(facts(world(root), new)), world(root))
    third = staging.checkout(tmp_path / "third", "0.3.0")
    carry_out(plan.install(facts(world(root), third)), world(root))
    assert {path.name for path in (root / PROGRAMS.relative_to("/")).iterdir()} == {
        name_of(new), name_of(third), "current", "previous"} and first != name_of(new)


def test_page_stops_before_controllers_and_nothing_is_copied_while_somebody_writes(tmp_path):
    root, new = installed(tmp_path)
    runner = Recorder()
    steps = plan.install(facts(world(root, probe=Services(UP)), new))
    carry_out(steps, world(root, runner, Services(UP)))
    units = " ".join(map(controller_unit, CHAMBERS))
    asked = [command for command in runner.system() if "daemon-reload" not in command]
    assert asked == [f"systemctl stop {API} {MESSENGER}", f"systemctl stop {units}",
                     f"systemctl start --no-block {units} {API} {MESSENGER}"]
    names = [step.words for step in steps]
    stopped = next(number for number, name in enumerate(names) if name.startswith("stop the controllers"))
    assert names[stopped - 1].startswith("ask whether a run is on"), "asked again once nobody can start one"
    assert names[stopped + 1].startswith("copy record and desk")


@pytest.mark.parametrize("number", range(len(plan.install(KNOWN)) - 1))  # the last step only tidies up
def test_whichever_step_fails_the_old_version_is_whole_and_runs_again(tmp_path, number):
    root, new = installed(tmp_path)
    paths = with_databases(root)
    probe = Services(UP)
    steps = plan.install(facts(world(root, probe=probe), new))
    before, runner = everything(root), Recorder()
    with pytest.raises(Stopped) as stopped:
        carry_out((*steps[:number], Fails(), *steps[number:]), world(root, runner, probe))
    assert stopped.value.left == []
    assert everything(root) == before and whole(root)
    assert [contents(path) for path in paths] == [("0001", 10)] * 3
    assert not runner.system() or runner.system()[-1].startswith("systemctl start"), "what was stopped is started again"
    if any("stop" in command for command in runner.system()):
        assert f"systemctl start --no-block {API} {MESSENGER}" in runner.system()


@pytest.mark.parametrize("number", range(1, 20))
def test_whichever_command_fails_the_old_version_is_whole(tmp_path, number):
    root, new = installed(tmp_path)
    before, runner, probe = everything(root), Recorder(fail_at=number), Services(UP)
    try:
        carry_out(plan.install(facts(world(root, probe=probe), new)), world(root, runner, probe))
    except Stopped as stopped:
        assert stopped.left == []
        assert everything(root) == before
    else:
        assert len(runner.ran) < number, "a failing command must stop the plan"


def test_a_version_that_does_not_answer_within_half_a_minute_is_taken_back(tmp_path):
    root, new = installed(tmp_path)
    before, runner = everything(root), Recorder()
    on = world(root, runner, Services(UP - {controller_unit("oven")}))
    with pytest.raises(Stopped, match=r"soakwarden-controller@oven\.service did not answer within 30 s"):
        carry_out(plan.install(facts(world(root, probe=Services(UP)), new)), on)
    assert everything(root) == before and on.mono_s() == 30.0


def test_what_did_not_answer_before_need_not_answer_after(tmp_path):
    root, new = installed(tmp_path)
    carry_out(plan.install(facts(world(root, probe=Services()), new)), world(root, probe=Services()))
    assert current(root) == name_of(new)


@pytest.mark.parametrize("reasons", [[["oven: the run 7 is on."]], [[], ["oven: a start waits."]]], ids=["before", "meanwhile"])
def test_with_a_run_on_nothing_is_touched(tmp_path, reasons):
    root, new = installed(tmp_path)
    before, runner = everything(root), Recorder()
    with pytest.raises(Stopped) as stopped:
        carry_out(plan.install(facts(world(root), new)), world(root, runner, Services(UP, reasons)))
    assert isinstance(stopped.value.why, Busy) and everything(root) == before
    assert not [command for command in runner.system() if "controller@" in command and "stop" in command]


def test_a_person_who_interrupts_it_gets_the_old_version_back(tmp_path):
    root, new = installed(tmp_path)
    before = everything(root)

    class Interrupted(Recorder):
        def run(self, words):
            super().run(words)
            if words[:2] == ("systemctl", "start") and len(words) > 5:
                raise KeyboardInterrupt

    with pytest.raises(Stopped):
        carry_out(plan.install(facts(world(root), new)), world(root, Interrupted()))
    assert everything(root) == before


def test_what_cannot_be_undone_is_told_and_keeps_nothing_else_from_it(tmp_path):
    root, new = installed(tmp_path)
    old = current(root)

    class Stubborn(Recorder):
        def run(self, words):
            super().run(words)
            if words == ("systemctl", "start", "--no-block", *map(controller_unit, CHAMBERS)):
                raise StepFailed("it does not start")

    with pytest.raises(Stopped) as stopped:
        carry_out(plan.install(facts(world(root, probe=Services(UP)), new)), world(root, Stubborn(), Services()))
    assert len(stopped.value.left) == 1 and "stop the controllers" in stopped.value.left[0]
    assert current(root) == old


# -- away --------------------------------------------------------------------------------------------------------------------


def outside(root: Path) -> set[str]:
    return {name for name, what in everything(root).items() if isinstance(what, tuple | str) and not name.startswith("var/")}


def test_uninstalling_leaves_the_data_for_root_and_the_settings(tmp_path):
    root, _ = installed(tmp_path)
    with_databases(root)
    runner = Recorder()
    carry_out(plan.uninstall(facts(world(root), tmp_path / "old"), with_data=False), world(root, runner))
    assert outside(root) == {"etc/soakwarden/api.env"}
    assert (root / HOUSE.relative_to("/") / "oven/record.db").exists()
    assert ("chown", "-R", "root:root", str(HOUSE)) in runner.ran and ("userdel", "soakwarden") in runner.ran
    assert runner.system()[0].startswith("systemctl disable --now")


def test_uninstalling_with_data_leaves_nothing(tmp_path):
    root, _ = installed(tmp_path)
    with_databases(root)
    carry_out(plan.uninstall(facts(world(root), tmp_path / "old"), with_data=True), world(root))
    assert not [path for path in root.rglob("*") if not path.is_dir()] and not (root / HOUSE.relative_to("/")).exists()


def test_uninstalling_that_fails_anywhere_before_the_end_puts_everything_back(tmp_path):
    root, _ = installed(tmp_path)
    there = facts(world(root), tmp_path / "old")
    steps = plan.uninstall(there, with_data=True)
    last = next(number for number, step in enumerate(steps) if step.words.startswith(f"remove {PROGRAMS}"))
    before = everything(root)
    for number in range(last + 1):
        with pytest.raises(Stopped) as stopped:
            carry_out((*steps[:number], Fails(), *steps[number:]), world(root))
        assert stopped.value.left == [] and everything(root) == before, number


# -- one more chamber --------------------------------------------------------------------------------------------------------


def test_one_more_chamber_is_shown_watched_and_closed_to_the_page(tmp_path):
    root, _ = installed(tmp_path, ("oven",))
    runner = Recorder()
    carry_out(plan.add_chamber(facts(world(root), tmp_path / "old"), "attic"), world(root, runner))
    text = (root / "etc/systemd/system/soakwarden-api.service.d/chambers.conf").read_text()
    assert 'Environment="CHAMBERS=--data /var/lib/soakwarden/attic --data /var/lib/soakwarden/oven"' in text
    assert "ReadOnlyPaths=-/var/lib/soakwarden/attic/chamber\n" in text
    assert f"systemctl enable --now --no-block {controller_unit('attic')}" in runner.system()
    assert not [command for command in runner.system() if "oven" in command], "the other chamber is left alone"


# -- words -------------------------------------------------------------------------------------------------------------------


def test_a_plan_can_be_read_before_it_is_carried_out(tmp_path):
    root, new = installed(tmp_path)
    before = everything(root)
    text = "\n".join(words(plan.install(facts(world(root), new))))
    assert everything(root) == before
    for line in ("Copy record and desk of oven, second", "If a later step fails: start them again.",
                 "point it where it pointed"):
        assert line in text


def test_the_installer_needs_nothing_but_python_itself():
    program = "import controller.install.__main__, sys; print(sorted({name.partition('.')[0] for name in sys.modules}))"
    here = f"import sys; sys.path.insert(0, {str(ROOT)!r}); "
    said = subprocess.run([sys.executable, "-B", "-S", "-E", "-P", "-c", here + program], capture_output=True,
                          text=True, check=True, cwd="/").stdout
    assert "'controller'" in said
    for library in ("sqlalchemy", "serial", "fastapi", "pydantic", "simple_pid"):
        assert f"'{library}'" not in said
