"""Who is told, by which way: the channel file, and how the messenger fares with it. The messenger sends; this asks and writes.

Addresses hold passwords: they go in and never come out again. A channel counts as tried when somebody pressed the button
behind the link of its arrival test.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, NamedTuple

from fastapi import APIRouter, Depends
from fastapi import Path as InPath
from sqlalchemy import Connection

from api.commands import Nothing
from api.desk import arrivals
from api.desk.store import note, utc_us
from api.errors import Problem, problems
from api.examples import BEAT, CHANNEL, LETTERS, MESSAGES, TRIED, one
from api.message_forms import BeatBody, BeatChange, ChannelBody, ChannelChange, PageBody, wrong
from api.parts import House, Parts, Service, Settings, WholeHouse
from api.people import DeskAsker, Person, need
from api.wire import Answer
from controller.client import Client, ControllerError, Misunderstood, Refused
from controller.core.leaving import NEVER_US
from controller.messenger.channels import (
    CHANNELS_MAX,
    MAILBOX,
    NONE,
    BadChannels,
    Beat,
    Channel,
    Channels,
    kind,
    load,
    masked,
    save,
)
from controller.messenger.notices import unattended
from controller.messenger.words import Need

SOCKET_FILE = "messenger.sock"
STATUS_S = 3.0
LIVES_EVERY_S = 30.0
LAST = ("That was the last channel, and an unattended run is on or waits: no message about it can leave now. Add a channel, or "
        "stay with the chamber.")
TRY_S = 45.0
"""The messenger gives a try 30 s, and some more to load the ways."""
Json = dict[str, Any]
Number = Annotated[int, InPath(ge=1, le=2**31, description="The `id` in /messages.")]
router = APIRouter(prefix="/messages", tags=["messages"])


async def _looks(person: DeskAsker) -> Person:
    return need(person, "see_messages", "Seeing and trying who is told")


async def _edits(person: DeskAsker) -> Person:
    return need(person, "edit_messages", "Changing who is told")


Looker = Annotated[Person, Depends(_looks)]
MessageEditor = Annotated[Person, Depends(_edits)]
EDITS = problems("not_allowed_role", "bad_request", "not_found", "desk_failing")
TRIES = problems("not_allowed_role", "not_found", "messenger_away", "channel_failing", "desk_failing")


def seed(settings: Settings) -> None:
    """A new demo desk keeps its messages on the page."""
    if not (settings.desk_folder / "channels.json").exists():
        save(settings.desk_folder, Channels(f"http://127.0.0.1:{settings.port}", (
            Channel(1, "demo mailbox", f"{MAILBOX}://", Need.FOR_INFORMATION),)))


def stored(service: Parts) -> Channels:
    """The channel file. Raises Problem desk_failing for one that cannot be used."""
    try:
        found = load(service.settings.desk_folder)
    except BadChannels as error:
        raise Problem("desk_failing", f"{error.reason}.", advice="Move the file away; channels then have to be entered anew."
                      ) from None
    return found or NONE._replace(page=f"http://127.0.0.1:{service.settings.port}")


class Arrived(NamedTuple):
    """A message that somebody has answered."""

    channel: str
    age_us: int
    way: str
    """The channel's mark."""


async def arrival(service: Parts) -> Arrived | None:
    """The newest arrival among the channels that are there and take what asks to get up; None when nothing has arrived."""
    try:
        there = {one.id: one for one in stored(service).channels if one.wakes}
    except Problem:
        return None
    found = [one for one in await service.desk.do(arrivals.newest) if one.channel_id in there]
    newest = max(found, key=lambda one: one.arrived_utc_us, default=None)
    if newest is None or newest.arrived_utc_us > utc_us():  # a clock that went back proves nothing
        return None
    channel = there[newest.channel_id]
    return Arrived(channel.name, utc_us() - newest.arrived_utc_us, channel.mark)


