"""A message has one clock, the chamber's: a simulation runs ahead of the wall, and its messages tell its own times."""

from __future__ import annotations

from controller.messenger import listening, outbox
from controller.messenger.channels import Channel
from controller.messenger.door import Door
from controller.messenger.outbox import GIVE_UP_US
from controller.messenger.words import Need, day
from tests.messenger.moments import S1, UTC, ended, latch, running
from tests.messenger.stand_in import ATTIC, PHONE, House
from tests.messenger.test_desk import play

AHEAD_US = 9 * 3600 * S1
SMOKE = ended("aborted", "", latches=[latch("smoke")], utc_us=UTC + 1_000 * S1 + AHEAD_US)


def test_a_message_is_stamped_with_the_chambers_own_time_everywhere(tmp_path):
    house = House(tmp_path, PHONE, Channel(3, "demo mailbox", "mailbox://", Need.FOR_INFORMATION))
    stamp_us = SMOKE["utc_us"]

    async def work() -> None:
        desk = house.desk()
        await house.turns(desk, now=SMOKE)
        [body] = house.sends.bodies
        assert f"{day(stamp_us)}. Chamber " in body
        assert desk.kept.mailbox[0]["utc_us"] == stamp_us
        assert (await Door(tmp_path / "s", desk, "0.1.0")._status({}))["told"][0]["utc_us"] == stamp_us
    play(work())


def test_when_nothing_is_heard_the_chambers_clock_goes_on(tmp_path):
    house = House(tmp_path, PHONE)

    async def work() -> None:
        desk = house.desk()
        on = running(utc_us=UTC + AHEAD_US)
        desk.take("bench", on)
        house.time.us += 15 * S1
        await house.turns(desk)
        silence = desk.kept.outbox.letters[-1]
        assert "has not been heard" in silence.notice.what and silence.stamp_utc_us == on["utc_us"] + 15 * S1
    play(work())


def test_a_simulation_that_runs_ahead_makes_no_message_younger_than_it_is(tmp_path):
    house = House(tmp_path, PHONE)

    async def work() -> None:
        house.sends.hang = True
        await house.turns(house.desk(), now=SMOKE)
        house.time.us += 3 * 3600 * S1
        desk = house.desk()
        [letter] = desk.kept.outbox.letters
        assert letter.stamp_utc_us == SMOKE["utc_us"] and house.time.us - letter.made_us >= 3 * 3600 * S1
        late = outbox.answered(desk.kept.outbox, letter.id, 1, False, "no", house.time.us + GIVE_UP_US[Need.GET_OUT], UTC)
        assert not late.letters[0].waits
    play(work())


def test_a_beat_carries_the_chambers_own_time_and_so_do_the_listeners_messages(tmp_path):
    house = House(tmp_path, ATTIC)

    async def work() -> None:
        desk = house.desk()
        await house.turns(desk, now=running(utc_us=UTC + AHEAD_US))
        [said] = house.sends.beats
        assert said["utc_us"] == UTC + AHEAD_US
        beat = listening.Beat("Bench", "5a17c0", True, 1, said["utc_us"], "27", "running", 0, 600 * S1, "", False, (), "")
        watches, _ = listening.take({}, beat, 0, UTC)
        _, [told] = listening.look(watches, 600 * S1)
        assert told.utc_us == UTC + AHEAD_US + 600 * S1
    play(work())
