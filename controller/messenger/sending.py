"""Runs one try to send in a process of its own and ends it when its time is over.

One at a time, because each needs memory; beside one that takes long a second, so that a way that hangs holds up no other.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from collections.abc import AsyncIterator
from typing import Any

from controller.messenger.send import Sent

ATTEMPT_S = 30.0
"""A small computer needs some seconds to load the ways; mail servers answer slowly on purpose."""
AT_ONCE = 2
PATIENT_S = 5.0
"""A try that lasts longer has no claim to be alone."""
LOOK_S = 0.05
ERROR_MAX = 200


class Sending:
    """Sends; holds no connection and no library between two tries."""

    def __init__(self, attempt_s: float = ATTEMPT_S, patient_s: float = PATIENT_S) -> None:
        self._attempt_s, self._patient_s = attempt_s, patient_s
        self._began_s: list[float] = []
        """Of the tries that go on, on the loop's clock."""

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
        async with self._place():
            try:
                process = await asyncio.create_subprocess_exec(
                    sys.executable, "-m", "controller.messenger.send", stdin=asyncio.subprocess.PIPE,
                    stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE)
            except OSError as error:
                return Sent(False, f"the sending process cannot be started: {error.strerror}", False)
            try:
                async with asyncio.timeout(self._attempt_s):
                    out, err = await process.communicate(json.dumps(ask).encode())
            except TimeoutError:
                return Sent(False, f"no answer within {self._attempt_s:g} s", False)
            finally:
                await _ended(process)
        return _said(out, err, process.returncode)


    @contextlib.asynccontextmanager
    async def _place(self) -> AsyncIterator[None]:
        """Wait for a place to try from."""
        clock = asyncio.get_running_loop().time
        while len(self._began_s) >= AT_ONCE or (self._began_s and clock() - max(self._began_s) < self._patient_s):
            await asyncio.sleep(LOOK_S)
        began_s = clock()
        self._began_s.append(began_s)
        try:
            yield
        finally:
            self._began_s.remove(began_s)


async def _ended(process: asyncio.subprocess.Process) -> None:
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


def _said(out: bytes, err: bytes, code: int | None) -> Sent:
    try:
        answer = json.loads(out)
        return Sent(bool(answer["left"]), str(answer["answer"]))
    except (ValueError, KeyError, TypeError):
        lines = err.decode(errors="replace").strip().splitlines()
        return Sent(False, f"the sending process ended with {code}: {lines[-1][:ERROR_MAX] if lines else 'nothing said'}",
                    False)
