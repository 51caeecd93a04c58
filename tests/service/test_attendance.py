"""Who has to be near: waiting starts, arming, check-ins, leaving; and what the computer itself tells the tick."""

from __future__ import annotations

import ctypes
from dataclasses import replace
from types import SimpleNamespace

import pytest

from controller import attendance
from controller.core.alarms import AlarmState
from controller.core.commands import Ask, Command, PersonRole
from controller.core.leaving import NOT_HEARD
from controller.core.run_states import S
from controller.core.setup import Level
from controller.core.starting import NAMED_HOLDS_US
from controller.core.state import NOT_SET, Alarm, Lapse, Messages, Pending, Wall
from controller.drivers import clock_sync, latch
from controller.drivers.latch import Condition, Remembered
from controller.messenger_word import MessengerSaid
from controller.sentence import _named
from controller.service import LOST_WAITING, MESSENGER_FRESH_US, MESSENGER_SILENT_US
from tests.answered import ANSWERED, LEAVING
from tests.service.chambers import integers, short, simulated
from tests.service.rig import Rig
from tests.service.runs import running

OFFSET_US = 1_764_000_000_000_000
MINUTE_US = 60_000_000
AT_US = OFFSET_US + 30 * MINUTE_US


@pytest.fixture(scope="module")
def going(tmp_path_factory):
    return running(simulated(tmp_path_factory.mktemp("attendance") / "c").chamber, 100)


def told(state, synced: bool = True):
    return attendance.attendance(state, lambda us: us + OFFSET_US, synced)


def at_level(whole, level: Level, **run):
    return whole._replace(run=whole.run._replace(level=level, **run))


def waiting(state, **pending):
    at_utc_us = state.mono_us + OFFSET_US + 30 * MINUTE_US
    command = Command(Ask.START, "Ada", PersonRole.OPERATOR, "r", short(), "7", at_utc_us=at_utc_us, leaving=ANSWERED)
    whole = Pending(command, state.mono_us, 1, 1, False, state.mono_us, False)
    return state._replace(run=None, pending=whole._replace(**pending))


@pytest.mark.parametrize(("pending", "synced", "waits_for"), [
    ({}, True, "arm"), ({}, False, "arm"), ({"armed": True}, True, "time"), ({"armed": True}, False, "clock"),
    ({"armed": True, "due": True}, True, "board"), ({"due": True}, True, "arm")])
def test_a_start_says_what_it_waits_for(going, pending, synced, waits_for):
    now = told(waiting(going, **pending), synced)
    assert now["pending"]["waits_for"] == waits_for
    assert now["pending"]["words"] == attendance.WAITS[waits_for]
    assert now["pending"]["at_utc_us"] == going.mono_us + OFFSET_US + 30 * MINUTE_US


def test_an_arming_says_until_when_it_holds(going):
    idle = going._replace(run=None)
    assert told(idle)["armed_until_utc_us"] is None
    pressed = idle._replace(armed_us=idle.mono_us)
    assert told(pressed)["armed_until_utc_us"] == idle.mono_us + OFFSET_US + 120 * MINUTE_US
    named = told(waiting(going, armed=True))
    assert named["armed_until_utc_us"] == named["pending"]["at_utc_us"] + NAMED_HOLDS_US


@pytest.mark.parametrize(("level", "by", "every_min"), [
    (Level.AT_THE_CHAMBER, "button", 15), (Level.IN_THE_BUILDING, "page or button", 60)])
def test_whoever_promised_to_stay_near_sees_how_long_is_left(going, level, by, every_min):
    now = told(at_level(going, level, checked_in_us=going.mono_us - 5 * MINUTE_US))["check_in"]
    assert now == {"every_us": every_min * MINUTE_US, "left_us": (every_min - 5) * MINUTE_US, "by": by}


def test_an_unattended_run_asks_for_no_sign_of_life(going):
    assert told(at_level(going, Level.UNATTENDED))["check_in"] is None


def test_after_half_an_hour_that_followed_the_plan_one_may_leave(going):
    early = told(going)["leave"]
    assert early["may"] is False and 0 < early["in_us"] <= 30 * MINUTE_US and early["words"] == attendance.STAY
    later = at_level(going, Level.UNATTENDED, follows_us=going.mono_us - 30 * MINUTE_US)
    assert told(later)["leave"] == {"may": True, "words": attendance.MAY_LEAVE, "in_us": None}


def test_one_may_not_leave_while_the_air_is_well_out_of_its_band(going):
    later = at_level(going, Level.UNATTENDED, follows_us=going.mono_us - 40 * MINUTE_US)
    away = at_level(later, Level.UNATTENDED, air_setpoint_mc=later.run.air_setpoint_mc + 20_000)
    assert told(later)["leave"]["may"] is True
    assert told(away)["leave"] == {"may": False, "words": "Not while the air is out of its band.", "in_us": None}


