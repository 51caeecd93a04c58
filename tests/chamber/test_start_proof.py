"""The start proof in simulated chambers under the real tick: what is planted is found, good starts are never refused."""

from __future__ import annotations

import pytest

from controller.chamber.shapes import SHAPES
from controller.commissioning.steps import BY_ID
from controller.core.commands import Ask, Command, PersonRole
from controller.core.events import Kind
from controller.core.guards import INDEX
from controller.core.proof import Phase, StartProof
from controller.core.proof_findings import FINDINGS, Grade
from controller.core.run_states import ACTIVE, S
from controller.records.batch import TickRecord
from controller.records.replay import replay
from controller.records.writer import About, Writer
from tests.chamber.planted import IN_THE_RUN, LATE, PLANTED, WARM, good, is_found, planted, refused
from tests.chamber.proving import US, UTC_US, Bench, chamber_of, proven

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
LATEST_OFF_S = 2
"""From what was found to both switches open: a tick that sees it, and the line."""
AFTER_S = 20 * 60
PAST_PLAN_C = 25.0
"""The sensors' own guard stands at 12 °C apart in these chambers; a dead time of a minute and the regulator's own overshoot
come on top of it."""
SOME = {name: list(SHAPES)[number % len(SHAPES)] for number, name in enumerate(PLANTED)}
"""Each fault in one chamber; the campaign takes all of them."""


def everywhere(names: list[str] | set[str]) -> list[object]:
    """(name, shape, sensed) of every fault: some in the ordinary tests, the rest in the campaign."""
    return [pytest.param(name, shape, sensed, id=f"{name}, {shape}, {'with' if sensed else 'no'} current sensor",
                         marks=() if shape == SOME[name] else pytest.mark.campaign)
            for name in PLANTED if name in names for shape in SHAPES for sensed in (False, True)]


def switched_off_within_s(bench: Bench) -> int:
    """Ticks until both switches are open at the board."""
    for seconds in range(20):
        if not (bench.board.outputs.modulator or bench.board.outputs.contactor):
            return seconds
        bench.tick()
    raise AssertionError("it is never switched off")


def stays_off(bench: Bench) -> None:
    """Nothing starts again by itself, and where it is latched nobody can start it."""
    began = len(bench.events)
    for _ in range(30):
        bench.tick()
        assert not (bench.board.outputs.modulator or bench.board.outputs.contactor)
        assert not bench.state.permit
    run = bench.state.run
    assert run is None or run.state in (S.ABORTED, S.ABORTING)
    assert not any(one.kind is Kind.START_PROOF for one in bench.events[began:])
    if bench.state.latches:
        if run is not None:
            bench.tick(Command(Ask.RESET, "invented", PersonRole.MAINTAINER, "e"))
        bench.start()
        assert "latched" in refused(bench)
        assert bench.state.run is None or bench.state.run.state not in ACTIVE


def test_each_planted_fault_names_a_finder_that_exists():
    for row in PLANTED.values():
        for finder in (row.plain, row.sensed, row.late):
            assert finder in {"", IN_THE_RUN, *FINDINGS, *INDEX, *BY_ID}, finder
    assert set(PLANTED) >= WARM


@pytest.mark.parametrize(("name", "shape", "sensed"), everywhere(list(PLANTED)))
def test_what_is_planted_is_found_and_the_heat_stays_off(name, shape, sensed):
    row = PLANTED[name]
    bench, said = planted(row, shape, 3, sensed)
    assert is_found(row, shape, sensed, said), (said[:4], refused(bench))
    finder = row.found_by(shape, sensed)
    if finder in FINDINGS:
        assert said.grade == FINDINGS[finder].grade.value
        assert switched_off_within_s(bench) <= LATEST_OFF_S
        latched = tuple(latch.guard for latch in bench.state.latches)
        assert latched == (("start_proof_failed",) if said.grade == Grade.FAILED else ())
        stays_off(bench)
    elif finder in INDEX:
        stays_off(bench)


