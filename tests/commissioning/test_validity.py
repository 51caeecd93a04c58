"""Which proofs hold: every step at its limits of time and switchings and on either side of them, voided, failed, from the
future, of another board, invented. Days and switchings are those of the table (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from controller import new_chamber
from controller.commissioning import store
from controller.commissioning.changes import CHANGES, HANGS_ON
from controller.commissioning.proofs import Voided
from controller.commissioning.step import Bound, Step
from controller.commissioning.steps import BY_ID, STEPS
from controller.commissioning.store import Kept
from controller.commissioning.validity import DAY_US, Standing, judged, one, proven
from controller.config import ChamberFolder, load
from controller.core.setup import Level
from controller.levels import LEVELS, level_of, trials
from tests.commissioning.proven import everything, facts_of

THEN_US = 1_772_323_200_000_000
BOARD = "abcdef"
EVERY_STEP = pytest.mark.parametrize("step", STEPS, ids=lambda step: step.id)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> ChamberFolder:
    """A real chamber with everything fitted."""
    path = tmp_path_factory.mktemp("real") / "c"
    text = new_chamber.text("Oven", False, BOARD, "/dev/ttyX").replace("= false", "= true")
    new_chamber.write(path, text.replace("simulated = true", "simulated = false"), BOARD, False, THEN_US)
    return load(path, THEN_US)


@pytest.fixture(scope="module")
def whole(folder: ChamberFolder) -> Kept:
    return everything(folder, THEN_US, switchings=1_000)


def without(kept: Kept, *steps: str) -> Kept:
    return kept._replace(proofs=tuple(row for row in kept.proofs if row.step not in steps))


def standing(kept: Kept, folder: ChamberFolder, step: Step, utc_us: int = THEN_US + 1, switchings: int = 1_000) -> Standing:
    """Of one step by itself, whatever it rests on."""
    sensor = folder.chamber.sensors[0].id if step.bound is Bound.SENSOR else ""
    spot = "all" if step.id == "survey" else ""
    return one(kept, step, facts_of(folder, utc_us, switchings), sensor, spot).standing


@EVERY_STEP
def test_a_proof_holds_up_to_its_last_microsecond_and_not_at_its_end(folder, whole, step):
    end_us = THEN_US + step.valid.days * DAY_US
    assert standing(whole, folder, step, end_us - 1) in (Standing.DONE, Standing.ENDING)
    assert standing(whole, folder, step, end_us) is Standing.ENDED


@EVERY_STEP
def test_its_end_is_warned_of_and_not_all_of_its_life(folder, whole, step):
    end_us = THEN_US + step.valid.days * DAY_US
    soon_us = min(30, step.valid.days // 5) * DAY_US
    assert standing(whole, folder, step, end_us - soon_us) is Standing.ENDING
    assert standing(whole, folder, step, end_us - soon_us - 1) is Standing.DONE


@pytest.mark.parametrize("step", [step for step in STEPS if step.valid.switchings], ids=lambda step: step.id)
def test_a_switch_wears_its_proof_out(folder, whole, step):
    most = step.valid.switchings
    assert standing(whole, folder, step, switchings=1_000 + most - 1) is Standing.ENDING
    assert standing(whole, folder, step, switchings=1_000 + most) is Standing.ENDED
    assert standing(whole, folder, step, switchings=1_000 + most * 9 // 10 - 1) is Standing.DONE
    assert standing(whole, folder, step, switchings=1_000 + most * 9 // 10) is Standing.ENDING
    assert standing(whole, folder, step, switchings=999) is Standing.VOID, "the board's count has fallen"
    assert standing(whole, folder, step, switchings=-1) is Standing.DONE, "not heard yet: time alone decides"


@EVERY_STEP
def test_a_stamp_from_the_future_proves_nothing(folder, whole, step):
    assert standing(whole, folder, step, THEN_US - 1) is Standing.VOID
    assert standing(whole, folder, step, THEN_US) is Standing.DONE


@EVERY_STEP
def test_a_newer_failure_counts_and_a_newer_pass_after_it(folder, whole, step):
    row = next(row for row in reversed(whole.proofs) if row.step == step.id and row.sensor in ("", "control"))
    failed = store.with_proof(whole, row._replace(passed=False, utc_us=THEN_US + 5))
    assert standing(failed, folder, step, THEN_US + 6) is Standing.FAILED
    again = store.with_proof(failed, row._replace(utc_us=THEN_US + 7))
    assert standing(again, folder, step, THEN_US + 8) is Standing.DONE


@EVERY_STEP
def test_what_is_invented_counts_for_no_real_chamber(folder, whole, step):
    invented = whole._replace(proofs=tuple(row._replace(invented=True) for row in whole.proofs))
    assert standing(invented, folder, step) is Standing.TO_DO
    assert standing(store.given(BOARD, THEN_US), folder, step) is Standing.TO_DO


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.id)
def test_a_change_voids_exactly_what_hangs_on_it(folder, whole, change):
    marked = store.with_mark(whole, Voided(change.id, THEN_US, "x", change.steps))
    for step in STEPS:
        expected = Standing.VOID if step.id in change.steps else Standing.DONE
        assert standing(marked, folder, step) is expected, step.id
    earlier = whole._replace(voided=(Voided(change.id, THEN_US - 1, "x", change.steps),))
    assert all(standing(earlier, folder, step) is Standing.DONE for step in STEPS), "shown again since"


def test_a_sensor_that_changed_voids_its_own_proofs_alone(folder, whole):
    marked = store.with_mark(whole, Voided("sensor", THEN_US, "x", ("ice_point", "start_proof"), "control"))
    facts = facts_of(folder, THEN_US + 1, 1_000)
    ice = BY_ID["ice_point"]
    assert one(marked, ice, facts, "control").standing is Standing.VOID
    assert one(marked, ice, facts, "over_temperature").standing is Standing.DONE


def test_a_mark_outlives_a_proof_that_a_wrong_clock_stamped(folder, whole):
    """Its stamp lies after the mark's; set right, the clock must not make it count."""
    ahead = whole._replace(proofs=tuple(row._replace(utc_us=THEN_US + DAY_US) for row in whole.proofs))
    marked = store.with_mark(ahead, Voided("room", THEN_US, "x", ("place",)))
    assert standing(marked, folder, BY_ID["place"], THEN_US + 2 * DAY_US) is Standing.TO_DO
    assert standing(marked, folder, BY_ID["wiring"], THEN_US + 2 * DAY_US) is Standing.DONE


