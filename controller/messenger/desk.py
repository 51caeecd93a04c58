"""The messenger at work: follows the controllers, keeps its file, sends what is due, beats, and says how it fares.

One event loop, one task a chamber, one task a try to send. Whatever is decided is in the file before it is sent. Nothing
here commands: the controller only hears whether messages work.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple, Protocol
from urllib.parse import quote

from controller.client import Client, ControllerError, Misunderstood
from controller.drivers import clocks
from controller.messenger import beats, memory, notices, outbox, store, words
from controller.messenger.channels import MAILBOX, NONE, BadChannels, Beat, Channel, Channels, load
from controller.messenger.send import Sent
from controller.messenger.store import Health, Kept

LOOP_S = 0.25
AGAIN_S = 1.0
FILE_US = 1_000_000
"""How often the channel file is looked at."""
TELL_S, TELL_PATIENCE_S = 5.0, 3.0
LOOK_S = 0.5
UNKNOWN_S = 60.0
"""A controller that does not know the ask is asked again so much later: it may have been replaced."""
FAILING_MAX = 900
"""Enough to name every channel; the answers share what their names leave."""
ANSWER_MOST = 160
UNHEARD = "no controller has been heard yet, so there is nothing to tell of; try again in a moment"
NO_CHANNEL = "there is no channel, so no message can leave"
NONE_WAKES = "no channel takes what asks to get up, so a trip would be told to no person"
"""Told while a run counts on messages; nobody needs a channel otherwise."""
STILL = "it is still being tried; an answer is waited for up to half a minute"
MAILBOX_REAL = "mailbox:// keeps messages on the page and is for simulated chambers only"
Json = dict[str, Any]


class Sends(Protocol):
    """What sends; `sending.Sending`, or a stand-in with the same manners."""

    async def message(self, url: str, title: str, body: str, failure: bool) -> Sent: ...

    async def understood(self, url: str) -> Sent: ...

    async def beat(self, url: str, body: bytes, headers: dict[str, str]) -> Sent: ...


class Clocks(NamedTuple):
    """Where the time comes from, microseconds."""

    mono_us: Callable[[], int] = clocks.mono_us
    utc_us: Callable[[], int] = clocks.utc_us


REAL = Clocks()

class Desk:
    """One messenger. `work` runs for ever; tests call `take` and `turn` themselves."""

    def __init__(self, folder: Path, chambers: Mapping[str, Path], sends: Sends, time: Clocks = REAL) -> None:
        self.folder, self.sends, self.time = folder, sends, time
        self._sockets = dict(chambers)
        began_us = time.mono_us()
        kept, self._trouble = store.load(folder)
        self.kept = kept._replace(
            chambers={at: memory.restarted(one, began_us) for at, one in kept.chambers.items() if at in chambers},
            outbox=outbox.restarted(kept.outbox, began_us, time.utc_us()))
        self._saved: Kept | None = None
        self._heard_us = dict.fromkeys(chambers, began_us)
        self.now: dict[str, Json] = {}
        self.channels: Channels = NONE
        self.channels_wrong = ""
        self._channels_stamp: tuple[int, int] | None = None
        self._looked_us = -FILE_US
        self._unread: dict[str, str] = {}
        self._in_hand: set[int] = set()
        self._beats_due: dict[tuple[str, int], int] = {}
        self._tries: set[asyncio.Task[None]] = set()
        self._trials: set[int] = set()
        self.began_us = began_us
        self._page_us: int | None = None
        """When the page last said that it lives."""
        self.read_channels()

    # -- what comes in ------------------------------------------------------------------------------------------------

    def take(self, at: str, now: Json) -> None:
        """The newest snapshot of a chamber."""
        now_us = self.time.mono_us()
        try:
            step = memory.heard(self.kept.chambers.get(at, memory.Memory()), now, now_us, self.page)
            known = beats.pulse(self.kept.pulses.get(at, beats.Pulse()), now, False, self._receivers, self.page)
        except (KeyError, TypeError, ValueError, IndexError) as error:
            self._unread[at] = f"the controller of {at} speaks another version: {type(error).__name__} {error}"
            return
        self._unread.pop(at, None)
        self.now[at], self._heard_us[at] = now, now_us
        self._pulse(at, known)
        self._step(at, step)

    def page_lives(self) -> None:
        """The page has said that it lives."""
        self._page_us = self.time.mono_us()

    @property
    def page(self) -> bool | None:
        """Does the page answer? None while that is not known: this messenger has just begun."""
        silent = self.time.mono_us() - (self.began_us if self._page_us is None else self._page_us) >= memory.PAGE_SILENT_US
        return False if silent else None if self._page_us is None else True

    @property
    def _receivers(self) -> list[int]:
        return [one.id for one in self.channels.beats]

    def read_channels(self) -> None:
        """Look at the channel file. A broken or vanished one leaves the last that was whole, and is a failure."""
        path = self.folder / "channels.json"
        try:
            found = path.stat()
            stamp = (found.st_mtime_ns, found.st_ino)
        except OSError:
            stamp = None
        if stamp == self._channels_stamp and not self.channels_wrong:
            return
        try:
            channels = load(self.folder)
        except BadChannels as error:
            self.channels_wrong = error.reason
            return
        if channels is None:
            self.channels_wrong = "" if self._channels_stamp is None else "the channel file channels.json is gone"
            return
        self.channels_wrong, self._channels_stamp = "", stamp
        if channels != self.channels:
            self._use(channels)

    def _use(self, channels: Channels) -> None:
        """New channels: what is changed has to show anew that it works."""
        before, after = self.channels.urls, channels.urls
        first = self.channels is NONE
        health = {number: one for number, one in self.kept.health.items()
                  if number in after and (first or before.get(number) == after[number])}
        self.channels = channels
        self.kept = self.kept._replace(
            health=health, outbox=outbox.kept_to(self.kept.outbox, channels.channels, self.time.mono_us()))

    def _step(self, at: str, step: memory.Step) -> None:
        self.kept = self.kept._replace(chambers={**self.kept.chambers, at: step.memory})
        one = step.memory
        sender = words.Sender(at, one.name or at, one.board, one.simulated)
        for notice in step.notices:
            self.kept = self.kept._replace(outbox=outbox.post(
                self.kept.outbox, notice, sender, self.channels.channels, self.time.mono_us(), self.time.utc_us(),
                notice.utc_us or self.chamber_utc_us(at)))

    def _pulse(self, at: str, pulse: beats.Pulse) -> None:
        self.kept = self.kept._replace(pulses={**self.kept.pulses, at: pulse})

    # -- a turn -------------------------------------------------------------------------------------------------------

    def turn(self) -> None:
        """Look what is due: the channel file, silence, the file of our own, tries, beats. Waits for nothing."""
        now_us = self.time.mono_us()
        if now_us - self._looked_us >= FILE_US:
            self._looked_us = now_us
            self.read_channels()
        for at in self._sockets:
            self._silence(at, now_us)
        self._save()
        channels = {one.id: one for one in self.channels.channels}
        for due in outbox.due(self.kept.outbox, now_us, self._in_hand):
            if due.channel in channels:
                self._in_hand.add(due.channel)
                self._try(self._deliver(due.letter, channels[due.channel]))
        for at, now in self.now.items():
            self._beat_out(at, now, now_us)

    def chamber_utc_us(self, at: str) -> int:
        """The time on a chamber's own clock, which a simulation lets run faster than ours; ours before it was heard."""
        if at not in self.now:
            return self.time.utc_us()
        return int(self.now[at]["utc_us"]) + max(0, self.time.mono_us() - self._heard_us[at])

    def silent(self, at: str) -> bool:
        """Has this chamber's controller not been heard for too long?"""
        return self.time.mono_us() - self._heard_us[at] >= memory.SILENT_US

    def _silence(self, at: str, now_us: int) -> None:
        before = self.kept.chambers.get(at, memory.Memory())
        silent_us = now_us - self._heard_us[at]
        if silent_us < memory.SILENT_US:
            return
        self._step(at, memory.silent(before, silent_us, now_us, self.chamber_utc_us(at)))
        if at in self.now:
            pulse = self.kept.pulses.get(at, beats.Pulse())
            self._pulse(at, beats.pulse(pulse, self.now[at], True, self._receivers, self.page))

    def _save(self) -> None:
        settled = store.settled(self.kept)
        if settled == self._saved:
            return
        try:
            store.save(self.folder, self.kept)
            self._saved, self._trouble = settled, ""
        except OSError as error:  # a message that may go out twice is better than one that does not go out
            self._trouble = f"{store.FILE} cannot be written: {error.strerror}"

    # -- what goes out ------------------------------------------------------------------------------------------------

    def _try(self, work: Any) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tries.add(task)
        task.add_done_callback(self._tries.discard)

    async def _deliver(self, letter: outbox.Letter, channel: Channel) -> None:
        text = words.text(letter.notice, letter.sender, letter.stamp_utc_us, self.link(letter.sender.at))
        failure = letter.notice.need.rank >= words.Need.GET_UP.rank
        try:
            sent = await self._send(channel, text, failure, letter.sender.simulated, letter.stamp_utc_us)
        finally:
            self._in_hand.discard(channel.id)
        self.kept = self.kept._replace(outbox=outbox.answered(
            self.kept.outbox, letter.id, channel.id, sent.left, sent.answer, self.time.mono_us(), self.time.utc_us()))
        self._fared(channel.id, sent)
        self._save()

    async def _send(self, channel: Channel, text: words.Text, failure: bool, simulated: bool, utc_us: int) -> Sent:
        if channel.kind != MAILBOX:
            return await self.sends.message(channel.url, text.title, text.body, failure)
        if not simulated:
            return Sent(False, MAILBOX_REAL)
        letter = {"utc_us": utc_us, "title": text.title, "text": text.body, "link": text.link}
        self.kept = self.kept._replace(mailbox=(*self.kept.mailbox, letter)[-store.MAILBOX_KEPT:])
        return Sent(True, "kept here")

    def _fared(self, number: int, sent: Sent) -> None:
        before = self.kept.health.get(number, Health())
        after = Health("working" if sent.left else "failing", self.time.utc_us() if sent.left else before.last_ok_utc_us,
                       sent.answer)
        self.kept = self.kept._replace(health={**self.kept.health, number: after})

    def link(self, at: str) -> str:
        """The address of a chamber's page; empty where nobody has said where the page is."""
        which = f"at/{quote(at)}/" if len(self._sockets) > 1 else ""
        return f"{self.channels.page}/#/{which}now" if self.channels.page else ""

    def _beat_out(self, at: str, now: Json, now_us: int) -> None:
        pulse = self.kept.pulses.get(at, beats.Pulse())
        for one in self.channels.beats:
            wanted = one.id in pulse.owed or beats.watched(pulse.state)
            if wanted and now_us >= self._beats_due.get((at, one.id), 0):
                self._beats_due[at, one.id] = now_us + beats.EVERY_US
                self._try(self._beat(at, now, one))
            elif one.id in pulse.owed and self._beats_due[at, one.id] > now_us + beats.AGAIN_US:
                self._beats_due[at, one.id] = 0  # something has changed since the last one

    async def _beat(self, at: str, now: Json, receiver: Beat) -> Sent:
        pulse = self.kept.pulses.get(at, beats.Pulse())
        pulse = pulse._replace(sequence=beats.next_sequence(pulse.sequence, self.time.utc_us()))
        self._pulse(at, beats.taken(pulse, receiver.id))
        self._save()
        body = beats.body(now, pulse, self.chamber_utc_us(at), self.link(at))
        headers = {beats.SIGNATURE: beats.signature(body, receiver.key)} if receiver.key else {}
        sent = await self.sends.beat(receiver.url, body, headers)
        self._fared(receiver.id, sent)
        if not sent.left:
            late = self.kept.pulses[at]
            self._pulse(at, late._replace(owed=tuple(sorted({*late.owed, receiver.id}))))
            self._beats_due[at, receiver.id] = self.time.mono_us() + beats.AGAIN_US
        return sent

    # -- asked for by people ------------------------------------------------------------------------------------------

    async def trial(self, way: Channel | Beat, link: str) -> Sent:
        """Send the arrival test to one channel or a beat to one receiver, now, whatever else goes there; one at a time."""
        if way.id in self._trials:
            return Sent(False, STILL)
        self._trials.add(way.id)
        try:
            return await (self.try_channel(way, link) if isinstance(way, Channel) else self.try_beat(way))
        finally:
            self._trials.discard(way.id)

    async def try_channel(self, channel: Channel, link: str) -> Sent:
        """Send the arrival test to one channel, now."""
        if channel.kind == MAILBOX and not self.now:
            return Sent(False, UNHEARD)  # says nothing of the channel
        simulated = bool(self.now) and all(one["chamber"]["simulated"] for one in self.now.values())
        mark = "SIMULATED: " if simulated else ""
        text = words.trial(f"{mark}Soakwarden: does this message arrive?", link)
        at = next(iter(self.now)) if simulated else ""
        sent = await self._send(channel, text, False, simulated, self.chamber_utc_us(at))
        self._fared(channel.id, sent)
        return sent

    async def try_beat(self, receiver: Beat) -> Sent:
        """Send one beat to one receiver, now, of the first chamber that is heard."""
        for at, now in self.now.items():
            return await self._beat(at, now, receiver)
        return Sent(False, UNHEARD)

    def failing(self) -> str:
        """What fails, for the controller and the page; empty when all is well."""
        wrong = [one for one in (self.channels_wrong, self._trouble, *self._unread.values()) if one]
        if any(map(notices.unattended, self.now.values())) and not any(one.wakes for one in self.channels.channels):
            wrong.append(NONE_WAKES if self.channels.channels else NO_CHANNEL)
        wrong = [words.shortened(one, ANSWER_MOST) for one in wrong]
        ways = [*((one.id, f"Channel {one.name} fails") for one in self.channels.channels),
                *((one.id, f"Receiver {one.name} fails") for one in self.channels.beats)]
        fails = [(head, self.kept.health[number].answer) for number, head in ways
                 if self.kept.health.get(number, Health()).state == "failing"]
        room = FAILING_MAX - sum(len(one) + 2 for one in wrong) - sum(len(head) + 4 for head, _ in fails)
        most = min(ANSWER_MOST, room // max(1, len(fails)))
        wrong += [f"{head}: {words.shortened(answer.rstrip('. '), most)}" for head, answer in fails]
        return "; ".join(wrong)[:FAILING_MAX]

    # -- for ever -----------------------------------------------------------------------------------------------------

    async def follow(self, at: str) -> None:
        """Take every snapshot of one chamber's controller."""
        while True:
            try:
                async for pushed in Client(self._sockets[at]).follow():
                    self.take(at, pushed["now"])
            except (ControllerError, ValueError, KeyError):
                await asyncio.sleep(AGAIN_S)

    async def tell(self, at: str) -> None:
        """Tell one controller every 5 s whether messages work, and at once when that changes: its watchdog over this
        process."""
        while True:
            wait_s, word = TELL_S, self._word()
            try:
                await Client(self._sockets[at], TELL_PATIENCE_S).ask("messages", **word)
            except Misunderstood:
                wait_s = UNKNOWN_S
            except (ControllerError, ValueError, KeyError):
                pass
            until_s = asyncio.get_running_loop().time() + wait_s
            while self._word() == word and asyncio.get_running_loop().time() < until_s:
                await asyncio.sleep(min(wait_s, LOOK_S))

    def _word(self) -> Json:
        """What a controller is told of messages."""
        ways = [one.mark for one in self.channels.channels if one.wakes]
        return {"failing": self.failing(), "channels": len(self.channels.channels), "ways": ways}

    async def close(self) -> None:
        """End the tries; what they did not finish is sent after the next start."""
        for task in list(self._tries):
            task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.gather(*self._tries, return_exceptions=True)
        self._save()
