"""The plain page for stopping in a real browser with scripting off, from a second device, while another page is open.

127.0.0.2 stands for the second device's way in. Pictures are looked at by people; here only what can be measured is held.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.api.elsewhere import PASSWORD
from tests.api.server import Server
from tests.api.test_door_server import OUTSIDE, Controlled, opened

sync_api = pytest.importorskip("playwright.sync_api")
CHROMIUM = Path("/usr/bin/chromium")
OPTIONS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking", "--disable-component-update",
           "--disable-sync", "--no-first-run"]
SIZES = {"phone": (390, 844), "desk": (1440, 900)}
pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.skipif(not CHROMIUM.exists(), reason="no Chromium here")]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("plain") / "data"
    controlled = Controlled(folder)
    try:
        with Server(folder, *OUTSIDE) as server:
            client = opened(server)
            yield str(client.base_url).removesuffix("/api/v1/")
            client.close()
    finally:
        controlled.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_signing_in_and_stopping_without_any_script(address: str, size: tuple[int, int], scheme: str) -> None:
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=OPTIONS)
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme,
                                      java_script_enabled=False)
        page = context.new_page()
        seen: list[str] = []
        page.on("console", lambda message: seen.append(message.text))
        page.goto(f"{address}/stop")
        page.fill("input[name=name]", "Anna")
        page.fill("input[name=password]", PASSWORD)
        page.click("button")
        page.wait_for_url("**/stop")
        button = page.locator("button.stop")
        box = button.bounding_box()
        assert box and box["height"] >= 44 and box["width"] >= 200 and box["y"] + box["height"] < size[1], "no scrolling to it"
        assert page.title() == "Stop heating: Bench chamber"
        button.press("Enter")  # the keyboard is enough
        page.wait_for_url("**/stop/said?*")
        page.wait_for_selector("text=The heat was seen off.", timeout=10_000)
        words = page.inner_text(".stations")
        assert len(re.findall(r"\d\d:\d\d:\d\d\.\d", words)) == 3 and words.startswith("asked")
        page.reload()
        assert "The heat was seen off." in page.content()
        assert [text for text in seen if "Refused" in text or "violates" in text] == []
        browser.close()


def test_a_link_in_a_message_reaches_the_button_though_the_cookie_stays_behind(address: str) -> None:
    """SameSite=Strict keeps the cookie back on the way from another site; the page opens itself once more."""
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=OPTIONS)
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{address}/stop")
        page.fill("input[name=name]", "Anna")
        page.fill("input[name=password]", PASSWORD)
        page.click("button")
        page.wait_for_url("**/stop")
        context.route("http://chat.invalid/*", lambda route: route.fulfill(
            body=f'<a href="{address}/stop">look</a>', content_type="text/html"))
        page.goto("http://chat.invalid/")
        page.click("a")
        page.wait_for_selector("button.stop", timeout=5_000)
        browser.close()