def test_one_may_not_leave_while_something_asks_for_a_person(going):
    later = at_level(going, Level.UNATTENDED, follows_us=going.mono_us - 40 * MINUTE_US)
    asking = later._replace(alarms=(Alarm("not_following", AlarmState.ACKNOWLEDGED, 0, 1, 1),))
    assert told(asking)["leave"]["may"] is False and "does not follow" in told(asking)["leave"]["words"]
    gone = later._replace(alarms=(Alarm("not_following", AlarmState.RETURNED, 0, 1, 1),))
    assert told(gone)["leave"]["may"] is True


@pytest.mark.parametrize("level", [Level.AT_THE_CHAMBER, Level.IN_THE_BUILDING])
def test_an_attended_run_never_says_leave(going, level):
    assert told(at_level(going, level, started_us=going.mono_us - 40 * MINUTE_US))["leave"] is None


def test_a_held_or_ended_run_never_says_leave(going):
    held = at_level(going, Level.UNATTENDED, started_us=0, state=S.HELD)
    assert told(held)["leave"]["may"] is False
    assert told(at_level(going, Level.UNATTENDED, started_us=0, state=S.STOPPING))["leave"] is None
    assert told(at_level(going, Level.UNATTENDED, started_us=0, state=S.COMPLETE))["leave"] is None


def test_what_came_to_nothing_stays_to_be_read(going):
    lapsed = going._replace(run=None, lapse=Lapse("Nobody pressed.", going.mono_us, 0))
    assert told(lapsed)["lapsed"] == {"reason": "Nobody pressed.", "utc_us": going.mono_us + OFFSET_US, "at_utc_us": None}
    assert told(going)["lapsed"] is None


# -- what the computer tells the tick ---------------------------------------------------------------------------------------


@pytest.fixture
def rig(tmp_path):
    made = Rig(tmp_path)
    yield made
    made.close()


def given(rig: Rig, commands=()):
    return tuple(rig.service._computer(commands, 5_000))


def test_a_messenger_that_was_never_heard_fails(rig):
    rig.service.server.messages = None
    assert rig.service.state.messages_why == NOT_HEARD and given(rig) == ()


def test_a_messenger_is_told_of_when_it_changes_and_not_otherwise(rig):
    assert given(rig) == (Messages(""),)
    rig.steps(1)
    assert given(rig) == ()


def test_a_messenger_that_falls_silent_fails(rig, monkeypatch):
    rig.steps(1)
    rig.service.server.messages = MessengerSaid(1_000, "")
    monkeypatch.setattr("controller.service.mono_us", lambda: 1_000 + MESSENGER_SILENT_US - 1)
    assert given(rig) == ()
    monkeypatch.setattr("controller.service.mono_us", lambda: 1_000 + MESSENGER_SILENT_US)
    assert given(rig) == (Messages("the messenger does not answer"),)


def test_a_start_rests_on_no_word_of_the_messenger_older_than_eight_seconds(rig, monkeypatch):
    rig.steps(1)
    rig.service.server.messages = MessengerSaid(1_000, "")
    monkeypatch.setattr("controller.service.mono_us", lambda: 1_000 + MESSENGER_FRESH_US)
    start = Command(Ask.START, "x", PersonRole.OPERATOR, "r", short(), "1", leaving=ANSWERED)
    assert given(rig) == () and given(rig, (start,)) == (Messages("the messenger does not answer"),)


@pytest.mark.parametrize(("ways", "good"), [(["3-ab"], True), (["3-cd"], False), ([], False), (None, True)])
def test_a_start_that_waits_rests_on_the_channel_whose_message_arrived(rig, ways, good):
    rig.steps(1)
    start = Command(Ask.START, "x", PersonRole.OPERATOR, "r", short(), "1", leaving=ANSWERED._replace(way="3-ab"))
    with rig.client() as messenger:
        messenger.ask("messages", failing="", channels=1, ways=ways)
        assert messenger.ask("messages", failing="", ways="3-ab")["error"]["code"] == "bad_messages"
    assert given(rig) == ()
    rig.service.state = rig.service.state._replace(pending=Pending(start, 0, 1, 1, False, 0, True))
    words = f"the channel {ANSWERED.channel}, whose message arrived, is gone or changed; take this start back and ask anew"
    assert given(rig) == (() if good else (Messages(words),))
    watched = replace(start, level=Level.IN_THE_BUILDING)
    rig.service.state = rig.service.state._replace(pending=Pending(watched, 0, 1, 1, False, 0, True))
    assert given(rig) == ()


@pytest.mark.parametrize(("synced", "utc_us"), [(True, 5_000), (False, NOT_SET)])
def test_the_time_is_told_while_a_start_waits_for_one(rig, monkeypatch, synced, utc_us):
    rig.steps(1)
    monkeypatch.setattr(rig.clock, "synchronised", lambda: synced)
    start = Command(Ask.START, "x", PersonRole.OPERATOR, "r", short(), "1", at_utc_us=9, leaving=ANSWERED)
    assert given(rig, (start,)) == (Wall(utc_us),)
    assert given(rig, (replace(start, at_utc_us=0),)) == ()
    rig.service.state = rig.service.state._replace(pending=Pending(start, 0, 1, 1, False, 0, False))
    assert given(rig) == (Wall(utc_us),)


