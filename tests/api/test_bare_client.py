"""A client written from the OpenAPI text alone: it knows the address of that text, a name and a password, and nothing else.

It finds each operation by what its summary says, builds bodies from the schemas and their examples, and carries whatever the
security schemes ask for. Only `http.client` of the standard library is used.
"""

from __future__ import annotations

import http.client
import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.api.elsewhere import PASSWORD
from tests.api.server import Server
from tests.api.test_door_server import OUTSIDE, Controlled, opened

pytestmark = pytest.mark.slow


class Bare:
    """The client."""

    def __init__(self, host: str, port: int) -> None:
        self._connection = http.client.HTTPConnection(host, port, timeout=10)
        self._headers: dict[str, str] = {}
        self.document: Any = self._send("GET", "/api/v1/openapi.json", None)[1]

    def close(self) -> None:
        self._connection.close()

    def find(self, words: str) -> tuple[str, str, Any]:
        """Method, path and operation whose summary has these words."""
        [found] = [(method.upper(), path, operation) for path, methods in self.document["paths"].items()
                   for method, operation in methods.items() if re.search(words, operation["summary"])]
        return found

    def call(self, words: str, **fields: Any) -> tuple[int, Any]:
        """One operation; `fields` replace those of its example body. Parameters that the text requires are made up."""
        method, path, operation = self.find(words)
        body = self._body(operation) if "requestBody" in operation else None
        if isinstance(body, dict):
            body = {**body, **{name: value for name, value in fields.items() if name in body}}
        headers = {row["name"]: f"bare-{time.monotonic_ns()}" for row in operation.get("parameters", [])
                   if row["in"] == "header" and "same key" in row.get("description", "")}
        status, answer, got = self._send(method, path, body, headers)
        assert str(status) in operation["responses"], (words, status, answer)
        for scheme in self.document["components"]["securitySchemes"].values():
            for name, value in got:
                if scheme["type"] == "apiKey" and name.lower() == "set-cookie" and value.startswith(scheme["name"]):
                    self._headers["Cookie"] = value.partition(";")[0]
        return status, answer

    def _body(self, operation: Any) -> Any:
        content = operation["requestBody"]["content"]["application/json"]
        return content["example"] if "example" in content else self._made(content["schema"])

    def _made(self, schema: Any) -> Any:
        """A value for a schema: its example, or the least that it asks for."""
        if "$ref" in schema:
            return self._made(self.document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]])
        if schema.get("examples"):
            return schema["examples"][0]
        if schema["type"] == "object":
            return {name: self._made(schema["properties"][name]) for name in schema.get("required", [])}
        return {"integer": 1, "string": "x", "array": []}[schema["type"]]

    def _send(self, method: str, path: str, body: Any, headers: dict[str, str] | None = None) -> tuple[int, Any, Any]:
        sent = None if body is None else json.dumps(body).encode()
        kind = {"Content-Type": "application/json"} if sent is not None else {}
        self._connection.request(method, path, sent, {**self._headers, **kind, **(headers or {})})
        answer = self._connection.getresponse()
        return answer.status, json.loads(answer.read()), answer.getheaders()


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[Bare]:
    controlled = Controlled(tmp_path / "data")
    try:
        with Server(tmp_path / "data", *OUTSIDE) as server:
            other = opened(server)
            made = Bare(str(other.base_url.host), int(other.base_url.port or 0))
            yield made
            made.close()
            other.close()
    finally:
        controlled.close()


def test_it_signs_in_looks_starts_and_stops(bare: Bare):
    assert bare.call("whole present state")[0] == 401
    assert bare.call("Sign in with", name="Anna", password=PASSWORD)[0] == 200
    status, now = bare.call("whole present state")
    assert status == 200 and now["run"] is None and "start" in now["possible"]
    status, stored = bare.call("Store a new schedule")
    assert status == 201
    status, started = bare.call("^Start a run", schedule_id=stored["id"], level="at_the_chamber")
    assert (status, started["schedule_id"]) == (202, stored["id"])
    until = time.monotonic() + 5
    while bare.call("whole present state")[1]["run"] is None:
        assert time.monotonic() < until
    assert bare.call("^Stop heating, now")[0] == 200
    while bare.call("How far the last stop came")[1]["off_seen_utc_us"] is None:
        assert time.monotonic() < until
    assert bare.call("whole present state")[1]["run"]["state"] in ("aborting", "aborted")
    assert bare.call("^Sign out")[1] == {"signed_out": True} and bare.call("whole present state")[0] == 401


def test_the_text_says_how_to_come_in_and_what_every_address_may_refuse(bare: Bare):
    schemes = bare.document["components"]["securitySchemes"]
    assert {(one["type"], one.get("scheme", one.get("in"))) for one in schemes.values()} == {
        ("apiKey", "cookie"), ("http", "bearer")}
    for path, methods in bare.document["paths"].items():
        for method, operation in methods.items():
            is_open = operation["security"] == []
            assert is_open == (path.rsplit("/", 1)[1] in ("me", "health", "sign-in", "join", "{code}")), (method, path)
            assert {"403"} <= set(operation["responses"]) and ("401" in operation["responses"] or is_open)
            if method != "get":
                assert {"408", "413", "415", "422"} <= set(operation["responses"]), path
