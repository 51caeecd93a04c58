"""The handshake: who is on the line, is it ours, what is said next. A fake board answers, or does not; frames are compared.

Every way to be the wrong board or to lose the right one is a row, in idle and in a run.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from controller.core.commands import Ask
from controller.core.events import Kind
from controller.core.messages import (
    Drive,
    Enable,
    Hello,
    LimitsRead,
    Refusal,
    RefusalCode,
    SetLimits,
    Tell,
    ToBoard,
    Welcome,
)
from controller.core.run_states import S
from controller.core.state import Garbage, LineLost, LineOpened, Notice
from tests.core.ready import idle, pending
from tests.core.world import BOARD_ID, CHAMBER, DEMO, LIMITS, US, Bench, FakeBoard, changed, running, soaking


def kinds(frames: tuple[ToBoard, ...]) -> list[type]:
    return [type(frame) for frame in frames]


def test_a_line_that_opens_is_greeted_with_the_session_number_it_was_given():
    bench = Bench()
    bench.tick()
    assert bench.frames == (Hello(7, 1),)


def test_a_hello_is_repeated_every_two_seconds_until_it_is_answered():
    bench = Bench(board=FakeBoard(mute=True))
    greeted = []
    for second in range(9):
        bench.tick()
        greeted += [second for frame in bench.frames if isinstance(frame, Hello)]
        assert all(isinstance(frame, Hello) for frame in bench.frames)
    assert greeted == [0, 2, 4, 6, 8]


def test_an_answer_is_followed_by_lamps_and_a_drive_that_says_off():
    bench = Bench()
    bench.run(2)
    assert kinds(bench.frames) == [Tell, Drive]
    assert bench.frames[-1] == Drive(7, 3, False, False, 0, 40_000)
    assert [one["board"] for one in bench.said(Kind.BOARD_FOUND)] == [BOARD_ID]


def test_in_idle_a_drive_goes_out_every_tick_and_lamps_every_five_seconds():
    bench = idle()
    told = 0
    for _ in range(60):
        bench.tick()
        assert isinstance(bench.frames[-1], Drive)
        told += Tell in kinds(bench.frames)
    assert told == 12


WRONG = {
    "another board": {"board": "ffffff"},
    "a real board for a simulated chamber": {"simulated": False},
}


@pytest.mark.parametrize("how", WRONG)
def test_a_board_that_is_not_this_chambers_is_refused_and_told_nothing(how):
    bench = Bench(board=FakeBoard(**WRONG[how]))
    bench.run(30)
    assert not bench.state.board.accepted
    assert bench.said(Kind.BOARD_REFUSED) == [{
        "board": WRONG[how].get("board", BOARD_ID), "expected": BOARD_ID, "simulated": WRONG[how].get("simulated", True),
    }]
    assert not bench.said(Kind.BOARD_FOUND)
    assert bench.frames == ()
    assert bench.ask_start().fields["code"] == "board_absent"


def test_a_stranger_who_answers_in_a_run_takes_the_permit():
    bench = soaking()
    session = bench.state.board.session
    bench.tick(notices=[Welcome("ffffff", 1, session, "0.1", "0" * 8, 0, True)])
    assert not bench.state.permit
    assert bench.frames == ()


def test_a_simulated_board_for_a_real_chamber_is_refused():
    bench = Bench(chamber=changed(CHAMBER, simulated=False))
    bench.run(5)
    assert bench.said(Kind.BOARD_REFUSED)[0]["simulated"] is True
    assert not bench.state.board.accepted


def test_a_welcome_for_another_session_is_nobodys():
    bench = Bench(board=FakeBoard(mute=True))
    bench.tick()
    bench.tick(notices=[Welcome(BOARD_ID, 1, 99, "0.1", "0" * 8, 0, True), LimitsRead(99, 1, 1, 1, 1)])
    assert bench.state.board.welcome is None
    assert bench.state.board.limits is None


def test_a_start_opens_a_fresh_session_sends_its_limits_and_enables_last():
    bench = idle()
    sent: list[ToBoard] = []
    bench.ask_start(DEMO)
    sent += bench.frames
    bench.board.says["arm"] = True
    for _ in range(5):
        bench.tick()
        sent += bench.frames
    first = [frame for frame in sent if not isinstance(frame, Tell | Drive)]
    assert first == [
        Hello(8, 1), SetLimits(8, first[1].sequence, None, 105_000 + LIMITS.run_margin_mc, 20 * 3_600),
        Enable(8, first[2].sequence),
    ]
    assert all(frame.session == 8 for frame in sent)
    heated = next(frame for frame in sent if isinstance(frame, Drive) and frame.permit)
    assert heated.sequence > first[2].sequence - 1


def test_no_run_begins_before_the_board_reads_its_limits_back():
    bench = idle()
    bench.ask_start()
    bench.board.says["arm"] = True
    bench.board.receive = lambda frames: [
        answer for frame in frames for answer in FakeBoard._obey(bench.board, frame)
        if not isinstance(answer, LimitsRead) or answer.run_ceiling_mc > 112_000
    ]
    bench.run(10)
    assert bench.run_state is S.IDLE
    assert not bench.heats


def test_limits_are_sent_again_every_two_seconds_until_they_are_read_back():
    bench = pending()
    lost, obey = [], bench.board._obey

    def deaf_to_limits(frame: ToBoard) -> list[Notice]:
        if isinstance(frame, SetLimits):
            lost.append(bench.now_us)
            return []
        return obey(frame)

    bench.board._obey = deaf_to_limits
    bench.run(10)
    assert len(lost) >= 4
    assert {after - before for before, after in itertools.pairwise(lost)} == {2 * US}


def test_a_stored_ceiling_above_the_chamber_files_is_lowered_and_one_below_is_left():
    high = Bench(board=FakeBoard(limits=[140_000, 140_000, 86_400]))
    high.run(5)
    assert high.board.limits[0] == LIMITS.board_ceiling_mc
    low = Bench(board=FakeBoard(limits=[120_000, 120_000, 86_400]))
    low.run(5)
    assert low.board.limits[0] == 120_000
    low.ask_start()
    low.press_arm()
    low.until(lambda bench: bench.state.pending is None, 20)
    assert low.run_state is S.IDLE, "the file and the board disagree, so nothing starts"


@pytest.mark.parametrize("field", ["board_ceiling_mc", "run_ceiling_mc", "run_max_s", "silence_us"])
def test_limits_that_differ_in_a_run_trip_it_whichever_differs(field):
    bench = soaking()
    bench.board.mute = False
    read = bench.board.read()
    bench.board.read = lambda: read._replace(**{field: getattr(read, field) + 1})
    bench.tick(notices=[bench.board.read()])
    assert not bench.heats, "the permit goes at once"
    bench.run(4)
    assert bench.latched == ("limits_differ",)


def test_a_limit_that_differs_is_told_with_both_values():
    bench = soaking()
    read = bench.board.read()
    bench.board.read = lambda: read._replace(board_ceiling_mc=read.board_ceiling_mc - 5_500)
    bench.tick(notices=[bench.board.read()])
    bench.run(4)
    held_c, wanted_c = (read.board_ceiling_mc - 5_500) / 1000, read.board_ceiling_mc / 1000
    assert bench.state.latches[0].detail == f"board ceiling: {held_c:g} °C in the board, {wanted_c:g} °C wanted"


# -- what may happen to the line ------------------------------------------------------------------------------------------


def power_cut(bench: Bench) -> None:
    bench.board.reset()


def taken_over(bench: Bench) -> None:
    """Somebody else's hello."""
    bench.board.receive([Hello(4_711, 1)])
    bench.notices.clear()


