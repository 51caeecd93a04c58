"""The real controller process on the foreign servers, with a heated model behind their registers: a run that heats and is
stopped, a controller that is killed, a line that is cut, a module that may not heat. The record says what kind of board it was,
and its replay is exact.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.config import load
from controller.drivers import latch
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.records.queries import Reader
from controller.records.replay import replay
from controller.start_up import own_version
from tests.link.module_peer import TIME_OUT, ModulePeer
from tests.service import module_layout
from tests.service.chambers import integers, short
from tests.service.module_layout import ADAPTER, ARM, BOARD, COUNTER, DOOR, SEEN, chamber_text, commissioned
from tests.service.module_peers import SERVERS, Hostile
from tests.service.rig import Raw

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]


UNPROVEN = """
import sys
from controller.core import orders, starting
starting.proofs_of = orders.proofs_of = lambda chamber: ()
from controller.start_up import main
sys.exit(main())
"""
"""A run that heats at once. Its start proof takes minutes of real time and has tests of its own; here the line is looked at."""


class Ran:
    """A controller process on a module, with a person beside it."""

    def __init__(self, folder: Path, port: str, text: str, commission: bool = True) -> None:
        self.data, self.chamber, self.links = folder / "d", folder / "c", folder / "links"
        if commission:
            commissioned(self.chamber, text)
        module_layout.link(self.links, port)
        self.process = subprocess.Popen(
            [sys.executable, "-c", UNPROVEN, "--chamber", str(self.chamber), "--data", str(self.data),
             "--find-in", str(self.links), "--devices", str(folder / module_layout.DEVICES)], text=True,
            stderr=subprocess.PIPE, env=dict(os.environ))
        self.person = Raw(self.data / "controller.sock")

    def until(self, holds: Any, most: int = 4_000) -> dict[str, Any]:
        return self.person.until(holds, most)

    def start(self, trial: str = "") -> dict[str, Any]:
        if trial:
            return self.person.command("start", trial=trial, level="at_the_chamber", role="maintainer")
        return self.person.command("start", schedule=integers(short()), level="in_the_building")

    def ready_and_started(self, trial: str = "") -> None:
        """A start is asked for again where a busy computer's readings have just been late."""
        for _ in range(20):
            self.until(lambda now: now["board"]["accepted"] and now["board"]["present"])
            answer = self.start(trial)
            if "ok" in answer:
                return
        raise AssertionError(answer)

    def end(self) -> str:
        self.process.terminate()
        _, said = self.process.communicate(timeout=20)
        return said

    def close(self) -> None:
        self.person.__exit__()
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        if self.process.stderr is not None:
            self.process.stderr.close()

    def events(self) -> list[tuple[str, dict[str, Any]]]:
        return [(row.kind, row.fields) for row in Reader(self.data / "record.db").events(limit=2_000)]


@pytest.fixture(params=SERVERS)
def heated(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Any, Ran]]:
    """A run that heats: started, armed at the chamber, its heater seen on."""
    start, words = SERVERS[request.param]
    server = start(tmp_path)
    ran = Ran(tmp_path, server.port, chamber_text(**words))
    try:
        ran.ready_and_started()
        ran.until(lambda now: now["pending"] is not None and not now["pending"]["armed"])
        server.say("arm 1")
        ran.until(lambda now: now["run"] is not None and now["run"]["state"] == "running")
        server.say("arm 0")
        server.until(lambda: server.now["heats"])
        yield server, ran
    finally:
        ran.close()
        server.close()


def test_a_run_heats_the_model_is_stopped_seen_off_and_replays_exactly(heated, monkeypatch):
    monkeypatch.setattr("controller.core.starting.proofs_of", lambda chamber: ())
    monkeypatch.setattr("controller.core.orders.proofs_of", lambda chamber: ())
    server, ran = heated
    before = server.now["values"][0]
    server.until(lambda: not server.now["heats"])
    server.until(lambda: server.now["values"][0] >= before + 20)
    ran.until(lambda now: now["run"]["elapsed_us"] >= 15_000_000)
    now = ran.person.now()
    assert now["chamber"]["board"] == BOARD and not now["chamber"]["simulated"]
    assert now["chamber"]["may_do"] == "in the building, awake" and "no hello" in now["chamber"]["may_do_why"]
    assert now["board"]["boot"] is None and now["board"]["firmware"] == "not fitted"
    assert now["board"]["module"]["silence"] == "its own time-out of 3 s, read back"
    assert {"hello", "boot id", "board limits"} <= set(now["board"]["module"]["not_fitted"])
    assert not now["latches"]
    ran.person.command("stop_heating", role="viewer")
    assert server.until(lambda: server.now["coils"][:2] == [0, 0]) < 30.0
    ran.until(lambda now: now["stop"]["off_seen_utc_us"] and now["run"]["state"] == "aborted")
    ran.end()
    kinds = dict(ran.events())
    assert kinds["module_found"]["board"] == BOARD and "boot id" in kinds["module_found"]["not_fitted"]
    assert "board_found" not in kinds and "tripped" not in kinds
    found = replay(ran.data / "record.db", "1", version=own_version())
    assert found.ticks > 10 and not found.differences and found.complete


def test_a_killed_controller_is_ended_by_the_module_and_the_next_start_is_tripped(heated):
    server, ran = heated
    ran.process.kill()
    server.until(lambda: not server.now["heats"], 20.0)
    stands = [one.guard for one in latch.read(load(ran.chamber, utc_us()).latch_path, utc_us())]
    assert stands == ["ended_in_a_run"]


