"""The tick over a module: no hello is answered, no boot id and no limits are known, and none is made up. What ends the heat on
silence is asked for instead, and every rule that still makes sense is kept.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import pytest

from controller.core import canonical
from controller.core.commands import Ask
from controller.core.events import Kind
from controller.core.guards import INDEX
from controller.core.messages import Drive, Enable, Hello, LimitsRead, OffReason, SetLimits, ToBoard, Welcome
from controller.core.module import PROOF_MORE_US, Module, ModuleFound, Proving, SilenceProof
from controller.core.run_states import S
from controller.core.setup import Chamber, Level
from controller.core.state import Inputs, LineLost, LineNotice, LineOpened, State
from controller.core.tick import advance
from controller.core.watch import QUIET
from tests.core.world import CHAMBER, DEMO, SOAK_AT_105, US, Bench, FakeBoard, changed

OWN = Module(False, 2 * US, 3 * US, 0)
BY_COIL = Module(True, 2 * US, 3 * US, 0)
BY_RELAY = Module(False, 2 * US, 0, 4 * US)
NOTHING = Module(False, 2 * US, 0, 0)
ID = "TEST01/1"


def over(module: Module = OWN, **more: Any) -> Chamber:
    return changed(CHAMBER, board=ID, simulated=False, may_do=Level.IN_THE_BUILDING, module=module, **more)


@dataclass
class FakeModule(FakeBoard):
    """What the line to a module says, in a few lines: it is enabled by the line, its silence proven if it must be."""

    board: str = ID
    boot: int = 0
    time_out_us: int = 3 * US
    wrong: str = ""
    proves: bool | None = None
    """How a timer relay's proof comes out; None: there is nothing to prove."""

    def _obey(self, frame: ToBoard) -> list[LineNotice]:
        if isinstance(frame, Hello):
            self.session, self.enabled, self.permit, self.heard = frame.session, False, False, frame.sequence
            return [ModuleFound(self.board, frame.session, self.time_out_us, self.wrong)]
        assert not isinstance(frame, SetLimits), "a module keeps no limits"
        if isinstance(frame, Enable) and frame.session == self.session and self.proves is not None and not self.enabled:
            self.heard, self.enabled, self.driven_us = frame.sequence, self.proves, self.up_us
            return [SilenceProof(self.session, self.proves, 4 * US * self.proves, "seen" if self.proves else "still closed")]
        return super()._obey(frame)


def bench(module: Module = OWN, **board: Any) -> Bench:
    return Bench(over(module), FakeModule(time_out_us=module.time_out_us, **board))


def begun(one: Bench, **start: Any) -> Bench:
    one.run(4)
    answer = one.ask_start(DEMO, Level.IN_THE_BUILDING, **start)
    assert answer.kind is Kind.COMMAND_ACCEPTED, answer
    one.press_arm()
    return one


def heating(module: Module = OWN, **board: Any) -> Bench:
    one = begun(bench(module, **board))
    one.until(lambda it: it.run_state is S.RUNNING and it.heats, 10)
    return one


def test_a_module_is_taken_by_its_id_and_what_it_lacks_stands_in_the_event():
    one = bench()
    one.run(3)
    assert one.state.board.accepted and one.state.board.welcome is None and one.state.board.limits is None
    (said,) = one.said(Kind.MODULE_FOUND)
    assert said["board"] == ID and said["silence"] == "its own time-out of 3 s, read back"
    assert all(lack in said["not_fitted"] for lack in ("hello", "boot id", "board limits"))
    assert not one.said(Kind.BOARD_FOUND)


def test_a_run_heats_without_limits_or_boot_id_and_nothing_stands():
    one = heating()
    one.run(120)
    assert one.heats and not one.state.alarms and not one.latched
    assert one.state.values[INDEX["limits_differ"]] == QUIET


WRONG = {
    "another module": (OWN, {"board": "OTHER/1"}, "is not this chamber's"),
    "a time-out that is not held": (OWN, {"time_out_us": 0}, "reads back as 0 s, and the chamber file says 3 s"),
    "outputs that stay on": (OWN, {"wrong": "its outputs do not read back off"}, "do not read back off"),
    "nothing that ends its heat": (NOTHING, {}, "nothing ends the heat when this computer is silent"),
}


@pytest.mark.parametrize("how", WRONG)
def test_a_module_that_may_not_heat_is_refused_once_in_words_and_gets_no_start(how):
    module, board, words = WRONG[how]
    one = Bench(over(module), FakeModule(**{"time_out_us": module.time_out_us, **board}))
    one.run(9)
    told = one.said(Kind.MODULE_REFUSED)
    assert len({fields["reason"] for fields in told}) == 1 and words in told[0]["reason"]
    assert not one.state.board.accepted and all(isinstance(frame, Hello) for frame in one.frames)
    refused = one.ask_start(DEMO, Level.IN_THE_BUILDING).fields
    assert refused["code"] == "board_absent" and words in refused["reason"]


