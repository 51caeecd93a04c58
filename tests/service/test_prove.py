"""`soakwarden prove` and `soakwarden chamber bundle`, `open`, `changed`, at a terminal that a test types into."""

from __future__ import annotations

import asyncio
import json
import shlex
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main, parser
from controller.commands import prove
from controller.commands.out import Out
from controller.commissioning import bundle, store
from controller.commissioning.steps import STEPS
from controller.config import load
from controller.drivers import latch
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from tests.commissioning.proven import TYPED, commission
from tests.service.chambers import real, simulated
from tests.service.proving import uncommissioned
from tests.service.rig import Rig


@pytest.fixture
def going(tmp_path: Path) -> Iterator[Rig]:
    """An uncommissioned chamber whose controller runs in a thread; its socket lies where the command looks."""
    rig = uncommissioned(tmp_path)
    (tmp_path / "controller.sock").symlink_to(rig.socket_path)
    rig.go()
    with rig.client() as person:
        person.until(lambda now: now["board"]["accepted"])
    yield rig
    rig.close()


def ran(rig: Rig, *words: str, ask: Callable[[str], str] | None = None) -> int:
    options = parser().parse_args(["prove", *words, "--data", str(rig.folder), "--json"])
    return prove.act(options, Out(True), ask or nobody)


def nobody(_question: str) -> str:
    raise EOFError