@pytest.mark.parametrize(("name", "shape", "sensed"), everywhere(WARM))
def test_what_is_planted_in_a_warm_chamber_never_gets_past_the_proof(name, shape, sensed):
    """There a sensor's fault may be told by another finding, or the start is refused because sensors disagree already; a
    current sensor in a chamber with a long dead time leaves the sensors to the run."""
    row = PLANTED[name]
    bench, said = planted(row, shape, 5, sensed, hot=True)
    if row.found_by(shape, sensed) == IN_THE_RUN and said.grade == "passed":
        assert run_trips_c(bench) <= PAST_PLAN_C
        return
    assert said.grade in ("failed", "void") or said.trips or refused(bench) == ["cause_stands"], said[:4]
    if row.fault != "sensor_sees":
        assert is_found(row, shape, sensed, said), said[:4]
    assert switched_off_within_s(bench) <= LATEST_OFF_S
    stays_off(bench)


def run_trips_c(bench: Bench) -> float:
    """The run that follows is ended by the sensors' own guard; how far the true air had come above its plan by then."""
    over_c = 0.0
    for _ in range(12 * 3_600):
        bench.tick()
        run = bench.state.run
        if bench.state.latches or run is None or run.state not in ACTIVE:
            break
        over_c = max(over_c, bench.board.plant.air - run.air_setpoint_mc / 1000.0)
    trips = [str(one.fields["guard"]) for one in bench.events if one.kind is Kind.TRIPPED]
    assert trips[:1] == ["sensors_disagree"], trips
    return over_c


RUNS = [name for name, row in PLANTED.items() if IN_THE_RUN in (row.plain, row.sensed, row.late)]


@pytest.mark.parametrize("name", [name if name.startswith("control sensor off") else
                                  pytest.param(name, marks=pytest.mark.campaign) for name in RUNS])
def test_what_no_proof_can_see_ends_the_run_before_the_air_is_far_over_its_plan(name):
    row = PLANTED[name]
    bench, said = planted(row, LATE, 2, True)
    assert said.grade == "passed"
    assert run_trips_c(bench) <= PAST_PLAN_C


# -- good starts ------------------------------------------------------------------------------------------------------

COUNT = 100
QUICK = 8


@pytest.mark.parametrize("hot", [False, True], ids=["cold", "warm"])
@pytest.mark.parametrize("number", [
    number if number < QUICK else pytest.param(number, marks=pytest.mark.campaign) for number in range(COUNT)])
def test_a_good_start_is_not_refused_and_is_calm_for_twenty_minutes_after(number, hot):
    bench, sensed = good(number, hot)
    said = proven(bench)
    assert (said.grade, said.finding, said.trips) == ("passed", "", ()), said[:4]
    late = bench.board.shape.name == LATE
    assert said.took_s <= (720 if late else 300)
    assert said.took_s <= 60 or not sensed or hot
    began = len(bench.events)
    bench.ticks(AFTER_S)
    wrong = [one for one in bench.events[began:] if one.kind in (Kind.ALARM, Kind.TRIPPED, Kind.GUARD)]
    assert not wrong
    assert bench.state.run is not None and bench.state.run.state is S.RUNNING


# -- what may happen while it goes on ---------------------------------------------------------------------------------

PHASES = [phase for phase in Phase if phase is not Phase.OVER]


def within(phase: Phase) -> Bench:
    """A good proof, some seconds into a phase."""
    bench = Bench("bench", 4, chamber_of("bench", 4, current=False))
    bench.ticks(5)
    bench.start()
    for _ in range(400):
        program = bench.state.run.program if bench.state.run is not None else None
        if isinstance(program, StartProof) and program.phase is phase and program.spent_us >= 3 * US:
            return bench
        bench.tick()
    raise AssertionError(f"it never came to {phase.name}")


def ask(what: Ask) -> Command:
    return Command(what, "invented", PersonRole.MAINTAINER, "x")


