"""Sessions: a cookie stands for a row that can be ended, and an ended one is good for nothing, whoever kept it.

The order of sign-out and replay follows OWASP's session management cheat sheet (from memory): end on the server, not in the
browser.
"""

from __future__ import annotations

import asyncio
import itertools
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.datastructures import Headers

from api.door.book import Book, Session
from api.door.caller import cookies, recognised
from api.door.door import SESSION_S, SESSIONS_MAX
from controller.core.commands import PersonRole
from tests.api.elsewhere import BASE, PASSWORD, Elsewhere, bearer, invited, maintainer, token
from tests.api.rig import Listening, Rig
from tests.api.test_guard_origin import ROUTES


@pytest.fixture
def real(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        yield rig


def replayed(rig: Rig, cookie: str) -> int:
    """What somebody gets who kept a cookie and sends it from another device."""
    device = Elsewhere(rig, "192.0.2.99")
    device.cookie = cookie
    stopped = device.post("/stop-heating").status_code
    assert device.get("/now").status_code == stopped
    return stopped


def test_the_cookie_is_kept_from_scripts_and_from_other_sites(real: Rig):
    answer = Elsewhere(real).join(real.app.state.door.first_code(), "Anna")
    words = answer.headers["set-cookie"].split("; ")
    assert words[0].startswith("soakwarden_session=") and len(words[0]) > 60
    assert words[1:] == ["Path=/", f"Max-Age={SESSION_S}", "HttpOnly", "SameSite=Strict"]


def test_over_tls_the_cookie_never_leaves_in_the_clear(real: Rig):
    device = Elsewhere(real, base="https://192.0.2.5:8680")
    answer = device.join(real.app.state.door.first_code(), "Anna")
    assert answer.headers["set-cookie"].endswith("; Secure")


def test_a_cookie_kept_after_sign_out_is_nobody(real: Rig):
    anna = maintainer(real)
    kept = anna.cookie
    assert replayed(real, kept) == 200
    answer = anna.post("/sign-out")
    assert answer.json() == {"signed_out": True} and "Max-Age=0" in answer.headers["set-cookie"]
    assert replayed(real, kept) == 401


def test_a_cookie_kept_after_a_new_password_is_nobody_and_neither_is_a_token(real: Rig):
    anna = maintainer(real)
    phone, kept, key = Elsewhere(real, "192.0.2.90"), anna.cookie, token(anna, "stop")
    phone.sign_in("Anna")
    answer = anna.post("/me/password", {"old": PASSWORD, "new": "another long password"})
    assert (answer.status_code, answer.json()["sessions_ended"], answer.json()["tokens_ended"]) == (200, 2, 1)
    assert replayed(real, kept) == 401 and replayed(real, phone.cookie) == 401
    assert Elsewhere(real).post("/stop-heating", headers=bearer(key)).status_code == 401
    assert anna.cookie != kept and anna.get("/now").status_code == 200
    assert Elsewhere(real).sign_in("Anna").status_code == 401


def test_a_cookie_kept_after_a_change_of_role_is_nobody(real: Rig):
    anna = maintainer(real)
    ben = invited(real, anna, "Ben", "operator")
    kept = ben.cookie
    anna.ask("PUT", "/people/2", json={"role": "viewer"})
    assert replayed(real, kept) == 401 and anna.get("/now").status_code == 200


class Slow:
    """The desk, taking its time at every work, so that what may come between does come between."""

    def __init__(self, desk: object) -> None:
        self._desk = desk
        self.folder = desk.folder

    async def do(self, work: object) -> object:
        await asyncio.sleep(0.02)
        found = await self._desk.do(work)
        await asyncio.sleep(0.02)
        return found


@pytest.mark.parametrize("other", ["sign_in", "change_role"])
def test_nothing_that_overlaps_a_new_password_brings_the_old_one_back(real: Rig, other: str):
    anna = maintainer(real)
    bert = invited(real, anna, "Bert", "viewer")
    door = real.app.state.door
    door._desk = Slow(door._desk)
    account = door.book.called("Bert")
    fresh = "another long password"

    roles = itertools.cycle((PersonRole.OPERATOR, PersonRole.VIEWER))

    async def overlap() -> list[object]:
        works = {"sign_in": lambda: door.sign_in("Bert", PASSWORD, "192.0.2.9", [bert.cookie]),
                 "change_role": lambda: door.change_role(account.id, next(roles), "Anna")}
        change = asyncio.create_task(door.change_password(account, PASSWORD, fresh, "192.0.2.8"))
        begun = []
        for _ in range(12):
            begun.append(asyncio.create_task(works[other]()))
            await asyncio.sleep(0.03)
        return await asyncio.gather(change, *begun, return_exceptions=True)

    changed, *_ = real.loop.run(overlap())
    left = [one.digest for one in door.book.sessions_of(account.id)]
    assert left in ([changed[0].session.digest], []), "no session made with the old password lives"
    assert Elsewhere(real, "192.0.2.120").sign_in("Bert", PASSWORD).status_code in (401, 429)
    assert Elsewhere(real, "192.0.2.121").sign_in("Bert", fresh).status_code == 200


def test_a_wrong_old_password_changes_nothing(real: Rig):
    anna = maintainer(real)
    answer = anna.post("/me/password", {"old": "not this one", "new": "another long password"})
    assert (answer.status_code, answer.json()["code"]) == (401, "wrong_sign_in")
    assert anna.get("/now").status_code == 200 and Elsewhere(real).sign_in("Anna").status_code == 200


def test_every_sign_in_makes_a_new_session_and_ends_the_one_it_came_with(real: Rig):
    """A cookie that somebody planted in the browser before is not taken over (session fixation)."""
    anna = maintainer(real)
    before = anna.cookie
    anna.sign_in("Anna")
    assert anna.cookie != before and replayed(real, before) == 401
    planted = Elsewhere(real)
    planted.cookie = "x" * 43
    planted.sign_in("Anna")
    assert planted.cookie != "x" * 43 and replayed(real, "x" * 43) == 401


def test_the_oldest_session_gives_way_to_the_twenty_first(real: Rig):
    anna = maintainer(real)
    for _ in range(SESSIONS_MAX):
        assert Elsewhere(real).sign_in("Anna").status_code == 200
    assert anna.get("/now").status_code == 401
    assert len(real.app.state.door.book.sessions) == SESSIONS_MAX


def test_a_session_ends_with_its_days_and_after_a_restart_its_row_is_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        cookie = maintainer(rig).cookie
        after_ns = time.time_ns() + (SESSION_S + 1) * 1_000_000_000
        monkeypatch.setattr("api.guard_origin.time.time_ns", lambda: after_ns)
        assert replayed(rig, cookie) == 401
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        assert rig.app.state.door.book.sessions == {}


def test_an_open_stream_ends_with_its_session(real: Rig):
    anna = maintainer(real)
    stream = _listening(real, anna.cookie)
    stream.wait(lambda: len(stream.beats()) == 1)
    anna.post("/sign-out")
    real.step()
    stream.task.result(3.0)
    assert real.hub.streams == 0


def _listening(rig: Rig, cookie: str) -> Listening:
    made = Listening.__new__(Listening)
    original = rig.app

    async def from_outside(scope, receive, send):
        scope = {**scope, "outside": True, "server": ("192.0.2.5", 8680), "client": ("192.0.2.77", 1), "headers": [
            (b"host", b"192.0.2.5:8680"), (b"cookie", f"soakwarden_session={cookie}".encode())]}
        await original(scope, receive, send)

    rig.app = from_outside
    try:
        made.__init__(rig)
    finally:
        rig.app = original
    return made


def test_a_desk_at_work_and_passwords_at_work_do_not_delay_a_stop_by_anybody(real: Rig):
    """Who asks is known from memory: by cookie, by token, by the key of the plain page."""
    anna = maintainer(real)
    key, held = token(anna, "stop"), threading.Event()
    fields = {"at": "data", "key": key}

    async def busy() -> list[int]:
        door = real.app.state.door
        work = [asyncio.create_task(real.app.state.house.first.desk.do(lambda _: held.wait(10)))]
        door.passwords._fits = lambda *_: held.wait(10)
        work += [asyncio.create_task(door.passwords.fits(None, "x")) for _ in range(3)]
        await asyncio.sleep(0.02)
        client = anna._client
        async with asyncio.timeout(0.5):
            answers = [await client.post("/api/v1/stop-heating", json={}),
                       await client.post("/api/v1/stop-heating", json={}, headers=bearer(key)),
                       await client.post("/stop", data=fields)]
        held.set()
        await asyncio.gather(*work)
        return [answer.status_code for answer in answers]

    assert real.loop.run(busy()) == [200, 200, 303]


# signed out, from elsewhere

OPEN = {("GET", "/me"), ("GET", "/health"), ("POST", "/sign-in"), ("POST", "/join"), ("GET", "/problems/busy")}


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    with Rig(tmp_path_factory.mktemp("closed") / "data") as found:
        yield found


@pytest.mark.parametrize("method, path", ROUTES, ids=[" ".join(route) for route in ROUTES])
def test_signed_out_nothing_answers_but_what_is_meant_to(closed: Rig, method: str, path: str):
    """The list comes from the routers. The chamber is simulated: even that one is not open to the network."""
    before = len(closed.fake.asked)
    for shown in (path, f"/at/data{path}"):
        answer = Elsewhere(closed).ask(method, shown, **({} if method == "GET" else {"json": {}}))
        if (method, path) in OPEN:
            assert answer.status_code in (200, 422)
        else:
            assert (answer.status_code, answer.json()["code"]) == (401, "signed_out"), shown
    assert len(closed.fake.asked) == before


@pytest.mark.parametrize("path", ["/at/nowhere/now", "/nowhere", "/runs/..%2f..%2fetc", "//now"])
def test_signed_out_an_address_that_is_not_there_says_the_same(closed: Rig, path: str):
    assert Elsewhere(closed).get(path).status_code == 401


def test_signed_out_the_page_itself_loads_and_health_says_only_that_it_lives(closed: Rig):
    device = Elsewhere(closed)
    assert set(device.get("/health").json()["api"]) == {"up_us"}
    assert device.get("/openapi.json").status_code == 200
    me = device.get("/me").json()
    assert me == {"name": None, "role": None, "via": None, "may": [], "accounts": False, "expires_utc_us": None}


def test_a_forged_loopback_address_is_not_believed(closed: Rig):
    """Neither a header nor an address that only looks like this computer's."""
    for name in ("X-Forwarded-For", "X-Real-IP", "Forwarded"):
        assert Elsewhere(closed).get("/now", headers={name: "127.0.0.1"}).status_code == 401
    assert Elsewhere(closed, "127.0.0.1").get("/now").status_code == 401, "came in by the outside listener"
    assert Elsewhere(closed, "192.0.2.3", "http://127.0.0.1:8650", app=closed.app).get("/now").status_code == 401


@pytest.mark.parametrize("host", ["example.org", "192.0.2.6", "127.0.0.1", "localhost", "192.0.2.5.example.org", "",
                                  "192.0.2.5:8680.example.org", "192.0.2.5:", "192.0.2.5:80@example.org", "192.0.2.5:+80"])
def test_a_foreign_host_is_refused_from_outside(closed: Rig, host: str):
    answer = Elsewhere(closed).get("/me", headers={"Host": host})
    assert (answer.status_code, answer.json()["code"]) == (403, "foreign_host")


def test_a_page_of_another_site_cannot_use_a_session(real: Rig):
    """Not even one on another port or scheme of the same host."""
    anna = maintainer(real)
    before = len(real.fake.asked)
    for origin in ("https://example.org", "null", "http://192.0.2.5:1", "https://192.0.2.5:8680"):
        answer = anna.post("/stop-heating", headers={"Origin": origin})
        assert (answer.status_code, answer.json()["code"]) == (403, "foreign_origin")
    assert len(real.fake.asked) == before
    assert anna.post("/stop-heating", headers={"Origin": BASE}).status_code == 200


# behind a reverse proxy

@pytest.fixture
def proxied(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path / "data", behind="https://oven.example") as rig:
        yield rig


def through(rig: Rig, host: str = "oven.example") -> Elsewhere:
    """A request as a proxy on this computer passes it on."""
    device = Elsewhere(rig, "127.0.0.1", "http://127.0.0.1:8650", app=rig.app)
    device._client.headers.update({"Host": host, "X-Forwarded-For": "198.51.100.7", "X-Forwarded-Proto": "https"})
    return device


def test_behind_a_proxy_this_computer_is_trusted_no_more_than_anybody(proxied: Rig):
    assert through(proxied).get("/now").status_code == 401
    assert proxied.get("/now").status_code == 401 and proxied.post("/stop-heating").status_code == 401
    assert "pid" in proxied.get("/health").json()["api"], "who looks after the service still sees that it lives"


def test_behind_a_proxy_only_its_name_and_origin_are_ours_and_the_cookie_is_secure(proxied: Rig):
    device = through(proxied)
    answer = device.post("/join", {"code": proxied.app.state.door.first_code(), "name": "Anna", "password": PASSWORD},
                         headers={"Origin": "https://oven.example"})
    assert answer.status_code == 201 and answer.headers["set-cookie"].endswith("; Secure")
    cookie = {"Cookie": answer.headers["set-cookie"].partition(";")[0]}
    assert device.get("/now", headers=cookie).status_code == 200
    for origin in ("http://oven.example", "https://oven.example:8443", "https://example.org", "http://127.0.0.1:8650"):
        assert device.post("/stop-heating", headers={**cookie, "Origin": origin}).status_code == 403
    assert device.post("/stop-heating", headers={**cookie, "Origin": "https://oven.example:443"}).status_code == 200
    assert through(proxied, "example.org").get("/me").status_code == 403


# pure

def test_only_our_cookie_is_looked_at_and_only_when_it_could_be_one():
    headers = Headers({"cookie": f"a=1; soakwarden_session=abc; soakwarden_session={'x' * 101}; soakwarden_sessions=no"})
    assert cookies(headers) == ["abc"]


def test_a_session_of_a_person_who_is_gone_is_nobody():
    session = Session(b"digest", 7, 0, 2**60, "")
    book = Book(sessions=[session])
    assert not book.still(b"digest", 1) and not book.lasts(session, 1)
    assert recognised(book, {"client": ("192.0.2.1", 1)}, Headers({"cookie": "soakwarden_session=abc"}), "", 1) is None