def test_a_simulated_chamber_never_uses_a_module():
    one = Bench(changed(over(), simulated=True), FakeModule())
    one.run(5)
    assert not one.state.board.accepted


def test_a_board_that_answers_on_a_modules_line_is_nobodys_and_the_other_way_round():
    one = bench()
    one.run(3)
    session = one.state.board.session
    one.tick(notices=[Welcome(ID, 1, session, "0.1", "0" * 8, 0, False), LimitsRead(session, 1, 1, 1, 1)])
    assert one.state.board.welcome is None and one.state.board.limits is None and one.state.board.accepted
    board = Bench()
    board.run(3)
    board.tick(notices=[ModuleFound(CHAMBER.board, board.state.board.session, 0, "")])
    assert not board.state.board.accepted


def test_a_start_opens_a_fresh_session_and_waits_for_the_enable():
    one = bench()
    one.run(4)
    before = one.state.board.session
    one.ask_start(DEMO, Level.IN_THE_BUILDING)
    frames: list[ToBoard] = list(one.frames)
    one.board.says["arm"] = True
    for _ in range(6):
        one.tick()
        frames += one.frames
    assert isinstance(frames[0], Hello) and frames[0].session != before
    kinds = [type(frame) for frame in frames]
    assert kinds.index(Enable) < next(at for at, frame in enumerate(frames) if isinstance(frame, Drive) and frame.permit)
    assert one.run_state is S.RUNNING


def test_a_timer_relay_is_proven_before_each_run_and_that_stands_in_the_record():
    one = heating(BY_RELAY, proves=True)
    assert [said["passed"] for said in one.said(Kind.SILENCE_PROOF)] == [True]
    one.ask(Ask.STOP_HEATING)
    one.until(lambda it: it.run_state is S.ABORTED, 10)
    one.ask(Ask.RESET)
    begun(one, run_id="28")
    one.until(lambda it: it.heats, 10)
    assert [said["passed"] for said in one.said(Kind.SILENCE_PROOF)] == [True, True]


def proving(module: Module = BY_RELAY, **says: Any) -> Bench:
    """A contactor that the line says it holds closed for a proof, from now on."""
    one = bench(module)
    one.run(4)
    one.board.says |= {"contactor": True, **says}
    one.tick(notices=[Proving(one.state.board.session, one.board.up_us)])
    return one


def test_a_contactor_held_closed_for_a_proof_is_not_a_welded_one():
    one = proving()
    one.run(7)
    assert not one.latched
    one.tick(notices=[Proving(one.state.board.session, -1)])
    one.run(5)
    assert "switch_stays_closed" in one.latched, "once the proof is over it must open"


NO_EXCUSE = {
    "a modulator": (BY_RELAY, {"modulator": True, "contactor": False}, "switch_stays_closed"),
    "heat": (BY_RELAY, {"current_ma": 5_000}, "heat_stays_on"),
    "a module without a timer relay": (OWN, {}, "switch_stays_closed"),
}


@pytest.mark.parametrize("how", NO_EXCUSE)
def test_a_proof_excuses_the_contactor_of_a_timer_relay_alone(how):
    module, says, guard = NO_EXCUSE[how]
    one = proving(module, **says)
    one.run(5)
    assert guard in one.latched