def test_a_messenger_says_over_the_socket_how_it_is(rig):
    rig.steps(1)
    with rig.client() as messenger:
        assert messenger.ask("messages", failing="mail: refused", channels=1) == {"id": 7, "ok": {}}
        assert messenger.ask("messages", failing=3)["error"]["code"] == "bad_messages"
        assert messenger.ask("messages", failing="x" * 1001)["error"]["code"] == "bad_messages"
        rig.steps(1)
        now = messenger.until(lambda now: now["messages"]["words"])
        assert now["messages"] == {"state": "failing", "words": "mail: refused"}


def test_a_refused_start_lists_each_thing_that_lacks(rig):
    rig.go()
    with rig.client() as person:
        person.until(lambda now: now["board"]["accepted"] and now["air_mc"] is not None)
        leaving = {**LEAVING, "answers": LEAVING["answers"][1:], "arrived_age_us": -1}
        refused = person.command("start", schedule=integers(short()), level="unattended", leaving=leaving)["refused"]
    assert refused["code"] == "not_ready_to_leave"
    assert [row["field"] for row in refused["mistakes"]] == ["smoke_alarm", "message_arrived"]
    assert all(row["advice"] for row in refused["mistakes"])


@pytest.mark.parametrize(("level", "blocked"), [(Level.UNATTENDED, True), (Level.IN_THE_BUILDING, False)])
def test_a_named_start_that_would_not_begin_promises_nothing(going, level, blocked):
    state = waiting(going, armed=True)._replace(messages_why="mail: refused")
    pending = state.pending._replace(command=replace(state.pending.command, level=level))
    now = {"pending": attendance.attendance(state._replace(pending=pending), lambda us: us, True)["pending"],
           "messages": {"state": "failing", "words": "mail: refused"}}
    sentence, more = _named(now)
    assert ("will not begin" in sentence and "mail: refused" in more) is blocked


# -- a start that waited when the controller ended ---------------------------------------------------------------------------


def test_a_waiting_start_is_no_run_in_the_latch_file_and_is_told_at_the_next_start(going, tmp_path):
    path = tmp_path / "latch"
    remembered = latch.of_state(waiting(going), 1)
    at_utc_us = going.mono_us + OFFSET_US + 30 * MINUTE_US
    assert remembered == Remembered(Condition.WAITING, (), at_utc_us)
    latch.write(path, remembered)
    assert latch.read(path, 1) == () and latch.a_start_waited(path) == at_utc_us
    due = latch.of_state(waiting(going, due=True), 1)
    assert due.condition is Condition.RUNNING


def test_only_a_whole_file_says_that_a_start_waited(tmp_path):
    path = tmp_path / "latch"
    assert not latch.a_start_waited(path)
    latch.write(path, Remembered(Condition.CLEAR))
    assert not latch.a_start_waited(path)
    path.write_bytes(b"{")
    assert not latch.a_start_waited(path)


def test_a_clean_end_keeps_the_waiting_start_to_be_told(rig):
    start = Command(Ask.START, "x", PersonRole.OPERATOR, "r", short(), "1", at_utc_us=1 << 52, leaving=ANSWERED)
    rig.steps(3)
    rig.service.state = rig.service.state._replace(pending=Pending(start, 0, 1, 1, True, rig.service.state.mono_us, False))
    rig.service._switch_off()
    assert latch.of_state(rig.service.state, 1).condition is Condition.WAITING


def test_the_next_controller_says_that_the_start_is_taken_back(tmp_path):
    rig = Rig(tmp_path)
    rig.service.state = rig.service.state._replace(lapse=Lapse(LOST_WAITING, 0, AT_US))
    rig.go()
    with rig.client() as person:
        person.until(lambda now: now["board"]["accepted"])
        lapsed = person.now()["lapsed"]
        assert (lapsed["reason"], lapsed["at_utc_us"]) == (LOST_WAITING, AT_US)
    rig.close()
    said = [event["fields"] for event in rig.events() if event["kind"] == "start_lapsed"]
    assert {"run_id": None, "reason": LOST_WAITING, "at_utc_us": AT_US} in said


# -- the kernel's word on the clock -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("answer", "word"), [(0, True), (1, True), (5, False), (-1, None)])
def test_the_kernel_says_whether_the_clock_is_right(monkeypatch, answer, word):
    """adjtimex(2): 0 is a synchronised clock, 5 (TIME_ERROR) one that is not; from memory."""
    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: SimpleNamespace(adjtimex=lambda _buffer: answer))
    assert clock_sync.synchronised() is word


def test_a_system_that_cannot_be_asked_says_nothing(monkeypatch):
    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: SimpleNamespace())
    assert clock_sync.synchronised() is None


def test_the_real_kernel_answers():
    assert clock_sync.synchronised() in (True, False, None)
