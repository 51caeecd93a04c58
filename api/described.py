"""The OpenAPI text, completed: how to sign in, and what every address may refuse before its route is reached."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from fastapi import APIRouter, FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

from api.door.caller import COOKIE
from api.door.way_in import OPEN, OPEN_BELOW
from api.errors import MEDIA_TYPE, PREFIX, problems

Json = dict[str, Any]
SCHEMES: Json = {
    "session": {"type": "apiKey", "in": "cookie", "name": COOKIE, "description": (
        "POST /sign-in with name and password answers with this cookie; send it back with every request. It ends with "
        "POST /sign-out, with a new password, and after 30 days.")},
    "token": {"type": "http", "scheme": "bearer", "description": (
        "`Authorization: Bearer TOKEN`, a token made with POST /tokens: `look` is good for what a viewer sees (every "
        "GET that a viewer may ask, but not /people, /tokens and /desk), `stop` for POST /stop-heating and "
        "GET /stop-heating/last alone, `operate` for what an operator does.")},
}
EITHER: list[Json] = [{"session": []}, {"token": []}, {}]
"""The last: this computer itself, over loopback, needs neither to look and to stop."""
ALWAYS = problems("foreign_host", "foreign_origin", "proxied")
WITH_BODY = problems("media_type", "too_large", "too_slow", "bad_request", "not_json")
SIGNED_IN = problems("signed_out", "not_allowed_role")
PROBLEM_SCHEMA: Json = {
    "type": "object", "required": ["type", "title", "status", "detail", "code", "advice", "mistakes"],
    "properties": {
        "type": {"type": "string"}, "title": {"type": "string"}, "status": {"type": "integer"},
        "detail": {"type": "string"}, "code": {"type": "string"}, "advice": {"type": "string"}, "field": {"type": "string"},
        "mistakes": {"type": "array", "items": {"type": "object", "required": ["field", "value", "allowed", "advice"],
                                                "additionalProperties": {"type": "string"}}}}}


KEY_NEEDED = frozenset({("POST", "/runs")})
"""Where Idempotency-Key is no choice. Without it the answer is a problem that says why, so no route declares it so."""


def install(app: FastAPI, routers: Sequence[APIRouter]) -> None:
    """Make `app.openapi()` the whole text, built once. `routers` are those that it describes."""

    def openapi() -> Json:
        if app.openapi_schema is None:
            app.openapi_schema = _whole(get_openapi(
                title=app.title, version=app.version, summary=app.summary, description=app.description,
                routes=app.routes, tags=app.openapi_tags))
            _whole_examples(app.openapi_schema["paths"], routers)
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]  # the framework's documented way to change its text (from memory)


def _whole_examples(paths: Json, routers: Sequence[APIRouter]) -> None:
    """Put the examples in as they were written: the framework drops every name whose value is null."""
    routes = [one for router in routers for one in router.routes if isinstance(one, APIRoute)]
    for route, method in ((one, method.lower()) for one in routes for method in one.methods or ()):
        written = paths[PREFIX + route.path][method]["responses"]
        for status, kind, example in _examples(route):
            written[status]["content"][kind]["example"] = example


def _examples(route: APIRoute) -> Iterator[tuple[str, str, Any]]:
    for status, row in route.responses.items():
        for kind, content in row.get("content", {}).items():
            if "example" in content:
                yield str(status), kind, content["example"]


def _whole(document: Json) -> Json:
    components = document.setdefault("components", {})
    components["securitySchemes"] = SCHEMES
    components.setdefault("schemas", {})["Problem"] = PROBLEM_SCHEMA
    for name in ("HTTPValidationError", "ValidationError"):  # the framework's own; ours is Problem
        components["schemas"].pop(name, None)
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            _complete(operation, method.upper(), path.removeprefix(PREFIX))
    return document


def _complete(operation: Json, method: str, path: str) -> None:
    is_open = (method, path) in OPEN or path.startswith(OPEN_BELOW)
    operation["security"] = [] if is_open else EITHER
    for parameter in operation.get("parameters", []):
        if (method, path) in KEY_NEEDED and parameter["name"] == "Idempotency-Key":
            parameter["required"] = True
            parameter["schema"] = next(one for one in parameter["schema"]["anyOf"] if one["type"] == "string")
    more = [ALWAYS, *([] if is_open else [SIGNED_IN]), *([] if method == "GET" else [WITH_BODY])]
    responses = operation["responses"]
    if _is_frameworks(responses.get("422")):
        responses["422"] = problems("bad_request")[422]
    for one in more:
        for status, row in one.items():
            _merge(responses, str(status), row)
    for status, row in responses.items():
        if int(status) >= 400:
            row["content"][MEDIA_TYPE]["schema"] = {"$ref": "#/components/schemas/Problem"}


def _is_frameworks(row: Json | None) -> bool:
    return row is not None and MEDIA_TYPE not in row.get("content", {})


def _merge(responses: Json, status: str, row: Json) -> None:
    """Add the examples and words of one more set of problems."""
    found = responses.setdefault(status, {"description": "", "content": {MEDIA_TYPE: {"examples": {}}}})
    examples = dict(found["content"][MEDIA_TYPE]["examples"])
    words = [found["description"]]
    for code, example in row["content"][MEDIA_TYPE]["examples"].items():
        if code not in examples:
            examples[code] = example
            words.append(f"{example['value']['title']} (`{code}`)")
    found["description"] = "; ".join(filter(None, words))
    found["content"] = {MEDIA_TYPE: {"examples": examples}}
