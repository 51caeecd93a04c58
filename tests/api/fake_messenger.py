"""A stand-in for the messenger's socket: answers as told and remembers what it was asked."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

STATUS = {"v": 1, "version": "0.1.0", "pid": 1, "up_us": 5, "failing": "", "chambers": [], "channels": [], "beats": [],
          "told": []}


class FakeMessenger:
    """Serves one socket."""

    def __init__(self) -> None:
        self.answers: dict[str, Any] = {"status": {"ok": STATUS}, "understood": {"ok": {"answer": "JSON", "took_us": 1}},
                                        "try": {"ok": {"answer": "taken", "took_us": 1}}, "mailbox": {"ok": {"letters": []}},
                                        "page_lives": {"ok": {}}}
        self.asked: list[dict[str, Any]] = []
        self._server: asyncio.Server | None = None

    async def start(self, path: Path) -> None:
        self._server = await asyncio.start_unix_server(self._serve, path)

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ask = json.loads(await reader.readline())
        if ask["do"] != "page_lives":  # it comes when it likes, between what a test asks for
            self.asked.append(ask)
        writer.write(json.dumps({"id": ask["id"], **self.answers[ask["do"]]}).encode() + b"\n")
        writer.close()
