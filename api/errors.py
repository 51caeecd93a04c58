"""What can go wrong, as RFC 9457 problem details: one table of codes, one exception, one shape of answer.

Every problem carries `code`, `detail` and `advice` (what to do next). `mistakes` lists each wrong field with its value
and what is allowed; `field` names the first one. The `type` of a problem is a path that this service answers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from fastapi import APIRouter, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from api.wire import Answer
from controller.core.schedule import Mistake

PREFIX = "/api/v1"
MEDIA_TYPE = "application/problem+json"
CHALLENGE = {"WWW-Authenticate": 'Bearer realm="soakwarden"'}
"""Goes with every 401 (RFC 9110, 15.5.2). Browsers open no window of their own for Bearer."""

Responses = dict[int | str, dict[str, Any]]
"""What FastAPI takes as a route's `responses`."""


class Row(NamedTuple):
    """One kind of problem."""

    status: int
    title: str
    advice: str


PROBLEMS: Mapping[str, Row] = {
    # from the controller
    "not_allowed_role": Row(403, "Your role may not do this", "Ask somebody whose role may, or sign in as one."),
    "not_possible_state": Row(409, "Not possible in this state", "Look at `possible` in /now: it lists what is."),
    "not_armed": Row(409, "Not armed", "Press the arm button at the chamber, door shut, heat off."),
    "measure_only": Row(409, "This chamber may only measure", "See /may-do for what to fit or prove next."),
    "level_too_high": Row(409, "The chamber may not run at this level", "Choose a lower level, or see /may-do."),
    "button_only": Row(409, "Only the button at the chamber counts", "Press it there; or start at another level next time."),
    "board_absent": Row(409, "The board is not there", "Check its cable and supply; it is found by itself."),
    "latched": Row(409, "A trip is latched", "Find its cause; then a maintainer clears it."),
    "cause_stands": Row(409, "The cause still stands", "Remove the cause first; then ask again."),
    "over_ceiling": Row(422, "Hotter than this chamber may be", "Lower the schedule's targets."),
    "bad_schedule": Row(422, "The schedule has mistakes", "Correct every field that `mistakes` lists."),
    "record_failing": Row(409, "The record fails", "Remove the cause, which the page names; then start."),
    "loosens": Row(422, "Limits may only be tightened", "Give a lower value."),
    "not_ready_to_leave": Row(409, "Not ready to be left alone", "Do what `mistakes` lists; then start."),
    "bad_time": Row(422, "Not a time that a start can wait for", "Name a time within the next 24 h."),
    "unknown_name": Row(404, "There is nothing of that name", "`detail` lists the names that there are."),
    "bad_command": Row(422, "A value is missing or cannot be read", "Correct every field that `mistakes` lists."),
    "not_provable": Row(409, "Not to be proven now", "Do the steps first that `detail` names; see GET /proofs."),
    "busy": Row(409, "Something else is waiting", "Wait until it is done, or stop it."),
    # about the controller
    "controller_away": Row(503, "The controller does not answer", "The heat is not this page's to steer: go and look."),
    "no_answer": Row(504, "The controller did not say in time whether it did this", "Look at /now before asking again."),
    "controller_error": Row(502, "The controller did not understand", "Restart both parts from the same version."),
    # about people
    "signed_out": Row(401, "Nobody is signed in", "Sign in. Stopping can be done with a stop key, and, unless a proxy is in "
                                                     "front, at the chamber's own computer."),
    "wrong_sign_in": Row(401, "Name and password do not belong together", "Check both; case matters in passwords."),
    "too_many_tries": Row(429, "Too many wrong tries", "Wait as long as Retry-After says. Stop heating does not wait."),
    "wrong_code": Row(403, "This code is not valid", "Codes work once and for 24 h; ask for a new one where the service runs."),
    "too_many_notes": Row(409, "This run has enough notes", "Remove one that is no longer needed."),
    "name_taken": Row(409, "Somebody has this name", "Choose another name."),
    "last_maintainer": Row(409, "Nobody else could look after accounts", "Make somebody else a maintainer first."),
    # about messages
    "messenger_away": Row(503, "The messenger does not answer", "Look whether it runs; the heat does not depend on it."),
    "channel_failing": Row(502, "The message did not leave", "Correct the channel by what the provider answered, in `detail`."),
    # about the request
    "bad_request": Row(422, "The request has mistakes", "Correct every field that `mistakes` lists."),
    "not_json": Row(422, "The body is not JSON", "Send one JSON object."),
    "media_type": Row(415, "Wrong kind of body", "Send Content-Type: application/json."),
    "too_large": Row(413, "The body is too large", "Send less."),
    "too_slow": Row(408, "The body did not arrive in time", "Send it again."),
    "foreign_host": Row(403, "Not a name of this computer", "Use a name that `detail` lists, or start it with --name."),
    "foreign_origin": Row(403, "Asked from another site's page", "Use this service's own page."),
    "proxied": Row(403, "A proxy stands in between", "Ask directly, or start it with --behind (another_room.md)."),
    "key_missing": Row(400, "Idempotency-Key is missing", "Send a new random key with each intended start."),
    "key_reused": Row(409, "This key was used for something else", "Use a new key for a new request."),
    "outcome_unknown": Row(409, "Nobody knows how this request ended", "Look at /now; ask again with a new key."),
    "stale_revision": Row(412, "Somebody changed it meanwhile", "Load it again, then change it."),
    "not_found": Row(404, "Not there", "Check the address."),
    "method": Row(405, "Not with this method", "See the OpenAPI text for what this address takes."),
    "streams_full": Row(503, "Too many pages are open", "Close some pages, or ask /now every few seconds."),
    "record_away": Row(503, "The record cannot be read now", "Try again; live data does not need it."),
    "desk_failing": Row(503, "The desk database cannot be written", "Free space on the disk. Stop heating still works."),
    "internal": Row(500, "A mistake of this program", "Try again; if it stays, tell its makers what you did."),
}
"""Every code, with its status, title and advice. `GET /problems/{code}` prints a row."""


