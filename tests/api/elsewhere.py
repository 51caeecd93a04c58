"""Browsers and programs on other devices: requests that come to the rig from outside, each with its own cookies."""

from __future__ import annotations

from typing import Any

import httpx

from api.listening import FromOutside
from tests.api.rig import Rig

SERVER = "192.0.2.5"
BASE = f"http://{SERVER}:8680"
PASSWORD = "slow oven, warm bread"


class Elsewhere:
    """One device. It keeps cookies as a browser does, and says where its pages come from only if told to."""

    def __init__(self, rig: Rig, address: str = "192.0.2.77", base: str = BASE, app: Any = None) -> None:
        transport = httpx.ASGITransport(app or FromOutside(rig.app), raise_app_exceptions=False, client=(address, 50_000))
        self._client = httpx.AsyncClient(transport=transport, base_url=base)
        self._rig = rig

    @property
    def cookie(self) -> str:
        return self._client.cookies.get("soakwarden_session") or ""

    @cookie.setter
    def cookie(self, words: str) -> None:
        self._client.cookies.clear()
        if words:
            self._client.cookies.set("soakwarden_session", words, domain=SERVER)

    def ask(self, method: str, path: str, **how: Any) -> httpx.Response:
        """One request; paths are under /api/v1 unless they begin with `/!`."""
        address = path[2:] if path.startswith("/!") else f"/api/v1{path}"
        return self._rig.loop.run(self._client.request(method, address, **how))

    def get(self, path: str, **how: Any) -> httpx.Response:
        return self.ask("GET", path, **how)

    def post(self, path: str, body: Any = None, **how: Any) -> httpx.Response:
        return self.ask("POST", path, json={} if body is None else body, **how)

    def form(self, path: str, fields: dict[str, str], origin: str | None = BASE) -> httpx.Response:
        """What a form of a plain page sends."""
        return self.ask("POST", f"/!{path}", data=fields, headers={"Origin": origin} if origin else {})

    def sign_in(self, name: str, password: str = PASSWORD) -> httpx.Response:
        return self.post("/sign-in", {"name": name, "password": password})

    def join(self, code: str, name: str, password: str = PASSWORD) -> httpx.Response:
        return self.post("/join", {"code": code, "name": name, "password": password})


def maintainer(rig: Rig, name: str = "Anna") -> Elsewhere:
    """A device on which the first account was just made."""
    found = Elsewhere(rig)
    assert found.join(rig.app.state.door.first_code(), name).status_code == 201
    return found


def invited(rig: Rig, by: Elsewhere, name: str, role: str, address: str = "192.0.2.78") -> Elsewhere:
    """A device of somebody whom `by` has invited."""
    found = Elsewhere(rig, address)
    assert found.join(by.post("/people/invitations", {"role": role}).json()["code"], name).status_code == 201
    return found


def token(by: Elsewhere, scope: str, label: str = "a program") -> str:
    answer = by.post("/tokens", {"label": label, "scope": scope, "days": 30})
    assert answer.status_code == 201, answer.text
    return str(answer.json()["token"])


def bearer(words: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {words}"}