@pytest.mark.parametrize(("step", "fact"), [(step, fact) for step, facts in HANGS_ON.items() for fact in facts])
def test_a_proof_holds_no_more_once_a_fact_it_hangs_on_is_another(folder, whole, step, fact):
    facts = facts_of(folder, THEN_US + 1, 1_000, "11111111")
    chamber = facts.chamber
    rows = tuple(row._replace(values={"hangs_on": {**row.values["hangs_on"], "firmware_hash": "11111111"}})
                 if "firmware_hash" in row.values["hangs_on"] else row for row in whole.proofs)
    kept = whole._replace(proofs=rows)
    assert judged(kept, facts)[step].holds
    if fact == "firmware_hash":
        facts = facts._replace(firmware_hash="22222222")
    elif fact == "channel":
        moved = (chamber.sensors[0]._replace(channel=4), *chamber.sensors[1:])
        facts = facts._replace(chamber=replace(chamber, sensors=moved))
    elif fact == "element_w":
        facts = facts._replace(chamber=replace(chamber, heater=replace(chamber.heater, element_w=777)))
    else:
        limits = replace(chamber.limits, **{fact: getattr(chamber.limits, fact) - 1})
        facts = facts._replace(chamber=replace(chamber, limits=limits))
    found = judged(kept, facts)[step]
    assert found.standing is Standing.VOID and found.words


def test_proofs_of_another_board_prove_nothing_and_say_whose_they_are(folder, whole):
    found = judged(whole._replace(board="000001"), facts_of(folder, THEN_US + 1))
    assert not proven(found) and "000001" in found["wiring"].words


