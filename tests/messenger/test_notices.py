"""What is worth a message. Each row: what was remembered, the snapshot, and what is told; told again, nothing is."""

from __future__ import annotations

import pytest

from controller.core.guards import GUARDS, Action
from controller.messenger import beats
from controller.messenger.memory import Memory, Told, heard
from controller.messenger.notices import Seen, causes
from controller.messenger.words import LOCAL, Need, clock, day
from tests.messenger.moments import ABSENT, S1, UTC, alarm, ended, idle, latch, running

KNOWN = Memory(seen=Seen(known=True))
IN_RUN = Memory(seen=Seen(known=True, run="27"), told=(Told("began 27", 0, told=True),))
NAMED = Memory(seen=Seen(known=True, named="27", named_utc_us=UTC))
STOP = {"by": "Anna", "accepted_utc_us": UTC + 4 * S1, "off_seen_utc_us": UTC + 5 * S1}
LEAVE = {"may": True, "words": "", "in_us": None}

TOLD = {
    "run began": (KNOWN, running(), Need.FOR_INFORMATION, "A run has begun: ASA slow."),
    "named start began": (NAMED, running(), Need.FOR_INFORMATION, "The start named for "),
    "named start came to nothing": (NAMED, idle(), Need.CAN_WAIT, "came to nothing."),
    "named start taken back": (NAMED, idle(stop=STOP), Need.FOR_INFORMATION, "was taken back by Anna."),
    "named start came to nothing, and why": (NAMED, idle(stop=STOP, lapsed={"reason": "Nobody pressed the arm button."}),
                                             Need.CAN_WAIT, "came to nothing. Nobody pressed the arm button."),
    "may leave": (IN_RUN, running({"elapsed_us": 1800 * S1}, leave=LEAVE), Need.FOR_INFORMATION, "followed the plan"),
    "complete": (IN_RUN, ended(), Need.FOR_INFORMATION, "ASA slow is complete."),
    "ended early": (IN_RUN, ended("stopped", "Cooled down early by Anna."), Need.FOR_INFORMATION, "early by Anna."),
    "stopped by a person": (IN_RUN, ended("aborted", "Heat stopped by Anna.", stop=STOP), Need.CAN_WAIT,
                            "ASA slow was stopped before its end. Heat stopped by Anna."),
    "end not watched": (IN_RUN, idle(), Need.CAN_WAIT, "Run 27 is over"),
    "trip": (IN_RUN, ended("aborted", "", latches=[latch("ceiling")]), Need.GET_UP, "Tripped: A sensor reached"),
    "smoke": (IN_RUN, ended("aborted", "", latches=[latch("smoke")]), Need.GET_OUT, "Tripped: The smoke contact"),
    "heat still on": (IN_RUN, ended("aborted", "", latches=[latch("heat_stays_on")], still_on=True), Need.GET_UP,
                      "The heat is still on though it is switched off."),
    "door": (IN_RUN, running(alarms=[alarm("door")]), Need.CAN_WAIT, "The door is open."),
    "check-in": (IN_RUN, running(alarms=[alarm("check_in_overdue")]), Need.CAN_WAIT, "The check-in is overdue."),
    "board lost": (IN_RUN, ended("aborted", "", latches=[latch("board_silent")]), Need.GET_UP, "The board is silent."),
}


@pytest.mark.parametrize("name", TOLD)
def test_it_is_told_once(name):
    before, now, need, words = TOLD[name]
    memory, notices = heard(before, now, 0)
    (notice,) = notices
    assert words in notice.what and notice.need is need
    assert heard(memory, now, S1).notices == ()


def test_a_person_reads_when_the_stop_was_accepted_and_the_heat_seen_off():
    _, (notice,) = heard(IN_RUN, ended("aborted", "Heat stopped by Anna.", stop=STOP), 0)
    assert "The stop was accepted at " in notice.done and "the heat was seen off at " in notice.done


def test_an_end_says_how_long_the_soaks_were_in_band():
    hour_us, soak = 3600 * S1, {"kind": "soak", "soak_us": 8 * 3600 * S1}
    segments = [{"kind": "ramp", "soak_us": 0}, soak, {"kind": "cool", "soak_us": 0}]
    memory = IN_RUN
    for segment, counted_us in [(0, 0), (1, hour_us), (1, 7 * hour_us)]:
        memory, _ = heard(memory, running({"segments": segments, "segment": segment, "counted_us": counted_us}), 0)
    over = ended("aborted", "Heat stopped by Anna.")
    over["run"] |= {"segments": segments, "segment": 1, "counted_us": 0}
    _, (notice,) = heard(memory, over, S1)
    assert notice.done == "The heat is seen off. It was in band for 7 h 0 min of the 8 h 0 min that its soaks should last."
    over["heat_off"] = False
    memory, none = heard(memory, over, S1)
    assert none == () and "for 7 h 0 min" in heard(memory, over, 9 * S1).notices[0].done