class Problem(Exception):
    """Raised anywhere in a route: becomes the answer. `code` is a key of `PROBLEMS`."""

    def __init__(self, code: str, detail: str, mistakes: Sequence[Mapping[str, Any]] = (), advice: str = "",
                 headers: Mapping[str, str] | None = None) -> None:
        super().__init__(detail)
        self.code, self.detail, self.mistakes, self.advice = code, detail, list(mistakes), advice
        self.headers = dict(headers or {})

    def body(self) -> dict[str, Any]:
        row = PROBLEMS[self.code]
        body: dict[str, Any] = {"type": f"{PREFIX}/problems/{self.code}", "title": row.title, "status": row.status,
                                "detail": self.detail, "code": self.code, "advice": self.advice or row.advice,
                                "mistakes": self.mistakes}
        if self.mistakes:
            body["field"] = self.mistakes[0]["field"]
        return body

    def answer(self) -> Response:
        answer = Answer(self.body(), PROBLEMS[self.code].status, self.headers)
        answer.headers["content-type"] = MEDIA_TYPE
        return answer


def mistake_rows(mistakes: Sequence[Mistake]) -> list[dict[str, str]]:
    """Mistakes as they stand in a problem."""
    return [dict(mistake._asdict()) for mistake in mistakes]


def problems(*codes: str) -> Responses:
    """For a route's `responses`: which problems it may answer, by status."""
    found: Responses = {}
    for code in codes:
        row = PROBLEMS[code]
        entry = found.setdefault(row.status, {"description": "", "content": {MEDIA_TYPE: {"examples": {}}}})
        entry["description"] = "; ".join(filter(None, [entry["description"], f"{row.title} (`{code}`)"]))
        entry["content"][MEDIA_TYPE]["examples"][code] = {"value": Problem(code, "What exactly, in one sentence.").body()}
    return found


