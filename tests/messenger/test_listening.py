"""What the second computer makes of beats. Time is passed in: fifteen minutes take no time here."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.guards import GUARDS
from controller.messenger import beats, listening
from controller.messenger.listening import BODY_MAX_BYTES, CHAMBERS_MAX, GRACE_US, LATE_US, Unheard, Watch
from controller.messenger.words import CALM_AGAIN, Need, text
from tests.messenger.moments import ABSENT, S1, UTC, alarm, ended, idle, latch, running

KEY = "ab" * 32
LIMIT_US = 15 * 60 * S1
"""The issue: the far end knows within 15 min."""


def beat(now=None, sequence: int = 1, state: str = "running", at_us: int = UTC) -> listening.Beat:
    body = beats.body(now or running(), beats.Pulse(sequence, state), at_us, "http://192.0.2.5:8650/#/now")
    return listening.read(body, beats.signature(body, KEY), KEY)


def told_of(*said, every_us: int = 120 * S1, then_us: int = 0):
    """Take beats one after another, then let time pass in steps of a second; what was told with its time."""
    watches, told, now_us = {}, [], 0
    for one in said:
        watches, found = listening.take(watches, one, now_us, UTC + now_us)
        told += [(now_us, each.notice) for each in found]
        now_us += every_us
    now_us -= every_us
    for _ in range(then_us // S1):
        now_us += S1
        watches, found = listening.look(watches, now_us)
        told += [(now_us, each.notice) for each in found]
    return watches, told


def test_silence_in_a_run_alarms_within_the_limit_and_once():
    _, told = told_of(beat(), then_us=3600 * S1)
    ((when_us, notice),) = told
    assert when_us <= LIMIT_US and when_us == 600 * S1
    assert notice.need is Need.GET_UP and "No sign of life for 10 min, in the middle of a run." in notice.what


def test_silence_while_a_start_waits_alarms_too():
    _, told = told_of(beat(idle(pending={"run_id": "1"}), state="waiting"), then_us=700 * S1)
    assert "while a start waits" in told[0][1].what


@pytest.mark.parametrize("last", [beat(ended(), 2, "complete"), beat(idle(), 2, "idle")], ids=["ended", "idle"])
def test_after_the_last_beat_silence_is_peace(last):
    assert told_of(beat(), last, then_us=7200 * S1)[1] == []


def test_regular_beats_of_a_whole_run_alarm_nobody():
    said = [beat(sequence=number, at_us=UTC + number * 120 * S1) for number in range(1, 480)]
    long = [one._replace(ends_utc_us=UTC + 16 * 3600 * S1) for one in said]
    assert told_of(*long, beat(ended(), 500, "complete"), then_us=7200 * S1)[1] == []


def test_one_lost_beat_in_five_alarms_nobody():
    assert told_of(*[beat(sequence=number) for number in range(1, 50)], every_us=590 * S1)[1] == []


def test_when_it_is_heard_again_that_is_told_and_the_next_silence_too():
    watches, _told = told_of(beat(), then_us=700 * S1)
    watches, back = listening.take(watches, beat(sequence=2), 700 * S1, UTC)
    assert [one.notice.what for one in back] == ["It is heard again."]
    assert len(listening.look(watches, 1400 * S1)[1]) == 1


AGAIN = [(ended("aborted", latches=[latch("smoke")]), "aborted", Need.GET_OUT, "Tripped: The smoke contact"),
         (ended("aborted", latches=[latch("ended_in_a_run")]), "aborted", Need.GET_UP, "Tripped: "),
         (running(alarms=[alarm("not_following")]), "running", Need.GET_UP, "does not follow its plan"),
         (running(alarms=[alarm("door")]), "running", Need.CAN_WAIT, "The door is open."),
         (running(), beats.SILENT, Need.GET_UP, "The controller does not answer")]


@pytest.mark.parametrize(("now", "state", "need", "words"), AGAIN, ids=["smoke", "ended", "alarm", "door", "silent"])
def test_what_is_heard_again_asks_for_what_stands_now(now, state, need, words):
    watches, _told = told_of(beat(), then_us=700 * S1)
    _, told = listening.take(watches, beat(now, 2, state), 700 * S1, UTC)
    back = told[0].notice
    assert back.what.startswith("It is heard again. ") and words in back.what and back.need is need
    assert CALM_AGAIN not in back.do and not ABSENT.search(text(back, told[0].sender, UTC, "").body)


@pytest.mark.parametrize("state", ["aborted", "idle"])
def test_a_trip_that_came_in_a_silence_is_one_alarm_and_none_again_as_long_as_it_is_latched(state):
    latched = {"aborted": ended("aborted", latches=[latch("ended_in_a_run")]), "idle": idle(latches=[latch("ended_in_a_run")])}
    watches, _told = told_of(beat(), then_us=700 * S1)
    found = []
    for number in range(2, 6):
        watches, told = listening.take(watches, beat(latched[state], number, state), (700 + number) * S1, UTC)
        found += told
    (alarm_,) = found
    assert alarm_.notice.what.startswith("It is heard again. Tripped: ")
    watches, none = listening.take(watches, beat(idle(), 6, "idle"), 800 * S1, UTC)
    watches, anew = listening.take(watches, beat(latched[state], 7, state), 900 * S1, UTC)
    assert none == [] and len(anew) == 1, "cleared and tripped again is news"
    assert "told to open" not in anew[0].notice.done and "no heat is permitted" in anew[0].notice.done


def test_a_graver_trip_than_the_one_that_was_told_is_told():
    first, both = [latch("ended_in_a_run")], [latch("ended_in_a_run"), latch("smoke", first_out=False)]
    _, told = told_of(beat(idle(latches=first), 1, "idle"), beat(idle(latches=both), 2, "idle"),
                      beat(idle(latches=both), 3, "idle"))
    assert [one.need for _, one in told][1:] == [Need.GET_OUT]


def test_a_beat_about_a_silent_controller_alarms_at_once_and_once():
    _, told = told_of(beat(), beat(state=beats.SILENT, sequence=2), beat(state=beats.SILENT, sequence=3))
    ((when_us, notice),) = told
    assert when_us == 120 * S1 and notice.need is Need.GET_UP and "controller does not answer" in notice.what


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: guard.id)
def test_every_trip_alarms_with_its_words_and_urgency(guard):
    _, told = told_of(beat(), beat(ended("aborted", latches=[latch(guard.id)]), 2, "aborted"))
    ((_, notice),) = told
    assert notice.what == f"Tripped: {guard.cause}" and notice.need.rank == guard.urgency.rank + 1


def test_a_trip_that_this_version_does_not_know_still_gets_somebody_up():
    _, told = told_of(beat(ended("aborted", latches=[latch("smoke")]), 1, "aborted")._replace(standing=("new_guard",)))
    assert told[0][1].need is Need.GET_UP and "new_guard" in told[0][1].what


def test_a_late_run_in_beats_of_an_older_messenger_is_judged_by_the_end_they_expect():
    late = [beat(sequence=number)._replace(ends_utc_us=UTC, utc_us=UTC + number * 120 * S1) for number in range(1, 12)]
    _, told = told_of(*late)
    ((when_us, notice),) = told
    assert notice.need is Need.CAN_WAIT and when_us == (LATE_US // (120 * S1) - 1) * 120 * S1


def test_an_old_beat_sent_again_keeps_nobody_quiet():
    watches, _ = told_of(beat(sequence=5))
    for old in (5, 4, 1):
        with pytest.raises(Unheard, match="not newer than 5") as refused:
            listening.take(watches, beat(sequence=old), 500 * S1, UTC)
        assert refused.value.status == 409
    assert len(listening.look(watches, 600 * S1)[1]) == 1


def test_a_beat_without_the_key_keeps_nobody_quiet():
    body = beats.body(running(), beats.Pulse(9, "running"), UTC)
    for signature in ("", beats.signature(body, "cd" * 32), beats.signature(body + b" ", KEY)):
        with pytest.raises(Unheard) as refused:
            listening.read(body, signature, KEY)
        assert refused.value.status == 403


@given(st.binary(max_size=200) | st.recursive(st.none() | st.booleans() | st.integers() | st.text(max_size=5),
       lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(
           ["chamber", "board", "sequence", "state", "standing", "run", "utc_us", "next_within_s"]), inner, max_size=8)))
def test_no_body_whatever_it_holds_breaks_the_listener(said):
    body = said if isinstance(said, bytes) else json.dumps(said).encode()
    with pytest.raises(Unheard) as refused:
        listening.read(body, beats.signature(body, KEY), KEY)
    assert refused.value.status == 400


def test_words_of_a_beat_cannot_steer_a_terminal():
    now = running()
    now["sentence"] = "\x1b[2J\r\nhello\a" + "x" * 5000
    said = beat(now)
    assert said.sentence.startswith(" [2J  hello ") and len(said.sentence) <= 300


def test_a_beat_may_not_ask_for_endless_patience():
    body = json.dumps({**json.loads(beats.body(running(), beats.Pulse(1, "running"), UTC)), "next_within_s": 10**9}).encode()
    assert listening.read(body, beats.signature(body, KEY), KEY).within_us == LIMIT_US


def test_only_so_many_chambers_are_watched():
    watches = {str(number): Watch(beat(), 0, UTC) for number in range(CHAMBERS_MAX)}
    with pytest.raises(Unheard) as refused:
        listening.take(watches, beat(), 0, UTC)
    assert refused.value.status == 507


@pytest.mark.parametrize(("off_us", "alarm_us"), [
    (0, 600 * S1), (300 * S1, 300 * S1), (10 * 3600 * S1, GRACE_US), (-5 * S1, 600 * S1)])
def test_a_listener_that_was_off_counts_the_silence_meanwhile_but_leaves_time_for_a_beat(off_us, alarm_us):
    watches, _ = told_of(beat())
    watches = listening.restarted(watches, 7, UTC + off_us)
    assert listening.look(watches, 7 + alarm_us - 1)[1] == [] and len(listening.look(watches, 7 + alarm_us)[1]) == 1


def test_the_listeners_messages_have_four_parts_a_link_and_no_word_of_who_is_at_home():
    said = [beat(), beat(state=beats.SILENT, sequence=2), beat(ended("aborted", latches=[latch("smoke")]), 3, "aborted"),
            beat(sequence=4)._replace(ends_utc_us=1)]
    watches, told = told_of(*said, then_us=700 * S1)
    watches, back = listening.take(watches, beat(sequence=5), 10**10, UTC)
    found = [notice for _, notice in told] + [one.notice for one in back]
    assert len(found) == 5
    for notice in found:
        made = text(notice, watches["5a17c0"].sender, UTC, watches["5a17c0"].beat.page)
        assert "Done already: " in made.body and "How urgent: " in made.body and "SIMULATED" in made.title
        assert made.body.endswith("Look: http://192.0.2.5:8650/#/now") and not ABSENT.search(made.body)


def test_a_beat_is_small_enough_for_every_listener():
    now = running({"name": "x" * 80}, latches=[latch(guard.id) for guard in GUARDS], sentence="y" * 300)
    assert len(beats.body(now, beats.Pulse(2**50, "running"), UTC, "http://192.0.2.5:8650/")) < BODY_MAX_BYTES / 4