@pytest.mark.parametrize(("state", "segment"), [("complete", 1), ("complete", 2), ("aborted", 2)])
def test_a_soak_that_ended_by_its_count_has_the_whole_of_it_however_seldom_it_was_looked_at(state, segment):
    segments = [{"kind": "ramp", "soak_us": 0}, {"kind": "soak", "soak_us": 1800 * S1}, {"kind": "cool", "soak_us": 0}]
    memory = IN_RUN
    if state == "complete":  # its last snapshot inside the soak is a tick short of it
        memory, _ = heard(memory, running({"segments": segments, "segment": 1, "counted_us": 1799 * S1}), 0)
    over = ended(state, "" if state == "complete" else "Heat stopped by Anna.")
    over["run"] |= {"segments": segments[:segment + 1], "segment": segment, "counted_us": 0}
    _, (notice,) = heard(memory, over, S1)
    assert "It was in band for 30 min of the 30 min that" in notice.done


def test_a_run_that_was_cooled_down_early_says_what_was_counted_and_not_that_it_was_planned():
    over = ended("stopped", "Cooled down early by Anna.")
    over["run"] |= {"segments": [{"kind": "soak", "soak_us": 1199 * S1}, {"kind": "cool", "soak_us": 0}], "segment": 1}
    _, (notice,) = heard(IN_RUN, over, S1)
    assert notice.done.endswith("It was in band for 20 min.")


STAYS = {"unattended": (None, "Stay until the first half hour has followed the plan; a message says when."),
         "in_the_building": ({"every_us": 3600 * S1, "left_us": 3540 * S1, "by": "page or button"},
                             "and every 1 h 0 min from then on, on the page or with the button at the chamber."),
         "at_the_chamber": ({"every_us": 900 * S1, "left_us": 840 * S1, "by": "button"},
                            "and every 15 min from then on, with the button at the chamber.")}


@pytest.mark.parametrize("level", STAYS)
def test_a_begin_asks_what_the_level_of_the_run_asks(level):
    check_in, words = STAYS[level]
    now = running({"level": level}, check_in=check_in)
    _, (notice,) = heard(KNOWN, now, 0)
    assert notice.do.endswith(words) and not ABSENT.search(notice.do)
    if check_in:
        assert f"Check in by {clock(now['utc_us'] + check_in['left_us'], now['utc_us'])}, " in notice.do


def checks(by: str, minutes: int) -> list[str]:
    """What is told in so many minutes of a run whose check-in comes five minutes before it is due, every time."""
    every_us, memory, told = 3600 * S1, IN_RUN, []
    for minute in range(minutes):
        check_in = {"every_us": every_us, "left_us": every_us - (minute % 55) * 60 * S1, "by": by}
        memory, notices = heard(memory, running(check_in=check_in), minute * 60 * S1)
        told += [(minute, one) for one in notices]
    return told


def test_a_check_in_is_told_to_be_due_once_each_time_when_a_quarter_of_the_time_is_left():
    told = checks("page or button", 165)
    assert [minute for minute, _ in told] == [45, 100, 155]
    notice = told[0][1]
    assert notice.need is Need.CAN_WAIT and notice.what.startswith("The next check-in of ASA slow is due by ")
    assert notice.urgent.startswith("by ") and not ABSENT.search(" ".join(notice[1:5]))
    assert checks("button", 165) == [], "at the chamber only its button counts, and the page shows the time"


def test_a_time_on_another_day_is_told_with_its_date():
    now = running()
    now["run"]["ends_utc_us"] = now["utc_us"] + 86_400 * S1
    _, (notice,) = heard(KNOWN, now, 0)
    assert f"It should end at {day(now['run']['ends_utc_us'])}." in notice.done
    assert clock(UTC, UTC) == day(UTC).partition(" ")[2]


def test_whoever_did_not_sign_in_has_plain_words():
    over = ended("aborted", f"Heat stopped by {LOCAL}.", stop={**STOP, "by": LOCAL})
    _, (notice,) = heard(IN_RUN, over, 0)
    assert notice.what.endswith("Heat stopped by somebody at this computer.")
    _, (back,) = heard(NAMED, idle(stop={**STOP, "by": LOCAL}), 0)
    assert back.what.endswith("was taken back by somebody at this computer.")
    assert LOCAL not in str(beats.body(running(sentence=f"Held by {LOCAL}."), beats.Pulse(1, "running"), UTC))


def test_an_end_is_not_called_off_before_the_heat_is_seen_off():
    now = ended("aborted", "Heat stopped by Anna.", stop={**STOP, "off_seen_utc_us": None})
    now["heat_off"] = False
    memory, notices = heard(IN_RUN, now, 0)
    assert notices == (), "it waits a moment for the sight of it"
    _, (notice,) = heard(memory, now, 5 * S1)
    assert notice.done.startswith("The heat was told to go off; that it is off has not been seen.")