@EVERY_STEP
def test_what_rests_on_a_step_waits_for_it(folder, whole, step):
    found = judged(without(whole, step.id), facts_of(folder, THEN_US + 1))
    assert not found[step.id].holds
    for other in STEPS:
        if step.id in other.after:
            assert not found[other.id].holds and step.id in found[other.id].blocked_by


@pytest.mark.parametrize("row", LEVELS, ids=lambda row: row.level.name)
def test_without_any_one_proof_its_level_is_not_reached(folder, whole, row):
    for proof in row.proofs:
        found = judged(without(whole, proof), facts_of(folder, THEN_US + 1))
        assert level_of(folder.switches, found, False).level < row.level, proof
    assert level_of(folder.switches, judged(whole, facts_of(folder, THEN_US + 1)), False).level is Level.UNATTENDED


def test_one_sensor_that_was_not_shown_is_enough_to_lack(folder, whole):
    rows = tuple(row for row in whole.proofs if (row.step, row.sensor) != ("live_parts", "over_temperature"))
    found = judged(whole._replace(proofs=rows), facts_of(folder, THEN_US + 1))
    assert found["live_parts"].standing is Standing.TO_DO
    assert level_of(folder.switches, found, False).level is Level.MEASURE_ONLY


def test_heated_steps_may_be_done_in_their_order_and_not_before_the_unheated_ones(folder, whole):
    def may(*missing: str) -> set[str]:
        return set(trials(folder.switches, judged(without(whole, *missing), facts_of(folder, THEN_US + 1))))

    heated = {step.id for step in STEPS if step.way.value == "heated"}
    assert may() == heated - {"survey"}, "no sensor of this chamber travels"
    assert may("boiling_point") == set()
    assert may(*heated) == {"start_proof"}
    assert "limiter" not in may("over_temperature_trip")


@pytest.mark.parametrize("lacks", ["control_sensor", "thermal_link", "fuse", "earth", "residual_current_device", "arm_button",
                                   "drops_on_silence"])
def test_no_step_is_heated_without_what_every_heat_needs(folder, whole, lacks):
    found = judged(whole, facts_of(folder, THEN_US + 1))
    assert trials({**folder.switches, lacks: False}, found) == ()


def test_a_module_is_asked_for_no_watchdog_and_a_chamber_without_limiter_for_none(folder, whole):
    switches = {**folder.switches, "board": False, "timer_relay": True, "limiter": False}
    facts = facts_of(folder, THEN_US + 1)._replace(switches=switches)
    found = judged(without(whole, "watchdog", "limiter"), facts)
    assert found["watchdog"].standing is found["limiter"].standing is Standing.NOT_HERE
    assert level_of(switches, found, False).level is Level.IN_THE_BUILDING


def test_a_board_with_one_switch_is_never_made_to_stand_still(folder, whole):
    """Without a contactor that is open meanwhile, its one switch would stay as it is while nothing watches."""
    switches = {**folder.switches, "contactor": False, "door": False}
    facts = facts_of(folder, THEN_US + 1)._replace(switches=switches)
    found = judged(without(whole, "watchdog"), facts)
    assert found["watchdog"].standing is Standing.NOT_HERE and "watchdog" not in trials(switches, found)
    assert level_of(switches, found, False).level is Level.AT_THE_CHAMBER
    both = judged(without(whole, "watchdog"), facts_of(folder, THEN_US + 1))
    assert both["watchdog"].standing is Standing.TO_DO and "watchdog" in trials(folder.switches, both)


def test_a_simulated_chamber_that_was_given_everything_keeps_it_for_ever(tmp_path: Path):
    text = new_chamber.text("Bench", True, new_chamber.SIMULATED_BOARD)
    new_chamber.write(tmp_path / "c", text, new_chamber.SIMULATED_BOARD, True, THEN_US)
    for years in (0, 10, -10):
        made = load(tmp_path / "c", THEN_US + years * 365 * DAY_US)
        assert made.level.level is Level.UNATTENDED and "survey" in made.chamber.trials
