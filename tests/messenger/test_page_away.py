"""The page (the api) killed in a run: told to people and to the second computer, and its return too."""

from __future__ import annotations

import asyncio
import json

import pytest

from api import messages
from controller.messenger import beats, channels, listening
from controller.messenger.channels import Channels
from controller.messenger.door import Door
from controller.messenger.memory import PAGE_SILENT_US
from controller.messenger.notices import PAGE_AGAIN, PAGE_SILENT
from controller.messenger.words import Need, text
from tests.messenger.moments import ABSENT, S1, UTC, idle, running
from tests.messenger.processes import Bench, until
from tests.messenger.stand_in import ATTIC, PAGE, PHONE, House
from tests.messenger.test_desk import play
from tests.tidy.measure import ROOT

LIMIT_S = 15 * 60
"""Whoever is far must know of it within 15 min."""
ATTENDED, UNATTENDED = running({"level": "attended"}), running({"level": "unattended"})
WAITING = idle(pending={"run_id": "9", "level": "unattended"})


@pytest.fixture
def house(tmp_path):
    return House(tmp_path, PHONE, ATTIC)


def told(house) -> list[str]:
    return [body for body in house.sends.bodies if PAGE_SILENT in body or PAGE_AGAIN in body]


@pytest.mark.parametrize(("now", "urgent"), [(ATTENDED, "can wait till morning"), (UNATTENDED, "get up now"),
                                             (WAITING, "get up now")], ids=["attended", "unattended", "waiting"])
def test_a_page_that_dies_in_a_run_is_told_once_and_its_return_too(house, now, urgent):
    async def work() -> None:
        desk = house.desk()
        await house.turns(desk, seconds=30, now=now)
        house.page_lives = False
        await house.turns(desk, seconds=PAGE_SILENT_US // S1 - 5, now=now)
        assert told(house) == []
        await house.turns(desk, seconds=600, now=now)
        (body,) = told(house)
        assert f"How urgent: {urgent}." in body and "Restart the service" in body and not ABSENT.search(body)
        house.page_lives = True
        await house.turns(desk, seconds=60, now=now)
        (_, back) = told(house)
        assert PAGE_AGAIN in back and "for information" in back and not ABSENT.search(back)
    play(work())


def test_a_page_that_never_came_is_told_from_the_messengers_own_start(house):
    async def work() -> None:
        house.page_lives = False
        await house.turns(house.desk(), seconds=PAGE_SILENT_US // S1 + 5, now=UNATTENDED)
        assert len(told(house)) == 1
    play(work())


def test_a_messenger_that_starts_anew_tells_neither_the_silence_nor_a_return_again(house):
    async def work() -> None:
        house.page_lives = False
        await house.turns(house.desk(), seconds=200, now=UNATTENDED)
        await house.turns(house.desk(), seconds=600, now=UNATTENDED)
        assert len(told(house)) == 1
        assert all(one["page_silent"] for one in house.sends.beats[2:]), "nor do its beats say that the page is back"
    play(work())


def test_with_nothing_on_nobody_misses_the_page(house):
    async def work() -> None:
        house.page_lives = False
        await house.turns(house.desk(), seconds=1200, now=idle())
        assert told(house) == [] and house.sends.beats == []
    play(work())


def test_the_second_computer_is_told_within_the_limit_once_and_of_the_return(house):
    async def work() -> None:
        desk, watches, found = house.desk(), {}, []
        house.page_lives = False
        await house.turns(desk, seconds=LIMIT_S, now=ATTENDED)
        house.page_lives = True
        await house.turns(desk, seconds=300, now=ATTENDED)
        for said in house.sends.beats:
            body = json.dumps({name: value for name, value in said.items() if name not in ("headers", "left")}).encode()
            beat = listening.read(body, beats.signature(body, ATTIC.key), ATTIC.key)
            watches, one = listening.take(watches, beat, beat.utc_us, beat.utc_us)
            found += [(each, beat.utc_us) for each in one]
        (away, when_us), (back, _) = found
        assert away.notice.what == PAGE_SILENT and away.notice.need is Need.GET_UP and back.notice.what == PAGE_AGAIN
        assert when_us - house.sends.beats[0]["utc_us"] <= LIMIT_S * S1
        assert not any(ABSENT.search(text(one.notice, one.sender, UTC, "").body) for one, _ in found)
    play(work())


def test_a_beat_of_an_older_messenger_says_nothing_of_the_page():
    said = json.loads(beats.body(ATTENDED, beats.Pulse(1, "running"), UTC))
    del said["page_silent"]
    body = json.dumps(said).encode()
    assert listening.read(body, beats.signature(body, ATTIC.key), ATTIC.key).page_silent is False


def test_the_api_says_that_it_lives_and_outlasts_a_messenger_that_is_away(house, monkeypatch):
    async def work() -> None:
        monkeypatch.setattr(messages, "LIVES_EVERY_S", 0.02)
        lives = asyncio.get_running_loop().create_task(messages.lives_for_ever(house.folder))
        await asyncio.sleep(0.1)
        assert not lives.done()
        desk = house.desk()
        door = Door(house.folder / "messenger.sock", desk, "0.1.0")
        await door.open()
        async with asyncio.timeout(5):
            while desk.page is not True:
                await asyncio.sleep(0.02)
        lives.cancel()
        await door.close()
    play(work())


API = ("import sys; from api import messages; messages.LIVES_EVERY_S = 0.3; from api.__main__ import main; "
       "sys.exit(main(sys.argv[1:]))")
SOON = "from controller.messenger import memory; memory.PAGE_SILENT_US = 3_000_000; "


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_an_api_that_is_killed_is_told_by_a_messenger_that_lives(tmp_path):
    from tests.messenger.processes import MESSENGER

    with Bench(tmp_path / "d") as bench:
        channels.save(bench.folder, Channels(PAGE, (PHONE._replace(url="mailbox://"),)))
        bench.rig.clock.speed = 10.0  # the short run has to last
        api = bench.start(API, "--data", str(bench.folder), "--http", "0", "--web", str(ROOT / "web"))
        assert api.stdout is not None and api.stdout.readline().startswith("http://"), "it is there before the messenger is"
        messenger = bench.start(f"{SOON}{MESSENGER}", "--data", str(bench.folder))
        until(lambda: bench.pid() == messenger.pid)
        bench.run()

        def said() -> list[str]:
            return [one["what"] for one in bench.status()["told"]]

        until(lambda: any("A run has begun" in one for one in said()))
        until(lambda: bench.status()["up_us"] > 6_000_000)
        assert PAGE_SILENT not in said() and api.poll() is None
        api.kill()
        until(lambda: PAGE_SILENT in said())