def test_a_module_that_is_pulled_in_a_run_is_a_trip_and_the_record_says_so(heated):
    server, ran = heated
    server.pair.cut = True
    now = ran.until(lambda now: now["latches"])
    assert not now["permit"]["given"] and not server.now["heats"]
    server.pair.cut = False
    now = ran.until(lambda now: now["board"]["accepted"] and now["board"]["present"])
    assert now["run"]["state"] in ("aborting", "aborted")
    assert server.until(lambda: server.now["coils"][:2] == [0, 0]) < 30.0
    ran.end()
    tripped = [fields["guard"] for kind, fields in ran.events() if kind == "tripped"]
    assert tripped[0] in ("board_silent", "board_changed", "board_switched_off")
    assert any(kind == "gap" and fields["what"].startswith("bad answers") for kind, fields in ran.events())


def hostile() -> Hostile:
    peer = Hostile(ModulePeer(discretes=[0] * 8, inputs=[2_150, 2_160, 0, 0, 0, 0, 0, 0]))
    peer.module.discretes[DOOR] = 1
    return peer


def test_a_module_that_does_not_hold_its_time_out_gets_no_start(tmp_path):
    peer = hostile()
    peer.module.refuses.add(6)
    ran = Ran(tmp_path, peer.port, chamber_text())
    try:
        now = ran.until(lambda now: "time-out" in now["board"]["line"] or "time-out" in now["sentence"])
        assert not now["board"]["accepted"]
        before = now["tick"]
        answers = []
        while len(answers) < 6:
            now = ran.until(lambda now: now["tick"] > before + len(answers))
            assert "reads back as 0 s" in now["sentence"] and "reads back as 0 s" in now["board"]["line"]
            answers.append(ran.start()["refused"]["reason"])
        assert all("reads back as 0 s" in answer for answer in answers)
        ran.end()
        assert {fields["code"] for kind, fields in ran.events() if kind == "command_refused"} == {"board_absent"}
        (said,) = [fields["reason"] for kind, fields in ran.events() if kind == "module_refused"]
        assert "reads back as 0 s" in said
        assert peer.module.holding[TIME_OUT] == 0
    finally:
        ran.close()
        peer.close()


@pytest.mark.parametrize("relay_s", ["4.8", *(pytest.param(relay_s, marks=pytest.mark.campaign) for relay_s in ("3", "4"))])
def test_a_timer_relay_lets_a_run_begin_once_it_is_proven_and_a_stuck_one_says_so(tmp_path, relay_s):
    """Its proof holds the contactor closed without a permit for as long as the relay takes; that is no trip. One that is stuck
    leaves a chamber that may only measure, until a trial has shown it again."""
    peer = hostile()
    peer.module.relay_us, peer.module.seen_at, peer.module.has_time_out = round(float(relay_s) * 1e6), SEEN, False
    peer.module.relay_stuck = True
    text = chamber_text(relay=True).replace("timer_relay_s = 4", f"timer_relay_s = {relay_s}")
    ran = Ran(tmp_path, peer.port, text.replace(f"counter_register = {COUNTER}\n", ""))
    try:
        for good in (False, True):
            peer.module.relay_stuck = not good
            ran.ready_and_started("start_proof" if good else "")
            ran.until(lambda now: now["pending"] is not None and not now["pending"]["armed"])
            peer.module.discretes[ARM] = 1
            now = ran.until(lambda now: now["pending"] is None)
            peer.module.discretes[ARM] = 0
            assert (now["run"] is not None) is good and not now["latches"]
            assert not peer.module.heats
            assert good or ran.until(lambda now: now["chamber"]["may_do"] == "measure only")
        ran.person.command("stop_heating", role="viewer")
        ran.until(lambda now: now["run"] is not None and now["run"]["state"] == "aborted")
        ran.until(lambda now: now["chamber"]["may_do"] == "in the building, awake")
        ran.end()
        events = ran.events()
        lapsed = [fields["reason"] for kind, fields in events if kind == "start_lapsed"]
        assert len(lapsed) == 1 and "timer relay was not proven: the contactor was still closed" in lapsed[0]
        assert "tripped" not in dict(events) and "alarm" not in dict(events)
    finally:
        ran.close()
        peer.close()


def test_an_adapter_that_is_not_there_is_refused_by_its_number(tmp_path, monkeypatch):
    from controller import start_up

    monkeypatch.setattr(start_up, "FIND_S", 0.0)
    with pytest.raises(start_up.Refused) as refused:
        start_up.module_port(ADAPTER, tmp_path, tmp_path, 0.0)
    assert refused.value.code == Exit.PEER and ADAPTER in str(refused.value)


def test_a_port_by_name_is_refused_for_a_module(tmp_path):
    commissioned(tmp_path / "c", chamber_text())
    child = subprocess.run([sys.executable, "-m", "controller.service", "--chamber", str(tmp_path / "c"), "--data",
                            str(tmp_path / "d"), "--port", "/dev/null"], capture_output=True, text=True, check=False)
    assert child.returncode == Exit.USAGE and "adapter's serial number" in child.stderr


def test_the_facts_of_a_module_chamber_name_no_limits_of_a_board(tmp_path):
    """The facts of a chamber with a module carry no board limits."""
    from controller.chamber_told import chamber_facts

    facts = chamber_facts(commissioned(tmp_path / "c", chamber_text()))
    assert facts["limits"]["board_ceiling_mc"] is None and facts["board"] == BOARD
    assert json.dumps(facts)
