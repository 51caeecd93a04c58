"""Every message that there is: four parts, a link, SIMULATED in words, and not a word about who is at home."""

from __future__ import annotations

import pytest

from controller.core.guards import GUARDS, Action
from controller.messenger import words
from controller.messenger.memory import Memory, Told, heard, silent
from controller.messenger.notices import Seen
from controller.messenger.words import Need, Notice, Sender, text
from tests.messenger.moments import ABSENT, S1, SENDER, UTC, alarm, ended, idle, latch, running

LINK = "http://192.0.2.5:8650/#/now"
BUSY = Memory(seen=Seen(known=True, run="27"), told=(Told("began 27", 0, told=True),), name="Bench", busy=True)


def every_notice() -> list[Notice]:
    """Of every guard as alarm and as trip, and of every other cause."""
    moments = [running(alarms=[alarm(guard.id)]) for guard in GUARDS if guard.action is not Action.TRIP]
    moments += [ended("aborted", "", latches=[latch(guard.id)]) for guard in GUARDS]
    moments += [ended(state, end) for state in ("complete", "stopped", "aborted") for end in ("", "Heat stopped by Anna.")]
    moments += [idle(), running({"id": "28"}, leave={"may": True}), running({"state": "aborting"}),
                ended("aborted", still_on=True)]
    found = []
    for now in moments:
        memory, first = heard(BUSY, now, 0)
        memory, later = heard(memory, now, 20 * S1)
        memory, quiet = silent(memory, 20 * S1, 40 * S1)
        memory, back = heard(memory, now, 50 * S1)
        found += [*first, *later, *quiet, *back, *heard(memory, now, 60 * S1).notices]
    named = Memory(seen=Seen(known=True, named="27", named_utc_us=UTC))
    found += [*heard(named, running(), 0).notices, *heard(named, idle(), 0).notices]
    check_in = {"every_us": 3600 * S1, "left_us": 600 * S1, "by": "page or button"}
    for level in ("unattended", "in_the_building"):
        found += heard(Memory(seen=Seen(known=True)), running({"level": level}, check_in=check_in), 0).notices
    found += silent(Memory(name="Bench"), 20 * S1, 0).notices
    return list(dict.fromkeys(found))


EVERY = every_notice()


def test_there_are_messages_of_every_kind():
    assert {one.need for one in EVERY} == set(Need)
    assert len(EVERY) > len(GUARDS)


@pytest.mark.parametrize("notice", EVERY, ids=lambda notice: notice.what[:40])
def test_a_message_has_its_four_parts_a_link_and_says_simulated(notice):
    made = text(notice, SENDER, UTC, LINK)
    lines = made.body.splitlines()
    assert lines[0] == notice.what and notice.what.endswith((".", ")"))
    assert [line.partition(":")[0] for line in lines[1:4]] == ["Done already", "Do now", "How urgent"]
    assert all(len(line.partition(": ")[2]) > 5 for line in lines[1:4])
    assert "SIMULATED" in made.body and made.title.startswith("SIMULATED: Bench chamber: ")
    assert lines[-1] == f"Look: {LINK}" and len(made.title) <= words.TITLE_MAX


@pytest.mark.parametrize("notice", EVERY, ids=lambda notice: notice.what[:40])
def test_no_message_says_or_hints_that_nobody_is_at_home(notice):
    made = text(notice, SENDER, UTC, LINK)
    assert not ABSENT.search(f"{made.title}\n{made.body}")


def test_a_real_chambers_message_says_nothing_of_a_simulation():
    made = text(EVERY[0], Sender("b", "Oven", "c0ffee", False), UTC, LINK)
    assert "SIMULATED" not in made.body + made.title


@pytest.mark.parametrize(("us", "said"), [(0, "0 s"), (59 * S1, "59 s"), (61 * S1, "1 min"), (3600 * S1, "1 h 0 min")])
def test_durations_are_words(us, said):
    assert words.duration(us) == said


def test_urgency_words_are_those_of_the_guard_table():
    assert {words.URGENCY_WORDS[need] for need in words.NEED_OF.values()} == {guard.value for guard in words.NEED_OF}
    assert words.need_of("words of a newer table") is Need.GET_UP