def reopened(bench: Bench) -> None:
    bench.notices += [LineLost("pulled"), LineOpened(30)]


def reopened_after_a_while(bench: Bench) -> None:
    bench.tick(notices=[LineLost("pulled")])
    bench.run(2)
    bench.notices.append(LineOpened(30))


CHANGES: dict[str, Callable[[Bench], None]] = {
    "the board was reset": power_cut, "another session took it over": taken_over, "the line was reopened": reopened,
    "the line was away for a while": reopened_after_a_while,
}


@pytest.mark.parametrize("how", CHANGES)
def test_in_idle_a_changed_line_is_greeted_anew_and_all_is_well_again(how):
    bench = idle()
    CHANGES[how](bench)
    bench.run(8)
    assert bench.state.board.accepted
    assert not bench.latched
    bench.ask_start()
    bench.press_arm()
    bench.until(lambda one: one.run_state is S.RUNNING and one.board.heating, 10)


@pytest.mark.parametrize("how", CHANGES)
def test_in_a_run_a_changed_line_trips_and_is_not_enabled_again(how):
    bench = soaking()
    CHANGES[how](bench)
    for _ in range(12):
        bench.tick()
        assert Enable not in kinds(bench.frames)
        assert not bench.board.heating
    assert bench.latched[0] in ("board_changed", "board_silent")
    assert bench.run_state is S.ABORTED


