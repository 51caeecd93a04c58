"""Messages on their way: to which channel, how often tried, when again, when given up. Pure, value in, value out.

A message is written down before it is sent and struck off after, so a messenger that dies in between sends it again rather
than not at all. One message a channel at a time, the most urgent first.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from enum import StrEnum
from typing import NamedTuple

from controller.messenger.channels import Channel
from controller.messenger.words import S1, Need, Notice, Sender

AGAIN_US = (5 * S1, 15 * S1, 60 * S1, 300 * S1, 900 * S1)
"""Waits between tries; the last one repeats."""
GIVE_UP_US = {Need.FOR_INFORMATION: 3600 * S1, Need.CAN_WAIT: 12 * 3600 * S1, Need.GET_UP: 12 * 3600 * S1,
              Need.GET_OUT: 24 * 3600 * S1}
"""After so long a message is given up: it says when it happened, so a late one still tells."""
KEPT = 40
WAITING_MAX = 40
ANSWER_MAX = 160
AT_ONCE, HUNG_AT_ONCE = 5, 3
"""So many tries go on at once, for each needs memory; of ways that took too long the last time no more than so many, so that
there is a place for the others."""
HUNG = "no answer within"
"""How the answer begins when a try took too long."""


class State(StrEnum):
    """Of one message on one channel."""

    WAITING = "waiting"
    LEFT = "left"
    FAILED = "failed"


class Delivery(NamedTuple):
    """One message on one channel."""

    channel: int
    state: State = State.WAITING
    tries: int = 0
    due_us: int = 0
    """Monotonic; not before it."""
    utc_us: int = 0
    """Of the last try."""
    answer: str = ""


class Letter(NamedTuple):
    """One message."""

    id: int
    utc_us: int
    """When it was made, on this computer's clock."""
    made_us: int
    """Monotonic."""
    sender: Sender
    notice: Notice
    deliveries: tuple[Delivery, ...]
    chamber_utc_us: int = 0
    """When it happened, on the chamber's clock, which a simulation lets run fast; 0 where it is not known."""

    @property
    def stamp_utc_us(self) -> int:
        """The time that stands in it: the times it tells of are on the same clock."""
        return self.chamber_utc_us or self.utc_us

    @property
    def waits(self) -> bool:
        return any(one.state is State.WAITING for one in self.deliveries)


class Outbox(NamedTuple):
    """Every message that waits, and the newest of the others; oldest first."""

    letters: tuple[Letter, ...] = ()
    next_id: int = 1


class Due(NamedTuple):
    """A try to make now."""

    letter: Letter
    channel: int


def post(outbox: Outbox, notice: Notice, sender: Sender, channels: Iterable[Channel], now_us: int, utc_us: int,
         chamber_utc_us: int = 0) -> Outbox:
    """Write a message down for every channel whose least it reaches."""
    deliveries = tuple(Delivery(one.id, due_us=now_us) for one in channels if notice.need.rank >= one.least.rank)
    letter = Letter(outbox.next_id, utc_us, now_us, sender, notice, deliveries, chamber_utc_us)
    return _bounded(Outbox((*outbox.letters, letter), outbox.next_id + 1))


def due(outbox: Outbox, now_us: int, in_hand: Collection[int]) -> list[Due]:
    """The tries to make now: at most one a channel, none for channels in hand; most urgent first, then what was never
    tried, then the oldest."""
    found: dict[int, Due] = {}
    waiting = [(letter, one) for letter in outbox.letters for one in letter.deliveries
               if one.state is State.WAITING and one.due_us <= now_us and one.channel not in in_hand]
    for letter, one in sorted(waiting, key=lambda pair: (-pair[0].notice.need.rank, pair[1].tries > 0, pair[0].id)):
        found.setdefault(one.channel, Due(letter, one.channel))
    slow = hung(outbox)
    some = sorted(found.values(), key=lambda one: one.channel in slow)[:max(0, AT_ONCE - len(in_hand))]
    last = [one for one in some if one.channel in slow][max(0, HUNG_AT_ONCE - len(slow.intersection(in_hand))):]
    return [one for one in some if one not in last]


def hung(outbox: Outbox) -> set[int]:
    """The channels whose last try ended because its time was over."""
    tried = [one for letter in outbox.letters for one in letter.deliveries if one.tries]
    newest = {one.channel: one for one in sorted(tried, key=lambda one: one.utc_us)}
    return {channel for channel, one in newest.items() if one.answer.startswith(HUNG)}


def answered(outbox: Outbox, letter: int, channel: int, left: bool, answer: str, now_us: int, utc_us: int) -> Outbox:
    """A try has ended: struck off, due again, or given up."""
    def judged(whole: Letter, one: Delivery) -> Delivery:
        one = one._replace(tries=one.tries + 1, utc_us=utc_us, answer=answer[:ANSWER_MAX])
        if left:
            return one._replace(state=State.LEFT)
        wait_us = AGAIN_US[min(one.tries, len(AGAIN_US)) - 1]
        if now_us + wait_us - whole.made_us > GIVE_UP_US[whole.notice.need]:
            return one._replace(state=State.FAILED)
        return one._replace(due_us=now_us + wait_us)

    return _bounded(outbox._replace(letters=tuple(
        whole._replace(deliveries=tuple(judged(whole, one) if one.channel == channel and one.state is State.WAITING else one
                                        for one in whole.deliveries)) if whole.id == letter else whole
        for whole in outbox.letters)))


def kept_to(outbox: Outbox, channels: Iterable[Channel], now_us: int) -> Outbox:
    """The channel file has changed: what waits for a channel that is no more has failed; the others are tried at once."""
    there = {one.id for one in channels}

    def judged(one: Delivery) -> Delivery:
        if one.state is not State.WAITING:
            return one
        if one.channel not in there:
            return one._replace(state=State.FAILED, answer="the channel was taken away")
        return one._replace(due_us=min(one.due_us, now_us))

    return outbox._replace(letters=tuple(
        one._replace(deliveries=tuple(judged(each) for each in one.deliveries)) for one in outbox.letters))


def restarted(outbox: Outbox, now_us: int, utc_us: int) -> Outbox:
    """After a start of this program: ages come from the stamps, and what waits is due at once."""
    return outbox._replace(letters=tuple(one._replace(
        made_us=now_us - max(0, utc_us - one.utc_us),
        deliveries=tuple(each._replace(due_us=now_us) for each in one.deliveries)) for one in outbox.letters))


def _bounded(outbox: Outbox) -> Outbox:
    """Forget the oldest of what is done; of too many that wait, the least urgent and oldest give way, and say so."""
    letters = list(outbox.letters)
    waiting = [one for one in letters if one.waits]
    if len(waiting) > WAITING_MAX:
        least = min(waiting, key=lambda one: (one.notice.need.rank, one.id))
        letters[letters.index(least)] = least._replace(deliveries=tuple(
            each._replace(state=State.FAILED, answer="gave way to newer messages") if each.state is State.WAITING else each
            for each in least.deliveries))
    done = [one.id for one in letters if not one.waits]
    over = set(done[:max(0, len(done) - KEPT)])
    return outbox._replace(letters=tuple(one for one in letters if one.id not in over))
