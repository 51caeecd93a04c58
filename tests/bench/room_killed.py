"""What goes on when a part is killed in a run, in real time: the heat, the way back of page and messenger, and the memory.

Everything runs as `serve` starts it, on a simulated chamber at speed 1; messages leave by a web hook to this process.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import httpx

from tests.bench.figure import Figure, at_most
from tests.bench.hands import LiveBoard
from tests.bench.served import Served, demo, now, own_chamber, start_run

STREAMS = 20
WAIT_S = 60.0
MB = 1_000_000
WARM = {
    "format": "soakwarden-schedule-1", "name": "bench, warm", "temperature_of": "air", "resume": "never", "note": "",
    "segments": [{"kind": "ramp", "target_c": 100, "rate_c_per_h": 60, "band_c": 5, "longest_h": 4}],
}


class Hook(BaseHTTPRequestHandler):
    """Takes whatever is sent."""

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers.get("content-length", 0)))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_words: object) -> None:
        pass


@contextmanager
def hook() -> Iterator[int]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Hook)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()


def heats(client: httpx.Client) -> bool:
    snapshot = now(client)
    return bool(snapshot["permit"]["given"]) and snapshot["run"]["state"] == "running"


def until(what: str, true: object, wait_s: float = WAIT_S) -> float:
    """Seconds until `true()`; looks every 50 ms, and takes a refused connection for not yet."""
    began = time.monotonic()
    while time.monotonic() - began < wait_s:
        with suppress(httpx.HTTPError, OSError, KeyError, TypeError, ValueError):
            if callable(true) and true():
                return time.monotonic() - began
        time.sleep(0.05)
    raise RuntimeError(f"waited {wait_s:g} s in vain: {what}")


def messenger_pid(served: Served) -> int:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        line.settimeout(2)
        line.connect(str(served.data / "messenger.sock"))
        line.sendall(b'{"id":1,"do":"status"}\n')
        with line.makefile("rb") as heard:
            return int(json.loads(heard.readline())["ok"]["pid"])


def opened(served: Served) -> list[socket.socket]:
    """So many pages that listen; what they hear is thrown away by the kernel when their buffers are full."""
    host, port = served.url.removeprefix("http://").split(":")
    found = []
    for _ in range(STREAMS):
        one = socket.create_connection((host, int(port)), 5)
        one.sendall(f"GET /api/v1/stream HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
        assert one.recv(64).startswith(b"HTTP/1.1 200"), "a page was turned away"
        found.append(one)
    return found


def restarted(served: Served, client: httpx.Client) -> tuple[float, float]:
    """Seconds until twenty pages are open again after the api was asked to end, and until the messenger answers again."""
    pages = opened(served)
    old = client.get("/health").json()["api"]["pid"]
    began = time.monotonic()
    os.kill(old, signal.SIGTERM)
    until("another api answers", lambda: client.get("/health").json()["api"]["pid"] != old)
    pages += opened(served)
    back_s = time.monotonic() - began
    old = messenger_pid(served)
    os.kill(old, signal.SIGTERM)
    messenger_s = until("another messenger answers", lambda: messenger_pid(served) != old)
    for one in pages:
        one.close()
    return back_s, messenger_s


def killed(served: Served, client: httpx.Client) -> float:
    """Kill the api, then the messenger, outright: how many seconds of the next ten the heat was not seen on."""
    unseen_s = 0.0
    for pid in (client.get("/health").json()["api"]["pid"], messenger_pid(served)):
        before = now(client)["board"]["session"]
        os.kill(pid, signal.SIGKILL)
        until("the api answers", lambda: heats(client))
        began = time.monotonic()
        while time.monotonic() - began < 10.0:
            unseen_s += 0.0 if heats(client) else 0.5
            time.sleep(0.5)
        assert now(client)["board"]["session"] == before, "the run went on in the same session"
    return unseen_s


def host_killed() -> float:
    """Seconds from the controller's SIGKILL to both switches open, read at the board itself."""
    with LiveBoard() as live, own_chamber(live.port) as served, served.client() as client:
        start_run(client, WARM, "in_the_building")
        until("the contactor is closed", lambda: live.board.outputs.contactor)
        time.sleep(2.0)
        began = time.perf_counter()
        served.process.kill()
        until("both switches are open", lambda: not (live.board.outputs.contactor or live.modulator))
        return time.perf_counter() - began


def memory_mb(served: Served) -> dict[str, float]:
    """Resident MB of each of the three, with everything in use."""
    parts = {"controller": "controller.service", "api": " api", "messenger": "controller.messenger"}
    return {name: served.part(words).memory_info().rss / MB for name, words in parts.items()}


def row() -> list[Figure]:
    """parts killed in a run: heat, way back, memory"""
    with hook() as port, demo(1) as served, served.client() as client:
        client.post("/messages/channels", json={"name": "hook", "url": f"json://127.0.0.1:{port}/", "least": "for_information"}
                    ).raise_for_status()
        start_run(client, WARM)
        until("it heats", lambda: heats(client))
        pages = opened(served)
        time.sleep(30.0)
        memory = memory_mb(served)
        for page in pages:
            page.close()
        unseen_s = killed(served, client)
        back_s, messenger_s = restarted(served, client)
        client.post("/stop-heating", json={}).raise_for_status()
    off_s = host_killed()
    print("  resident: " + ", ".join(f"{name} {size:.1f} MB" for name, size in memory.items()))
    return [at_most("room", "api, then messenger killed in a run: heat not on", unseen_s, "s", 0),
            at_most("room", "controller killed in a run: both switches open at the board", off_s, "s", 5),
            at_most("room", f"api ended with {STREAMS} streams: as many open again", back_s, "s", 6),
            at_most("room", "messenger ended: it answers again", messenger_s, "s", 6),
            at_most("room", "resident memory of all three, a run on, 20 streams", sum(memory.values()), "MB", 230)]