async def newest_or_never(service: Parts) -> Arrived:
    """The same for the controller, which is told of no arrival as one that never was."""
    return await arrival(service) or Arrived("", NEVER_US, "")


async def _ask(service: Parts, do: str, timeout_s: float, **fields: Any) -> Json:
    try:
        return await Client(service.settings.desk_folder / SOCKET_FILE, timeout_s).ask(do, **fields)
    except Refused as refused:
        code = "not_found" if refused.code == "unknown_name" else "channel_failing"
        raise Problem(code, f"{refused.reason.rstrip('.')}.") from None
    except (ControllerError, Misunderstood, ValueError, KeyError) as error:
        raise Problem("messenger_away", f"{do}: {str(getattr(error, 'reason', '') or error).rstrip('.')}.") from None


async def lives_for_ever(folder: Path) -> None:
    """Say to the messenger, again and again, that the page answers. One that is away, or too old for it, is no matter."""
    while True:
        with contextlib.suppress(ControllerError, ValueError, KeyError):
            await Client(folder / SOCKET_FILE, STATUS_S).ask("page_lives")
        await asyncio.sleep(LIVES_EVERY_S)


async def _status(service: Parts) -> tuple[Json, str]:
    """The messenger's own words, or empty ones and why it does not answer."""
    try:
        return await _ask(service, "status", STATUS_S), ""
    except Problem as problem:
        return {"channels": [], "beats": [], "told": [], "failing": ""}, problem.detail


@router.get("", summary="Who is told, and what was told", responses={
    **one(MESSAGES), **problems("not_allowed_role", "desk_failing")})
async def messages(service: Service, person: Looker) -> Answer:
    """Channels and receivers of the heartbeat with how they fare, and the newest messages with their deliveries. Addresses
    are masked. `arrival` is the newest arrival test that somebody answered. While the messenger is away, `messenger.away`
    says so, and states are `unknown`."""
    channels, (status, away) = stored(service), await _status(service)
    fares = {one["id"]: one for one in (*status["channels"], *status["beats"])}
    pressed = {one.channel_id: one.arrived_utc_us for one in await service.desk.do(arrivals.newest)}
    found = await arrival(service)
    return Answer({
        "page": channels.page,
        "channels": [{**_shown(one, fares), "least": one.least.value, "arrived_utc_us": pressed.get(one.id)}
                     for one in channels.channels],
        "beats": [{**_shown(one, fares), "signed": bool(one.key)} for one in channels.beats],
        "told": status["told"], "failing": status["failing"],
        "arrival": found and {"channel": found.channel, "age_us": found.age_us},
        "messenger": {"away": away, "version": status.get("version"), "up_us": status.get("up_us")}})


def _shown(one: Channel | Beat, fares: dict[int, Json]) -> Json:
    fare = fares.get(one.id, {"state": "unknown", "last_ok_utc_us": None, "answer": ""})
    return {"id": one.id, "name": one.name, "kind": kind(one.url), "url": masked(one.url), "state": fare["state"],
            "last_ok_utc_us": fare["last_ok_utc_us"], "answer": fare["answer"]}


Change = Callable[[Channels], Channels]


async def _change(service: Parts, by: str, what: str, about: str, change: Change,
                  more: Callable[[Connection], None] | None = None) -> Channels:
    """Change the file and note it, on the desk's thread, so that two changes never cross."""
    def work(connection: Connection) -> Channels:
        after = change(stored(service))
        note(connection, by, what, about)
        if more is not None:
            more(connection)
        try:
            save(service.settings.desk_folder, after)
        except OSError as error:
            raise Problem("desk_failing", f"channels.json cannot be written: {error.strerror}.") from None
        return after

    return await service.desk.do(work)


