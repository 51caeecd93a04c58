"""What uvicorn 0.54 and FastAPI 0.165 / Starlette 1.10 really do, where the interface is built around it.

A red test here after an upgrade says that a reason has changed: read what the interface does about it before taking the
new version. The last tests hold our own process to what must follow.
"""

from __future__ import annotations

import asyncio
import inspect
import json
import signal
import time
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from fastapi import FastAPI
from pydantic import BaseModel
from starlette.middleware.cors import CORSMiddleware
from starlette.middleware.gzip import DEFAULT_EXCLUDED_CONTENT_TYPES
from starlette.responses import JSONResponse
from starlette.staticfiles import StaticFiles

from api.hub import RING_TICKS
from tests.api.fake_controller import FakeController
from tests.api.fake_world import World
from tests.api.rig import Loop
from tests.api.server import Server

SMALL = "import api.__main__, api.stream; api.__main__.SEND_BUFFER_BYTES = 4096; api.stream.SEND_DEADLINE_S = 30.0"


class Thing(BaseModel):
    number: int = 0
    value: float = 0.0


def ask(app: Any, method: str, path: str, **how: Any) -> httpx.Response:
    async def asked() -> httpx.Response:
        transport = httpx.ASGITransport(app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            return await client.request(method, path, **how)

    return asyncio.run(asked())


def cross_site(heard: list[str]) -> FastAPI:
    app = FastAPI()
    app.add_middleware(CORSMiddleware, allow_origins=["http://127.0.0.1"])

    @app.post("/bodiless")
    async def bodiless() -> None:
        heard.append("bodiless")

    @app.post("/with-body")
    async def with_body(_thing: Thing) -> None:
        heard.append("with-body")

    return app


def test_cors_middleware_does_not_stop_a_cross_site_post_from_being_carried_out() -> None:
    """So `guard_origin` refuses before any route runs."""
    heard: list[str] = []
    headers = {"Origin": "https://example.org", "Content-Type": "text/plain"}
    assert ask(cross_site(heard), "POST", "/bodiless", headers=headers, content="x").status_code == 200
    assert heard == ["bodiless"]


def test_a_json_body_route_refuses_text_from_a_plain_form() -> None:
    """So every command takes a JSON object, though it says nothing."""
    heard: list[str] = []
    headers = {"Origin": "https://example.org", "Content-Type": "text/plain"}
    assert ask(cross_site(heard), "POST", "/with-body", headers=headers, content='{"number":1}').status_code == 422
    assert heard == []


def test_a_boolean_passes_for_a_number_unless_types_are_strict() -> None:
    """So every model here is strict."""
    assert Thing.model_validate({"number": True}).number == 1


def test_nan_is_three_different_things() -> None:
    """So `wire.encode` is the one place where JSON is made."""
    assert json.dumps(float("nan")) == "NaN"
    assert Thing(value=float("nan")).model_dump_json() == '{"number":0,"value":null}'
    with pytest.raises(ValueError, match="not JSON compliant"):
        JSONResponse({"value": float("nan")})


def test_static_files_have_an_etag_and_no_cache_control(tmp_path: Path) -> None:
    """So `page` says no-cache itself, and browsers need not guess."""
    (tmp_path / "a.js").write_text("1")
    answer = ask(StaticFiles(directory=tmp_path), "GET", "/a.js")
    assert "etag" in answer.headers and "cache-control" not in answer.headers


def test_gzip_leaves_event_streams_alone() -> None:
    """So the middleware may stand before the stream."""
    assert "text/event-stream" in DEFAULT_EXCLUDED_CONTENT_TYPES


def test_uvicorn_trusts_proxy_headers_from_loopback_and_waits_for_ever_unless_told() -> None:
    """So `__main__` gives both."""
    config = uvicorn.Config("x:y")
    assert config.proxy_headers is True and "127.0.0.1" in config.forwarded_allow_ips
    assert config.timeout_graceful_shutdown is None
    assert inspect.signature(uvicorn.Config).parameters["timeout_graceful_shutdown"].default is None


@pytest.mark.slow
def test_twenty_stuck_streams_do_not_keep_the_process_alive(tmp_path: Path) -> None:
    """Ended within 6 s of SIGTERM, though every stream waits in a send that nobody reads; without the grace time it would
    take until their send deadline. The exit code is the signal's, which is normal."""
    loop, fake = Loop(), FakeController(World())
    try:
        loop.run(fake.start(tmp_path / "controller.sock"))
        with Server(tmp_path, first=SMALL) as server:
            server.open_streams(20)
            for _ in range(4):
                for _ in range(RING_TICKS):
                    loop.loop.call_soon_threadsafe(fake.step)
                server.health()
                time.sleep(0.3)
            assert server.health()["api"]["streams"] == 20
            began = time.monotonic()
            code = server.end(signal.SIGTERM)
            took_s = time.monotonic() - began
            assert (code, server.process.stderr and server.process.stderr.read()) == (-signal.SIGTERM, "")
            assert took_s < 6
    finally:
        loop.run(fake.stop())
        loop.close()


def test_requests_through_a_proxy_or_under_a_foreign_name_are_refused_by_the_real_process(tmp_path: Path) -> None:
    with Server(tmp_path) as server:
        for headers in ({"X-Forwarded-For": "127.0.0.1"}, {"Host": "rebound.example.org"}):
            assert server.client.get("/health", headers=headers).status_code == 403
            assert server.client.post("/stop-heating", json={}, headers=headers).status_code == 403
