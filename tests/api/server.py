"""The real process: `python -m api` with a real socket, for what only a real server shows."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx

ROOT = Path(__file__).resolve().parents[2]
STREAM = b"GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


class Server:
    """`with Server(folder) as server`: started, listening, and ended by SIGTERM."""

    def __init__(self, folder: Path, *options: str, first: str = "") -> None:
        """`first` is Python that runs before the service does, to shorten its patience."""
        start = ["-c", f"{first}\nfrom api.__main__ import main\nraise SystemExit(main())"] if first else ["-m", "api"]
        self._command = [sys.executable, *start, "--data", str(folder), "--http", "0", *options]
        self.sockets: list[socket.socket] = []

    def __enter__(self) -> Server:
        self.process = subprocess.Popen(self._command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                                        env={**os.environ, "PYTHONWARNINGS": "error"})
        assert self.process.stdout is not None
        self.line = self.process.stdout.readline()
        found = re.fullmatch(r"http://(127\.0\.0\.1|\[::1\]):(\d+)/\n", self.line)
        assert found, (self.line, self.process.stderr and self.process.stderr.read())
        self.port = int(found[2])
        self.client = httpx.Client(base_url=f"{self.line.strip()}api/v1", timeout=20)
        return self

    def __exit__(self, *_: object) -> None:
        for one in self.sockets:
            one.close()
        self.client.close()
        self.end()
        for pipe in (self.process.stdout, self.process.stderr):
            assert pipe is not None
            pipe.close()

    def end(self, how: int = signal.SIGTERM) -> int:
        if self.process.poll() is None:
            self.process.send_signal(how)
        try:
            return self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise

    def open_streams(self, count: int) -> list[socket.socket]:
        """Pages that ask for the stream and then never read: their receive buffers are as small as they can be."""
        for _ in range(count):
            one = socket.socket()
            one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            one.connect(("127.0.0.1", self.port))
            one.sendall(STREAM)
            self.sockets.append(one)
        return self.sockets

    def connections(self) -> int:
        """Sockets that the process holds open, whatever they are for."""
        found = 0
        for entry in Path(f"/proc/{self.process.pid}/fd").iterdir():
            with contextlib.suppress(FileNotFoundError):
                found += os.readlink(entry).startswith("socket:")
        return found

    def health(self) -> dict[str, Any]:
        found: dict[str, Any] = self.client.get("/health").json()
        return found