def said(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    result: dict[str, Any] = json.loads(capsys.readouterr().out.splitlines()[-1])
    return result


def given(step: str, **changes: Any) -> list[str]:
    return [word for key, value in {**TYPED[step], **changes}.items() for word in ("--value", f"{key}={value}")]


def test_without_a_step_it_lists_what_holds(going, capsys):
    assert ran(going) == Exit.GOOD
    assert [step["id"] for step in said(capsys)["steps"]] == [step.id for step in STEPS]
    assert main(["prove", "--data", str(going.folder)]) == Exit.GOOD
    text = capsys.readouterr().out
    assert "SIMULATED" in text and f"Next (14 min): soakwarden prove --data {going.folder} wiring\n" in text
    for step in STEPS:
        assert step.id in text


def next_words(text: str) -> list[str]:
    """The command that the list ends with, as a shell would read it."""
    return shlex.split(next(line for line in text.splitlines() if line.startswith("Next ")).split(": ", 1)[1])


@pytest.mark.parametrize("place", ["", "chamber"])
def test_with_the_chamber_alone_the_running_controller_is_found_where_serve_puts_it(going, place, capsys, monkeypatch):
    data = going.folder / ".soakwarden" / "real" / place
    data.mkdir(parents=True)
    (data / "controller.sock").symlink_to(going.socket_path)
    monkeypatch.chdir(going.folder)
    assert main(["prove", "--chamber", "chamber"]) == Exit.GOOD
    verb, *words = next_words(capsys.readouterr().out)
    assert (verb, *words) == ("soakwarden", "prove", "--chamber", "chamber", "wiring")
    assert main([*words, *given("wiring"), "--json"]) == Exit.GOOD
    assert said(capsys)["outcome"] == "passed"
    assert main(["prove", "--chamber", "chamber"]) == Exit.GOOD
    assert next_words(capsys.readouterr().out)[-1] != "wiring", "it reads the guide of the controller that runs"


def test_another_boards_controller_is_not_asked(going, capsys):
    other = real(going.folder / "other")
    both = ["--chamber", str(other), "--data", str(going.folder), "--json"]
    assert main(["prove", "wiring", *both, *given("wiring")]) == Exit.PEER
    assert "abcdef" in said(capsys)["error"]
    assert not going.commissioner.wish.proofs


def test_without_chamber_and_data_it_asks_for_one(capsys):
    assert main(["prove", "--json"]) == Exit.USAGE
    assert "--chamber FOLDER" in said(capsys)["error"]


def test_a_folder_alone_can_be_read_and_not_proven(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = simulated(tmp_path / "c").path
    assert main(["prove", "--chamber", str(path), "--json"]) == Exit.GOOD
    assert said(capsys)["may_do"] == "unattended"
    assert main(["prove", "wiring", "--chamber", str(path), "--json"]) == Exit.PEER
    assert f"soakwarden serve --chamber {path}" in said(capsys)["error"]
    assert main(["prove", "--chamber", str(tmp_path / "none"), "--json"]) == Exit.FILES


def test_values_are_typed_asked_for_again_and_stored_as_what_they_are(going, capsys):
    assert ran(going, "wiring", *given("wiring")) == Exit.GOOD
    assert said(capsys)["outcome"] == "passed"
    assert ran(going, "place", *given("place", clearance_cm=4)) == Exit.NOT_PROVEN
    assert said(capsys)["outcome"] == "failed"
    answers = iter(["far", "4", "45"])  # no number; out of range; good
    few = [word for word in given("place") if not word.startswith("clearance")]
    few = few[:-1] if few[-1] == "--value" else few
    assert ran(going, "place", *few, ask=lambda _question: next(answers)) == Exit.GOOD
    assert said(capsys)["outcome"] == "passed" and not list(answers)


def test_every_sensor_that_lacks_is_asked_for(going, capsys):
    assert ran(going, "wiring", *given("wiring")) == Exit.GOOD
    capsys.readouterr()
    assert ran(going, "live_parts", *given("live_parts")) == Exit.GOOD
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [row["say"] for row in told if "say" in row] == ["Sensor control:", "Sensor over_temperature:", "Sensor part:"]


def test_a_watched_step_shows_its_list_and_asks_what_only_a_person_knows(going, capsys):
    assert ran(going, "wiring", *given("wiring")) == Exit.GOOD
    hands = ["local_stop", "arm", "door_open", "smoke"]

    def touch() -> None:
        while going.commissioner.watch is None:
            threading.Event().wait(0.005)
        for name in hands:
            for on in (True, False):
                going.port.board.fault(name, on=on)
                until_us = going.service.state.mono_us + 3_000_000
                while going.service.state.mono_us < until_us:
                    threading.Event().wait(0.005)

    toucher = threading.Thread(target=touch)
    toucher.start()
    assert ran(going, "contacts", ask=lambda _question: "y") == Exit.GOOD
    toucher.join()
    assert said(capsys) == {"step": "contacts", "outcome": "passed", "words": "All of it was seen.", "wrong": []}


def test_what_may_not_be_done_yet_is_refused_with_its_reason(going, capsys):
    assert ran(going, "limiter", "--value", "kind=adjustable") == Exit.NOT_PROVEN
    assert "limiter cannot be done now" in said(capsys)["error"]
    assert ran(going, "wiring") == Exit.NOT_PROVEN
    assert "nobody to ask" in said(capsys)["error"]


class Elsewhere:
    """A controller whose burn-off run was begun at the page: it is on, then over and seen; asks are noted."""

    def __init__(self, half: str = "") -> None:
        self.half, self.asked, self.looks = half, [], 0

    async def ask(self, do: str, **fields: Any) -> dict[str, Any]:
        if do == "proofs":
            return {"proofs": {"steps": [{"id": "burn_off", "half": self.half}]}}
        self.asked.append((do, fields["act"]))
        done = {"outcome": "passed", "words": "proven.", "wrong": []}
        return done if self.half == "seen" else {**done, "outcome": "watching"}

    async def now(self) -> dict[str, Any]:
        self.looks += 1
        over = {"step": "burn_off", "outcome": "passed", "words": "It went through."} if self.looks > 3 else None
        state = "complete" if over else "running"
        return {"pending": None, "run": {"id": "7", "trial": "burn_off", "state": state, "proof": None},
                "commissioning": over, "sentence": "Heating.", "air_mc": 21_000}


@pytest.mark.parametrize(("half", "asked"), [("", ["type"]), ("typed", []), ("seen", ["type"])])
def test_the_values_of_a_heated_step_are_given_while_its_run_goes_on(half, asked, monkeypatch):
    monkeypatch.setattr(prove, "POLL_S", 0)
    step = next(one for one in STEPS if one.id == "burn_off")
    row = {"id": step.id, "half": half, "fields": [field._asdict() for field in step.fields]}
    line = Elsewhere(half)
    session = prove.Session(line, Out(True), nobody, row, {key: str(value) for key, value in TYPED["burn_off"].items()}, "Anna",
                            "soakwarden prove --data d burn_off")
    outcome = asyncio.run(prove.WAYS["heated"](session, parser().parse_args(["prove", "burn_off", "--data", "d"])))
    assert outcome["outcome"] == "passed" and [act for _, act in line.asked] == asked


def test_without_a_controller_it_says_how_to_start_one(tmp_path, capsys):
    assert main(["prove", "--data", str(tmp_path), "--json"]) == Exit.PEER
    assert "soakwarden serve" in said(capsys)["error"]


def test_what_changed_is_explained_and_voids(going, capsys):
    data = ["--data", str(going.folder), "--json"]
    assert main(["chamber", "changed", *data]) == Exit.GOOD
    assert {row["id"] for row in said(capsys)["changes"]} >= {"moved", "sensor", "firmware"}
    assert main(["chamber", "changed", "room", *data]) == Exit.GOOD
    assert said(capsys) == {"voided": [], "minutes": 0, "words": ""}, "nothing held yet"
    assert main(["chamber", "changed", "sensor", *data]) == Exit.USAGE
    assert "control, over_temperature, part" in said(capsys)["error"]


# -- bundles ----------------------------------------------------------------------------------------------------------------


@pytest.fixture
def lent(tmp_path: Path) -> Path:
    """A real chamber with every proof, and its bundle."""
    path = real(tmp_path / "c")
    commission(load(path, utc_us()), utc_us())
    assert main(["chamber", "bundle", str(path), "-o", str(tmp_path / "b.json"), "--json"]) == Exit.GOOD
    return tmp_path / "b.json"


def test_a_bundle_opens_without_what_hangs_on_the_place_and_is_not_commissioned(lent, tmp_path, capsys):
    assert main(["chamber", "open", str(lent), str(tmp_path / "new"), "--json"]) == Exit.GOOD
    told = said(capsys)
    assert "place" in told["left_out"] and told["board"] == "abcdef"
    kept = store.read(tmp_path / "new" / "proofs.json")
    assert {row.step for row in kept.proofs} == {step.id for step in STEPS} - set(told["left_out"])
    assert {row.by for row in kept.proofs} == {bundle.LENDER}
    assert [one.guard for one in latch.read(tmp_path / "new/latch", utc_us())] == ["not_commissioned"]
    assert load(tmp_path / "new", utc_us()).port == ""


def test_a_bundle_of_another_board_is_refused_or_opens_without_what_hangs_on_that(lent, tmp_path, capsys):
    other = shutil.copytree(tmp_path / "c", tmp_path / "other")
    text = (other / "chamber.toml").read_text()
    (other / "chamber.toml").write_text(text.replace('board = "abcdef"', 'board = "012345"'))
    before = sorted(one.read_bytes() for one in other.iterdir())
    assert main(["chamber", "open", str(lent), str(other), "--json"]) == Exit.CHAMBER
    assert "--board 012345" in said(capsys)["error"] and sorted(one.read_bytes() for one in other.iterdir()) == before
    assert main(["chamber", "open", str(lent), str(tmp_path / "new"), "--board", "012345", "--json"]) == Exit.GOOD
    assert "start_proof" in said(capsys)["left_out"] and load(tmp_path / "new", utc_us()).chamber.board == "012345"


def test_nothing_that_is_there_is_written_over(lent, tmp_path, capsys):
    assert main(["chamber", "open", str(lent), str(tmp_path / "c"), "--json"]) == Exit.FILES
    assert main(["chamber", "bundle", str(tmp_path / "c"), "-o", str(lent), "--json"]) == Exit.FILES
    assert main(["chamber", "open", str(tmp_path / "none"), str(tmp_path / "new"), "--json"]) == Exit.FILES
    lent.write_text("{}")
    assert main(["chamber", "open", str(lent), str(tmp_path / "new"), "--json"]) == Exit.CHAMBER
    assert not (tmp_path / "new").exists() and "not a whole bundle" in said(capsys)["error"]


def test_an_uncommissioned_simulated_chamber_begins_with_nothing(tmp_path, capsys):
    assert main(["chamber", "new", str(tmp_path / "c"), "--simulated", "--uncommissioned", "--yes", "--json"]) == Exit.GOOD
    assert said(capsys)["may_do"] == "measure_only"
    assert [one.guard for one in latch.read(tmp_path / "c/latch", utc_us())] == ["not_commissioned"]
