"""The processes that `serve` starts: each with its own log, ended in order, and gone when the parent is."""

from __future__ import annotations

import contextlib
import ctypes
import http.client
import json
import signal
import socket
import subprocess
import sys
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path
from typing import IO

PR_SET_PDEATHSIG = 1
HEALTH_S = 2.0
HEALTH_MAX_BYTES = 65_536
STATUS_MAX_BYTES = 1_048_576
CANNOT_START = 2
"""The api's exit code when it cannot start; it has said why."""
UNHEALTHY_MAX = 3
"""Health answers that may be missed in a row."""
BACK_OFF_S = (1.0, 2.0, 5.0, 10.0, 30.0)
GRACE_S = 90.0
"""A fresh api gets that long to answer for the first time: a small computer under load needs half a minute to start it."""
LOG_TAIL_BYTES = 2_000


def _die_with_parent() -> None:
    """In the child, before it starts: ask the kernel for a SIGTERM when the parent ends, however it ends."""
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


class Child:
    """One child process. Start it from the main thread: the kernel ties the parent's death to the thread."""

    def __init__(self, name: str, words: list[str], log: Path) -> None:
        self.name = name
        self._words = words
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None
        self._log_from = 0

    def start(self) -> None:
        """Start it; its errors go to its log."""
        with self._log.open("ab") as log:
            self._log_from = log.tell()
            self._process = self._spawn(log)

    def _spawn(self, log: IO[bytes]) -> subprocess.Popen[bytes]:
        return subprocess.Popen([sys.executable, "-m", *self._words], stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                                start_new_session=True, preexec_fn=_die_with_parent)

    @property
    def pid(self) -> int:
        return self._process.pid if self._process else 0

    def exit_code(self) -> int | None:
        """How it ended; None while it runs."""
        return self._process.poll() if self._process else None

    def tail(self) -> str:
        """What it has said since it was started, at most the last lines."""
        with contextlib.suppress(OSError), self._log.open("rb") as log:
            end = log.seek(0, 2)
            log.seek(max(self._log_from, end - LOG_TAIL_BYTES))
            return log.read().decode(errors="replace").strip()
        return ""

    def end(self, patience_s: float) -> None:
        """Ask it to end, wait, insist."""
        process = self._process
        if process is None or process.poll() is not None:
            return
        process.terminate()
        try:
            process.wait(patience_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


class BoardChild(Child):
    """The simulated board: its first line of output says which port it has made."""

    def _spawn(self, log: IO[bytes]) -> subprocess.Popen[bytes]:
        return subprocess.Popen([sys.executable, "-m", *self._words], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                                stderr=log, start_new_session=True, preexec_fn=_die_with_parent)

    def port(self) -> str:
        """The pseudo-terminal's name. Raises RuntimeError when the process ended before it said so."""
        assert self._process is not None and self._process.stdout is not None
        line = self._process.stdout.readline()
        try:
            port: str = json.loads(line)["port"]
        except (ValueError, KeyError, TypeError):
            raise RuntimeError(f"the simulated board did not start: {self.tail() or 'it said nothing'}") from None
        return port


class PracticeChild(Child):
    """Hands at a demo's chamber: each line of its output is told as it comes. Without it the chamber goes on, untouched."""

    def __init__(self, words: list[str], log: Path, tell: Callable[[str], None]) -> None:
        super().__init__("practice", words, log)
        self._tell = tell

    def _spawn(self, log: IO[bytes]) -> subprocess.Popen[bytes]:
        started = subprocess.Popen([sys.executable, "-m", *self._words], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                                   stderr=log, start_new_session=True, preexec_fn=_die_with_parent)
        assert started.stdout is not None
        threading.Thread(target=self._hear, args=(started.stdout,), name=self.name, daemon=True).start()
        return started

    def _hear(self, said: IO[bytes]) -> None:
        with said:
            for line in said:
                self._tell(line.decode(errors="replace").rstrip("\n"))


class Answering(Child, ABC):
    """Judged by its answers, not by its existence, and started again when they fail to come. The heat depends on none."""

    def __init__(self, name: str, words: list[str], log: Path) -> None:
        super().__init__(name, words, log)
        self._missed = 0
        self._restarts = 0
        self._started_s = 0.0
        self._again_s = 0.0
        self.ready = False
        self.answered = False
        """It has answered at least once since `serve` began."""

    def start(self) -> None:
        super().start()
        self._started_s, self._missed = time.monotonic(), 0

    def refused(self) -> bool:
        """True when it would not start at all, with its reason in `tail`: another try would say the same."""
        return not self.answered and self.exit_code() == CANNOT_START

    def watch(self) -> str:
        """Look after it; call about once a second. What happened, in words; empty for nothing."""
        if self._again_s:
            return self._start_again()
        code = self.exit_code()
        if code is not None:
            return self._plan(f"the {self.name} ended with code {code}")
        if self._healthy():
            self._missed, self.ready, self.answered = 0, True, True
            return ""
        if not self.ready and time.monotonic() - self._started_s < GRACE_S:
            return ""
        self._missed += 1
        if self._missed < UNHEALTHY_MAX:
            return ""
        self.end(0.0)
        return self._plan(f"the {self.name} did not answer {UNHEALTHY_MAX} times in a row")

    def _plan(self, why: str) -> str:
        wait_s = BACK_OFF_S[min(self._restarts, len(BACK_OFF_S) - 1)]
        self._restarts += 1
        self._again_s = time.monotonic() + wait_s
        return f"{why[0].upper()}{why[1:]}; starting it again in {wait_s:g} s. The heat does not depend on it."

    def _start_again(self) -> str:
        if time.monotonic() < self._again_s:
            return ""
        self._again_s, self.ready = 0.0, False
        self.start()
        return f"The {self.name} was started again."

    @abstractmethod
    def _healthy(self) -> bool:
        """True when this very child answers."""


class ApiChild(Answering):
    """The api, asked for its health over HTTP."""

    def __init__(self, words: list[str], log: Path, http_port: int) -> None:
        super().__init__("api", words, log)
        self._http_port = http_port

    def _healthy(self) -> bool:
        """True when this very child answers; another service on the same port must not be taken for it."""
        connection = http.client.HTTPConnection("127.0.0.1", self._http_port, timeout=HEALTH_S)
        try:
            connection.request("GET", "/api/v1/health")
            answer = connection.getresponse()
            pid: object = json.loads(answer.read(HEALTH_MAX_BYTES))["api"]["pid"]
            return answer.status == 200 and pid == self.pid
        except (OSError, http.client.HTTPException, ValueError, KeyError, TypeError):
            return False
        finally:
            connection.close()


class MessengerChild(Answering):
    """The messenger, asked for its status over its own socket."""

    def __init__(self, words: list[str], log: Path, path: Path) -> None:
        super().__init__("messenger", words, log)
        self._path = path

    def _healthy(self) -> bool:
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
                line.settimeout(HEALTH_S)
                line.connect(str(self._path))
                line.sendall(b'{"id":1,"do":"status"}\n')
                with line.makefile("rb") as heard:
                    pid: object = json.loads(heard.readline(STATUS_MAX_BYTES))["ok"]["pid"]
            return pid == self.pid
        except (OSError, ValueError, KeyError, TypeError):
            return False


def end_all(children: list[tuple[Child, float]]) -> None:
    """End children in order, each with its patience in seconds."""
    for child, patience_s in children:
        child.end(patience_s)


