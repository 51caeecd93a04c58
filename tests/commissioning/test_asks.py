"""What may be said to commissioning while something goes on: a change, values of a watched step, what is measured unplugged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller import new_chamber
from controller.commissioning import asks, store
from controller.commissioning.asks import Refusal
from controller.commissioning.changes import CHANGES, STOP_FIRST
from controller.commissioning.commissioner import Commissioner
from controller.commissioning.proofs import Voided
from controller.commissioning.step import UNPLUGGED, Way
from controller.commissioning.steps import BY_ID, STEPS
from controller.commissioning.validity import DAY_US
from controller.config import ChamberFolder, load
from controller.core.run_states import S
from controller.core.state import State
from tests.commissioning.looking import looked, run_of
from tests.commissioning.proven import TYPED, commission

THEN_US = 1_772_323_200_000_000
NOW_US = THEN_US + 10
BOARD, FIRMWARE = "abcdef", "11111111"
WHO = {"by": "Anna", "role": "maintainer"}


@pytest.fixture
def folder(tmp_path: Path) -> ChamberFolder:
    """A real chamber with everything fitted and proven."""
    text = new_chamber.text("Oven", False, BOARD, "/dev/ttyX").replace("= false", "= true")
    new_chamber.write(tmp_path / "c", text.replace("simulated = true", "simulated = false"), BOARD, False, THEN_US)
    commission(load(tmp_path / "c", THEN_US), THEN_US, FIRMWARE)
    return load(tmp_path / "c", THEN_US + 1)


@pytest.fixture
def made(folder: ChamberFolder) -> Iterator[Commissioner]:
    commissioner = Commissioner(folder, THEN_US + 1)
    yield commissioner
    commissioner.close()


def at_rest(folder: ChamberFolder, raw: dict[str, int] | None = None, run: Any = None, **says: Any) -> State:
    """Unplugged, with the heat off."""
    return looked(folder.chamber, 1_000_000, raw, run=run, **{"mains": False, **says}).state


def changed(made: Commissioner, state: State, change: str, utc_us: int = NOW_US) -> dict[str, Any]:
    sensor = "control" if change in ("sensor", "socket") else ""
    return asks.changed({"change": change, "sensor": sensor, **WHO}, made, state, utc_us)


def typed(made: Commissioner, state: State, step: str, **values: Any) -> dict[str, Any]:
    sensor = "control" if step == "live_parts" else ""
    ask = {"act": "type", "step": step, "sensor": sensor, "values": {**TYPED[step], **values}, **WHO}
    return asks.prove(ask, made, state, NOW_US)


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.id)
def test_a_change_is_taken_while_a_run_is_on_and_says_what_to_do_about_it(folder, made, change):
    running = at_rest(folder, run=run_of(folder.chamber, "silence"))
    answer = changed(made, running, change.id)
    assert set(answer["voided"]) == set(change.steps) and made.wish.voided
    assert "keeps what it began with and should be stopped" in answer["words"]
    assert answer["words"].startswith("Stop heating now") is (change.id in STOP_FIRST)
    assert answer["minutes"] == sum(BY_ID[step].minutes for step in answer["voided"])


def test_what_touches_the_circuit_stops_the_heat_first_and_what_touches_the_room_does_not():
    assert {"sensor", "switch", "limiter", "board", "element", "cable"} <= STOP_FIRST
    assert not {"room", "moved", "case", "fan", "computer"} & STOP_FIRST


def test_with_the_heat_off_a_change_says_nothing_of_a_run(folder, made):
    assert changed(made, at_rest(folder), "limiter")["words"] == ""


def test_only_what_held_before_is_lost_and_counted(folder, made):
    state = at_rest(folder)
    assert changed(made, state, "limiter")["voided"] == ["wiring", "limiter"]
    made.written(10.0)
    rows = {one["id"]: one for one in made.guide(state, NOW_US + 1)["changes"]}
    assert "limiter" in rows["limiter"]["steps"] and rows["limiter"]["minutes"] == 0
    again = changed(made, state, "limiter", NOW_US + 1)
    assert (again["voided"], again["minutes"]) == ([], 0) and len(made.wish.voided) == 2


def test_what_was_shown_across_a_change_proves_nothing(folder, made):
    half = store.Half("contacts", "begun", NOW_US, "Anna", "", {})
    before = store.with_half(made.wish, half)
    assert not store.changed_since(before, "contacts")
    marked = store.with_mark(before, Voided("board", NOW_US, "Anna", ("contacts",)))
    assert store.changed_since(marked, "contacts") and not store.changed_since(marked, "silence")
    earlier = store.with_half(marked, half._replace(utc_us=NOW_US + 1))
    assert not store.changed_since(earlier, "contacts")


def test_values_of_a_step_that_is_being_watched_are_refused_and_name_those_it_has(folder, made):
    state = at_rest(folder)
    values = {**TYPED["boiling_point"], "pressure_hpa": 700.0}
    begin = {"act": "begin", "step": "boiling_point", "values": values, **WHO}
    assert asks.prove(begin, made, state, NOW_US)["outcome"] == "watching"
    with pytest.raises(Refusal) as refused:
        typed(made, state, "boiling_point")
    assert "being watched with 700 hPa" in refused.value.reason and "cancel and begin again" in refused.value.reason
    assert store.half_of(made.wish, "boiling_point", "typed") is None
    asks.prove({"act": "cancel", **WHO}, made, state, NOW_US)
    made.see(state, NOW_US, (), ())
    assert typed(made, state, "boiling_point")["outcome"] == "watching"


MEASURED_UNPLUGGED = [step.id for step in STEPS if step.way is Way.TYPED and step.caution == UNPLUGGED]
PLUGGED: dict[str, dict[str, Any]] = {
    "mains is read": {"mains": True}, "the contactor reads closed": {"contactor": True},
    "the modulator reads closed": {"modulator": True}, "a run is on": {"run": "silence"}, "a run ends": {"run": "aborting"},
}


@pytest.mark.parametrize("how", PLUGGED)
@pytest.mark.parametrize("step", MEASURED_UNPLUGGED)
def test_what_is_measured_unplugged_is_not_typed_of_a_chamber_under_mains_or_heat(folder, made, step, how):
    says = dict(PLUGGED[how])
    run = says.pop("run", None)
    if run is not None:
        says["run"] = run_of(folder.chamber, "silence", S.ABORTING if run == "aborting" else S.RUNNING)
    before = made.wish
    with pytest.raises(Refusal) as refused:
        typed(made, at_rest(folder, **says), step)
    assert refused.value.code == "not_possible_state" and "Unplug" in refused.value.reason and made.wish is before


@pytest.mark.parametrize("step", MEASURED_UNPLUGGED)
def test_unplugged_and_cold_it_is_taken(folder, made, step):
    assert typed(made, at_rest(folder), step)["outcome"] == "passed"


def test_where_nobody_senses_mains_it_is_a_persons_word(folder, made):
    state = at_rest(folder, mains=True)
    blind = replace(folder.chamber, fitted=replace(folder.chamber.fitted, mains_sense=False))
    assert typed(made, state._replace(chamber=blind), "wiring")["outcome"] == "passed"


def test_terminals_are_looked_at_once_they_are_cool(folder, made):
    hot_mc = folder.chamber.limits.hot_mc
    with pytest.raises(Refusal, match="let it cool"):
        typed(made, at_rest(folder, {"control": hot_mc}), "terminals")
    assert typed(made, at_rest(folder, {"control": hot_mc - 1}), "terminals")["outcome"] == "passed"
    assert typed(made, at_rest(folder, {"control": hot_mc}), "wiring")["outcome"] == "passed"


def test_a_proof_that_ended_is_not_lost_by_a_change(folder, made):
    late_us = THEN_US + BY_ID["smoke_alarm"].valid.days * DAY_US
    answer = changed(made, at_rest(folder), "room", late_us)
    assert "smoke_alarm" not in answer["voided"] and "place" in answer["voided"]
