"""`messenger.sock`: how the messages fare, tries, the demo's mailbox. The same lines as the controller's socket.

One JSON object a line, `{"id", "do", ...}`; the answer carries the id and `ok`, `refused` or `error`.
"""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from controller.messenger.channels import Beat, Channel, kind
from controller.messenger.desk import Desk
from controller.messenger.outbox import Letter
from controller.messenger.send import Sent
from controller.messenger.store import Health

SOCKET_FILE = "messenger.sock"
LINE_MAX_BYTES = 64 * 1024
PATH_MAX = 100
"""A unix socket's name must fit into 108 bytes."""
CLIENTS_MAX = 32
TOLD_MAX = 40
"""Messages in a status: an answer has to fit into a line of the client's."""
IDLE_S = 60.0
Json = dict[str, Any]


class _Refused(Exception):
    """Code and reason for the asker."""

    def __init__(self, code: str, reason: str, kind: str = "refused") -> None:
        self.code, self.reason, self.kind = code, reason, kind
        super().__init__(reason)


class Door:
    """Serves one desk."""

    def __init__(self, path: Path, desk: Desk, version: str) -> None:
        self._path, self._desk, self._version = path, desk, version
        self._clients = 0
        self._server: asyncio.Server | None = None
        self._do: dict[str, Callable[[Json], Awaitable[Json]]] = {
            "status": self._status, "try": self._try, "mailbox": self._mailbox, "understood": self._understood,
            "page_lives": self._page_lives}

    async def open(self) -> None:
        """Raises OSError when the name cannot be used."""
        if len(os.fsencode(self._path)) > PATH_MAX:
            raise OSError(f"{self._path} is longer than {PATH_MAX} bytes; use a shorter desk folder")
        self._path.unlink(missing_ok=True)
        before = os.umask(0o117)
        try:
            self._server = await asyncio.start_unix_server(self._serve, self._path, limit=LINE_MAX_BYTES)
        finally:
            os.umask(before)

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()
            self._path.unlink(missing_ok=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients += 1
        try:
            while self._clients <= CLIENTS_MAX:
                async with asyncio.timeout(IDLE_S):
                    line = await reader.readline()
                if not line.endswith(b"\n"):
                    return
                writer.write(json.dumps(await self._answer(line), ensure_ascii=False, separators=(",", ":")).encode() + b"\n")
                async with asyncio.timeout(IDLE_S):
                    await writer.drain()
        except (OSError, ValueError, TimeoutError):  # gone, a line too long, or asleep
            return
        finally:
            self._clients -= 1
            writer.transport.abort() if writer.transport.is_closing() else writer.close()

    async def _answer(self, line: bytes) -> Json:
        ask_id: Any = None
        try:
            ask = json.loads(line)
            if not isinstance(ask, dict):
                raise _Refused("bad_json", "the line is no JSON object", "error")
            ask_id = ask.get("id")
            do = self._do.get(str(ask.get("do")))
            if do is None:
                raise _Refused("unknown_do", f"do is {str(ask.get('do'))[:40]!r}; known are {', '.join(self._do)}", "error")
            return {"id": ask_id, "ok": await do(ask)}
        except _Refused as refused:
            return {"id": ask_id, refused.kind: {"code": refused.code, "reason": refused.reason, "mistakes": []}}
        except (ValueError, RecursionError) as error:
            return {"id": ask_id, "error": {"code": "bad_json", "reason": f"the line is no JSON: {error}"[:200]}}

    async def _status(self, _ask: Json) -> Json:
        desk = self._desk
        names = {one.id: one.name for one in desk.channels.channels}
        return {
            "v": 1, "version": self._version, "pid": os.getpid(), "up_us": desk.time.mono_us() - desk.began_us,
            "failing": desk.failing(), "chambers": [{"at": at, "silent": desk.silent(at)} for at in desk.now],
            "channels": [{**self._one(one), "least": one.least.value} for one in desk.channels.channels],
            "beats": [self._one(one) for one in desk.channels.beats],
            "told": [_told(one, names) for one in reversed(desk.kept.outbox.letters[-TOLD_MAX:])],
        }

    def _one(self, one: Channel | Beat) -> Json:
        health = self._desk.kept.health.get(one.id, Health())
        return {"id": one.id, "name": one.name, "kind": kind(one.url), "state": health.state,
                "last_ok_utc_us": health.last_ok_utc_us or None, "answer": health.answer}

    async def _try(self, ask: Json) -> Json:
        desk, began_us = self._desk, self._desk.time.mono_us()
        desk.read_channels()
        channel = next((one for one in desk.channels.channels if one.id == ask.get("channel")), None)
        beat = next((one for one in desk.channels.beats if one.id == ask.get("beat")), None)
        way = channel or beat
        if way is None:
            raise _Refused("unknown_name", "there is no such channel or receiver; the channel file lists them")
        sent = await desk.trial(way, str(ask.get("link") or ""))
        return _taken(sent, desk.time.mono_us() - began_us)

    async def _understood(self, ask: Json) -> Json:
        began_us = self._desk.time.mono_us()
        return _taken(await self._desk.sends.understood(str(ask.get("url"))), self._desk.time.mono_us() - began_us)

    async def _page_lives(self, _ask: Json) -> Json:
        self._desk.page_lives()
        return {}

    async def _mailbox(self, _ask: Json) -> Json:
        return {"letters": list(reversed(self._desk.kept.mailbox))}


def _taken(sent: Sent, took_us: int) -> Json:
    if not sent.left:
        raise _Refused("channel_failing", sent.answer)
    return {"answer": sent.answer, "took_us": took_us}


def _told(letter: Letter, names: dict[int, str]) -> Json:
    notice = letter.notice
    return {"utc_us": letter.stamp_utc_us, "at": letter.sender.at, "chamber": letter.sender.name, "urgency": notice.need.value,
            "simulated": letter.sender.simulated, "what": notice.what, "done": notice.done, "do": notice.do,
            "deliveries": [{"channel": names.get(one.channel, f"channel {one.channel}"), "state": one.state.value,
                            "tries": one.tries, "utc_us": one.utc_us or None, "answer": one.answer}
                           for one in letter.deliveries]}
