"""What the page and the terminal say of a module: what it lacks is "not fitted", and no word of a board's is lent to it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.chamber_told import chamber_facts
from controller.commands.news import TOLD
from controller.config import ChamberFolder
from controller.core.events import Kind
from controller.core.state import LineLost
from controller.snapshot import Facts, Snapshots
from tests.core.test_module import BY_RELAY, NOTHING, FakeModule, begun, bench, heating, over
from tests.core.world import Bench
from tests.service.module_layout import chamber_text, commissioned


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> ChamberFolder:
    return commissioned(tmp_path_factory.mktemp("words") / "c", chamber_text())


def told(folder: ChamberFolder, one: Bench) -> dict[str, Any]:
    return Snapshots(Facts("t", 3, folder, "wall", 1.0)).now(one.state, 1, ("", 0))


def test_what_a_module_lacks_is_null_or_not_fitted_and_never_a_number(folder):
    now = told(folder, heating())
    board = now["board"]
    assert (board["boot"], board["run_s"], board["switches"], board["firmware"]) == (None, None, None, "not fitted")
    assert {"hello", "boot id", "board limits", "lamps and sounder"} <= set(board["module"]["not_fitted"])
    assert board["module"]["silence"] == "its own time-out of 3 s, read back"
    assert chamber_facts(folder)["limits"]["board_ceiling_mc"] is None


def test_before_it_has_answered_nothing_is_known_of_its_silence(folder):
    one = bench()
    one.tick()
    assert told(folder, one)["board"]["module"]["silence"] == "not known: it has not answered yet"


REFUSED = {
    "a time-out that is not held": (lambda: Bench(over(), FakeModule(time_out_us=0)), "reads back as 0 s"),
    "nothing that ends it": (lambda: Bench(over(NOTHING), FakeModule(time_out_us=0)), "nothing ends the heat"),
}


@pytest.mark.parametrize("how", REFUSED)
def test_a_refused_module_is_told_with_its_reason(folder, how):
    made, words = REFUSED[how]
    one = made()
    one.run(5)
    one.cut = True
    one.run(6)
    now = told(folder, one)
    assert words in now["board"]["line"] and words in now["sentence"]


def test_a_lost_line_says_what_ends_the_heat_and_of_one_that_nothing_ends_to_unplug(folder):
    for module, words in ((BY_RELAY, "does so by itself"), (NOTHING, "unplug the chamber")):
        one = bench(module)
        one.run(3)
        one.tick(notices=[LineLost("unplugged")])
        one.cut = True
        one.run(6)
        assert words in told(folder, one)["sentence_more"]


def test_a_start_that_waits_for_the_relays_proof_says_so(folder):
    one = begun(bench(BY_RELAY, proves=None))
    assert told(folder, one)["sentence"] == "Starting: the timer relay is proven, without heat."


def test_a_circuit_is_drawn_as_for_a_board(folder):
    one = heating()
    one.run(5)
    now = told(folder, one)
    assert now["circuit"]["contactor"]["state"] == "closed"


@pytest.mark.parametrize(("kind", "fields", "words"), [
    (Kind.MODULE_FOUND, {"board": "A/1", "session": 3, "silence": "its own time-out of 3 s", "not_fitted": ""}, "3 s"),
    (Kind.MODULE_REFUSED, {"board": "A/1", "reason": "its outputs do not read back off"}, "no heat"),
    (Kind.SILENCE_PROOF, {"session": 3, "passed": False, "after_us": 0, "words": "still closed"}, "NOT proven: still closed"),
    (Kind.SILENCE_PROOF, {"session": 3, "passed": True, "after_us": 1, "words": "seen open"}, "relay proven"),
])
def test_the_terminal_has_words_for_what_happens_to_a_module(kind, fields, words):
    assert words in TOLD[kind](fields)


def test_the_page_has_words_for_every_kind_of_a_modules():
    script = (Path(__file__).parents[2] / "web/parts/events.js").read_text(encoding="utf-8")
    assert all(f"  {kind.value}: (x)" in script for kind in (Kind.MODULE_FOUND, Kind.MODULE_REFUSED, Kind.SILENCE_PROOF))
