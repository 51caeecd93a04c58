"""The heartbeat's body, number and signature, and when it is owed."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.messenger import beats
from controller.messenger.beats import Pulse
from tests.messenger.moments import ABSENT, S1, UTC, alarm, ended, idle, latch, running

# RFC 4231, section 4: test vectors for the HMAC of RFC 2104 with SHA-256; cases 1, 2 and 6.
VECTORS = [
    ("0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    ("4a656665", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
    ("aa" * 131, b"Test Using Larger Than Block-Size Key - Hash Key First",
     "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"),
]


@pytest.mark.parametrize(("key", "body", "digest"), VECTORS)
def test_the_signature_is_the_hmac_of_the_standard(key, body, digest):
    assert beats.signature(body, key) == f"sha256={digest}"
    assert beats.signed(body, key, f"sha256={digest}")


@pytest.mark.parametrize("given_signature", ["", "sha256=", "sha256=00", "SHA256=" + VECTORS[1][2], VECTORS[1][2], "é"])
def test_no_other_signature_is_taken(given_signature):
    assert not beats.signed(VECTORS[1][1], VECTORS[1][0], given_signature)


def test_a_beat_says_what_it_must_and_nothing_of_who_watches():
    now = running(alarms=[alarm("door"), alarm("tick_late", "returned-to-normal unacknowledged")])
    pulse = beats.pulse(Pulse(sequence=7), now, False, [])
    now["run"]["ends_utc_us"] += 900 * S1
    said = json.loads(beats.body(now, pulse, UTC, "http://192.0.2.5:8650/#/now"))
    assert said == {"v": 1, "chamber": now["chamber"]["name"], "board": "5a17c0", "simulated": True, "sequence": 7,
                    "utc_us": UTC, "run": "27", "state": "running",
                    "started_utc_us": now["run"]["started_utc_us"],
                    "promised_end_utc_us": now["run"]["ends_utc_us"] - 900 * S1,
                    "expects_end_utc_us": now["run"]["ends_utc_us"], "next_within_s": 600,
                    "sentence": now["sentence"], "page": "http://192.0.2.5:8650/#/now", "tripped": False, "standing": ["door"],
                    "page_silent": False}
    assert not ABSENT.search(json.dumps(said))


def test_a_trip_stands_first():
    said = json.loads(beats.body(ended("aborted", latches=[latch("smoke")], alarms=[alarm("door")]), Pulse(1, "aborted"), UTC))
    assert said["tripped"] and said["standing"] == ["smoke", "door"] and said["expects_end_utc_us"] is None


STATES = [(idle(), "idle", False), (running(), "running", True), (running({"state": "held"}), "held", True),
          (running({"state": "aborting"}), "aborting", True), (ended(), "complete", False),
          (idle(pending={"run_id": "1"}), "waiting", True)]


@pytest.mark.parametrize(("now", "state", "watched"), STATES, ids=[row[1] for row in STATES])
def test_somebody_elsewhere_watches_while_a_run_is_on_or_waits(now, state, watched):
    assert beats.state_of(now, False) == state and beats.watched(state) is watched
    assert beats.state_of(now, True) == ("controller_silent" if watched else state)


def test_begin_silence_trip_and_end_are_owed_at_once_and_nothing_else_is():
    pulse, owed = Pulse(), []
    for now, silent in [(idle(), False), (running(), False), (running(), False), (running(), True), (running(), False),
                        (ended("aborted", latches=[latch("smoke")]), False), (idle(), False)]:
        pulse = beats.pulse(pulse, now, silent, [2, 5])
        owed.append(pulse.owed)
        pulse = beats.taken(beats.taken(pulse, 2), 5)
    assert owed == [(), (2, 5), (), (2, 5), (2, 5), (2, 5), ()]


def test_what_is_owed_stays_owed_until_it_is_taken_or_the_receiver_is_gone():
    pulse = beats.pulse(Pulse(), running(), False, [2, 5])
    pulse = beats.pulse(beats.taken(pulse, 2), running(), False, [2, 5])
    assert pulse.owed == (5,) and beats.pulse(pulse, running(), False, [2]).owed == ()


@given(st.integers(0, 2**40), st.lists(st.integers(-(10**12), 10**12), min_size=1, max_size=20))
def test_the_number_rises_whatever_the_clock_does(first, steps):
    last = first
    for step in steps:
        after = beats.next_sequence(last, max(0, UTC + step * S1))
        assert after > last
        last = after


def test_the_number_rises_past_a_state_file_that_was_lost():
    assert beats.next_sequence(0, UTC) == UTC // S1
