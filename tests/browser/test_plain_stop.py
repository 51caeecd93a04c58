"""The plain page for stopping in a real browser with scripting off, from a second device, while another page is open.

127.0.0.2 stands for the second device's way in. Pictures are looked at by people; here only what can be measured is held.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.api.elsewhere import PASSWORD
from tests.api.server import Server
from tests.api.test_door_server import OUTSIDE, Controlled, opened
from tests.browser.conftest import DESK, PHONE

SIZES = {"phone": PHONE, "desk": DESK}
pytestmark = [pytest.mark.browser, pytest.mark.slow]


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


def signed_in(new_page: Any, address: str, **how: Any) -> Any:
    """A page without script on which Anna has signed in at the plain form."""
    new_page.allowed.append("401")  # signed out, the plain page answers so, with the form to sign in
    page = new_page(java_script_enabled=False, **how)
    page.goto(f"{address}/stop")
    page.fill("input[name=name]", "Anna")
    page.fill("input[name=password]", PASSWORD)
    page.click("button")
    page.wait_for_url("**/stop")
    return page


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_signing_in_and_stopping_without_any_script(new_page: Any, address: str, size: dict[str, int], scheme: str) -> None:
    page = signed_in(new_page, address, size=size, scheme=scheme)
    button = page.locator("button.stop")
    box = button.bounding_box()
    assert box and box["height"] >= 44 and box["width"] >= 200, "large enough for a thumb"
    assert box["y"] + box["height"] < size["height"], "no scrolling to it"
    assert page.title() == "Stop heating: Bench chamber"
    button.press("Enter")  # the keyboard is enough
    page.wait_for_url("**/stop/said?*")
    page.wait_for_selector("text=The heat was seen off.", timeout=10_000)
    words = page.inner_text(".stations")
    assert len(re.findall(r"\d\d:\d\d:\d\d\.\d", words)) == 3 and words.startswith("asked")
    page.reload()
    assert "The heat was seen off." in page.content()


LONG = "The long chamber of the north cellar beside the wide window."


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_the_longest_name_stands_whole_on_the_button(new_page: Any, address: str, size: dict[str, int]) -> None:
    page = signed_in(new_page, address, size=size)
    spilled = page.evaluate("""(name) => { const key = document.querySelector("button.stop");
        key.querySelector("span").textContent = `Stop heating: ${name} (north-cellar)`;
        const [outer, inner] = [key, key.querySelector("span")].map((one) => one.getBoundingClientRect());
        return [inner.top < outer.top, inner.bottom > outer.bottom, inner.left < outer.left, inner.right > outer.right];
        }""", LONG)
    assert len(LONG) == 60 and spilled == [False] * 4


def test_a_link_in_a_message_reaches_the_button_though_the_cookie_stays_behind(new_page: Any, address: str) -> None:
    """SameSite=Strict keeps the cookie back on the way from another site; the page opens itself once more."""
    page = signed_in(new_page, address)
    page.context.route("http://chat.invalid/*", lambda route: route.fulfill(
        body=f'<a href="{address}/stop">look</a>', content_type="text/html"))
    page.goto("http://chat.invalid/")
    page.click("a")
    page.wait_for_selector("button.stop", timeout=5_000)
