"""What holds up guessing, and what it must not hold up."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher, extract_parameters
from hypothesis import given
from hypothesis import strategies as st

from api.door.hosts import Hosts, host_name, literal, network_of, same_origin
from api.door.passwords import WAITING_MAX, Passwords
from api.door.tries import ADDRESS, ALL, KEYS_MAX, NAME, PAIR, Bucket, Size, Tries
from api.errors import Problem
from controller import door_code
from tests.api.elsewhere import PASSWORD, Elsewhere, maintainer
from tests.api.rig import Rig


def fails(tries: Tries, count: int, name: str = "anna", address: str = "192.0.2.1", now_s: float = 0.0) -> int:
    """Wrong tries in a row; the wait that the last one was told."""
    return [tries.begin(name, address, now_s) for _ in range(count)][-1]


def test_five_wrong_tries_at_once_then_one_a_minute():
    tries = Tries()
    assert fails(tries, PAIR.most) == 0
    assert fails(tries, 1) == PAIR.leak_s
    assert fails(tries, 1, now_s=59.0) == 1
    assert fails(tries, 1, now_s=60.0) == 0 and fails(tries, 1, now_s=60.0) > 0


def test_a_name_is_held_up_over_many_addresses_and_an_address_over_many_names():
    tries = Tries()
    assert [tries.begin("anna", f"192.0.2.{one}", 0.0) for one in range(NAME.most)] == [0] * NAME.most
    assert tries.begin("ANNA", "198.51.100.1", 0.0) > 0
    tries = Tries()
    assert [tries.begin(f"name {one}", "192.0.2.1", 0.0) for one in range(ADDRESS.most)] == [0] * ADDRESS.most
    assert tries.begin("somebody", "192.0.2.1", 0.0) > 0 and tries.begin("somebody", "192.0.2.2", 0.0) == 0


def test_everybody_together_is_held_up_but_not_who_has_signed_in_from_there():
    tries = Tries()
    tries.begin("anna", "192.0.2.200", 0.0)
    tries.was_right("anna", "192.0.2.200", 0.0)
    assert [tries.begin(f"name {one}", f"192.0.2.{one}", 0.0) for one in range(ALL.most)][-1] == 0
    assert tries.begin("ben", "198.51.100.9", 0.0) > 0
    assert tries.begin("anna", "192.0.2.200", 0.0) == 0


def test_hammering_on_a_name_does_not_lock_its_owner_out_of_the_own_device():
    tries = Tries()
    tries.was_right("anna", "192.0.2.200", 0.0)
    for one in range(200):
        tries.begin("anna", f"203.0.113.{one}", float(one))
    assert tries.begin("anna", "192.0.2.200", 200.0) == 0


def test_right_tries_never_add_up():
    tries = Tries()
    for _ in range(500):
        assert tries.begin("anna", "192.0.2.1", 0.0) == 0
        tries.was_right("anna", "192.0.2.1", 0.0)


def test_keys_are_bounded_and_the_one_used_longest_ago_goes():
    bucket = Bucket(Size(1, 1e9))
    for one in range(KEYS_MAX + 1):
        bucket.add(str(one), 0.0)
    assert bucket.wait_s("0", 0.0) == 0 and bucket.wait_s("1", 0.0) > 0


@given(st.lists(st.floats(0, 100), min_size=1, max_size=60))
def test_no_more_tries_pass_in_a_time_than_the_bucket_holds_and_leaks(gaps: list[float]):
    tries, now_s, passed = Tries(), 0.0, 0
    for gap in gaps:
        now_s += gap
        passed += tries.begin("anna", "192.0.2.1", now_s) == 0
    assert passed <= PAIR.most + now_s / PAIR.leak_s + 1e-6


# passwords

def test_the_parameters_are_the_ones_that_are_written_down():
    """OWASP's cheat sheet, from memory: argon2id, 19 MiB, t=2, p=1."""
    passwords = Passwords()
    kept = asyncio.run(passwords.hash(PASSWORD))
    found = extract_parameters(kept)
    assert (found.type.name, found.memory_cost, found.time_cost, found.parallelism) == ("ID", 19_456, 2, 1)
    assert PasswordHasher().verify(kept, PASSWORD)
    assert asyncio.run(passwords.fits(kept, PASSWORD)) and not asyncio.run(passwords.fits(kept, PASSWORD + "."))
    assert not asyncio.run(passwords.fits("no hash at all", PASSWORD))
    passwords.close()


