"""Who may speak to the service. Every unsafe route is taken from the routers, so a new one is tried without an edit."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from api import page, stop_page
from api.app import NOUNS
from api.door.hosts import host_name
from api.guard_origin import BODY_MAX_BYTES, FORMS, GuardOrigin
from tests.api.rig import BASE, Rig

FILLED = {"{guard}": "door",
          "{number}": "1", "{revision}": "1", "{run_id}": "1", "{code}": "busy", "{name:path}": "x", "{identity}": "x"}


def filled(path: str) -> str:
    for name, value in FILLED.items():
        path = path.replace(name, value)
    return path


ROUTES = sorted((method, filled(route.path)) for noun in NOUNS for route in noun.router.routes
                for method in route.methods if method != "HEAD")
UNSAFE = [route for route in ROUTES if route[0] != "GET"]
EVERY_UNSAFE = pytest.mark.parametrize("method, path", UNSAFE, ids=[" ".join(route) for route in UNSAFE])
FOREIGN = [
    {"Origin": "https://example.org"}, {"Origin": "null"}, {"Origin": "http://127.0.0.1:1"},
    {"Origin": "https://127.0.0.1:8650"}, {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"},
    {"Origin": BASE, "Sec-Fetch-Site": "cross-site"},
]


def test_the_routers_have_the_unsafe_routes_this_file_is_about() -> None:
    assert ("POST", "/stop-heating") in UNSAFE and ("DELETE", "/schedules/1") in UNSAFE and len(UNSAFE) >= 13


def test_the_page_has_no_unsafe_route() -> None:
    assert {method for route in page.router.routes for method in route.methods} == {"GET", "HEAD"}


@EVERY_UNSAFE
@pytest.mark.parametrize("headers", FOREIGN, ids=str)
def test_a_foreign_page_is_refused_and_the_controller_never_hears_of_it(
        shared: Rig, method: str, path: str, headers: dict[str, str]) -> None:
    before = len(shared.fake.asked)
    answer = shared.ask(method, path, json={}, headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (403, "foreign_origin")
    assert len(shared.fake.asked) == before


PLAIN = sorted((method, route.path) for route in stop_page.router.routes for route_methods in [route.methods]
               for method in route_methods - {"GET", "HEAD"})


def test_a_plain_page_takes_forms_only_where_that_is_written_down(shared: Rig) -> None:
    """`FORMS` may name more (pages of other modules), never less; all of them refuse another site's page."""
    assert {path for _, path in PLAIN} <= FORMS and {method for method, _ in PLAIN} == {"POST"} and len(PLAIN) == 2
    before = len(shared.fake.asked)
    for method, path in PLAIN:
        for headers in FOREIGN:
            answer = shared.ask(method, f"/!{path}", data={"at": "data"}, headers=headers)
            assert answer.status_code == 403, (path, headers)
    assert len(shared.fake.asked) == before


@EVERY_UNSAFE
def test_a_foreign_host_is_refused(shared: Rig, method: str, path: str) -> None:
    answer = shared.ask(method, path, json={}, headers={"Host": "chamber.example.org:8650"})
    assert (answer.status_code, answer.json()["code"]) == (403, "foreign_host")


@EVERY_UNSAFE
def test_a_body_that_a_plain_form_could_send_is_refused(shared: Rig, method: str, path: str) -> None:
    for kind in ("application/x-www-form-urlencoded", "multipart/form-data; boundary=x", ""):
        answer = shared.ask(method, path, content=b"{}", headers={"Content-Type": kind})
        assert (answer.status_code, answer.json()["code"]) == (415, "media_type")


@pytest.mark.parametrize("path", [path for method, path in UNSAFE if method == "DELETE"])
def test_delete_needs_no_body_and_a_foreign_page_gets_no_further_with_it(shared: Rig, path: str) -> None:
    for how in ({}, {"json": {}}):
        answer = shared.ask("DELETE", path.replace("/1", "/987654"), **how)
        assert answer.status_code in (200, 404), answer.text
    for headers in FOREIGN:
        answer = shared.ask("DELETE", path, headers=headers)
        assert (answer.status_code, answer.json()["code"]) == (403, "foreign_origin")
    assert shared.ask("DELETE", path, content=b"{}").status_code == 415, "a body says what it is"


