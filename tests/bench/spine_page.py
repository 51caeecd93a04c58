"""The page as a browser takes it: bytes over the wire of a first visit, and the time to its first paint on loopback."""

from __future__ import annotations

import shutil
from typing import Any

from playwright.sync_api import Browser, sync_playwright

from tests.bench.figure import QUICK, Figure, at_most, median, unmeasured
from tests.bench.served import demo

VISITS = 3 if QUICK else 7
SETTLE_MS = 1_500
"""Modules, data and the first stream message have come by then; the stream itself goes on for ever."""
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking", "--disable-component-update",
         "--disable-sync", "--no-first-run"]
FIRST_PAINT = "() => performance.getEntriesByType('paint').find(e => e.name === 'first-contentful-paint')?.startTime ?? null"


def visit(browser: Browser, url: str) -> tuple[int, float]:
    """(bytes received, milliseconds to the first contentful paint) of a visit with an empty cache."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    network = context.new_cdp_session(page)
    network.send("Network.enable")
    streams: set[str] = set()
    received = 0

    def answered(event: dict[str, Any]) -> None:
        if event["response"]["mimeType"] == "text/event-stream":
            streams.add(event["requestId"])

    def came(event: dict[str, Any]) -> None:
        nonlocal received
        if event["requestId"] not in streams:
            received += event["encodedDataLength"]

    network.on("Network.responseReceived", answered)
    network.on("Network.loadingFinished", came)
    page.goto(url, wait_until="load")
    page.wait_for_timeout(SETTLE_MS)
    paint_ms = page.evaluate(FIRST_PAINT)
    context.close()
    assert paint_ms is not None, "the page painted nothing"
    return received, float(paint_ms)


def row() -> list[Figure]:
    """page: bytes over the wire, first paint"""
    names = (("page, bytes over the wire, first visit, stream left out", "kB", 200),
             ("page, first contentful paint on loopback", "ms", 300))
    browser_path = shutil.which("chromium")
    if browser_path is None:
        print("  the page is not measured: chromium is missing (Debian: apt install chromium)")
        return [unmeasured("spine", name, unit, goal) for name, unit, goal in names]
    with demo(60) as served, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=browser_path, args=FLAGS)
        visit(browser, served.url)
        visits = [visit(browser, served.url) for _ in range(VISITS)]
        browser.close()
    values = (median([size for size, _ in visits]) / 1000, median([paint for _, paint in visits]))
    return [at_most("spine", name, value, unit, goal) for (name, unit, goal), value in zip(names, values, strict=True)]