def _fits(channels: Channels, name: str, but: int = 0) -> None:
    """Raises Problem for a name that is taken, or too many."""
    if name in (one for number, one in channels.names.items() if number != but):
        raise wrong("name", name, "a name of its own", "Another channel or receiver has this name.")
    if not but and len(channels.names) >= CHANNELS_MAX:
        raise Problem("bad_request", f"There are {len(channels.names)} channels and receivers; {CHANNELS_MAX} is the most.",
                      advice="Take one away first.")


async def _understood(house: House, url: str) -> None:
    """Raises Problem for an address that nothing can be sent to, as far as anybody can say now."""
    if kind(url) == MAILBOX:
        settings = house.first.settings
        simulated = all(one.hub.now is not None and one.hub.now["chamber"]["simulated"] is True for one in house)
        if settings.real or not (settings.demo or simulated):
            raise wrong("url", "mailbox://", "a way to a person", "A mailbox on the page is for simulated chambers only.")
        return
    try:
        await _ask(house.first, "understood", TRY_S, url=url)
    except Problem as problem:
        if problem.code == "channel_failing":
            raise wrong("url", masked(url), "an address in apprise's form", problem.detail) from None


@router.put("/page", summary="Say where people reach the page", responses={**one({"page": MESSAGES["page"]}), **EDITS})
async def put_page(body: PageBody, service: Service, person: MessageEditor) -> Answer:
    """The address that links in messages begin with, as a phone on this network would open it."""
    page = body.page.rstrip("/")
    await _change(service, person.name, "changed", "page address", lambda before: before._replace(page=page))
    return Answer({"page": page})


@router.post("/channels", status_code=201, summary="Add a channel", responses={
    **one(CHANNEL, 201, "Added."), **EDITS})
async def add_channel(body: ChannelBody, service: Service, house: WholeHouse, person: MessageEditor) -> Answer:
    """The address is looked at, not tried: send the arrival test next. A running messenger uses it within a second."""
    await _understood(house, body.url)

    def change(before: Channels) -> Channels:
        _fits(before, body.name)
        made = Channel(before.next_id, body.name, body.url, Need(body.least))
        return before._replace(channels=(*before.channels, made))

    made = (await _change(service, person.name, "added", f"channel {body.name}", change)).channels[-1]
    return Answer({**_shown(made, {}), "least": made.least.value}, 201)


@router.put("/channels/{number}", summary="Change a channel", responses={**one(CHANNEL), **EDITS})
async def put_channel(number: Number, body: ChannelChange, service: Service, house: WholeHouse,
                      person: MessageEditor) -> Answer:
    """A new address makes earlier arrivals of this channel void."""
    if body.url is not None:
        await _understood(house, body.url)
    made: list[Channel] = []

    def change(before: Channels) -> Channels:
        old = _channel(before, number)
        _fits(before, body.name, number)
        made.append(Channel(number, body.name, body.url or old.url, Need(body.least)))
        return before._replace(channels=tuple(made[0] if one.id == number else one for one in before.channels))

    def forget(connection: Connection) -> None:
        if body.url is not None:
            arrivals.forget(connection, number)

    await _change(service, person.name, "changed", f"channel {body.name}", change, forget)
    return Answer({**_shown(made[0], {}), "least": made[0].least.value})


@router.delete("/channels/{number}", summary="Take a channel away", responses={
    **one({"id": 1, "warning": ""}), **EDITS})
async def delete_channel(number: Number, service: Service, house: WholeHouse, person: MessageEditor) -> Answer:
    """Its messages that have not left are given up. `warning` says what it means where it was the last one and an unattended
    run is on or waits; otherwise it is empty."""
    def change(before: Channels) -> Channels:
        _channel(before, number)
        return before._replace(channels=tuple(one for one in before.channels if one.id != number))

    left = await _change(service, person.name, "took away", f"channel {number}", change,
                         lambda connection: arrivals.forget(connection, number))
    counts = any(one.hub.now is not None and unattended(one.hub.now) for one in house)
    return Answer({"id": number, "warning": LAST if counts and not left.channels else ""})


