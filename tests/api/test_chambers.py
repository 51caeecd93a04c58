"""Several chambers behind one service: each by its own address, one list, and the circuit they share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from api.parts import House
from tests.api.fake_controller import FakeController
from tests.api.fake_world import World
from tests.api.rig import Rig


class Two(Rig):
    """A rig with a second chamber beside the first."""

    def __init__(self, folder: Path, **settings: object) -> None:
        self.second = folder.parent / "garage"
        super().__init__(folder, **settings)
        self.settings = replace(self.settings, chambers=(folder, self.second))
        self.other = FakeController(World(simulated=True))

    async def _up(self) -> None:
        self.second.mkdir()
        await self.other.start(self.second / "controller.sock")
        self.other.step()
        await super()._up()
        house: House = self.app.state.house
        await self.until(lambda: all(one.hub.away == "" for one in house))

    async def _down(self) -> None:
        await super()._down()
        await self.other.stop()


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Two]:
    with Two(tmp_path / "kitchen") as rig:
        yield rig


def test_every_chamber_is_listed_by_the_name_of_its_folder(two: Two) -> None:
    lines = two.get("/chambers").json()["chambers"]
    assert [line["at"] for line in lines] == ["kitchen", "garage"]
    assert all(line["now"]["sentence"] and line["away"] == "" for line in lines)


def test_an_address_without_a_name_means_the_first(two: Two) -> None:
    two.post("/stop-heating")
    assert [command["ask"] for command in two.fake.commands] == ["stop_heating"] and not two.other.commands


def test_a_named_address_reaches_that_chamber_alone(two: Two) -> None:
    assert two.post("/at/garage/stop-heating").status_code == 200
    assert [command["ask"] for command in two.other.commands] == ["stop_heating"] and not two.fake.commands


def test_schedules_are_shared(two: Two) -> None:
    assert two.get("/at/garage/schedules").json() == two.get("/schedules").json()


@pytest.mark.parametrize("name", ["attic", "", "kitchen%2f..", "Garage"])
def test_an_unknown_name_is_not_there(two: Two, name: str) -> None:
    assert two.get(f"/at/{name}/now").status_code == 404


def test_a_chamber_that_is_not_heard_says_so_and_the_others_go_on(two: Two) -> None:
    two.loop.run(two.other.stop())
    two.loop.run(two.until(lambda: two.app.state.house.find("garage").hub.away != ""))
    kitchen, garage = two.get("/chambers").json()["chambers"]
    assert garage["now"] is None and garage["away"] and kitchen["now"]
    assert (garage["name"], garage["simulated"]) == ("Bench chamber", True), "as it was heard last"
    assert two.get("/at/garage/now").status_code == 503 and two.get("/now").status_code == 200


@pytest.mark.parametrize(("max_w", "over"), [(999, True), (1_000, False)])
def test_a_load_above_the_circuits_is_said(tmp_path: Path, max_w: int, over: bool) -> None:
    with Two(tmp_path / "kitchen", circuit_max_w=max_w) as rig:
        circuit = rig.get("/chambers").json()["circuits"][0]
        assert (circuit["sum_w"], circuit["over"]) == (1_000, over)
        assert ("1000 W" in circuit["words"]) is over


def test_one_chamber_alone_is_no_matter_of_circuits(tmp_path: Path) -> None:
    with Rig(tmp_path / "data", circuit_max_w=1) as rig:
        assert not rig.get("/chambers").json()["circuits"][0]["over"]


def test_a_stop_says_which_chamber_it_was(two: Two) -> None:
    assert two.post("/stop-heating").json()["at"] == "kitchen"
    answer = two.post("/at/garage/stop-heating").json()
    assert (answer["at"], answer["chamber"]) == ("garage", "Bench chamber")


def test_what_asks_for_somebody_is_in_the_list_with_its_urgency(two: Two) -> None:
    async def trip() -> None:
        two.other.world.trip("smoke", 1, 1)
        two.other.step()
        await two.until(lambda: two.app.state.house.find("garage").hub.now["latches"])

    two.loop.run(trip())
    kitchen, garage = (line["now"] for line in two.get("/chambers").json()["chambers"])
    assert (garage["latched"], garage["alarms"], garage["urgency"]) == (True, True, "get out and call the fire service")
    assert (kitchen["latched"], kitchen["alarms"], kitchen["urgency"]) == (False, False, "")
