"""The examples of the OpenAPI text against live answers: an example may not name what is not there.

Every JSON route is taken from the routers. One walk asks each of them once, as somebody who makes an account, stores a
schedule, runs it, looks back and signs out. What a stand-in for the controller or the messenger makes up is compared with the
real one's words instead.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.app import NOUNS
from api.desk.demo import DEMO
from api.errors import PREFIX
from api.examples import CHAMBER, GUARDS, HEALTH, LETTERS, NOW, TOLD, TRIED
from controller.chamber_told import chamber_facts
from controller.client import Client
from controller.core.start import first_state
from controller.messenger.channels import Channel
from controller.messenger.door import Door
from controller.messenger.words import Need
from controller.planning.schedule_file import FORMAT
from controller.snapshot import Facts, Snapshots, guard_rows
from tests.api.elsewhere import PASSWORD, Elsewhere
from tests.api.fake_messenger import FakeMessenger
from tests.api.made_record import make
from tests.api.rig import Rig
from tests.messenger.moments import ended, latch
from tests.messenger.stand_in import PHONE, House
from tests.service.chambers import simulated
from tests.service.rig import Rig as ServiceRig
from tests.service.runs import running

ROUTES = {(method, route.path) for noun in NOUNS for route in noun.router.routes for method in route.methods - {"HEAD"}}
NO_JSON = {("GET", "/stream"), ("GET", "/runs/{run_id}/csv"), ("GET", "/runs/{run_id}/events/csv"),
           ("GET", "/schedules/{number}/text")}
SCHEDULE = {"format": FORMAT, "temperature_of": "part", "resume": "never", **DEMO[0]}


def untrue(example: Any, live: Any, where: str = "") -> Iterator[str]:
    """Every name in `example` that is not in `live`, and every kind of thing that is another. A list is judged by its first
    element; null or an empty list on either side says nothing of what is inside."""
    if example is None or live is None:
        return
    if isinstance(example, dict) and isinstance(live, dict):
        for name, value in example.items():
            if name in live:
                yield from untrue(value, live[name], f"{where}.{name}")
            else:
                yield f"{where}.{name} is not there"
    elif isinstance(example, list) and isinstance(live, list):
        if example and live:
            yield from untrue(example[0], live[0], f"{where}[0]")
    elif kind(example) is not kind(live):
        yield f"{where} is {live!r}, not as {example!r}"


def kind(value: Any) -> type:
    """What a JSON value is; JavaScript has one kind of number."""
    return float if type(value) is int else type(value)


def success(operation: Any) -> tuple[int, Any]:
    """Status and example of the answer when all is well."""
    [status] = [status for status in operation["responses"] if status.startswith("2")]
    return int(status), operation["responses"][status]["content"]["application/json"].get("example")


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    """A desk with a past run, a controller and a messenger, both stand-ins."""
    folder = tmp_path_factory.mktemp("examples") / "data"
    folder.mkdir()
    make(folder / "record.db", 60)
    messenger = FakeMessenger()
    with Rig(folder) as found:
        found.loop.run(messenger.start(folder / "messenger.sock"))
        yield found
        found.loop.run(messenger.stop())


class Walk:
    """Asks each route of a device, and keeps what was asked and what was untrue."""

    def __init__(self, rig: Rig) -> None:
        self.document = rig.get("/openapi.json").json()
        self.device, self.asked, self.wrong = Elsewhere(rig), set(), []

    def __call__(self, method: str, template: str, body: Any = None, headers: Any = None, query: str = "", **names: Any) -> Any:
        path = re.sub(r"{(\w+)}", lambda name: str(names[name[1]]), template)
        how = {} if method in ("GET", "DELETE") else {"json": {} if body is None else body}
        answer = self.device.ask(method, path + query, headers=headers or {}, **how)
        status, example = success(self.document["paths"][PREFIX + template][method.lower()])
        assert answer.status_code == status, (method, path, answer.text)
        self.asked.add((method, template))
        self.wrong += [f"{method} {template}: {words}" for words in untrue(example, answer.json())]
        return answer.json()


def test_every_json_route_has_an_example_of_what_it_answers(rig: Rig):
    document = rig.get("/openapi.json").json()
    without = [(method, path) for method, path in sorted(ROUTES - NO_JSON)
               if success(document["paths"][PREFIX + path][method.lower()])[1] is None]
    assert not without


def test_every_example_is_true_of_a_live_answer(rig: Rig):
    walk = Walk(rig)
    people(walk, rig)
    schedules(walk)
    looks(walk)
    messages(walk)
    proofs(walk)
    runs(walk, rig)
    walk("POST", "/me/password", {"old": PASSWORD, "new": PASSWORD + ", twice"})
    walk("POST", "/sign-out")
    assert not walk.wrong, "\n".join(walk.wrong)
    assert walk.asked == ROUTES - NO_JSON - REAL.keys()


def people(walk: Walk, rig: Rig) -> None:
    walk("POST", "/join", {"code": rig.app.state.door.first_code(), "name": "Anna", "password": PASSWORD})
    walk("POST", "/sign-in", {"name": "Anna", "password": PASSWORD})
    walk("GET", "/me")
    code = walk("POST", "/people/invitations", {"role": "viewer"})["code"]
    assert Elsewhere(rig).join(code, "Ben").status_code == 201
    taken = walk("POST", "/people/invitations", {"role": "viewer"})["id"]
    walk("GET", "/people")
    walk("DELETE", "/people/invitations/{identity}", identity=taken)
    walk("PUT", "/people/{number}", {"role": "operator"}, number=2)
    walk("DELETE", "/people/{number}", number=2)
    token = walk("POST", "/tokens", {"label": "kitchen", "scope": "stop", "days": 30})["id"]
    walk("GET", "/tokens")
    walk("DELETE", "/tokens/{number}", number=token)
    walk("GET", "/desk/audit")


def schedules(walk: Walk) -> None:
    number = walk("POST", "/schedules", SCHEDULE)["id"]
    walk("POST", "/schedules/preview", SCHEDULE)
    walk("PUT", "/schedules/{number}", {**SCHEDULE, "note": "changed"}, number=number)
    for path in ("/schedules", "/schedules/{number}", "/schedules/{number}/revisions",
                 "/schedules/{number}/revisions/{revision}"):
        walk("GET", path, number=number, revision=1)
    text = walk.device.get(f"/schedules/{number}/text").text
    walk("POST", "/schedules/import", {"text": text})
    walk("DELETE", "/schedules/{number}", number=number)


def looks(walk: Walk) -> None:
    for path in ("/may-do", "/chambers", "/chamber/bundle",
                 "/event-kinds", "/leaving", "/health", "/runs", "/stop-heating/last"):
        walk("GET", path)
    for path in ("/runs/{run_id}", "/runs/{run_id}/curve"):
        walk("GET", path, run_id="1")
    for path in ("/events", "/runs/{run_id}/events"):  # what an event carries hangs on its kind
        walk("GET", path, query="?kinds=run_state", run_id="1")
    walk("GET", "/problems/{code}", code="busy")
    note = walk("POST", "/runs/{run_id}/notes", {"text": "Second shelf."}, run_id="1")["id"]
    walk("GET", "/runs/{run_id}/notes", run_id="1")
    walk("DELETE", "/runs/{run_id}/notes/{number}", run_id="1", number=note)


def messages(walk: Walk) -> None:
    channel = walk("POST", "/messages/channels", {"name": "phone", "url": "json://192.0.2.7/x", "least": "can_wait"})["id"]
    walk("PUT", "/messages/channels/{number}", {"name": "telephone", "least": "get_up"}, number=channel)
    beat = walk("POST", "/messages/beats", {"name": "attic", "url": "http://192.0.2.9:8652/"})["id"]
    walk("PUT", "/messages/beats/{number}", {"name": "attic computer"}, number=beat)
    walk("POST", "/messages/channels/{number}/try", number=channel)
    walk("POST", "/messages/beats/{number}/try", number=beat)
    walk("PUT", "/messages/page", {"page": "http://192.0.2.5:8650"})
    walk("GET", "/messages")
    walk("GET", "/messages/mailbox")
    walk("DELETE", "/messages/channels/{number}", number=channel)
    walk("DELETE", "/messages/beats/{number}", number=beat)


def proofs(walk: Walk) -> None:
    walk("POST", "/proofs/{step}/begin", step="contacts")
    walk("GET", "/proofs")
    walk("POST", "/proofs/{step}/confirm", {"seen": "lamp_armed", "yes": True}, step="contacts")
    walk("POST", "/proofs/cancel")
    walk("POST", "/proofs/{step}/values", {"values": {"earth_ohm": 3.2}}, step="wiring")
    walk("POST", "/proofs/changed", {"change": "moved"})


def runs(walk: Walk, rig: Rig) -> None:
    walk("POST", "/runs", {"schedule_id": 1, "level": "at_the_chamber"}, {"Idempotency-Key": "the-only-one"})
    rig.step()
    for path in ("/runs/current/hold", "/runs/current/restart", "/check-in", "/runs/current/cool-down", "/stop-heating",
                 "/runs/current/reset"):
        walk("POST", path)
    rig.fake.world.trip("smoke", 1, 1)
    rig.step()
    walk("POST", "/alarms/{guard}/acknowledge", guard="smoke")
    walk("POST", "/latches/{guard}/clear", guard="smoke")


# -- what only the real controller and messenger can say --------------------------------------------------------------


def real_now(folder: Path) -> Any:
    chamber = simulated(folder / "c")
    state = running(chamber.chamber, 100)
    snapshots = Snapshots(Facts("t", 3, chamber, "wall", 1.0))
    snapshots.see(state)
    return snapshots.now(state, 1_764_061_234_000_000, ("", 0))


def real_guards(folder: Path) -> Any:
    rows = guard_rows(first_state(simulated(folder / "c").chamber, 0))
    return {"guards": [row for row in rows if row["id"] == "door"]}


REAL = {("GET", "/now"): (NOW, real_now), ("GET", "/guards"): (GUARDS, real_guards),
        ("GET", "/chamber"): (CHAMBER, lambda folder: chamber_facts(simulated(folder / "c")))}
"""Asked of the controller and answered as they come; the stand-in's snapshot is shorter than the real one."""


