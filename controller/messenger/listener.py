"""The listener at work on a second computer: hears beats, keeps its file, alarms on its terminal and through apprise."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from controller.drivers import sealed
from controller.messenger import listening, outbox, words
from controller.messenger.channels import Channel, masked
from controller.messenger.desk import REAL, Clocks, Sends
from controller.messenger.listening import Beat, Told, Watch
from controller.messenger.outbox import Outbox
from controller.messenger.store import letter_of, letter_out, without_old

FILE = "listen.json"
FORMAT = "soakwarden-listen-1"
MODE = 0o600
KEY_BYTES = 32
DONE_KEPT = 10
Json = dict[str, Any]
Say = Callable[[words.Text, words.Need], None]


class Unfit(Exception):
    """The listener's own file cannot be used; the text says why and what to do."""


class Listener:
    """One listener. `hear` takes a request, `turn` looks at the time; both return at once."""

    def __init__(self, folder: Path, tell: Sequence[str], sends: Sends, say: Say, time: Clocks = REAL) -> None:
        """`tell`: apprise addresses. Raises Unfit, OSError."""
        self._folder, self._sends, self._say, self._time = folder, sends, say, time
        self._channels = tuple(Channel(number, masked(url), url, words.Need.FOR_INFORMATION)
                               for number, url in enumerate(tell, 1))
        self._in_hand: set[int] = set()
        self._tries: set[asyncio.Task[None]] = set()
        self.key, self.watches, self.outbox = _load(folder, time)
        self.trouble = ""
        self.news: list[str] = []
        """What is no alarm and may be told on the terminal: chambers that were heard for the first time."""
        self._save()

    def hear(self, body: bytes, signature: str) -> Json:
        """One request. Raises Unheard."""
        beat = listening.read(body, signature, self.key)
        first = beat.board not in self.watches
        after, told = listening.take(self.watches, beat, self._time.mono_us(), self._time.utc_us())
        self._after(after, told)
        if first:
            mark = "SIMULATED: " if beat.simulated else ""
            self.news.append(f"Now watching {mark}{beat.chamber}, board {beat.board}: {beat.state}.")
        return {"heard": beat.sequence, "within_s": beat.within_us // words.S1}

    def turn(self) -> None:
        """Who is silent, and which message is due?"""
        now_us = self._time.mono_us()
        after, told = listening.look(self.watches, now_us)
        if after != self.watches:
            self._after(after, told)
        urls = {one.id: one for one in self._channels}
        for due in outbox.due(self.outbox, now_us, self._in_hand):
            if due.channel in urls:
                self._in_hand.add(due.channel)
                task = asyncio.get_running_loop().create_task(self._deliver(due.letter, urls[due.channel]))
                self._tries.add(task)
                task.add_done_callback(self._tries.discard)

    async def unusable(self) -> list[str]:
        """Which addresses nothing can be sent to, and why; without their secrets. Nothing is sent. One that cannot be judged
        now is taken: a listener that does not begin is worse than one that says later what fails."""
        answers = [(one, await self._sends.understood(one.url)) for one in self._channels]
        return [f"{one.name}: {answer.answer}" for one, answer in answers if answer.known and not answer.left]

    async def tried(self) -> list[tuple[str, bool, str]]:
        """Send one trial to every address: (address without its secrets, was it taken, the answer)."""
        text = words.trial("Soakwarden listens: does this message arrive?")
        answers = [(one, await self._sends.message(one.url, text.title, text.body, False)) for one in self._channels]
        return [(one.name, answer.left, answer.answer) for one, answer in answers]

    def line(self) -> str:
        """For whoever opens the address."""
        return f"Soakwarden listens for {len(self.watches)} chamber(s).\n"

    async def close(self) -> None:
        for task in list(self._tries):
            task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.gather(*self._tries, return_exceptions=True)

    def _after(self, watches: dict[str, Watch], told: list[Told]) -> None:
        self.watches = watches
        for one in told:  # here a chamber is known by its page: there is no other name for it in addresses
            self.outbox = outbox.post(self.outbox, one.notice, one.sender._replace(at=one.page), self._channels,
                                      self._time.mono_us(), self._time.utc_us(), one.utc_us)
        self._save()
        for one in told:
            self._say(words.text(one.notice, one.sender, one.utc_us, one.page), one.notice.need)

    async def _deliver(self, letter: outbox.Letter, channel: Channel) -> None:
        text = words.text(letter.notice, letter.sender, letter.stamp_utc_us, letter.sender.at)
        try:
            sent = await self._sends.message(channel.url, text.title, text.body,
                                             letter.notice.need.rank >= words.Need.GET_UP.rank)
        finally:
            self._in_hand.discard(channel.id)
        self.outbox = outbox.answered(self.outbox, letter.id, channel.id, sent.left, sent.answer, self._time.mono_us(),
                                      self._time.utc_us())
        self.trouble = "" if sent.left else f"{channel.name}: {sent.answer}"
        self._save()

    def _save(self) -> None:
        body = {"format": FORMAT, "key": self.key, "watches": [
            {**one._asdict(), "beat": one.beat._asdict()} for one in self.watches.values()],
            "next_id": self.outbox.next_id, "letters": [
                    letter_out(one) for one in without_old(self.outbox, DONE_KEPT).letters]}
        try:
            sealed.write(self._folder / FILE, body, mode=MODE)
        except OSError as error:  # it goes on listening: only a restart would forget
            self.trouble = f"{FILE} cannot be written: {error.strerror}"


def _load(folder: Path, time: Clocks) -> tuple[str, dict[str, Watch], Outbox]:
    path = folder / FILE
    if not path.exists():
        return secrets.token_hex(KEY_BYTES), {}, Outbox()
    try:
        body = sealed.read(path)
        if body["format"] != FORMAT:
            raise ValueError(f"format is {str(body['format'])[:60]}")
        watches = [Watch(**{**one, "beat": Beat(**{**one["beat"], "standing": tuple(one["beat"]["standing"])}),
                            "told": tuple(one["told"])}) for one in body["watches"]]
        kept = Outbox(tuple(letter_of(one) for one in body["letters"]), body["next_id"])
        now_us, utc_us = time.mono_us(), time.utc_us()
        return (str(body["key"]), listening.restarted({one.beat.board: one for one in watches}, now_us, utc_us),
                outbox.restarted(kept, now_us, utc_us))
    except (sealed.Unsealed, KeyError, TypeError, ValueError, AttributeError) as error:
        raise Unfit(f"{path} cannot be used ({error}). Move it away; a new one is made with a new key, which then has to be "
                    "entered on the page.") from None
