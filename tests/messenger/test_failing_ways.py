"""What is said of ways that fail: to the controller, on the page, in messages."""

from __future__ import annotations

import pytest

from controller.messenger import channels
from controller.messenger.channels import Channel
from controller.messenger.desk import FAILING_MAX, NO_CHANNEL, NONE_WAKES
from controller.messenger.send import Sent
from controller.messenger.words import Need
from controller.messenger_word import WORDS_MAX
from tests.messenger.moments import ABSENT, idle, running
from tests.messenger.stand_in import ATTIC, PHONE, House
from tests.messenger.test_desk import play


@pytest.fixture
def house(tmp_path):
    return House(tmp_path)


@pytest.mark.parametrize("size", [5, channels.NAME_MAX])
def test_every_way_that_fails_is_named_however_many_there_are_and_no_word_is_cut(house, size):
    async def work() -> None:
        names = [f"{number:02} {'n' * size}"[:channels.NAME_MAX] for number in range(1, channels.CHANNELS_MAX)]
        house.use(*[Channel(number, name, f"json://127.0.0.1/{number}", Need.FOR_INFORMATION)
                    for number, name in enumerate(names, 1)], ATTIC._replace(id=50))
        house.sends.answer = Sent(False, "the server at the far end said that nothing of that kind is taken there. " * 4)
        desk = house.desk()
        await house.turns(desk, seconds=4, now=running())
        said = desk.failing()
        assert len(said) <= FAILING_MAX <= WORDS_MAX and all(f"Channel {name} fails: the server" in said for name in names)
        assert "Receiver attic computer fails: the server" in said
        known = set(house.sends.answer.answer.split()) | {"there"}
        assert {one.partition(": ")[2].rstrip("…").split()[-1] for one in said.split("; ")} <= known
    play(work())


COUNTS = [(running({"level": "unattended"}), True), (idle(pending={"run_id": "9", "level": "unattended"}), True),
          (running({"level": "attended"}), False), (idle(), False)]


@pytest.mark.parametrize(("now", "fails"), COUNTS, ids=["unattended", "waiting", "attended", "idle"])
def test_with_the_last_channel_taken_away_messages_fail_for_a_run_that_counts_on_them(house, now, fails):
    async def work() -> None:
        house.use(PHONE)
        desk = house.desk()
        await house.turns(desk, seconds=3, now=now)
        assert desk.failing() == ""
        house.use()
        await house.turns(desk, seconds=3, now=now)
        assert desk.failing() == (NO_CHANNEL if fails else "") and not ABSENT.search(NO_CHANNEL)
        house.use(PHONE._replace(least=Need.GET_OUT))
        await house.turns(desk, seconds=3, now=now)
        assert desk.failing() == (NONE_WAKES if fails else "") and not ABSENT.search(NONE_WAKES)
        house.use(PHONE)
        await house.turns(desk, seconds=3, now=now)
        assert desk.failing() == ""
    play(work())
