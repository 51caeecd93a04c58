"""What the running controller makes of proofs: when the tick is told, what counts, what a full disk or a strange file do."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller import new_chamber
from controller.commissioning import store, watching
from controller.commissioning.commissioner import AGAIN_US, Commissioner
from controller.commissioning.keeper import ASIDE
from controller.commissioning.proofs import Voided
from controller.commissioning.steps import BY_ID
from controller.commissioning.validity import DAY_US
from controller.config import ChamberFolder, load
from controller.core.events import Event, Kind
from controller.core.module import Module
from controller.core.run_states import S
from controller.core.setup import Level
from controller.core.state import Commissioned, Handled, State
from tests.commissioning.looking import looked, run_of
from tests.commissioning.proven import commission, everything
from tests.commissioning.test_watching import BATHS

THEN_US = 1_772_323_200_000_000
BOARD, FIRMWARE = "abcdef", "11111111"
"""As `looking.looked` has the board say."""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    text = new_chamber.text("Oven", False, BOARD, "/dev/ttyX").replace("= false", "= true")
    new_chamber.write(tmp_path / "c", text.replace("simulated = true", "simulated = false"), BOARD, False, THEN_US)
    commission(load(tmp_path / "c", THEN_US), THEN_US, FIRMWARE)
    return tmp_path / "c"


@pytest.fixture
def folder(path: Path) -> ChamberFolder:
    return load(path, THEN_US + 1)


@pytest.fixture
def made(folder: ChamberFolder) -> Iterator[Commissioner]:
    commissioner = Commissioner(folder, THEN_US + 1)
    yield commissioner
    commissioner.close()


def state_of(folder: ChamberFolder, run=None) -> State:
    return looked(folder.chamber, 1_000_000, run=run).state


def told(commissioner: Commissioner, state: State, utc_us: int, starts: bool = False) -> list[Commissioned]:
    return [one for one in commissioner.notices(state, utc_us, starts) if isinstance(one, Commissioned)]


ENDS_US = THEN_US + BY_ID["smoke_alarm"].valid.days * DAY_US


def test_nothing_is_told_while_nothing_differs(folder, made):
    assert folder.chamber.may_do is Level.UNATTENDED
    assert told(made, state_of(folder), THEN_US + 2) == [] and told(made, state_of(folder), THEN_US + 3, starts=True) == []


def test_an_ended_proof_is_noticed_within_the_hour_and_at_once_before_a_start(folder, made):
    state = state_of(folder)
    assert told(made, state, ENDS_US - 1) == []
    assert told(made, state, ENDS_US) == [], "it was judged a moment ago"
    assert [one.may_do for one in told(made, state, ENDS_US, starts=True)] == [Level.IN_THE_BUILDING]
    assert "smoke alarm" in made.level.why


def test_every_hour_is_enough_without_a_start(folder, made):
    state = state_of(folder)
    told(made, state, ENDS_US - 1)
    assert [one.may_do for one in told(made, state, ENDS_US - 1 + AGAIN_US)] == [Level.IN_THE_BUILDING]


def test_a_clock_set_back_is_judged_at_once(folder, made):
    assert [one.may_do for one in told(made, state_of(folder), THEN_US - DAY_US)] == [Level.MEASURE_ONLY]


@pytest.mark.parametrize("run_state", [S.RUNNING, S.HELD, S.ABORTING])
def test_a_run_on_its_way_keeps_what_it_began_with(folder, made, run_state):
    busy = state_of(folder, run_of(folder.chamber, "silence", run_state))
    assert told(made, busy, ENDS_US + AGAIN_US) == []
    assert told(made, state_of(folder), ENDS_US + AGAIN_US)


def start_proof(grade: str, finding: str = "") -> Event:
    return Event(Kind.START_PROOF, {"run_id": "1", "grade": grade, "finding": finding, "words": "", "took_us": 1})


@pytest.mark.parametrize(("grade", "finding", "rows"), [
    ("passed", "", [True]), ("failed", "contactor_stuck", [False]), ("void", "nothing_rose", [])])
def test_the_start_proof_of_every_run_is_one(folder, made, grade, finding, rows):
    before = len(made.wish.proofs)
    made.see(state_of(folder), THEN_US + 9, (start_proof(grade, finding),), ())
    new = made.wish.proofs[before:]
    assert [row.passed for row in new] == rows and all(row.step == "start_proof" for row in new)
    assert made.written(10.0)
    notices = told(made, state_of(folder), THEN_US + 10)
    assert [one.may_do for one in notices] == ([Level.MEASURE_ONLY] if rows == [False] else [])


@pytest.mark.parametrize(("module", "passed", "rows"), [
    (Module(True, 1_000_000, 0, 4_000_000), True, [True]), (Module(True, 1_000_000, 0, 4_000_000), False, [False]),
    (Module(True, 1_000_000, 3_000_000, 0), True, []), (None, True, [])], ids=str)
def test_a_timer_relay_shows_the_silence_of_its_module_at_every_start(folder, made, module, passed, rows):
    before = len(made.wish.proofs)
    state = state_of(folder)._replace(chamber=replace(folder.chamber, module=module))
    event = Event(Kind.SILENCE_PROOF, {"session": 1, "passed": passed, "after_us": 4_000_000, "words": "seen"})
    made.see(state, THEN_US + 9, (event,), ())
    new = made.wish.proofs[before:]
    assert [row.passed for row in new] == rows and all(row.step == "silence" for row in new)


def _refuses(_path: Path, _kept: store.Kept) -> None:
    raise OSError(errno.ENOSPC, "no space left on device")


@pytest.fixture
def refusing(folder: ChamberFolder, monkeypatch: pytest.MonkeyPatch) -> Iterator[Commissioner]:
    """A disk that refuses every write."""
    with monkeypatch.context() as patched:
        patched.setattr("controller.commissioning.keeper.store.write", _refuses)
        commissioner = Commissioner(folder, THEN_US + 1)
        yield commissioner
        commissioner.close()


def mark(*steps: str, sensor: str = "") -> Callable[[store.Kept], store.Kept]:
    return lambda kept: store.with_mark(kept, Voided("limiter", THEN_US + 9, "Anna", steps, sensor))


def test_a_failure_counts_though_the_disk_refuses_and_that_is_said(folder, refusing):
    refusing.see(state_of(folder), THEN_US + 9, (start_proof("failed", "contactor_stuck"),), ())
    assert not refusing.written(0.2) and "proofs.json" in refusing.failing
    assert [one.may_do for one in told(refusing, state_of(folder), THEN_US + 10)] == [Level.MEASURE_ONLY]
    assert "cannot be written" in refusing.level.why and "what failed or changed does" in refusing.level.why
    assert refusing.judged_now(state_of(folder), THEN_US + 10)["silence"].blocked_by == ("start_proof",)


def test_a_change_counts_though_the_disk_refuses_and_what_passes_then_does_not(folder, refusing):
    refusing.keep(mark("start_proof"))
    assert [one.may_do for one in told(refusing, state_of(folder), THEN_US + 10)] == [Level.MEASURE_ONLY]
    steps = {one["id"]: one["state"] for one in refusing.guide(state_of(folder), THEN_US + 10)["steps"]}
    assert steps["start_proof"] == "void" and steps["silence"] == "void"


def test_a_pass_that_is_not_written_does_not_count(folder, path, monkeypatch):
    kept = everything(folder, THEN_US, firmware_hash=FIRMWARE)
    store.write(path / "proofs.json", kept._replace(proofs=tuple(row for row in kept.proofs if row.step != "start_proof")))
    lacking = load(path, THEN_US + 1)
    with monkeypatch.context() as patched:
        patched.setattr("controller.commissioning.keeper.store.write", _refuses)
        made = Commissioner(lacking, THEN_US + 1)
        made.see(state_of(lacking), THEN_US + 9, (start_proof("passed"),), ())
        assert not made.written(0.2) and told(made, state_of(lacking), THEN_US + 10) == []
        assert made.level.level is Level.MEASURE_ONLY
        made.close()


def test_a_file_of_another_board_is_kept_aside_and_not_written_over(path):
    kept = everything(load(path, THEN_US), THEN_US)._replace(board="000001")
    store.write(path / "proofs.json", kept)
    folder = load(path, THEN_US + 1)
    made = Commissioner(folder, THEN_US + 1)
    made.see(state_of(folder), THEN_US + 9, (start_proof("passed"),), ())
    made.close()
    assert store.read(path / f"proofs.json{ASIDE}").board == "000001"
    now = store.read(path / "proofs.json")
    assert now.board == BOARD and [row.step for row in now.proofs] == ["start_proof"]


def test_a_file_that_cannot_be_read_says_why_until_something_is_proven(path):
    (path / "proofs.json").write_text("{}")
    folder = load(path, THEN_US + 1)
    made = Commissioner(folder, THEN_US + 1)
    assert "proofs.json proves nothing" in made.level.why and made.level.level is Level.MEASURE_ONLY
    made.close()
    assert (path / "proofs.json").read_text() == "{}", "nothing was lost"


@pytest.mark.parametrize(("step", "handled"), [("ice_point", True), ("boiling_point", True), ("sensor_identity", True),
                                               ("contacts", False)])
def test_while_sensors_are_out_of_their_places_every_tick_is_told_so(folder, made, step, handled):
    state = state_of(folder)
    made.begin_watch(watching.begin(watching.Begin(step, "control", "Anna", folder.chamber, 0, BATHS)), THEN_US + 2)
    for _ in range(2):
        assert any(isinstance(one, Handled) for one in made.notices(state, THEN_US + 3, False)) is handled