def test_an_account_that_is_not_there_costs_the_same_time():
    passwords = Passwords()
    kept = asyncio.run(passwords.hash(PASSWORD))

    def least_s(of: str | None) -> float:
        found = []
        for _ in range(5):
            at = time.perf_counter()
            asyncio.run(passwords.fits(of, "wrong"))
            found.append(time.perf_counter() - at)
        return min(found)

    there, not_there = least_s(kept), least_s(None)
    passwords.close()
    assert 0.5 < there / not_there < 2.0


def test_a_flood_of_passwords_waits_in_a_short_line_only(monkeypatch: pytest.MonkeyPatch):
    passwords = Passwords()

    async def flood() -> list[str]:
        async def one() -> str:
            try:
                return str(await passwords.fits(None, "wrong"))
            except Problem as problem:
                return problem.code

        return await asyncio.gather(*(one() for _ in range(40)))

    found = asyncio.run(flood())
    passwords.close()
    assert found.count("False") == WAITING_MAX and found.count("too_many_tries") == 40 - WAITING_MAX


# over HTTP

@pytest.fixture
def real(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        yield rig


def test_a_wrong_password_tells_nothing_about_accounts(real: Rig):
    maintainer(real)
    device = Elsewhere(real)
    there, not_there = device.sign_in("Anna", "wrong password"), device.sign_in("Nobody", "wrong password")
    assert there.status_code == not_there.status_code == 401
    assert there.json() == not_there.json() and "set-cookie" not in there.headers


def test_guessing_is_held_up_and_stopping_is_not(real: Rig):
    anna = maintainer(real)
    thief = Elsewhere(real, "192.0.2.66")
    statuses = [thief.sign_in("Anna", f"guess number {one}").status_code for one in range(8)]
    assert statuses == [401] * 5 + [429] * 3
    held = thief.sign_in("Anna")
    assert (held.status_code, held.json()["code"], held.headers["retry-after"]) == (429, "too_many_tries", "60")
    assert anna.post("/stop-heating").status_code == 200 and real.post("/stop-heating").status_code == 200
    assert Elsewhere(real).sign_in("Anna").status_code == 200, "the owner's own device is not held up"
    lines = anna.get("/desk/audit").json()["lines"]
    assert any(line["what"] == "held up" and "192.0.2.66" in line["detail"] for line in lines)


def test_codes_are_held_up_as_passwords_are(real: Rig):
    device = Elsewhere(real)
    statuses = [device.join(door_code.make(), "Anna").status_code for _ in range(7)]
    assert statuses == [403] * 5 + [429] * 2
    assert Elsewhere(real, "192.0.2.7").join(real.app.state.door.first_code(), "Anna").status_code == 201


def test_ten_tries_at_once_do_not_slip_through(real: Rig):
    maintainer(real)
    device = Elsewhere(real, "192.0.2.66")

    async def at_once() -> list[int]:
        asks = [device._client.post("/api/v1/sign-in", json={"name": "Anna", "password": "wrong"}) for _ in range(10)]
        return sorted([answer.status_code for answer in await asyncio.gather(*asks)])

    assert real.loop.run(at_once()).count(401) == PAIR.most


# hosts, pure

def test_a_code_is_read_as_people_type_it():
    assert door_code.digest("abcd-efgh") == door_code.digest(" ABCD EFGH ") != door_code.digest("ABCD-EFGJ")


@pytest.mark.parametrize("given, shown", [("192.0.2.5", "192.0.2.5"), ("::ffff:192.0.2.5", "192.0.2.5"),
                                          ("2001:db8::1", "[2001:db8::1]"), ("name", "name")])
def test_an_address_stands_in_a_host_header_as_browsers_write_it(given: str, shown: str):
    assert literal(given) == shown


def test_tries_count_by_household():
    assert network_of("2001:db8:1:2::3") == network_of("2001:db8:1:2:ffff::9") != network_of("2001:db8:1:3::3")
    assert network_of("::ffff:192.0.2.5") == network_of("192.0.2.5") and network_of("unix") == "unix"


@pytest.mark.parametrize("host, good", [
    ("192.0.2.5:8680", True), ("oven.home:8680", True), ("OVEN.home", True), ("192.0.2.6", False), ("localhost", False),
    ("127.0.0.1", False), ("oven.home.example.org", False), ("", False)])
def test_outside_the_names_are_the_address_itself_and_what_was_named(host: str, good: bool):
    scope = {"outside": True, "scheme": "https", "server": ("192.0.2.5", 8680)}
    found = Hosts(["oven.home"]).origin(scope, host)
    assert found == (f"https://{host.lower()}" if good else None)


def test_an_origin_is_compared_without_the_port_that_its_scheme_has_anyway():
    assert same_origin("https://oven.example", "https://OVEN.example:443")
    assert not same_origin("https://oven.example:80", "https://oven.example") and host_name("[::1]:5") == "[::1]"
