"""A stand-in for the api, for tests of the page alone: the real page's files, canned answers, a stream told what to do.

Nothing is decided here. A test sets `answers`, pushes snapshots, and makes the stream silent, broken or refused.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from copy import deepcopy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

WEB = Path(__file__).resolve().parents[2] / "web"
FIXTURES = Path(__file__).resolve().parent / "fixtures"
TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css",
    ".js": "text/javascript",
    ".woff2": "font/woff2",
    ".svg": "image/svg+xml",
}
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
API = "/api/v1"


def fixture(name: str) -> Any:
    """One stored answer, a fresh copy."""
    return json.loads((FIXTURES / f"{name}.json").read_text(encoding="utf-8"))


def preview(*mistakes: dict[str, str]) -> tuple[int, dict[str, Any]]:
    """The api's answer to a draft that has these mistakes, and so no curve."""
    return 200, {"curve": [], "duration_us": 0, "from_mc": 21_000, "cannot_start": [], "mistakes": list(mistakes)}


def rows_of(now: dict[str, Any], hours: float = 6.0, step_s: int = 30) -> list[list[int | None]]:
    """Stream rows that lead up to a snapshot: a straight climb, then a level; invented."""
    rows: list[list[int | None]] = []
    target, count = now["setpoint_mc"], int(hours * 3600 / step_s)
    for number in range(count):
        before_s = (count - number) * step_s
        climb = min(target, target - (before_s - 2 * 3600) * 20_000 // 3600)
        rows.append(
            [
                now["tick"] - before_s,
                now["utc_us"] - before_s * 1_000_000,
                climb,
                climb + 600,
                climb + 100,
                climb - 400,
                2_000,
                2_000,
            ]
        )
    return rows


class Server(ThreadingHTTPServer):
    """A page opens thirty files at once; the default queue of five resets some of them."""

    request_queue_size = 128
    daemon_threads = True


PROBLEM = {"advice": "", "mistakes": []}
"""What every refusal has beside its code and detail."""


def problem(code: str, detail: str, **more: Any) -> dict[str, Any]:
    return {**PROBLEM, "code": code, "detail": detail, **more}


SIGNED_OUT = (401, problem("signed_out", "Nobody is signed in."))
OPEN_SIGNED_OUT = ("/me", "/sign-in", "/join", "/health")
RUN_ASKS = ["start", "hold", "restart", "cool_down", "stop_heating", "reset", "acknowledge", "clear", "tighten", "check_in"]
"""What a maintainer may ask of a controller, as GET /me lists it."""
LOCAL = {
    "name": "local, not signed in",
    "role": "maintainer",
    "via": "local",
    "may": [*RUN_ASKS, "edit_schedules", "write_notes", "see_messages", "edit_messages", "look_after_people", "prove"],
    "accounts": True,
    "expires_utc_us": None,
}
NOBODY = {"name": None, "role": None, "via": "", "may": [], "accounts": True, "expires_utc_us": None}


def chamber_row(at: str, now: dict[str, Any] | None, away: str = "") -> dict[str, Any]:
    """A row of GET /chambers, of a snapshot; one that was never heard has none."""
    if now is None:
        return {"at": at, "away": away, "name": None, "simulated": None, "now": None}
    chamber = now["chamber"]
    return {
        "at": at,
        "away": away,
        "name": chamber["name"],
        "simulated": chamber["simulated"],
        "now": {
            **{name: chamber[name] for name in ("name", "board", "simulated", "element_w")},
            "sentence": now["sentence"],
            "state": now["run"]["state"] if now["run"] else "idle",
            "latched": bool(now["latches"]),
            "permit": now["permit"]["given"],
        },
    }


class StandIn:
    """One server. `now` is what the stream and `/now` tell; `nows` what those of other chambers tell, by name."""

    def __init__(self) -> None:
        self.now: dict[str, Any] = fixture("soaking")
        self.rows = rows_of(self.now)
        self.events: list[dict[str, Any]] = []
        self.answers: dict[str, tuple[Any, ...]] = {
            "GET /guards": (200, fixture("guards")),
            "GET /chamber": (200, fixture("chamber")),
            f"GET /runs/{self.now['run']['id']}/events": (200, {"events": []}),
            "GET /runs": (200, {"runs": []}),
            f"GET /runs/{self.now['run']['id']}/curve": (
                200,
                {"run_id": self.now["run"]["id"], "span_us": 1, "utc_us": [], "columns": {}, "gaps": []},
            ),
            "GET /schedules": (200, {"schedules": []}),
            "GET /me": (200, LOCAL),
            "GET /chambers": (200, {"chambers": [chamber_row("data", self.now)], "circuits": {"over": False, "words": ""}}),
            "GET /leaving": (200, fixture("leaving")),
            "GET /people": (200, {"people": [], "invitations": []}),
            "GET /tokens": (200, {"tokens": []}),
            "GET /desk/audit": (200, {"lines": []}),
            "GET /messages": (200, {"page": "", "channels": [], "beats": [], "told": []}),
            "GET /messages/mailbox": (200, {"letters": []}),
            "POST /stop-heating": (200, {"ask": "stop_heating", "detail": "", "run_id": None, "state": "aborting"}),
        }
        self.nows: dict[str, dict[str, Any]] = {}
        self.asked: list[tuple[str, Any]] = []
        self.open_streams = 0
        self.streams_ever = 0
        self.controller_away = False
        self.nows_asked, self.age_us = 0, 0
        """How often `/now` was asked, and how old it says that it is."""
        self.signed_out = False
        """Everything but the way in answers 401."""
        self.plain_stops: list[str] = []
        self.stream = "live"
        """live: ticks and beats; silent: open, says nothing; refused: 503; cut: ends at once."""
        self.stops_answer = True
        self.news = threading.Condition()
        self._serial = 0
        self._server = Server(("127.0.0.1", 0), _handler(self))
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()

    def push(self, **changes: Any) -> None:
        """Send the snapshot, changed."""
        with self.news:
            self.now = {
                **self.now,
                **deepcopy(changes),
                "tick": self.now["tick"] + 1,
                "utc_us": self.now["utc_us"] + 1_000_000,
            }
            self._serial += 1
            self.news.notify_all()

    def tell(self, stream: str) -> None:
        """Change how the stream behaves, at once."""
        with self.news:
            self.stream = stream
            self.news.notify_all()

    def count_stream(self, step: int) -> None:
        with self.news:
            self.open_streams += step
            self.streams_ever += step > 0

    def now_of(self, at: str) -> dict[str, Any]:
        return self.nows.get(at, self.now)

    def messages(self, at: str = "") -> Iterator[bytes]:
        """What one open stream of a chamber sends."""
        seen, rows = -1, self.rows
        while self.stream == "live":
            with self.news:
                fresh = self.news.wait_for(lambda seen=seen: self._serial != seen or self.stream != "live", timeout=1.0)
                seen, now = self._serial, self.now_of(at)
            if self.stream != "live":
                break
            if fresh:
                yield _event("tick", {"now": now, "rows": rows, "events": self.events, "resumed": False})
                rows = []
            yield _event("beat", {"utc_us": now["utc_us"], "age_us": 0, "away": ""})
        with self.news:
            self.news.wait_for(lambda: self.stream != "silent", timeout=60)

    def close(self) -> None:
        self.tell("cut")
        self._server.shutdown()
        self._server.server_close()


def _event(kind: str, data: Any) -> bytes:
    return f"event: {kind}\ndata: {json.dumps(data)}\n\n".encode()


class Handler(BaseHTTPRequestHandler):
    """Files, canned answers, the stream."""

    world: StandIn

    def log_message(self, *_args: Any) -> None:
        """Silent: a test prints what it wants itself."""

    def _about(self) -> tuple[str, str]:
        """The chamber that the address names, or "", and the path without it."""
        path = self.path.split("?")[0].removeprefix(API)
        _, first, *rest = path.split("/")
        return (rest[0], "/" + "/".join(rest[1:])) if first == "at" and rest else ("", path)

    def _barred(self, path: str) -> bool:
        if self.world.signed_out and path not in OPEN_SIGNED_OUT:
            self._answer(*SIGNED_OUT)
            return True
        return False

    def do_GET(self) -> None:
        if not self.path.startswith(API):
            self._file(self.path.split("?")[0])
            return
        at, path = self._about()
        if self._barred(path):
            return
        if path == "/stream":
            self._stream(at)
        elif path == "/now":
            self.world.nows_asked += 1
            if self.world.controller_away:
                self._answer(503, problem("controller_away", "No live data: the controller went away."))
                return
            self._answer(200, self.world.now_of(at), headers={"x-age-us": str(self.world.age_us)})
        else:
            self._canned(at, path)

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("content-length", 0)))
        if self.path == "/stop":
            self.world.plain_stops.append(body.decode())
            self._answer(200, b"<!doctype html><title>Asked</title><h1>Asked.</h1>", TYPES[".html"])
            return
        at, path = self._about()
        self.world.asked.append((f"/at/{at}{path}" if at else path, json.loads(body or b"null")))
        if self._barred(path):
            return
        if path == "/stop-heating" and not self.world.stops_answer:
            self._answer(503, {"detail": "the controller does not answer", "code": "controller_away"})
            return
        self._canned(at, path)

    do_PUT = do_DELETE = do_POST

    def _canned(self, at: str, path: str) -> None:
        answers = self.world.answers
        found = answers.get(f"{self.command} /at/{at}{path}") or answers.get(f"{self.command} {path}")
        status, answer, *more = found or (404, {"detail": "not there", "code": "not_found"})
        self._answer(status, answer() if callable(answer) else answer, headers=more[0] if more else {})

    def _answer(
        self, status: int, answer: Any, kind: str = "application/json", headers: dict[str, str] | None = None
    ) -> None:
        body = answer if isinstance(answer, bytes) else json.dumps(answer).encode()
        self.send_response(status)
        for name, value in (
            ("content-type", kind),
            ("content-length", str(len(body))),
            ("cache-control", "no-cache"),
            ("content-security-policy", POLICY),
            *(headers or {}).items(),
        ):
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def _file(self, path: str) -> None:
        if path in ("/arrived", "/stop"):
            self._answer(200, b"<!doctype html><title>plain</title><h1>A plain page.</h1>", TYPES[".html"])
            return
        if path == "/blank":
            self._answer(200, b"<!doctype html><title>blank</title>", TYPES[".html"])
            return
        file = WEB / (path.lstrip("/") or "index.html")
        if file.suffix not in TYPES or not file.is_file():
            self._answer(404, b"")
            return
        self._answer(200, file.read_bytes(), TYPES[file.suffix])

    def _stream(self, at: str) -> None:
        if self.world.stream == "refused":
            self._answer(503, {"detail": "too many", "code": "streams_full"})
            return
        self.send_response(200)
        self.send_header("content-type", "text/event-stream")
        self.send_header("content-security-policy", POLICY)
        self.end_headers()
        self.world.count_stream(1)
        try:
            for message in self.world.messages(at):
                self.wfile.write(message)
                self.wfile.flush()
        except OSError:
            pass  # the page went away, as pages do
        finally:
            self.world.count_stream(-1)


def _handler(world: StandIn) -> type[Handler]:
    return type("Bound", (Handler,), {"world": world})