@pytest.mark.parametrize("route", sorted(REAL), ids=lambda route: route[1])
def test_what_the_controller_answers_is_compared_with_the_real_one(rig: Rig, tmp_path: Path, route: tuple[str, str]):
    example, live = REAL[route]
    assert success(rig.get("/openapi.json").json()["paths"][PREFIX + route[1]]["get"]) == (200, example)
    assert list(untrue(example, json.loads(json.dumps(live(tmp_path))))) == []


def test_what_the_messenger_answers_is_compared_with_the_real_one(tmp_path: Path):
    """A message that was told, and a letter of the mailbox."""
    house = House(tmp_path, PHONE)

    async def work() -> tuple[Any, ...]:
        desk = house.desk()
        desk.take("bench", ended("aborted", "", latches=[latch("smoke")]))
        await desk.try_channel(Channel(2, "mailbox", "mailbox://", Need.FOR_INFORMATION), "http://192.0.2.5:8650/arrived")
        door = Door(tmp_path / "messenger.sock", desk, "0.1.0")
        await door.open()
        client = Client(tmp_path / "messenger.sock", 5.0)
        try:
            return await client.ask("status"), await client.ask("mailbox"), await client.ask("try", channel=1, link="")
        finally:
            await door.close()

    status, mailbox, tried = asyncio.run(work())
    assert status["told"] and mailbox["letters"]
    assert list(untrue([TOLD], status["told"])) == list(untrue(LETTERS, mailbox)) == []
    assert list(untrue(TRIED, {"id": 1, **tried})) == []


def test_the_health_of_a_controller_is_compared_with_the_real_one(tmp_path: Path):
    service = ServiceRig(tmp_path)
    try:
        assert list(untrue(HEALTH["controller"]["health"], service.service.health())) == []
    finally:
        service.close()


def test_the_example_of_now_leaves_nothing_out_at_the_top(tmp_path: Path):
    live = real_now(tmp_path)
    assert list(NOW) == list(live) and list(NOW["run"]) == list(live["run"])


def test_an_untrue_example_is_found():
    live = {"a": [{"b": 1, "c": None}], "d": {"e": "x"}}
    assert list(untrue({"a": [{"b": 2.5, "c": 3}], "d": {"e": ""}}, live)) == []
    assert len(list(untrue({"a": [{"z": 1}], "d": {"e": 1}, "f": None}, live))) == 3


def test_the_start_of_a_run_asks_for_its_key(rig: Rig):
    document = rig.get("/openapi.json").json()
    [key] = document["paths"][f"{PREFIX}/runs"]["post"]["parameters"]
    assert (key["name"], key["required"], key["schema"]["type"]) == ("Idempotency-Key", True, "string")
    [other] = document["paths"][f"{PREFIX}/runs/current/hold"]["post"]["parameters"]
    assert not other["required"]
