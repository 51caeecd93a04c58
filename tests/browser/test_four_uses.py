"""The four uses of the tool, each by somebody on a second device, on a phone and at a desk: run a soak unattended, watch the
temperature, stop the heat, review the record.

The whole stack runs at speed. 127.0.0.2 stands for the way in from elsewhere, where an account is needed; what the first
use has begun is watched by the second, stopped by the third and read by the fourth, so the order is part of the test.
"""

from __future__ import annotations

import re
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.api.elsewhere import PASSWORD
from tests.browser.conftest import DESK, PHONE, Stack
from tests.browser.test_main_job import arrive

AWAY = "127.0.0.2"
UP_S = 60.0
CODE = re.compile(r"\b([A-Z2-9]{4}(?:-[A-Z2-9]{4}){3})\b")
pytestmark = pytest.mark.slow


class House(Stack):
    """A stack that listens beyond loopback as soon as Anna has an account."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as free:
            free.bind((AWAY, 0))
            self.outside = f"http://{AWAY}:{free.getsockname()[1]}"
        super().__init__(folder, "--address", AWAY, "--outside-port", self.outside.rpartition(":")[2])

    def open(self) -> None:
        self.wait_up()
        code = self._until(lambda: CODE.search((self.folder / "api.log").read_text()))
        self.ask("/join", {"code": code[1], "name": "Anna", "password": PASSWORD})
        self._until(self._listens)

    def _listens(self) -> bool:
        host, port = self.outside.removeprefix("http://").split(":")
        with socket.socket() as one:
            return one.connect_ex((host, int(port))) == 0

    def _until(self, true: Any) -> Any:
        end = time.monotonic() + UP_S
        while not (found := true()):
            assert time.monotonic() < end, "the house does not open"
            time.sleep(0.1)
        return found


@pytest.fixture(scope="module", params=[PHONE, DESK], ids=["phone", "desk"])
def house(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[House, dict[str, int]]]:
    found = House(tmp_path_factory.mktemp("house") / "data")
    try:
        found.open()
        yield found, request.param
    finally:
        found.close()


@pytest.fixture
def device(house: tuple[House, dict[str, int]], new_page: Any) -> Any:
    """A fresh browser on a second device, on which Anna has signed in."""
    stack, size = house
    new_page.allowed.append("401")  # before she signs in
    page = new_page(size=size)
    page.goto(f"{stack.outside}/")
    page.get_by_label("Name").fill("Anna")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator("h1")).to_contain_text(re.compile("runs|Heating|Soaking|Cooling|Heat is off"), timeout=30_000)
    return page


def test_run_a_soak_unattended(house: tuple[House, dict[str, int]], device: Any) -> None:
    stack, _ = house
    arrive(stack)
    device.goto(f"{stack.outside}/#/schedules/1/start")
    expect(device.locator("h1")).to_contain_text("Ready to run Long soak, 105")
    boxes = device.get_by_role("checkbox")
    expect(boxes.first).to_be_visible()
    for number in range(boxes.count()):
        boxes.nth(number).locator("xpath=ancestor::label").click()
        expect(boxes.nth(number)).to_be_checked()
    expect(device.locator(".leaving")).to_contain_text("The line is whole.", timeout=15_000)
    device.get_by_role("button", name=re.compile("Start heating")).click()
    # The start proof comes first, and the record lags behind a busy computer.
    expect(device.locator("h1")).to_contain_text("Heating up", timeout=120_000)
    expect(device.locator("#sheet")).to_contain_text("You may leave", timeout=120_000)


def test_watch_the_temperature(house: tuple[House, dict[str, int]], device: Any) -> None:
    value = device.locator(".reading.second .value")
    first = float(value.inner_text())
    device.wait_for_function(
        "(first) => Number(document.querySelector('.reading.second .value').textContent) > first + 1", arg=first)
    expect(device.locator("h1")).to_contain_text(re.compile(r"Heating up\. The soak starts in"))
    age = re.search(r"(\d+\.\d)\s+s\s+old", device.locator("body").inner_text())
    assert age and float(age[1]) < 5.0, "what is shown is young"


def test_stop_the_heat(house: tuple[House, dict[str, int]], device: Any) -> None:
    stack, _ = house
    assert stack.ask("/now")["run"]["state"] == "running"
    device.locator("#stop").click()
    expect(device.locator("#stations .station.solid")).to_have_count(3, timeout=15_000)
    expect(device.locator("#stations")).to_contain_text(re.compile(r"heat seen off \d\d:\d\d:\d\d"))
    now = stack.ask("/now")
    assert (now["run"]["state"], now["heat_off"], now["stop"]["by"]) == ("aborted", True, "Anna")


def test_review_the_record(house: tuple[House, dict[str, int]], device: Any) -> None:
    stack, _ = house
    device.goto(f"{stack.outside}/#/record/{stack.ask('/now')['run']['id']}")
    expect(device.locator("h1")).to_contain_text("The part had", timeout=30_000)
    expect(device.locator("#sheet")).to_contain_text("Nothing tripped.")
    expect(device.locator("#sheet")).to_contain_text("by Anna")
    expect(device.locator(".chart canvas")).to_be_visible()
    device.locator("textarea").fill("Invented note: the lower shelf was empty.")
    device.get_by_role("button", name="Keep it").click()
    expect(device.locator("#sheet")).to_contain_text("the lower shelf was empty.")
    link = device.get_by_role("link", name="Readings as CSV").get_attribute("href")
    text = device.request.get(stack.outside + link).text().splitlines()
    assert "UTC" in text[0] and "SIMULATED" in text[1].upper() and len(text) > 100
