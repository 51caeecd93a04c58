"""The messenger's own file: what was told, what is on its way, how each channel fared. Sealed, one writer."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any, NamedTuple

from controller.drivers import sealed
from controller.messenger.beats import Pulse
from controller.messenger.memory import Memory, Told
from controller.messenger.notices import Seen
from controller.messenger.outbox import Delivery, Letter, Outbox, State
from controller.messenger.words import Need, Notice, Sender

FILE = "messenger.json"
FORMAT = "soakwarden-messenger-1"
MODE = 0o640
MAILBOX_KEPT = 50
Json = dict[str, Any]


class Health(NamedTuple):
    """How a channel or a receiver of the heartbeat fares."""

    state: str = "untried"
    last_ok_utc_us: int = 0
    answer: str = ""


class Kept(NamedTuple):
    """Everything that outlives the process."""

    chambers: dict[str, Memory]
    pulses: dict[str, Pulse]
    outbox: Outbox
    health: dict[int, Health]
    mailbox: tuple[Json, ...] = ()


def nothing() -> Kept:
    """Of a desk that nobody has been told from yet."""
    return Kept({}, {}, Outbox(), {})


def load(folder: Path) -> tuple[Kept, str]:
    """What was kept, and why nothing could be (empty when all is well). A file that cannot be trusted is set aside: then
    what stands is told once more, rather than not at all."""
    path = folder / FILE
    if not path.exists():
        return nothing(), ""
    try:
        return parse(sealed.read(path)), ""
    except (sealed.Unsealed, KeyError, TypeError, ValueError, AttributeError) as error:
        with contextlib.suppress(OSError):
            path.replace(path.with_name(f"{FILE}.unreadable"))
        return nothing(), f"{FILE} could not be read ({error}); kept as {FILE}.unreadable"


def save(folder: Path, kept: Kept) -> None:
    """Raises OSError."""
    sealed.write(folder / FILE, render(kept), mode=MODE)


def render(kept: Kept) -> Json:
    return {"format": FORMAT, "chambers": {at: _memory(one) for at, one in kept.chambers.items()},
            "pulses": {at: one._asdict() for at, one in kept.pulses.items()},
            "outbox": {"next_id": kept.outbox.next_id, "letters": [letter_out(one) for one in kept.outbox.letters]},
            "health": {str(number): one._asdict() for number, one in kept.health.items()}, "mailbox": list(kept.mailbox)}


def parse(body: Json) -> Kept:
    """Raises KeyError, TypeError, ValueError or AttributeError for what is no body of ours."""
    if body["format"] != FORMAT:
        raise ValueError(f"format is {str(body['format'])[:60]}")
    outbox = body["outbox"]
    return Kept({at: _memory_of(one) for at, one in body["chambers"].items()},
                {at: Pulse(**{**one, "owed": tuple(one["owed"])}) for at, one in body["pulses"].items()},
                Outbox(tuple(letter_of(one) for one in outbox["letters"]), outbox["next_id"]),
                {int(number): Health(**one) for number, one in body["health"].items()}, tuple(body["mailbox"]))


def _memory(one: Memory) -> Json:
    return {**one._asdict(), "seen": {**one.seen._asdict(), "told": []}, "told": [told._asdict() for told in one.told],
            "held": [notice._asdict() for notice in one.held], "sent_us": []}


def _memory_of(body: Json) -> Memory:
    seen = Seen(**{**body["seen"], "told": frozenset()})
    return Memory(**{**body, "seen": seen, "told": tuple(Told(**one) for one in body["told"]),
                     "held": tuple(_notice_of(one) for one in body["held"]), "sent_us": ()})


def letter_out(one: Letter) -> Json:
    """A message as plain JSON."""
    return {**one._asdict(), "sender": one.sender._asdict(), "notice": one.notice._asdict(),
            "deliveries": [each._asdict() for each in one.deliveries]}


def letter_of(body: Json) -> Letter:
    """A message from plain JSON."""
    deliveries = tuple(Delivery(**{**one, "state": State(one["state"])}) for one in body["deliveries"])
    return Letter(**{**body, "sender": Sender(**body["sender"]), "notice": _notice_of(body["notice"]),
                     "deliveries": deliveries})


def _notice_of(body: Json) -> Notice:
    return Notice(**{**body, "need": Need(body["need"])})
