"""The channel file: who is told, by which way, from which urgency on. The api writes it, the messenger reads it.

A sealed file with mode 0640: channel addresses hold passwords. A channel's address is in apprise's form, or `mailbox://`,
which keeps messages on the page and exists for simulated chambers only.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote, unquote, unquote_plus, urlsplit

from controller.drivers import sealed
from controller.messenger.words import Need

FILE = "channels.json"
FORMAT = "soakwarden-channels-1"
MODE = 0o640
MAILBOX = "mailbox"
CHANNELS_MAX = 12
NAME_MAX = 40
URL_MAX = 500
KEY_PATTERN = r"^([0-9a-fA-F]{32,128})?$"
KIND = re.compile(r"[A-Za-z][A-Za-z0-9+.-]{0,30}://")
WORD_LEAST = 5
"""Shorter parts of an address are no secrets, but for a password; as whole words only, these are blotted out."""
HOSTED = frozenset({"mailto", "mailtos", "json", "jsons", "xml", "xmls", "form", "forms", "http", "https", "mqtt", "mqtts"})
"""Kinds whose host is a computer's name; with the others it may be a secret."""


class BadChannels(Exception):
    """The channel file cannot be used. `reason` says why, in words."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class Channel(NamedTuple):
    """One way to tell somebody."""

    id: int
    name: str
    url: str
    least: Need

    @property
    def kind(self) -> str:
        return kind(self.url)

    @property
    def mark(self) -> str:
        """Says whether it is still the same way, without its address."""
        return f"{self.id}-{hashlib.sha256(self.url.encode(errors='replace')).hexdigest()[:12]}"

    @property
    def wakes(self) -> bool:
        """Whether what asks to get up now comes this way; one that only takes "get out" would keep a trip to itself."""
        return self.least.rank <= Need.GET_UP.rank


class Beat(NamedTuple):
    """One receiver of the heartbeat."""

    id: int
    name: str
    url: str
    key: str
    """Hexadecimal secret of the signature; empty for none."""


class Channels(NamedTuple):
    """The whole file."""

    page: str = ""
    """Address under which people reach the page, for links; no slash at its end."""
    channels: tuple[Channel, ...] = ()
    beats: tuple[Beat, ...] = ()
    last_id: int = 0
    """The greatest number that was ever given: a new way takes over nothing of one that was taken away."""

    @property
    def next_id(self) -> int:
        return max(self.last_id, *self.urls, 0) + 1

    @property
    def urls(self) -> dict[int, str]:
        """Every address by its number."""
        return {**{one.id: one.url for one in self.channels}, **{one.id: one.url for one in self.beats}}

    @property
    def names(self) -> dict[int, str]:
        """Every name by its number."""
        return {**{one.id: one.name for one in self.channels}, **{one.id: one.name for one in self.beats}}


NONE = Channels()


def kind(url: str) -> str:
    """The way's name: what stands before `://`."""
    return url.partition("://")[0].lower()


def masked(url: str) -> str:
    """An address without its secrets, for people. One that may be read in two ways shows its kind only: what is taken for a
    host may be a part of a password then."""
    found = KIND.match(url)
    if not found:
        return "…"
    name = kind(url)
    if name not in HOSTED:
        return f"{name}://…"
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", f":{parts.port}" if parts.port else ""
    except ValueError:
        return f"{name}://…"
    bare = any("@" in one and "=" not in one for one in parts.query.split("&"))
    if not host or bare or "@" in parts.path or "@" in parts.fragment or re.search(r"\s", url):
        return f"{name}://…"
    return f"{name}://{host}{port}/…"


def without_secrets(text: str, url: str) -> str:
    """`text` with everything blotted out that stands in `url` and is not its kind or host, as it is written there and as it
    reads; and with no address but the masked one."""
    text = re.sub(rf"(?<![\w]){re.escape(kind(url))}://\S+", masked(url), text, flags=re.IGNORECASE)
    for word in sorted(_secrets(url), key=len, reverse=True):
        edges = ("", "") if len(word) >= WORD_LEAST else (r"(?<!\w)", r"(?!\w)")
        text = re.sub(f"{edges[0]}{re.escape(word)}{edges[1]}", "…", text, flags=re.IGNORECASE)
    return text


def _secrets(url: str) -> set[str]:
    """Every part of an address that may be one; a password however short, of the rest what is long enough to be one."""
    shown = masked(url).partition("://")[2].removesuffix("/…")
    spared = {kind(url) if KIND.match(url) else "", *shown.split(":"), shown} - {"…"}
    rest = url.partition("://")[2]
    words = {word for word in re.split(r"[/:@?&=#,]+", url) if len(word) >= WORD_LEAST}
    before, there, _ = rest.rpartition("@")
    if there:
        words |= {before, before.partition(":")[2]}
    words |= {unquote(word) for word in words} | {unquote_plus(word) for word in words}
    words |= {part for word in words for part in word.split() if len(part) >= WORD_LEAST}
    words |= {quote(word, safe="") for word in words}
    return {word for word in words if word} - spared


def load(folder: Path) -> Channels | None:
    """The channels of a desk folder; None where nobody has made the file yet. Raises BadChannels."""
    path = folder / FILE
    if not path.exists():
        return None
    try:
        return parse(sealed.read(path))
    except sealed.Unsealed as error:
        raise BadChannels(f"{FILE}: {error.reason}") from None


def save(folder: Path, channels: Channels) -> None:
    """Replace the file. Raises OSError; the old one then stands."""
    sealed.write(folder / FILE, render(channels), mode=MODE)


def parse(body: dict[str, Any]) -> Channels:
    """The file's body as values. Raises BadChannels."""
    if body.get("format") != FORMAT:
        raise BadChannels(f"{FILE}: format is {str(body.get('format'))[:60]}; this program knows {FORMAT}")
    try:
        return Channels(str(body["page"]),
                        tuple(Channel(int(one["id"]), str(one["name"]), str(one["url"]), Need(one["least"]))
                              for one in body["channels"]),
                        tuple(Beat(int(one["id"]), str(one["name"]), str(one["url"]), str(one["key"]))
                              for one in body["beats"]), int(body.get("last_id", 0)))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise BadChannels(f"{FILE}: a field is missing or of the wrong kind: {error}") from None


def render(channels: Channels) -> dict[str, Any]:
    """The body of the file."""
    return {"format": FORMAT, "page": channels.page, "last_id": channels.next_id - 1,
            "channels": [{"id": one.id, "name": one.name, "url": one.url, "least": one.least.value}
                         for one in channels.channels],
            "beats": [one._asdict() for one in channels.beats]}
