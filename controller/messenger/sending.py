"""Hands tries to send to a process of their own, which makes one of each, and ends what takes too long.

Several at once, so whatever hangs, others need not wait for it. The process is there only while something is tried.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from typing import Any

from controller.messenger import outbox
from controller.messenger.send import Sent

ATTEMPT_S = 30.0
"""A small computer needs some seconds to load the ways; mail servers answer slowly on purpose."""
LOAD_S = 10.0
"""So much longer is waited for a try to be ended from there: it begins only when the ways are loaded."""
AT_ONCE = outbox.AT_ONCE + 2
"""Messages, and beside them a beat and what a person tries."""


class Sending:
    """Sends; holds no connection and no library between tries."""

    def __init__(self, attempt_s: float = ATTEMPT_S) -> None:
        self._attempt_s = attempt_s
        self._places = asyncio.Semaphore(AT_ONCE)
        self._starts = asyncio.Lock()
        self._tries: Tries | None = None

    async def message(self, url: str, title: str, body: str, failure: bool) -> Sent:
        """One message to one address."""
        return await self._run({"way": "message", "url": url, "title": title, "body": body, "failure": failure})

    async def understood(self, url: str) -> Sent:
        """Is this an address that a message can go to? Nothing is sent."""
        return await self._run({"way": "understood", "url": url})

    async def beat(self, url: str, body: bytes, headers: dict[str, str]) -> Sent:
        """One heartbeat to one receiver."""
        return await self._run({"way": "beat", "url": url, "body": body.decode(), "headers": headers})

    async def _run(self, ask: dict[str, Any]) -> Sent:
        async with self._places:
            async with self._starts:
                if self._tries is None or self._tries.over:
                    try:
                        self._tries = await Tries.begin()
                    except OSError as error:
                        return Sent(False, f"the sending process cannot be started: {error.strerror}", False)
                tries = self._tries
                answer = tries.ask(ask, self._attempt_s)
            late = Sent(False, f"{outbox.HUNG} {self._attempt_s:g} s", False)
            try:
                async with asyncio.timeout(self._attempt_s + LOAD_S):
                    sent = await answer
                return late if sent is None else sent
            except TimeoutError:
                return late
            finally:
                await tries.done(answer)


class Tries:
    """One such process, as long as it has something to do."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process
        self._waiting: dict[int, asyncio.Future[Sent | None]] = {}
        self._last = 0
        self._over = False
        self._reads = asyncio.get_running_loop().create_task(self._read())

    @property
    def over(self) -> bool:
        """Takes nothing more; what was begun may still end."""
        return self._over or self._process.returncode is not None

    @classmethod
    async def begin(cls) -> Tries:
        """Raises OSError."""
        return cls(await asyncio.create_subprocess_exec(
            sys.executable, "-m", "controller.messenger.send", stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL, start_new_session=True))

    def ask(self, ask: dict[str, Any], most_s: float) -> asyncio.Future[Sent | None]:
        """Begin a try; None will say that it was ended because it took too long."""
        self._last += 1
        answer: asyncio.Future[Sent | None] = asyncio.get_running_loop().create_future()
        self._waiting[self._last] = answer
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({**ask, "id": self._last, "most_s": most_s}).encode() + b"\n")
        return answer

    async def done(self, answer: asyncio.Future[Sent | None]) -> None:
        """Nobody waits for this one any more. After the last one all is ended."""
        self._waiting = {number: one for number, one in self._waiting.items() if one is not answer}
        if self._waiting or self._over:
            return
        self._over = True
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._reads.cancel()
        await self._process.wait()

    async def _read(self) -> None:
        assert self._process.stdout is not None
        while line := await self._process.stdout.readline():
            said = json.loads(line)
            answer = self._waiting.get(said["id"])
            if answer is None or answer.done():
                continue
            if "sent" in said:
                answer.set_result(Sent(**said["sent"]))
            elif said["ended"] == -signal.SIGALRM:
                answer.set_result(None)
            else:
                answer.set_result(Sent(False, f"the sending process ended with {said['ended']}", False))
        self._over = True
        code = await self._process.wait()
        for answer in self._waiting.values():
            if not answer.done():
                answer.set_result(Sent(False, f"the sending process ended with {code}", False))
