"""The live stream: at most four messages a second, resumable, honest about a controller that is away."""

from __future__ import annotations

import asyncio
import itertools
from pathlib import Path
from typing import Any

import pytest

from api import stream as stream_module
from api.hub import RING_TICKS, Hub
from api.stream import Stream
from tests.api.fake_controller import FakeController, snapshot
from tests.api.fake_world import World
from tests.api.rig import Listening, Rig


def test_a_new_page_gets_the_snapshot_and_the_ring_and_is_told_that_it_did_not_resume(rig: Rig) -> None:
    rig.step(5)
    page = Listening(rig)
    page.wait(page.ticks)
    [first] = page.ticks()
    assert (first["resumed"], first["now"]["tick"]) == (False, 6)
    assert [row[0] for row in first["rows"]] == [1, 2, 3, 4, 5, 6]
    page.leave()


def test_rows_between_two_messages_are_collected_and_none_is_lost_or_doubled(rig: Rig) -> None:
    page = Listening(rig)
    page.wait(page.ticks)
    for _ in range(3):
        rig.step(20)
        page.wait(lambda: page.ticks()[-1]["now"]["tick"] == rig.fake.world.tick)
    assert [row[0] for data in page.ticks() for row in data["rows"]] == list(range(1, 62))
    assert [data["resumed"] for data in page.ticks()] == [False] + [True] * (len(page.ticks()) - 1)
    page.leave()


def test_messages_are_at_least_a_quarter_of_a_second_apart(rig: Rig) -> None:
    page = Listening(rig)
    page.wait(page.ticks)

    async def fast() -> int:
        for _ in range(100):
            rig.fake.step()
            await asyncio.sleep(0.006)
        return len(page.ticks())

    assert 2 <= rig.loop.run(fast()) <= 5, "0.6 s of fast ticks make two or three messages more"
    page.leave()


def test_a_page_that_comes_back_gets_exactly_what_it_missed(rig: Rig) -> None:
    rig.step(9)
    page = Listening(rig, last_id="1-4")
    page.wait(page.ticks)
    assert page.ticks()[0]["resumed"] is True
    assert [row[0] for row in page.ticks()[0]["rows"]] == [5, 6, 7, 8, 9, 10]
    assert page.messages[0][1] == "1-10", "the id to come back with"
    page.leave()


@pytest.mark.parametrize("last_id", ["1-99999", "2-4", "nonsense", "1-0"])
def test_an_unknown_id_gets_everything_and_is_told_so(rig: Rig, last_id: str) -> None:
    rig.step(3)
    page = Listening(rig, last_id)
    page.wait(page.ticks)
    assert (page.ticks()[0]["resumed"], len(page.ticks()[0]["rows"])) == (False, 4)
    page.leave()


def test_events_come_with_their_tick(rig: Rig) -> None:
    page = Listening(rig)
    page.wait(page.ticks)
    rig.post("/runs", {"schedule_id": 1, "level": "at_the_chamber"}, headers={"Idempotency-Key": "a-first-key"})
    rig.step()
    page.wait(lambda: len(page.ticks()) > 1)
    kinds = [event["kind"] for data in page.ticks() for event in data["events"]]
    assert "run_state" in kinds and "command_accepted" in kinds
    page.leave()


def test_beats_come_without_ticks_and_carry_the_age(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "BEAT_S", 0.3)
    page = Listening(rig)
    page.wait(lambda: len(page.beats()) >= 3)
    ages = [beat["age_us"] for beat in page.beats()]
    assert ages == sorted(ages) and ages[-1] - ages[0] > 400_000 and len(page.ticks()) == 1
    assert {beat["away"] for beat in page.beats()} == {""}
    page.leave()


def test_the_beat_is_every_two_seconds() -> None:
    assert stream_module.BEAT_S == 2.0, "the page calls five seconds without one a lost connection"


def test_a_controller_that_goes_and_comes_back_loses_no_tick(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "BEAT_S", 0.1)
    monkeypatch.setattr("api.upstream.RETRY_S", (0.02,))
    page = Listening(rig)
    page.wait(page.ticks)
    rig.loop.run(rig.fake.stop())
    page.wait(lambda: page.beats()[-1]["away"] != "")
    assert rig.get("/now").json()["code"] == "controller_away"
    for _ in range(3):
        rig.fake.step()
    rig.loop.run(rig.fake.start(rig.folder / "controller.sock"))
    page.wait(lambda: len(page.ticks()) > 1 and page.beats()[-1]["away"] == "")
    assert [row[0] for data in page.ticks() for row in data["rows"]] == [1, 2, 3, 4]
    assert page.ticks()[-1]["resumed"] is True and rig.get("/now").status_code == 200
    page.leave()


