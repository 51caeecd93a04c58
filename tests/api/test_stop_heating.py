""""Stop heating" gets through: past stuck pages, past slow readers of the record, with a desk that cannot write."""

from __future__ import annotations

import asyncio
import inspect
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import anyio.to_thread
import pytest
from fastapi.dependencies.models import Dependant

from api import page
from api.app import NOUNS
from api.hub import RING_TICKS
from api.reading import READERS
from api.upstream import NEVER_SENT
from tests.api.fake_controller import FakeController
from tests.api.fake_world import World
from tests.api.rig import Loop, Rig
from tests.api.server import Server

STUCK, ROUNDS = 20, 60
STOP_S = 0.5
GROWTH_BYTES = 8 * 1024 * 1024
"""20 full send buffers of 64 KiB, as many messages of 600 rows being sent, and the allocator's slack. A queue a client
would have grown by 50 kB a round and client: 60 MB."""
IMPATIENT = "import api.stream, api.listening; api.stream.SEND_DEADLINE_S = 3.0; api.listening.STUCK_MS = 1000"


@pytest.mark.slow
def test_stuck_pages_cost_a_bounded_memory_and_do_not_delay_the_stop(tmp_path: Path) -> None:
    """They are seen to be stuck by being given up; then the kernel ends their connections."""
    loop, fake = Loop(), FakeController(World())
    try:
        loop.run(fake.start(tmp_path / "controller.sock"))
        with Server(tmp_path, first=IMPATIENT) as server:
            loop.run(_ring(fake))  # full before anything is measured
            began, sockets = server.health()["api"]["resident_bytes"], server.connections()
            server.open_streams(STUCK)
            loop.run(_until(lambda: server.health()["api"]["streams"] == STUCK))
            most = stop_s = 0.0
            for _ in range(ROUNDS):
                loop.run(_ring(fake))
                at = time.monotonic()
                assert server.client.post("/stop-heating", json={}).status_code == 200
                stop_s = max(stop_s, time.monotonic() - at)
                health = server.health()["api"]
                most = max(most, health["resident_bytes"])
                if health["streams"] == 0:
                    break
            assert health["streams"] == 0, "given up"
            assert stop_s < STOP_S and most - began < GROWTH_BYTES, (stop_s, most - began)
            loop.run(_until(lambda: server.connections() <= sockets))
    finally:
        loop.run(fake.stop())
        loop.close()


def test_slow_reading_of_the_record_does_not_delay_the_stop(rig: Rig) -> None:
    held = threading.Event()

    async def flood() -> float:
        reading = rig.app.state.house.first.reading
        slow = [asyncio.create_task(reading.do(lambda _: held.wait(10))) for _ in range(READERS * 10)]
        await asyncio.sleep(0.02)
        began = time.monotonic()
        answer = await rig.client.post("/api/v1/stop-heating", json={})
        took_s = time.monotonic() - began
        held.set()
        await asyncio.gather(*slow)
        return took_s if answer.status_code == 200 else 99.0

    assert rig.loop.run(flood()) < STOP_S


def test_a_full_thread_pool_does_not_delay_the_stop(rig: Rig) -> None:
    """Forty threads serve every plain function of the framework; the way of the stop has none."""
    held = threading.Event()

    async def flood() -> int:
        slow = [asyncio.create_task(anyio.to_thread.run_sync(held.wait, 10)) for _ in range(45)]
        await asyncio.sleep(0.05)
        try:
            async with asyncio.timeout(STOP_S):
                return int((await rig.client.post("/api/v1/stop-heating", json={})).status_code)
        finally:
            held.set()
            await asyncio.gather(*slow)

    assert rig.loop.run(flood()) == 200


def test_no_route_and_nothing_it_depends_on_is_a_plain_function() -> None:
    """The framework runs plain functions on its pool of threads."""
    routes = [route for router in (*NOUNS, page) for route in router.router.routes]
    found = [call for route in routes for call in _calls(route.dependant)]
    assert len(found) > len(routes) and [call for call in found if not inspect.iscoroutinefunction(call)] == []


def test_more_readers_than_can_be_served_are_turned_away(rig: Rig) -> None:
    held = threading.Event()

    async def flood() -> int:
        reading = rig.app.state.house.first.reading
        slow = [asyncio.create_task(reading.do(lambda _: held.wait(10))) for _ in range(40)]
        await asyncio.sleep(0.02)
        answer = await rig.client.get("/api/v1/runs")
        held.set()
        await asyncio.gather(*slow)
        return int(answer.status_code if answer.json()["code"] == "record_away" else 0)

    assert rig.loop.run(flood()) == 503


def test_a_desk_at_work_does_not_delay_the_stop(rig: Rig) -> None:
    held = threading.Event()

    async def busy() -> int:
        work = asyncio.create_task(rig.app.state.house.first.desk.do(lambda _: held.wait(10)))
        await asyncio.sleep(0.02)
        async with asyncio.timeout(STOP_S):
            answer = await rig.client.post("/api/v1/stop-heating", json={}, headers={"Idempotency-Key": "is-not-looked-up"})
        held.set()
        await work
        return int(answer.status_code)

    assert rig.loop.run(busy()) == 200


def test_it_is_sent_while_the_stream_from_the_controller_is_lost(rig: Rig) -> None:
    rig.loop.loop.call_soon_threadsafe(rig.hub.lost, "for this test")
    assert rig.post("/stop-heating").status_code == 200
    assert rig.fake.world.stop["by"] == "local, not signed in"


def test_without_a_controller_it_says_that_nothing_was_switched(tmp_path: Path) -> None:
    with Rig(tmp_path / "data", controller=False) as rig:
        answer = rig.post("/stop-heating")
        assert (answer.status_code, answer.json()["code"]) == (503, "controller_away")
        assert "go and look" in answer.json()["advice"]


def test_a_controller_that_hangs_up_may_have_heard_the_command(rig: Rig) -> None:
    rig.fake.mute = True

    async def hung_up() -> str:
        asked = asyncio.create_task(rig.client.post("/api/v1/stop-heating", json={}))
        await asyncio.sleep(0.05)
        for writer in list(rig.fake.writers - rig.fake.followers):
            writer.transport.abort()
        return str((await asked).json()["code"])

    assert rig.loop.run(hung_up()) == "no_answer"
    assert ConnectionResetError not in NEVER_SENT


def _calls(dependant: Dependant) -> Iterator[object]:
    yield dependant.call
    for inner in dependant.dependencies:
        yield from _calls(inner)


async def _ring(fake: FakeController) -> None:
    """600 ticks: a page that reads nothing is sent 50 kB more."""
    for _ in range(RING_TICKS):
        fake.step()
        await asyncio.sleep(0)


async def _until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not await asyncio.to_thread(true):
            await asyncio.sleep(0.02)


@pytest.mark.parametrize(("key", "kept"), [("press-0001", True), ("short", False), ("x" * 81, False), ("with blank", False)])
def test_the_key_of_a_press_names_it_and_never_refuses_it(shared: Rig, key: str, kept: bool) -> None:
    assert shared.post("/stop-heating", {}, headers={"Idempotency-Key": key}).status_code == 200
    assert (shared.fake.commands[-1]["ref"] == f"stop-{key}") is kept
