"""One message a cause: chatter, floods, silence, restarts. Time is passed in.

EEMUA 191 (figures as trade articles quote them): about one alarm in ten minutes is manageable, ten in ten minutes are a
flood.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.guards import GUARDS, INDEX
from controller.messenger.memory import (
    FIRST_US,
    QUIET_US,
    SILENT_US,
    WINDOW_MAX,
    WINDOW_US,
    Memory,
    Told,
    heard,
    restarted,
    silent,
)
from controller.messenger.notices import Seen
from controller.messenger.words import CALM_AGAIN, NEED_OF, Need, clock
from tests.messenger.moments import ABSENT, S1, alarm, ended, idle, latch, running

IN_RUN = Memory(seen=Seen(known=True, run="27"), told=(Told("began 27", 0, told=True),), name="Bench", busy=True)
CALM, DOOR = running(), running(alarms=[alarm("door")])


def lived(moments: list, memory: Memory = IN_RUN, every_us: int = S1) -> tuple[Memory, list]:
    told = []
    for number, now in enumerate(moments):
        memory, notices = heard(memory, now, number * every_us)
        told += notices
    return memory, told


def test_an_alarm_that_comes_and_goes_ten_times_in_ten_minutes_makes_two_messages():
    _, told = lived(([DOOR] * 30 + [CALM] * 30) * 10)
    assert len(told) == 2
    assert told[1].what.startswith("The door is open. It has come back: 3 times now.")
    assert "last message about it until" in told[1].do


@given(st.lists(st.booleans(), min_size=1, max_size=600))
def test_however_it_chatters_within_ten_minutes_there_are_at_most_two(pattern):
    _, told = lived([DOOR if one else CALM for one in pattern])
    assert len(told) <= 2
    assert bool(told) is any(pattern)


def test_what_comes_back_and_stays_is_told_again():
    _, told = lived([DOOR] * 10 + [CALM] * 60 + [DOOR] * 120)
    assert [one.what for one in told] == ["The door is open.", "The door is open. It has come back: 2 times now."]


def test_what_comes_back_after_long_is_news():
    quiet = QUIET_US // S1 + 2
    _, told = lived([DOOR] * 3 + [CALM] * quiet + [DOOR] * 3)
    assert [one.what for one in told] == ["The door is open."] * 2


def test_what_stands_for_hours_is_told_once():
    _, told = lived([DOOR] * 400, every_us=60 * S1)
    assert len(told) == 1


def test_a_reading_that_is_old_for_a_moment_is_not_told():
    stale = running(alarms=[alarm("reading_stale")])
    assert lived([stale] * 4 + [CALM] * 4 + [stale] * 4)[1] == []
    assert len(lived([stale] * 7)[1]) == 1


FLOOD = ["door", "check_in_overdue", "mains_gone", "air_above_band", "tick_late", "record_failing", "reading_stale"]


def test_a_flood_of_what_can_wait_ends_in_one_message_that_holds_the_rest():
    moments = [running(alarms=[alarm(guard) for guard in FLOOD[:number // 20 + 1]]) for number in range(20 * len(FLOOD))]
    memory, told = lived(moments)
    assert len(told) == WINDOW_MAX and len(memory.held) == len(FLOOD) - WINDOW_MAX
    memory, notices = heard(memory, moments[-1], WINDOW_US + 30 * S1)
    (bundle,) = notices
    assert bundle.what.startswith("2 more things happened. ") and "The newest reading is old." in bundle.what
    assert bundle.need is Need.CAN_WAIT and memory.held == ()


def flooded(*last) -> tuple[Memory, int]:
    """Five messages have gone out, and what `last` tells is held back; with the second at which that is so."""
    moments = [running(alarms=[alarm(guard) for guard in FLOOD[:number // 20 + 1]]) for number in range(20 * WINDOW_MAX)]
    memory, told = lived([*moments, *last])
    assert len(told) == WINDOW_MAX and memory.held
    return memory, len(moments) + len(last)


def later(now, seconds: int):
    return {**now, "utc_us": now["utc_us"] + seconds * S1}


STOOD = [alarm(guard) for guard in FLOOD[:WINDOW_MAX]]
MAY_LEAVE = running(leave={"may": True}, alarms=STOOD)


def test_advice_that_is_no_longer_so_when_its_turn_comes_is_dropped_and_what_still_is_keeps_its_time():
    memory, _ = flooded(MAY_LEAVE)
    (held,) = memory.held
    assert "You may leave" in held.what and held.utc_us == MAY_LEAVE["utc_us"]
    assert heard(memory, later(running(alarms=STOOD), 2400), 2400 * S1).notices == (), "held since: it may not be left"
    _, (notice,) = heard(memory, later(MAY_LEAVE, 2400), 2400 * S1)
    assert notice == held, "with the time at which it was so first"


def test_what_needs_a_person_is_told_also_when_it_has_gone_and_each_in_a_bundle_has_its_time_and_what_to_do():
    more = running(alarms=[*STOOD, alarm(FLOOD[5])])
    both = later(running(alarms=[*STOOD, alarm(FLOOD[5]), alarm(FLOOD[6])]), 60)
    memory, _ = flooded(*[more] * 8, *[both] * 8)
    _, (bundle,) = heard(memory, later(running(alarms=[*STOOD, alarm(FLOOD[6])]), 2400), 2400 * S1)
    first, second = (GUARDS[INDEX[one]] for one in FLOOD[5:])
    assert f"{clock(more['utc_us'], more['utc_us'])}: {first.cause} It has gone since. " in bundle.what
    assert f"{clock(both['utc_us'], both['utc_us'])}: {second.cause}" in bundle.what and bundle.what.count("gone since") == 1
    assert " ".join(second.do) in bundle.do and not ABSENT.search(f"{bundle.what} {bundle.done} {bundle.do}")


def test_a_flood_holds_back_nothing_that_is_urgent():
    memory, _ = lived([running(alarms=[alarm(guard) for guard in FLOOD])] * 10)
    _, notices = heard(memory, running(alarms=[alarm(guard) for guard in FLOOD], latches=[latch("smoke")]), 20 * S1)
    assert [one.need for one in notices] == [Need.GET_OUT]


def test_a_controller_that_falls_silent_in_a_run_gets_somebody_up_and_is_told_when_it_is_back():
    memory, early = silent(IN_RUN, SILENT_US - 1, 14 * S1)
    memory, (notice,) = silent(memory, SILENT_US, 15 * S1)
    assert early == () and notice.need is Need.GET_UP and "in the middle of a run" in notice.what
    assert silent(memory, 20 * S1, 20 * S1).notices == ()
    memory, first = heard(memory, CALM, 30 * S1)
    memory, (back,) = heard(memory, CALM, 36 * S1)
    assert first == () and back.what == "The controller is heard again."
    assert heard(memory, CALM, 60 * S1).notices == ()


@pytest.mark.parametrize(("now", "need", "words"), [
    (ended("aborted", "", latches=[latch("smoke")]), Need.GET_OUT, "Tripped: The smoke contact"),
    (ended("aborted", "", latches=[latch("ended_in_a_run")]), NEED_OF[GUARDS[INDEX["ended_in_a_run"]].urgency], "Tripped: "),
    (DOOR, Need.CAN_WAIT, "The door is open."), (ended("aborted", "", still_on=True), Need.GET_UP, "The heat is still on")],
    ids=["smoke", "ended in a run", "door", "still on"])
@pytest.mark.parametrize("before", [False, True], ids=["new", "told before the silence"])
def test_what_is_heard_again_asks_for_what_stands_now(now, need, words, before):
    memory = heard(IN_RUN, now, 0).memory if before else IN_RUN
    memory, _ = silent(memory, SILENT_US, 15 * S1)
    memory, first = heard(memory, now, 30 * S1)
    _, later = heard(memory, now, 36 * S1)
    [back] = [one for one in (*first, *later) if one.what.startswith("The controller is heard again.")]
    assert back.need is need and words in back.what and CALM_AGAIN not in back.do


def test_whoever_is_told_of_silence_again_is_told_of_the_return_again():
    memory, told = IN_RUN, []
    for minute in range(8):  # a minute of silence, a minute of life
        for second in range(0, 60, 5):
            memory, notices = silent(memory, SILENT_US + second * S1, (minute * 120 + second) * S1)
            told += notices
        for second in range(60, 120, 5):
            memory, notices = heard(memory, CALM, (minute * 120 + second) * S1)
            told += notices
    said = ["back" if "again" in one.what and "heard" in one.what and "not" not in one.what else "silent" for one in told]
    assert said == ["silent", "back", "silent", "back"], "and then no more until it has been well for ten minutes"


def test_silence_with_nothing_on_is_for_information():
    memory, _ = heard(Memory(seen=Seen(known=True)), idle(), 0)
    _, (notice,) = silent(memory, SILENT_US, 20 * S1)
    assert notice.need is Need.FOR_INFORMATION


def test_a_controller_that_was_never_heard_gets_a_minute_to_start():
    memory, none = silent(Memory(), FIRST_US - 1, 59 * S1)
    assert none == () and len(silent(memory, FIRST_US, 60 * S1).notices) == 1


def test_silence_forgets_nothing_of_what_was_true():
    memory, _ = heard(IN_RUN, DOOR, 0)
    memory, _ = silent(memory, 1000 * S1, 1000 * S1)
    assert heard(memory, DOOR, 1001 * S1).notices == ()


def test_after_a_restart_of_this_program_nothing_is_told_twice():
    memory, _ = heard(IN_RUN, DOOR, 10**15)
    memory = restarted(memory, 5)
    assert heard(memory, DOOR, 6).notices == ()
    memory, _ = heard(memory, CALM, 7)
    assert heard(memory, DOOR, 8).notices == (), "gone for a microsecond is not over"


def test_a_run_that_began_and_ended_while_nobody_told_is_told_by_its_end():
    memory = restarted(Memory(seen=Seen(known=True)), 0)
    _, (notice,) = heard(memory, {**running({"state": "complete"}), "heat_off": True}, 1)
    assert "is complete" in notice.what
