"""Messages on their way. Drawn answers, a tiny model; the rules hold after every step."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from controller.messenger import outbox
from controller.messenger.channels import Channel
from controller.messenger.outbox import AGAIN_US, GIVE_UP_US, KEPT, WAITING_MAX, Outbox, State
from controller.messenger.words import Need, Notice
from tests.messenger.moments import S1, SENDER, UTC

PHONE = Channel(1, "phone", "json://127.0.0.1/a", Need.GET_UP)
MAIL = Channel(2, "mail", "mailto://a:b@example.net", Need.FOR_INFORMATION)
NEIGHBOUR = Channel(3, "neighbour", "json://127.0.0.1/n", Need.GET_OUT)
ALL = (PHONE, MAIL, NEIGHBOUR)


def notice(need: Need = Need.CAN_WAIT, what: str = "It happened.") -> Notice:
    return Notice(need, what, "Nothing.", "Look.")


def posted(*needs: Need, channels=ALL) -> Outbox:
    box = Outbox()
    for need in needs:
        box = outbox.post(box, notice(need), SENDER, channels, 0, UTC)
    return box


def test_urgency_decides_which_channels_are_told():
    asked = {need: [one.channel for one in posted(need).letters[0].deliveries] for need in Need}
    assert asked == {Need.FOR_INFORMATION: [2], Need.CAN_WAIT: [2], Need.GET_UP: [1, 2], Need.GET_OUT: [1, 2, 3]}


@given(st.lists(st.sampled_from(list(Need)), min_size=1, max_size=4))
def test_get_out_goes_to_every_channel_whatever_its_least(leasts):
    channels = [Channel(number, f"c{number}", "json://h", least) for number, least in enumerate(leasts, 1)]
    letter = outbox.post(Outbox(), notice(Need.GET_OUT), SENDER, channels, 0, UTC).letters[0]
    assert [one.channel for one in letter.deliveries] == [one.id for one in channels]


def test_the_most_urgent_goes_first_then_the_oldest_and_one_at_a_time():
    box = posted(Need.CAN_WAIT, Need.GET_OUT, Need.GET_UP, Need.GET_UP)
    order = []
    while found := [one for one in outbox.due(box, 0, ()) if one.channel == 2]:
        assert len(found) == 1
        order.append(found[0].letter.id)
        box = outbox.answered(box, found[0].letter.id, 2, True, "taken", 0, UTC)
    assert order == [2, 3, 4, 1]


def test_what_was_never_tried_goes_before_what_has_failed_once():
    box = outbox.answered(posted(Need.GET_UP, Need.GET_UP), 1, 2, False, "no answer", 0, UTC)
    found = [one.letter.id for one in outbox.due(box, 3600 * S1, ()) if one.channel == 2]
    assert found == [2]


def test_ways_that_hung_get_the_last_places_and_leave_some_to_the_others():
    ways = [Channel(number, f"way {number}", "json://h", Need.FOR_INFORMATION) for number in range(1, 9)]
    box = posted(Need.GET_UP, channels=ways)
    for way in ways[:7]:
        box = outbox.answered(box, 1, way.id, False, f"{outbox.HUNG} 30 s", 0, UTC)
    first = [one.channel for one in outbox.due(box, 3600 * S1, ())]
    assert first[0] == 8 and len(first) == 1 + outbox.HUNG_AT_ONCE
    again = outbox.post(box, notice(Need.GET_OUT), SENDER, ways, 3600 * S1, UTC)
    assert [one.channel for one in outbox.due(again, 3600 * S1, first[1:])] == [8], "whatever hangs, it has its place"


def test_a_channel_in_hand_holds_up_no_other():
    assert [one.channel for one in outbox.due(posted(Need.GET_UP), 0, {1})] == [2]


def test_a_failing_channel_is_tried_at_growing_distances_until_it_is_given_up():
    box, now_us, tries = posted(Need.GET_UP, channels=(PHONE,)), 0, []
    while box.letters[0].waits:
        if outbox.due(box, now_us, ()):
            tries.append(now_us)
            box = outbox.answered(box, 1, 1, False, "refused", now_us, UTC + now_us)
        now_us += S1
    gaps = [later - earlier for earlier, later in itertools.pairwise(tries)]
    assert tuple(gaps[:len(AGAIN_US)]) == AGAIN_US and set(gaps[len(AGAIN_US):]) == {AGAIN_US[-1]}
    assert tries[-1] + AGAIN_US[-1] > GIVE_UP_US[Need.GET_UP] >= tries[-1]
    (delivery,) = box.letters[0].deliveries
    assert delivery.state is State.FAILED and delivery.answer == "refused" and delivery.tries == len(tries)


@given(st.lists(st.tuples(st.integers(0, 3600 * S1), st.booleans()), max_size=30))
def test_whatever_the_answers_a_message_leaves_at_most_once_a_channel(answers):
    box, now_us, left = posted(Need.GET_OUT), 0, []
    for wait_us, taken in answers:
        now_us += wait_us
        for one in outbox.due(box, now_us, ()):
            left += [one.channel] if taken else []
            box = outbox.answered(box, one.letter.id, one.channel, taken, "", now_us, UTC)
    assert len(left) == len(set(left))
    assert {one.channel for one in box.letters[0].deliveries if one.state is State.LEFT} == set(left)


def test_a_late_answer_to_what_has_left_changes_nothing():
    box = outbox.answered(posted(Need.CAN_WAIT), 1, 2, True, "taken", 0, UTC)
    assert outbox.answered(box, 1, 2, False, "refused", 1, UTC) == box


def test_what_waits_for_a_channel_that_is_taken_away_has_failed_and_says_so():
    box = outbox.kept_to(posted(Need.GET_UP), (MAIL,), 5)
    by = {one.channel: one for one in box.letters[0].deliveries}
    assert (by[1].state, by[1].answer) == (State.FAILED, "the channel was taken away") and by[2].state is State.WAITING


def test_a_changed_channel_file_makes_waiting_messages_due_at_once():
    box = outbox.answered(posted(Need.CAN_WAIT), 1, 2, False, "refused", 0, UTC)
    assert outbox.due(box, S1, ()) == [] and len(outbox.due(outbox.kept_to(box, ALL, S1), S1, ())) == 1


def test_after_a_restart_what_waits_is_due_and_its_age_goes_on():
    box = outbox.answered(posted(Need.CAN_WAIT), 1, 2, False, "refused", 0, UTC)
    box = outbox.restarted(box, 7 * S1, UTC + 11 * 3600 * S1)
    assert len(outbox.due(box, 7 * S1, ())) == 1
    box = outbox.answered(box, 1, 2, False, "refused", 7 * S1 + 3600 * S1, UTC)
    assert box.letters[0].deliveries[0].state is State.FAILED


def test_a_clock_that_went_back_makes_no_message_older():
    (letter,) = outbox.restarted(posted(Need.CAN_WAIT), 7, UTC - 10**12).letters
    assert letter.made_us == 7


def test_only_the_newest_of_what_is_done_is_kept():
    box = Outbox()
    for number in range(KEPT + 30):
        box = outbox.post(box, notice(), SENDER, (MAIL,), 0, UTC)
        box = outbox.answered(box, number + 1, 2, True, "taken", 0, UTC)
    assert [one.id for one in box.letters] == list(range(31, KEPT + 31))


def test_of_too_many_that_wait_the_least_urgent_and_oldest_give_way():
    box = posted(Need.GET_UP, *[Need.CAN_WAIT] * (WAITING_MAX + 5), channels=(MAIL,))
    gave_way = [one.id for one in box.letters if one.deliveries[0].answer == "gave way to newer messages"]
    assert gave_way == [2, 3, 4, 5, 6, 7] and box.letters[0].waits


def test_without_channels_a_message_is_still_kept_for_the_page():
    (letter,) = posted(Need.GET_UP, channels=()).letters
    assert not letter.waits and letter.notice.what == "It happened."