@router.post("/channels/{number}/try", summary="Send the arrival test", responses={**one(TRIED), **TRIES})
async def try_channel(number: Number, service: Service, person: Looker, _body: Nothing) -> Answer:
    """Sends one message with a link; whoever gets it presses the button there within 24 h. Until then this says only that
    the message has left. `answer` is what the provider said."""
    channels = stored(service)
    channel = _channel(channels, number)
    code = await service.desk.do(lambda connection: arrivals.send(connection, number, channel.name, person.name))
    try:
        sent = await _ask(service, "try", TRY_S, channel=number, link=f"{channels.page}/arrived?code={code}")
    except (Problem, asyncio.CancelledError):
        await service.desk.do(lambda connection: arrivals.unsent(connection, code))
        raise
    return Answer({"id": number, **sent})


@router.post("/beats", status_code=201, summary="Add a receiver of the heartbeat", responses={
    **one(BEAT, 201, "Added."), **EDITS})
async def add_beat(body: BeatBody, service: Service, person: MessageEditor) -> Answer:
    """`soakwarden listen` on a second computer, or any address that takes a POST. Silence alarms there."""
    def change(before: Channels) -> Channels:
        _fits(before, body.name)
        return before._replace(beats=(*before.beats, Beat(before.next_id, body.name, body.url, body.key)))

    made = (await _change(service, person.name, "added", f"receiver {body.name}", change)).beats[-1]
    return Answer({**_shown(made, {}), "signed": bool(made.key)}, 201)


@router.put("/beats/{number}", summary="Change a receiver of the heartbeat", responses={**one(BEAT), **EDITS})
async def put_beat(number: Number, body: BeatChange, service: Service, person: MessageEditor) -> Answer:
    """What is left out stays as it is."""
    made: list[Beat] = []

    def change(before: Channels) -> Channels:
        old = _beat(before, number)
        _fits(before, body.name, number)
        made.append(Beat(number, body.name, body.url or old.url, old.key if body.key is None else body.key))
        return before._replace(beats=tuple(made[0] if one.id == number else one for one in before.beats))

    await _change(service, person.name, "changed", f"receiver {body.name}", change)
    return Answer({**_shown(made[0], {}), "signed": bool(made[0].key)})


@router.delete("/beats/{number}", summary="Take a receiver of the heartbeat away", responses={
    **one({"id": 2}), **EDITS})
async def delete_beat(number: Number, service: Service, person: MessageEditor) -> Answer:
    """It hears no more beats; tell whoever listens there, since it alarms if a run is on."""
    def change(before: Channels) -> Channels:
        _beat(before, number)
        return before._replace(beats=tuple(one for one in before.beats if one.id != number))

    await _change(service, person.name, "took away", f"receiver {number}", change)
    return Answer({"id": number})


@router.post("/beats/{number}/try", summary="Send one heartbeat now", responses={**one(TRIED), **TRIES})
async def try_beat(number: Number, service: Service, person: Looker, _body: Nothing) -> Answer:
    """Says what the receiver answered."""
    _beat(stored(service), number)
    return Answer({"id": number, **await _ask(service, "try", TRY_S, beat=number)})


@router.get("/mailbox", summary="Messages of a simulation, kept here", responses={
    **one(LETTERS), **problems("not_allowed_role", "messenger_away")})
async def mailbox(service: Service, person: Looker) -> Answer:
    """What the channel `mailbox://` got, newest first: `utc_us`, `title`, `text`, `link`."""
    return Answer(await _ask(service, "mailbox", STATUS_S))


def _channel(channels: Channels, number: int) -> Channel:
    found = next((one for one in channels.channels if one.id == number), None)
    if found is None:
        raise Problem("not_found", f"There is no channel {number}.")
    return found


def _beat(channels: Channels, number: int) -> Beat:
    found = next((one for one in channels.beats if one.id == number), None)
    if found is None:
        raise Problem("not_found", f"There is no receiver {number}.")
    return found