def test_a_controller_that_was_started_anew_is_not_taken_for_the_old_one(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("api.upstream.RETRY_S", (0.02,))
    rig.step(4)
    page = Listening(rig)
    page.wait(page.ticks)
    rig.loop.run(rig.fake.stop())
    rig.fake = FakeController(World(boot=2))
    rig.fake.step()
    rig.loop.run(rig.fake.start(rig.folder / "controller.sock"))
    page.wait(lambda: len(page.ticks()) > 1)
    last = page.ticks()[-1]
    assert (last["resumed"], [row[0] for row in last["rows"]], last["now"]["id"]) == (False, [1], "2-1")
    page.leave()


def test_a_page_opened_while_the_controller_is_away_gets_beats_and_no_old_values(tmp_path: Path) -> None:
    with Rig(tmp_path / "data", controller=False) as rig:
        page = Listening(rig)
        page.wait(page.beats)
        assert page.ticks() == [] and page.beats()[0]["age_us"] is None and "does not answer" in page.beats()[0]["away"]
        page.leave()


def test_what_the_controller_tells_in_an_unknown_shape_is_said_and_not_shown(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("api.upstream.RETRY_S", (0.02,))
    for writer in list(rig.fake.followers):
        rig.loop.loop.call_soon_threadsafe(writer.write, b'{"push":"tick"}\n')
    rig.loop.run(rig.until(lambda: "cannot be read" in rig.hub.away))
    rig.loop.run(rig.until(lambda: rig.hub.away == ""))


def test_no_more_than_forty_streams_and_advice_for_the_next(rig: Rig) -> None:
    pages = [Listening(rig) for _ in range(stream_module.STREAMS_MAX)]
    for page in pages:
        page.wait(page.ticks)
    answer = rig.get("/stream")
    assert (answer.status_code, answer.json()["code"], answer.headers["retry-after"]) == (503, "streams_full", "5")
    assert "/now" in answer.json()["advice"]
    assert rig.post("/stop-heating").status_code == 200
    for page in pages:
        page.leave()
    assert rig.hub.streams == 0, "a stream that ended gives its place back"


def test_a_send_that_takes_too_long_ends_the_stream(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "SEND_DEADLINE_S", 0.05)
    hub = live_hub()

    async def stuck(message: Any) -> None:
        await asyncio.Event().wait()

    async def never() -> Any:
        return await asyncio.Event().wait()

    async def scenario() -> None:
        async with asyncio.timeout(2):
            await Stream(hub, None, lambda: True)({}, never, stuck)

    asyncio.run(scenario())
    assert hub.streams == 0


def test_a_mistake_inside_the_stream_is_not_swallowed() -> None:
    async def broken(message: Any) -> None:
        raise ZeroDivisionError

    async def never() -> Any:
        return await asyncio.Event().wait()

    with pytest.raises(ZeroDivisionError):
        asyncio.run(Stream(live_hub(), None, lambda: True)({}, never, broken))


def test_the_end_of_the_service_ends_every_stream_at_once(rig: Rig) -> None:
    page = Listening(rig)
    page.wait(page.ticks)
    rig.loop.loop.call_soon_threadsafe(rig.hub.close)
    page.task.result(1.0)


def live_hub() -> Hub:
    hub, world = Hub(), World()
    hub.begin(False, [world.step()[0]], snapshot(world, 1))
    return hub


def test_the_ring_forgets_the_oldest_and_says_so_to_who_lags_behind_it() -> None:
    hub, world = Hub(), World()
    hub.begin(False, [world.step()[0]], snapshot(world, 1))
    early = hub.since(None).serial
    for _ in itertools.repeat(None, RING_TICKS):
        row, events = world.step()
        hub.push({"id": f"1-{row[0]}", "row": row, "events": events, "now": snapshot(world, 1)})
    assert hub.since(early).resumed is True and len(hub.since(early).rows) == RING_TICKS
    row, events = world.step()
    hub.push({"id": f"1-{row[0]}", "row": row, "events": events, "now": snapshot(world, 1)})
    assert hub.since(early).resumed is False and len(hub.since(early).rows) == RING_TICKS


def test_a_follow_that_did_not_resume_leaves_a_hole_no_stream_bridges() -> None:
    hub, world = Hub(), World()
    hub.begin(False, [world.step()[0]], snapshot(world, 1))
    at = hub.since(None).serial
    hub.begin(False, [world.step()[0]], snapshot(world, 1))
    assert hub.since(at).resumed is False
    assert hub.since(hub.since(None).serial) == hub.since(hub.since(None).serial)._replace(rows=[], events=[], resumed=True)
