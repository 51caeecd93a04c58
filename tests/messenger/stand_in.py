"""A clock that a test turns, and a sender that answers as told and remembers what it was asked."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

from controller.messenger import channels
from controller.messenger.channels import Beat, Channel, Channels
from controller.messenger.desk import Clocks, Desk
from controller.messenger.send import Sent
from controller.messenger.words import Need
from tests.messenger.moments import S1, UTC

PAGE = "http://192.0.2.5:8650"
PHONE = Channel(1, "phone", "json://127.0.0.1/secret-of-phone", Need.FOR_INFORMATION)
ATTIC = Beat(2, "attic computer", "http://127.0.0.1:8652/", "ab" * 32)


class Time:
    """Both clocks, turned by hand."""

    def __init__(self) -> None:
        self.us = 1_000 * S1

    def clocks(self) -> Clocks:
        return Clocks(lambda: self.us, lambda: UTC + self.us)


class Sends:
    """Answers every try at once with `answer`, unless `hang` is set."""

    def __init__(self) -> None:
        self.answer = Sent(True, "taken")
        self.hang = False
        self.titles: list[str] = []
        self.bodies: list[str] = []
        self.beats: list[dict[str, Any]] = []

    async def message(self, url: str, title: str, body: str, failure: bool) -> Sent:
        await self._hang()
        if self.answer.left:
            self.titles.append(title)
            self.bodies.append(body)
        return self.answer

    async def understood(self, url: str) -> Sent:
        return self.answer

    async def beat(self, url: str, body: bytes, headers: dict[str, str]) -> Sent:
        await self._hang()
        self.beats.append({**json.loads(body), "headers": headers, "left": self.answer.left})
        return self.answer

    async def _hang(self) -> None:
        if self.hang:
            await asyncio.Event().wait()


class House:
    """A desk folder, its clock and sender; `desk()` starts a messenger on it as often as a test likes."""

    def __init__(self, folder: Path, *ways: Channel | Beat) -> None:
        self.folder, self.time, self.sends = folder, Time(), Sends()
        self.page_lives = True
        """Whether the page says that it does, as often as the real one."""
        self.use(*ways)

    def use(self, *ways: Channel | Beat) -> None:
        channels.save(self.folder, Channels(PAGE, tuple(one for one in ways if isinstance(one, Channel)),
                                            tuple(one for one in ways if isinstance(one, Beat))))

    def desk(self, *names: str) -> Desk:
        return Desk(self.folder, {name: self.folder / f"{name}.sock" for name in names or ("bench",)}, self.sends,
                    self.time.clocks())

    async def turns(self, desk: Desk, seconds: float = 1.0, now: Any = None, at: str = "bench") -> None:
        """Let a messenger work for a while; with `now`, hearing that snapshot every second."""
        for step in range(max(1, round(seconds * 4))):
            if now is not None and step % 4 == 0:
                if self.page_lives:
                    desk.page_lives()
                desk.take(at, now)
            desk.turn()
            for _ in range(12):
                await asyncio.sleep(0)
            self.time.us += S1 // 4