ALLOWED = {
    "missing": "a value; it has to be there", "extra_forbidden": "no such field", "string_type": "text in quotes",
    "int_type": "a whole number", "int_parsing": "a whole number", "int_from_float": "a whole number",
    "float_type": "a number", "float_parsing": "a number", "finite_number": "a number that is finite",
    "bool_type": "true or false", "bool_parsing": "true or false", "list_type": "a list", "dict_type": "an object",
    "model_attributes_type": "an object", "model_type": "an object", "literal_error": "one of {expected}",
    "enum": "one of {expected}", "greater_than_equal": "{ge} or more", "greater_than": "more than {gt}",
    "less_than_equal": "{le} or less", "less_than": "less than {lt}",
    "string_too_long": "at most {max_length} characters", "string_too_short": "at least {min_length} characters",
    "string_pattern_mismatch": "text of the form {pattern}",
}
"""What a field may be, in our words, by the library's name of the mistake; what is not here is told in the library's."""


def _of_validation(_request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    rows = [_row(one) for one in error.errors()]
    if any(one["type"] == "json_invalid" for one in error.errors()):
        return Problem("not_json", f"{rows[0]['field']}: {rows[0]['advice']}", rows).answer()
    return Problem("bad_request", "; ".join(f"{row['field']}: {row['allowed']}" for row in rows), rows).answer()


SECRET = frozenset({"password", "old", "new", "code", "url"})
"""Fields whose value no answer repeats; the address of a channel holds a password too."""


def _row(one: Mapping[str, Any]) -> dict[str, str]:
    if one["type"] == "json_invalid":
        return {"field": f"character {one['loc'][-1]} of the body", "value": "", "allowed": "JSON",
                "advice": f"Mend the text there: {one['ctx']['error']}."}
    where = ".".join(str(part) for part in one["loc"] if part not in ("body", "query", "path", "header"))
    shown = "nothing" if one["type"] == "missing" else "(not shown)" if one["loc"][-1] in SECRET else str(one.get("input"))
    return {"field": where or str(one["loc"][0]), "value": shown if len(shown) <= 60 else shown[:57] + "...",
            "allowed": ALLOWED.get(one["type"], "{msg}").format(msg=one["msg"].removeprefix("Value error, "),
                                                                **one.get("ctx", {})),
            "advice": "Correct this field."}


def _of_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    code = {404: "not_found", 405: "method", 413: "too_large", 415: "media_type"}.get(error.status_code)
    if code is None:
        code = "internal" if error.status_code >= 500 else "bad_request"
    return Problem(code, f"{request.method} {request.url.path}: {error.detail}", headers=error.headers).answer()


def _of_problem(_request: Request, error: Exception) -> Response:
    assert isinstance(error, Problem)
    return error.answer()


def _of_anything(request: Request, error: Exception) -> Response:
    """The last resort; the server logs the trace, the person gets no inside of the program."""
    return Problem("internal", f"{request.method} {request.url.path} failed ({type(error).__name__}).").answer()


def install(app: FastAPI) -> None:
    """Every way to fail answers as a problem."""
    app.add_exception_handler(Problem, _of_problem)
    app.add_exception_handler(RequestValidationError, _of_validation)
    app.add_exception_handler(HTTPException, _of_http)
    app.add_exception_handler(Exception, _of_anything)


router = APIRouter(tags=["about"])


@router.get("/problems/{code}", summary="What a problem means", responses={
    200: {"description": "The row.", "content": {"application/json": {
        "example": {"code": "busy", **PROBLEMS["busy"]._asdict()}}}},
    **problems("not_found")})
async def problem(code: str) -> Answer:
    """The meaning of one problem `code`: its status, its title and what to do next."""
    row = PROBLEMS.get(code)
    if row is None:
        raise Problem("not_found", f"There is no problem called {code[:60]!r}.")
    return Answer({"code": code, **row._asdict()})