def test_a_board_that_restarts_says_so_once():
    bench = idle()
    bench.board.reset()
    bench.run(8)
    assert bench.said(Kind.BOARD_BOOTED) == [{"boot": 2, "before": 1}]


def test_a_lost_line_is_an_event_and_sends_nothing():
    bench = idle()
    bench.cut = True
    bench.tick(notices=[LineLost("the adapter is gone")])
    assert bench.said(Kind.BOARD_LOST) == [{"reason": "the adapter is gone"}]
    for _ in range(30):
        bench.tick()
        assert bench.frames == ()


def test_a_line_lost_in_a_run_trips_on_silence():
    bench = soaking()
    bench.cut = True
    bench.tick(notices=[LineLost("the adapter is gone")])
    assert not bench.state.permit
    bench.until(lambda one: one.latched == ("board_silent",), 6)
    bench.until(lambda one: one.run_state is S.ABORTED, 65)


def test_a_run_whose_board_falls_silent_right_at_its_beginning_trips_too():
    bench = idle()
    bench.ask_start()
    bench.board.says["arm"] = True
    bench.until(lambda one: one.run_state is S.RUNNING, 8)
    bench.cut = True
    bench.until(lambda one: one.latched == ("board_silent",), 8)


@pytest.mark.parametrize("lines", [0, 400])
def test_what_does_not_answer_in_ten_seconds_is_said_to_be_no_board_once(lines):
    bench = Bench(board=FakeBoard(mute=True))
    bench.cut = True
    bench.notices = [LineOpened(7)]
    bench.tick()
    opened = bench.now_us
    for _ in range(40):
        bench.tick(notices=[Garbage(lines // 10)] if lines and bench.now_us < 11 * US else [])
        assert bool(bench.said(Kind.NOT_A_BOARD)) is (bench.now_us - opened >= 10 * US)
    assert len(bench.said(Kind.NOT_A_BOARD)) == 1
    assert "10 s" in bench.said(Kind.NOT_A_BOARD)[0]["reason"]
    assert len(bench.said(Kind.GAP)) == (1 if lines else 0)


def test_what_was_wrong_with_a_bad_line_is_told_to_whoever_builds_a_board():
    bench = idle()
    bench.tick(notices=[Garbage(1, "k is '00110'"), Garbage(2, "k is '0011'; allowed is 3 flags")])
    assert bench.said(Kind.GAP)[-1]["what"] == "bad lines, the last: k is '0011'; allowed is 3 flags"
    assert bench.said(Kind.GAP)[-1]["count"] == 3


def test_bad_lines_are_counted_and_told_once_a_minute():
    bench = idle()
    for _ in range(180):
        bench.tick(notices=[Garbage(2)])
    counts = [one["count"] for one in bench.said(Kind.GAP) if one["what"] == "bad lines"]
    assert len(counts) == 3
    assert sum(counts) <= 360
    assert bench.state.board.accepted


@pytest.mark.parametrize("code", [*RefusalCode, 99])
def test_what_the_board_refuses_is_told_in_words(code):
    bench = idle()
    bench.tick(notices=[Refusal(7, 3, int(code))])
    told = bench.said(Kind.BOARD_REFUSES)[-1]
    assert (told["code"], told["sequence"]) == (int(code), 3)
    assert told["words"]


def test_off_leaves_both_switches_open_and_a_permit_keeps_the_contactor_in():
    bench = running()
    for _ in range(30):
        bench.tick()
        assert bench.drive.contactor is bench.drive.permit is True
    bench.ask(Ask.STOP_HEATING)
    assert bench.drive[2:] == (False, False, 0, 40_000)