@pytest.mark.parametrize("method, path", ROUTES, ids=[" ".join(route) for route in ROUTES])
def test_a_proxy_is_refused_on_every_route(shared: Rig, method: str, path: str) -> None:
    for name in ("X-Forwarded-For", "X-Forwarded-Host", "Forwarded", "X-Real-IP", "Via", "X-Client-IP", "True-Client-IP",
                 "CF-Connecting-IP", "X-Cluster-Client-IP", "X-Original-Host", "X-Envoy-External-Address"):
        body = {"json": {}} if method != "GET" else {}
        answer = shared.ask(method, path, headers={name: "192.0.2.1"}, **body)
        assert (answer.status_code, answer.json()["code"]) == (403, "proxied")


@pytest.mark.parametrize("path", ["/now", "/stream", "/schedules"])
def test_a_foreign_page_cannot_even_look_or_fill_the_streams(shared: Rig, path: str) -> None:
    assert shared.get(path, headers={"Origin": "https://example.org"}).status_code == 403
    assert shared.get(path, headers={"Host": "rebound.example.org"}).status_code == 403


@pytest.mark.parametrize("headers", [{}, {"Origin": BASE}, {"Origin": BASE, "Sec-Fetch-Site": "same-origin"},
                                     {"Origin": "http://LOCALHOST:8650", "Host": "localhost:8650"},
                                     {"Origin": "http://[::1]:8650", "Host": "[::1]:8650"}], ids=str)
def test_our_own_page_and_a_plain_program_pass(shared: Rig, headers: dict[str, str]) -> None:
    assert shared.post("/stop-heating", headers=headers).status_code == 200


def test_two_hosts_and_no_host_are_refused(shared: Rig) -> None:
    for hosts in ([], [(b"host", b"127.0.0.1"), (b"host", b"example.org")]):
        sent = drive(shared, "GET", "/api/v1/now", hosts, [])
        assert sent[0]["status"] == 403


def test_a_body_too_large_is_refused_whether_or_not_it_says_so(shared: Rig) -> None:
    told = shared.post("/schedules", {"note": "x" * BODY_MAX_BYTES})
    assert (told.status_code, told.json()["code"]) == (413, "too_large")
    host = [(b"host", b"127.0.0.1"), (b"content-type", b"application/json")]
    pieces = [{"type": "http.request", "body": b"x" * 60_000, "more_body": True}] * 4
    assert drive(shared, "POST", "/api/v1/schedules", host, pieces)[0]["status"] == 413


def test_a_body_of_the_largest_size_reaches_the_route(shared: Rig) -> None:
    answer = shared.ask("POST", "/schedules", content=b" " * BODY_MAX_BYTES,
                        headers={"Content-Type": "application/json"})
    assert answer.json()["code"] == "bad_schedule"


def test_a_body_that_never_ends_is_given_up(shared: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("api.guard_origin.BODY_DEADLINE_S", 0.05)
    host = [(b"host", b"127.0.0.1"), (b"content-type", b"application/json")]
    sent = drive(shared, "POST", "/api/v1/stop-heating", host, [{"type": "http.request", "body": b"{", "more_body": True}])
    assert sent[0]["status"] == 408


def test_a_web_socket_is_closed_before_it_is_accepted() -> None:
    sent: list[Any] = []

    async def keep(message: Any) -> None:
        sent.append(message)

    asyncio.run(GuardOrigin(None)({"type": "websocket"}, None, keep))
    assert sent == [{"type": "websocket.close", "code": 1008}]


@pytest.mark.parametrize("host, name", [("localhost:1", "localhost"), ("[::1]:80", "[::1]"), ("[::1]", "[::1]"),
                                        ("127.0.0.1.example.org", "127.0.0.1.example.org"), ("", "")])
def test_the_host_name_is_what_stands_before_the_port(host: str, name: str) -> None:
    assert host_name(host) == name


def drive(rig: Rig, method: str, path: str, headers: list[Any], messages: list[Any]) -> list[Any]:
    """Send raw ASGI messages, then nothing more; what came back."""
    sent: list[Any] = []
    waiting = list(messages)

    async def receive() -> Any:
        if waiting:
            return waiting.pop(0)
        return await asyncio.Event().wait()

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {"type": "http", "http_version": "1.1", "method": method, "path": path, "raw_path": path.encode(),
             "query_string": b"", "headers": headers, "scheme": "http", "root_path": "", "client": ("127.0.0.1", 1),
             "server": ("127.0.0.1", 8650)}
    rig.loop.run(rig.app(scope, receive, send))
    return sent