def test_a_proof_that_never_ends_is_believed_for_the_relays_time_and_a_margin():
    one = proving()
    one.run((BY_RELAY.timer_relay_us + PROOF_MORE_US) // US - 1)
    assert not one.latched
    one.run(6)
    assert "switch_stays_closed" in one.latched


def test_a_proof_of_another_session_excuses_nothing():
    one = proving()
    one.tick(notices=[Proving(one.state.board.session, -1), Proving(one.state.board.session + 1, one.board.up_us)])
    one.run(5)
    assert "switch_stays_closed" in one.latched


def test_a_timer_relay_that_is_not_proven_is_no_run():
    one = begun(bench(BY_RELAY, proves=False))
    one.run(3)
    assert one.run_state is S.IDLE and one.state.pending is None
    assert "still closed" in one.said(Kind.START_LAPSED)[0]["reason"]
    assert one.said(Kind.COMMAND_REFUSED)[-1]["code"] == "silence_not_proven"


def test_without_a_proof_of_this_session_there_is_no_permit_whatever_the_line_says():
    """Even a line that reports itself enabled: the tick has its own gate."""
    one = begun(bench(BY_RELAY, proves=None))
    for _ in range(40):
        one.tick()
        assert not one.heats and one.run_state is S.IDLE
    assert "within 30 s" in one.said(Kind.START_LAPSED)[0]["reason"]


def test_a_proof_that_fails_in_a_run_takes_the_permit():
    one = heating(BY_RELAY, proves=True)
    one.run(10)
    one.tick(notices=[SilenceProof(one.state.board.session, False, 0, "still closed")])
    assert not one.heats


def test_a_start_that_the_module_never_gets_ready_for_is_taken_back_after_half_a_minute():
    one = bench()
    one.board.says["enabled"] = False
    begun(one)
    one.run(33)
    assert one.run_state is S.IDLE and "within 30 s" in one.said(Kind.START_LAPSED)[0]["reason"]


def test_a_session_that_the_line_has_dropped_ends_the_run():
    one = heating()
    one.board.says["session"] = 0
    one.run(3)
    assert "board_changed" in one.latched and not one.heats


def test_a_session_dropped_at_rest_is_greeted_anew():
    one = bench()
    one.run(3)
    before = one.state.board.session
    one.board.session = 0
    one.run(4)
    assert one.state.board.session not in (0, before) and one.state.board.accepted


def test_an_output_that_reads_otherwise_than_told_is_a_trip():
    one = heating()
    one.board.says["off"] = OffReason.OUTPUT
    one.run(4)
    assert one.latched[0] == "board_switched_off"


def test_a_silent_module_is_no_heat_and_then_a_trip():
    one = heating()
    one.cut = True
    one.run(3)
    assert not one.heats
    one.run(3)
    assert one.latched[0] == "board_silent"


def test_after_a_trip_heat_needs_a_clear_a_start_and_a_fresh_enable():
    one = heating()
    one.board.says["smoke"] = True
    one.run(1)
    assert one.latched and not one.heats
    del one.board.says["smoke"]
    one.until(lambda it: it.run_state is S.ABORTED, 10)
    one.ask(Ask.CLEAR, name="smoke")
    one.run(10)
    assert not one.heats and not any(isinstance(frame, Enable) for frame in one.frames)


def test_a_line_that_is_lost_and_opened_needs_a_new_greeting():
    one = bench()
    one.run(3)
    one.tick(notices=[LineLost("unplugged")])
    assert not one.state.board.accepted
    one.tick(notices=[LineOpened(99)])
    assert isinstance(one.frames[0], Hello) and one.frames[0].session == 99


def test_a_coil_is_switched_by_the_tick_between_nothing_and_full():
    one = Bench(over(BY_COIL), FakeModule(air_mc=60_000.0, room_mc=22_000.0))
    one.run(4)
    one.ask_start(SOAK_AT_105, Level.IN_THE_BUILDING)
    one.press_arm()
    one.until(lambda it: it.heats, 10)
    told, asked = [], []
    for _ in range(400):
        one.tick()
        assert one.drive is not None
        told.append(one.drive.duty_e4)
        asked.append(one.state.regulator.duty_e4)
    assert set(told) == {0, 10_000}
    edges = sum(after > before for before, after in itertools.pairwise(told))
    assert edges <= 400 // 40 + 1, "one pulse a window"
    assert sum(told) == pytest.approx(sum(asked), rel=0.1)


def test_an_extra_tick_moves_no_edge_but_ends_the_heat():
    one = heating(BY_COIL)
    one.until(lambda it: it.drive is not None and it.drive.duty_e4 > 0, 60)
    before = one.state.modulation
    one.tick(us=1_000, extra=True)
    assert one.state.modulation == before
    one.tick(one.command(Ask.STOP_HEATING), us=1_000, extra=True)
    assert one.drive is not None and one.drive.duty_e4 == 0 and not one.state.modulation.on


def test_what_a_module_run_remembers_is_read_back_exactly_and_goes_on_alike():
    one = heating(BY_COIL)
    one.run(30)
    again = canonical.load(State, canonical.dump(one.state))
    assert again == one.state and again.chamber.module == BY_COIL
    inputs = Inputs(one.now_us + US, (one.board.report(),), ())
    assert advance(again, inputs).outputs == advance(one.state, inputs).outputs


def test_a_state_of_an_older_program_is_a_boards():
    data = canonical.dump(Bench().state)
    del data["modulation"], data["chamber"]["module"], data["board"]["module"], data["board"]["proof"]
    assert canonical.load(State, data).chamber.module is None


def test_what_does_not_answer_is_said_in_a_modules_words():
    one = Bench(over(), FakeModule(mute=True))
    one.cut = True
    one.run(12)
    assert one.said(Kind.NOT_A_BOARD)[0]["reason"].startswith("No welcome within 10 s")
