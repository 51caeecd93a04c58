"""Listening: room for connections, addresses, certificates; without a server."""

from __future__ import annotations

import asyncio
import os
import resource
import socket
from pathlib import Path

import pytest

from api.__main__ import arguments, outside_of
from api.listening import Outside, Room, listen, more_files, renew, tls, when_possible


class Connection:
    """What `Room` sees of a connection."""

    def __init__(self, address: str = "192.0.2.1", idle: bool = True, known: bool = True) -> None:
        self.client, self.idle, self.known, self.was_cut = (address, 1), idle, known, False

    def is_idle(self) -> bool:
        return self.idle

    def cut(self) -> None:
        self.was_cut = True


def test_where_it_is_full_the_one_idle_longest_gives_way():
    room = Room(most=3, most_each=3)
    busy, first, second = Connection(idle=False), Connection(), Connection()
    for one in (busy, first, second, Connection()):
        assert room.take(one)
    assert (busy.was_cut, first.was_cut, second.was_cut) == (False, True, False)


def test_one_address_cannot_take_the_room_of_others():
    room = Room(most=10, most_each=2)
    other = Connection("192.0.2.9")
    assert room.take(other)
    held = [Connection() for _ in range(8)]
    assert all(room.take(one) for one in held)
    assert not other.was_cut and sum(one.was_cut for one in held) == 6


def test_who_is_not_known_gives_way_though_it_is_being_answered():
    room = Room(most=3, most_each=3)
    known, stranger, other = Connection(idle=False), Connection(idle=False, known=False), Connection(idle=False)
    for one in (known, stranger, other, Connection()):
        assert room.take(one)
    assert (known.was_cut, stranger.was_cut, other.was_cut) == (False, True, False)


def test_devices_of_one_household_have_room_each_of_their_own():
    """They share a /64 of IPv6 addresses, and all of fe80::."""
    room = Room(most=10, most_each=2)
    held = [Connection("fe80::1", idle=False) for _ in range(2)]
    assert all(room.take(one) for one in held) and room.take(Connection("fe80::2"))
    assert not any(one.was_cut for one in held)


def test_where_everybody_is_being_answered_a_new_one_is_turned_away():
    room = Room(most=2, most_each=2)
    held = [Connection(idle=False), Connection(idle=False)]
    assert all(room.take(one) for one in held) and not room.take(Connection())
    room.leave(held[0])
    assert room.take(Connection())


GOOD = ["--data", "d", "--http", "8650", "--address", "192.0.2.5", "--outside-port", "8680"]
WRONG = {
    "a name": ["--address", "oven.example"], "nothing": ["--address", "192.0.2"], "loopback": ["--address", "127.0.0.1"],
    "loopback too": ["--address", "::1"], "the same port": ["--outside-port", "8650"], "no port": ["--outside-port", "70000"],
    "half a pair": ["--cert", "cert.pem"], "the other half": ["--key", "key.pem"], "a path": ["--behind", "https://x.example/oven"],
    "no origin": ["--behind", "oven.example"],
}


@pytest.mark.parametrize("words", WRONG.values(), ids=WRONG)
def test_what_cannot_be_listened_on_is_refused_with_what_can(words: list[str]):
    outside, wrong = outside_of(arguments([*GOOD, *words]))
    assert outside is None and words[0] in wrong


def test_options_that_go_with_an_address_need_one():
    assert "--address" in outside_of(arguments(["--data", "d", "--http", "1", "--outside-port", "2"]))[1]
    assert outside_of(arguments(["--data", "d", "--http", "1"])) == (None, "")


@pytest.mark.parametrize("address, url", [("192.0.2.5", "https://192.0.2.5:8680/"), ("::", "https://[::]:8680/")])
def test_where_it_listens_is_said_as_an_address(address: str, url: str):
    assert Outside(address, 8680, Path("cert.pem"), Path("key.pem")).url == url


def test_a_certificate_that_cannot_be_read_is_refused_at_the_start(tmp_path: Path):
    broken = tmp_path / "cert.pem"
    broken.write_text("no certificate")
    for cert in (broken, tmp_path / "missing.pem"):
        with pytest.raises(OSError):
            tls(Outside("192.0.2.5", 8680, cert, broken))
    assert tls(Outside("192.0.2.5", 8680)) is None


def test_an_address_that_is_not_there_yet_is_waited_for(monkeypatch: pytest.MonkeyPatch):
    """A computer's network often comes up after its services. 192.0.2.0/24 is for documentation (RFC 5737)."""
    monkeypatch.setattr("api.listening.AWAY_S", 0.01)
    said: list[str] = []

    async def wait() -> None:
        with socket.socket() as taken:
            taken.bind(("127.0.0.2", 0))
            taken.listen()
            port = taken.getsockname()[1]
            task = asyncio.create_task(when_possible(Outside("127.0.0.2", port), said.append))
            await asyncio.sleep(0.05)
            assert not task.done()
        found = await asyncio.wait_for(task, 2)
        assert found.getsockname() == ("127.0.0.2", port)
        found.close()

    asyncio.run(wait())
    assert len(said) == 1 and "tried every" in said[0]


def test_a_renewed_certificate_is_taken_up_and_a_broken_one_is_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("api.listening.RENEWED_S", 0.01)
    loaded: list[str] = []

    class Context:
        def load_cert_chain(self, cert: Path, _key: Path) -> None:
            if "broken" in cert.read_text():
                raise OSError("no certificate")
            loaded.append(cert.read_text())

    cert, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    cert.write_text("first")
    key.write_text("key")

    async def watch() -> None:
        task = asyncio.create_task(renew(Outside("192.0.2.5", 1, cert, key), Context()))
        for number, words in enumerate(("second", "broken", "third")):
            cert.write_text(words)
            os.utime(cert, ns=(number, number))
            await asyncio.sleep(0.05)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(watch())
    assert loaded == ["second", "third"]


def test_there_are_files_for_every_connection():
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (256, before[1]))
        more_files()
        assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] == (min(4096, before[1]) if before[1] > 0 else 4096)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)


@pytest.mark.parametrize("address", ["127.0.0.1", "::1"])
def test_a_socket_is_made_for_either_kind_of_address(address: str):
    listen(address, 0).close()