def test_heat_that_is_not_seen_off_after_a_stop_gets_somebody_up():
    memory, notices = heard(IN_RUN, running({"state": "aborting"}), 0)
    assert notices == ()
    _, (notice,) = heard(memory, running({"state": "aborting"}), 6 * S1)
    assert notice.need is Need.GET_UP and "has not been seen off yet" in notice.what


def test_first_out_tells_for_all_that_follow_from_it():
    now = ended("aborted", "", latches=[latch("board_silent", first_out=False), latch("sensor_faulted"),
                                        latch("no_rise", first_out=False)])
    _, notices = heard(IN_RUN, now, 0)
    assert [one.what for one in notices] == ["Tripped: A sensor that the run needs reports a fault."]


def test_a_graver_trip_is_told_beside_the_first():
    memory, first = heard(IN_RUN, ended("aborted", "", latches=[latch("no_rise")]), 0)
    assert [one.need for one in first] == [Need.CAN_WAIT]
    _, second = heard(memory, ended("aborted", "", latches=[latch("no_rise"), latch("smoke", first_out=False)]), S1)
    assert [one.need for one in second] == [Need.GET_OUT]


def test_a_trip_after_the_clear_of_the_same_is_news_at_once():
    memory, _ = heard(IN_RUN, ended("aborted", "", latches=[latch("ceiling")]), 0)
    memory, _ = heard(memory, idle(), 10 * S1)
    _, notices = heard(memory, idle(latches=[latch("ceiling")]), 11 * S1)
    assert [one.what for one in notices] == ["Tripped: A sensor reached the chamber's ceiling."]


def test_a_chamber_that_was_never_commissioned_wakes_nobody():
    assert heard(KNOWN, idle(latches=[latch("not_commissioned")]), 0).notices == ()


@pytest.mark.parametrize("now", [running({"elapsed_us": 7200 * S1}), ended(), ended("aborted", "x")], ids=["on", "over", "cut"])
def test_what_was_so_before_anybody_listened_is_no_news(now):
    assert heard(Memory(), now, 0).notices == ()


def test_what_stands_when_somebody_begins_to_listen_is_told():
    _, notices = heard(Memory(), ended("aborted", "", latches=[latch("ceiling")]), 0)
    assert len(notices) == 1


@pytest.mark.parametrize("state", ["acknowledged", "returned-to-normal unacknowledged", "latched unacknowledged"])
def test_what_somebody_has_seen_or_is_over_is_not_told(state):
    assert heard(IN_RUN, running(alarms=[alarm("door", state)]), 0).notices == ()


@pytest.mark.parametrize("guard", [one for one in GUARDS if one.action is Action.ALARM], ids=lambda guard: guard.id)
def test_every_alarm_is_told_with_the_urgency_of_its_row(guard):
    now = running(alarms=[alarm(guard.id)])
    memory, first = heard(IN_RUN, now, 0)
    _, later = heard(memory, now, 10 * S1)
    (notice,) = [*first, *later]
    assert notice.need.rank == guard.urgency.rank + 1
    assert notice.done == "Nothing was switched: it asks for a person."


def test_a_guard_of_a_newer_controller_is_told_in_its_own_words():
    new = alarm("door", cause="The plan was not followed.", urgency="get up now")
    new["guard"] = "not_following"
    _, (notice,) = heard(IN_RUN, running(alarms=[new]), 0)
    assert notice.what == "The plan was not followed." and notice.need is Need.GET_UP


def test_a_healthy_run_makes_two_messages_from_its_begin_to_its_end():
    memory, told = KNOWN, []
    for second in range(0, 3600, 10):
        memory, notices = heard(memory, running({"elapsed_us": second * S1}), second * S1)
        told += notices
    memory, notices = heard(memory, ended(), 3601 * S1)
    assert [one.need for one in [*told, *notices]] == [Need.FOR_INFORMATION] * 2


def test_causes_of_an_idle_chamber_are_none():
    assert causes(idle(), Seen(known=True)) == []


@pytest.mark.parametrize(("level", "state", "told"), [
    ("unattended", "failing", True), ("in_the_building", "failing", False), ("unattended", "working", False)])
def test_a_named_start_that_would_not_begin_is_told_of_before_its_time(level, state, told):
    pending = {"run_id": "9", "level": level, "at_utc_us": UTC + 3_600 * S1, "schedule": "x", "by": "Anna"}
    now = idle(pending=pending, utc_us=UTC, messages={"state": state, "words": "Channel phone fails: refused"})
    found = [cause for cause in causes(now, Seen(True)) if cause.key == "will not begin 9"]
    assert bool(found) is told
    for cause in found:
        assert "will not begin as things stand: Channel phone fails: refused." in cause.notice.what
        assert not ABSENT.search(f"{cause.notice.what} {cause.notice.done} {cause.notice.do}")
