"""What a message says and how urgent it is. Pure.

Every message has the four parts of an alarm: what happened, what the machine already did, what to do, how urgently. None
says or hints whether somebody is at home: a lock screen may show it to anybody.
"""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import NamedTuple

from controller.core.guards import Urgency

TITLE_MAX = 120
S1 = 1_000_000


class Need(StrEnum):
    """How quickly a person is needed, least first; a channel takes messages from its own least on."""

    FOR_INFORMATION = "for_information"
    CAN_WAIT = "can_wait"
    GET_UP = "get_up"
    GET_OUT = "get_out"

    @property
    def rank(self) -> int:
        """0 for the least."""
        return list(Need).index(self)


NEED_OF = {Urgency.MORNING: Need.CAN_WAIT, Urgency.GET_UP: Need.GET_UP, Urgency.EVACUATE: Need.GET_OUT}
"""The guard table's words for it."""
URGENCY_WORDS = {
    Need.FOR_INFORMATION: "for information, nothing is needed", Need.CAN_WAIT: Urgency.MORNING.value,
    Need.GET_UP: Urgency.GET_UP.value, Need.GET_OUT: Urgency.EVACUATE.value,
}
NOT_ISOLATED = "Off is not isolated: unplug the chamber before you reach in."
CALM_AGAIN = "Nothing needs you."
LOCAL, SOMEBODY = "local, not signed in", "somebody at this computer"
"""The name that commands carry which nobody signed in for, and how it reads in a sentence."""


class Notice(NamedTuple):
    """One thing to tell. Whole sentences."""

    need: Need
    what: str
    done: str
    do: str
    urgent: str = ""
    """How urgent it is, where that is a time of its own."""
    key: str = ""
    """Of what it tells; for one that is held back, to know whether it is still so."""
    utc_us: int = 0
    """When it happened, on the chamber's clock; 0 for now."""


class Sender(NamedTuple):
    """Which chamber a message is about."""

    at: str
    """Its name in addresses: that of its data folder."""
    name: str
    board: str
    simulated: bool


class Text(NamedTuple):
    """A message as it goes out."""

    title: str
    body: str
    link: str
    head: str = ""
    """The title without its sentence, for where the body follows at once."""


def need_of(urgency: str) -> Need:
    """The need that a guard's words mean; words of a newer table count as "get up now"."""
    return {guard.value: need for guard, need in NEED_OF.items()}.get(urgency, Need.GET_UP)


def clock(utc_us: int, now_utc_us: int) -> str:
    """Time of day where the chamber's computer stands, with its zone, to the second; with the date where it is not today's."""
    then, now = (datetime.fromtimestamp(one / S1, UTC).astimezone() for one in (utc_us, now_utc_us))
    return then.strftime("%H:%M:%S %Z") if then.date() == now.date() else day(utc_us)


def day(utc_us: int) -> str:
    """Date and time of day where the chamber's computer stands."""
    return datetime.fromtimestamp(utc_us / S1, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S %Z")


def duration(us: int) -> str:
    """A time span in words of one or two units."""
    if us < 60 * S1:
        return f"{max(0, us) // S1} s"
    hours, minutes = divmod(us // (60 * S1), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def counted(us: int) -> str:
    """A time that was counted, to the nearest minute: a tick that is missing at its end is not worth one."""
    minute_us = 60 * S1
    return duration(us if us < minute_us else (us + minute_us // 2) // minute_us * minute_us)


def whom(said: str) -> str:
    """`said` with plain words for whoever used this computer without signing in."""
    return said.replace(LOCAL, SOMEBODY)


def shortened(said: str, most: int) -> str:
    """`said` on one line of at most `most` characters, cut between words."""
    said = " ".join(said.split())
    if len(said) <= most:
        return said
    cut = said[:max(0, most - 1)]
    return f"{cut.rpartition(' ')[0].rstrip(' .,;:') or cut}…"


def text(notice: Notice, sender: Sender, utc_us: int, link: str) -> Text:
    """The whole message. `utc_us`: when it happened."""
    mark = "SIMULATED: " if sender.simulated else ""
    title = f"{mark}{sender.name}: {notice.what}"
    lines = [notice.what, f"Done already: {notice.done}", f"Do now: {notice.do}",
             f"How urgent: {notice.urgent or URGENCY_WORDS[notice.need]}.",
             f"{day(utc_us)}. Chamber {sender.name}, board {sender.board or 'not known'}."]
    lines += ["This chamber is SIMULATED: everything in it is invented, and nothing is hot."] if sender.simulated else []
    lines += [f"Look: {link}"] if link else []
    return Text(shortened(title, TITLE_MAX), "\n".join(lines), link, f"{mark}{sender.name}")


def trial(title: str, link: str = "") -> Text:
    """A message that only tries a way."""
    lines = ["This is a trial: nothing has happened.",
             "Open this address and press the button there. Then it is known that messages arrive here." if link
             else "Nothing needs to be done.",
             f"How urgent: {URGENCY_WORDS[Need.CAN_WAIT]}.", *([link] if link else [])]
    return Text(title, "\n".join(lines), link)
