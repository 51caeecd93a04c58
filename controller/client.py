"""Asks the running controller over its local socket (`controller/socket.md`). For the interface and the command line.

Every ask has its own connection and a deadline, so a stuck one holds up nobody. Following is one connection that stays.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator, AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

LINE_MAX_BYTES = 256 * 1024
ASK_S = 5.0
"""A command is judged within the next tick; the rest is for a busy computer."""
SILENT_S = 10.0
"""A followed controller that says nothing for this long is gone."""

Json = dict[str, Any]


class ControllerError(Exception):
    """Base of all that can come back instead of an answer. Never raised itself."""

    code = ""
    reason = ""


class Unreachable(ControllerError):
    """No controller answers: not running, not allowed, or too slow. Whether a command was carried out is not known."""

    code = "unreachable"

    def __init__(self, reason: str, where: str = "") -> None:
        self.reason = reason
        self.plain = f"the controller does not answer: {reason}"
        """For whoever asks from elsewhere: a path of this computer tells them nothing."""
        super().__init__(f"the controller does not answer: {where}{reason}")


class Refused(ControllerError):
    """The controller judged the command and refused it. `mistakes` are rows of field, value, allowed, advice."""

    def __init__(self, code: str, reason: str, mistakes: list[dict[str, str]]) -> None:
        self.code = code
        self.reason = reason
        self.mistakes = mistakes
        super().__init__(f"{code}: {reason}")


class Misunderstood(ControllerError):
    """The controller did not understand the line; a fault of the program that asked."""

    def __init__(self, code: str, reason: str) -> None:
        self.code = code
        self.reason = reason
        super().__init__(f"{code}: {reason}")


class Client:
    """Asks one controller. Cheap to make; holds no connection between asks."""

    def __init__(self, path: Path, timeout_s: float = ASK_S) -> None:
        self.path = path
        self.timeout_s = timeout_s

    async def ask(self, do: str, **fields: Any) -> Json:
        """The `ok` part of the answer. Raises Refused, Misunderstood or Unreachable."""
        try:
            async with asyncio.timeout(self.timeout_s), self._connected() as (reader, writer):
                writer.write(_line({"id": 1, "do": do, **fields}))
                await writer.drain()
                return _opened(await _read(reader))
        except TimeoutError:
            raise Unreachable(f"no answer within {self.timeout_s:g} s") from None

    async def now(self) -> Json:
        """The newest snapshot."""
        snapshot: Json = (await self.ask("now"))["now"]
        return snapshot

    async def command(self, command: Json) -> Json:
        """Give a command and wait until a tick has judged it: ask, detail, run_id, state. Raises Refused."""
        return await self.ask("command", command=command)

    async def follow(self, after: str | None = None) -> AsyncGenerator[Json]:
        """First {resumed, rows, now}, then one {push, id, row, now, events} a tick, until Unreachable is raised.

        `after` is the id of the newest tick known; one that the controller does not know gives `resumed: false`.
        Close the iterator (`aclose`) to end it early.
        """
        async with self._connected() as (reader, writer):
            writer.write(_line({"id": 1, "do": "follow", "after": after}))
            yield _opened(await _soon(reader, self.timeout_s))
            while True:
                yield await _soon(reader, SILENT_S)

    @asynccontextmanager
    async def _connected(self) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
        try:
            reader, writer = await asyncio.open_unix_connection(self.path, limit=LINE_MAX_BYTES)
        except OSError as error:
            raise Unreachable(_plain(error), f"{self.path}: ") from None
        try:
            yield reader, writer
        except OSError as error:
            raise Unreachable(_plain(error)) from None
        finally:
            writer.transport.abort()


def _plain(error: OSError) -> str:
    """Why a connection failed, without a path."""
    return "it is not running" if isinstance(error, FileNotFoundError) else (error.strerror or type(error).__name__).lower()


def _line(data: Json) -> bytes:
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode() + b"\n"


async def _soon(reader: asyncio.StreamReader, timeout_s: float) -> Json:
    try:
        async with asyncio.timeout(timeout_s):
            return await _read(reader)
    except TimeoutError:
        raise Unreachable(f"nothing heard for {timeout_s:g} s") from None


async def _read(reader: asyncio.StreamReader) -> Json:
    try:
        line = await reader.readline()
    except ValueError:
        raise Unreachable(f"a line longer than {LINE_MAX_BYTES} bytes") from None
    if not line.endswith(b"\n"):
        raise Unreachable("the controller closed the connection")
    answer: Json = json.loads(line)
    return answer


def _opened(answer: Json) -> Json:
    """The `ok` part, or the error that the answer stands for."""
    if "refused" in answer:
        refused = answer["refused"]
        raise Refused(refused["code"], refused["reason"], refused.get("mistakes", []))
    if "error" in answer:
        raise Misunderstood(answer["error"]["code"], answer["error"]["reason"])
    ok: Json = answer["ok"]
    return ok
