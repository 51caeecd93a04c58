"""Chromium once a session, a fresh page a test, every console error a failure; the whole stack once, when asked for."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.stand_in import StandIn

CHROMIUM = Path("/usr/bin/chromium")
ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
PHONE, DESK = {"width": 390, "height": 844}, {"width": 1440, "height": 900}
SPEED = 600
UP_WITHIN_S = 40
ROOT = Path(__file__).resolve().parents[2]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)
            if not CHROMIUM.exists():
                item.add_marker(
                    pytest.mark.skip(
                        reason="no /usr/bin/chromium: apt-get install chromium, then the page is tested too"
                    )
                )


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="no playwright: pip install playwright, then the page is tested too"
    )
    playwright.expect.set_options(timeout=20_000)  # a busy machine is slow, not wrong
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=str(CHROMIUM), args=ARGS)
        yield browser
        browser.close()


@pytest.fixture
def new_page(chromium: Any) -> Iterator[Any]:
    """Makes pages; at the end none may have written an error to its console. `allowed` are parts of texts that may."""
    contexts: list[Any] = []
    wrong: list[str] = []
    allowed: list[str] = []

    def make(size: dict[str, int] = DESK, scheme: str = "light", **more: Any) -> Any:
        context = chromium.new_context(viewport=size, color_scheme=scheme, timezone_id="Europe/Berlin", **more)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("pageerror", lambda error: wrong.append(f"page error: {error}"))
        page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
        return page

    def close() -> None:
        while contexts:
            contexts.pop().close()

    make.allowed, make.close = allowed, close
    yield make
    close()
    left = [text for text in wrong if not any(part in text for part in allowed)]
    assert not left, f"written to the console: {left}"


@pytest.fixture
def stand_in(new_page: Any) -> Iterator[StandIn]:
    """The pages go before their server does: one that asks a closing server again is told of a reset on its console."""
    world = StandIn()
    yield world
    new_page.close()
    world.close()


class Stack:
    """The real thing: simulated board, controller, api and page, far faster than real time."""

    def __init__(self, folder: Path, *more: str) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.url, self.folder = f"http://127.0.0.1:{self.port}", folder
        self.process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "controller.cli",
                "serve",
                "--demo",
                "--speed",
                str(SPEED),
                "--data",
                str(folder),
                "--http",
                str(self.port),
                *more,
            ],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )

    def ask(self, path: str, body: Any = None, headers: dict[str, str] | None = None) -> Any:
        """Ask the api directly. Raises URLError while it is not there."""
        request = urllib.request.Request(
            f"{self.url}/api/v1{path}",
            None if body is None else json.dumps(body).encode(),
            {"content-type": "application/json", **(headers or {})},
        )
        with urllib.request.urlopen(request, timeout=5) as answer:
            return json.load(answer)

    def wait_up(self, within_s: float = UP_WITHIN_S) -> None:
        until = time.monotonic() + within_s
        pause = threading.Event()
        while time.monotonic() < until:
            try:
                if self.ask("/now")["board"]["present"]:
                    return
            except (urllib.error.URLError, OSError):
                pass
            pause.wait(0.2)
        raise AssertionError(f"the stack was not up within {within_s} s")

    def api_pid(self) -> int:
        return int(self.ask("/health")["api"]["pid"])

    def close(self) -> None:
        self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(15)
        except subprocess.TimeoutExpired:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait(5)


@pytest.fixture(scope="module")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stack]:
    started = Stack(tmp_path_factory.mktemp("demo") / "data")
    try:
        started.wait_up()
        yield started
    finally:
        started.close()