def off(bench: Bench) -> bool:
    return not (bench.board.outputs.modulator or bench.board.outputs.contactor)


def proof_of(bench: Bench) -> StartProof:
    assert bench.state.run is not None
    return next(one for one in bench.state.run.programs if isinstance(one, StartProof))


@pytest.mark.parametrize("phase", PHASES)
def test_a_hold_switches_off_and_the_proof_begins_anew_and_passes(phase):
    bench = within(phase)
    bench.tick(ask(Ask.HOLD))
    bench.ticks(2)
    assert off(bench)
    bench.ticks(30)
    assert (proof_of(bench).phase, proof_of(bench).spent_us, off(bench)) == (Phase.REST, 0, True)
    bench.tick(ask(Ask.RESTART))
    for _ in range(400):
        bench.tick()
    assert proof_of(bench).phase is Phase.OVER and not proof_of(bench).finding


@pytest.mark.parametrize("phase", PHASES)
def test_an_open_door_holds_the_proof_and_it_begins_anew_once_a_person_goes_on(phase):
    bench = within(phase)
    bench.board.fault("door_open")
    bench.ticks(1)
    assert off(bench)
    bench.ticks(20)
    bench.board.fault("door_open", on=False)
    bench.ticks(10)
    assert off(bench) and proof_of(bench).phase is Phase.REST
    bench.tick(ask(Ask.RESTART))
    bench.ticks(400)
    assert proof_of(bench).phase is Phase.OVER and not bench.state.latches


ENDS = {
    "stop heating": lambda bench: bench.tick(ask(Ask.STOP_HEATING)),
    "cool down": lambda bench: bench.tick(ask(Ask.COOL_DOWN)),
    "local stop": lambda bench: bench.board.fault("local_stop"),
    "board reset": lambda bench: bench.board.fault("reset"),
}


@pytest.mark.parametrize("how", ENDS)
@pytest.mark.parametrize("phase", PHASES)
def test_what_ends_a_run_ends_its_proof_and_nothing_begins_again(phase, how):
    bench = within(phase)
    ENDS[how](bench)
    bench.ticks(5)
    assert off(bench)
    bench.ticks(120)
    run = bench.state.run
    assert off(bench) and (run is None or run.state in (S.ABORTED, S.IDLE))
    assert (tuple(latch.guard for latch in bench.state.latches) == ("board_changed",)) is (how == "board reset")
    assert not any(one.kind is Kind.START_PROOF for one in bench.events), "a proof that was broken off says nothing"


# -- the record -------------------------------------------------------------------------------------------------------


class Recorded(Bench):
    """Keeps each tick as the service would hand it to the writer."""

    records: list[TickRecord]

    def keep(self, inputs, result) -> None:
        self.records.append(TickRecord(len(self.records) + 1, UTC_US + inputs.mono_us, inputs, result))


@pytest.mark.parametrize("fault", ["", "modulator_half_on"], ids=["passed", "failed"])
def test_a_run_with_a_proof_repeats_bit_for_bit_from_its_record(tmp_path, fault):
    chamber = chamber_of("bench", 4, current=False)
    bench = Recorded("bench", 4, chamber)
    bench.records = []
    bench.ticks(5)
    if fault:
        bench.board.fault(fault)
    said = proven(bench)
    bench.ticks(20)
    bench.tick(ask(Ask.STOP_HEATING))
    bench.ticks(10)
    assert said.grade == ("failed" if fault else "passed")
    writer = Writer(tmp_path / "record.db", None, About("0.1.0", "3.11", "3", True, chamber.board, chamber, {}))
    writer.start()
    for record in bench.records:
        writer.put(record)
    assert writer.close(60.0), writer.failing
    found = replay(tmp_path / "record.db", "1", version="0.1.0")
    assert (found.differing, found.missing, found.note) == (0, 0, "")
    assert found.ticks > said.took_s
