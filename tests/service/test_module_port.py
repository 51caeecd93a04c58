"""A module's real driver over pseudo-terminals: pymodbus's server, a libmodbus server in C, and a hostile one.

The first two were written by others and say whether we speak the language; the third says whether we survive it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.config import ChamberFolder
from controller.core.messages import Drive, Enable, Hello, Report, ToBoard
from controller.core.module import ModuleFound, SilenceProof
from controller.core.state import Garbage
from controller.drivers.module_port import ModulePort
from controller.drivers.serial_port import Lost, Opened
from controller.link.registers import RegisterMap
from tests.link.module_peer import SPOILT, ModulePeer, Spoil
from tests.service.module_layout import BOARD, CONTACTOR, DOOR, SEEN, TIME_OUT, chamber_text, commissioned
from tests.service.module_peers import SERVERS, Hostile, Server

pytestmark = pytest.mark.slow


class Plugged:
    """A driver on a port, with a tick that beats twice a second."""

    def __init__(self, port: str, folder: ChamberFolder) -> None:
        assert folder.modbus is not None
        self.map: RegisterMap = folder.modbus
        self.got: list[Any] = []
        self.port = ModulePort(port, self.map, 4_800_000, lambda: None, (0.05,))
        self.port.start()
        self.session, self.sequence = 7, 0
        self.permit = False
        self.beats = True

    def frames(self, *made: tuple[type, tuple[Any, ...]]) -> tuple[ToBoard, ...]:
        out = []
        for kind, fields in made:
            self.sequence += 1
            out.append(kind(self.session, self.sequence, *fields))
        return tuple(out)

    def until(self, holds: Callable[[], object], most_s: float = 60.0) -> float:
        """Seconds until something holds. Patient: a busy computer answers late, and that is no fault of the line's."""
        began_s = time.monotonic()
        beat_s = 0.0
        while not holds():
            now_s = time.monotonic()
            assert now_s - began_s < most_s, f"never: {self.got[-3:]}"
            if self.beats and now_s - beat_s >= 0.5:
                beat_s = now_s
                self.port.send(self.frames((Drive, (self.permit, self.permit, 10_000 if self.permit else 0, 20_000))))
            threading.Event().wait(0.01)
            self.got += self.port.take()
        return time.monotonic() - began_s

    def of(self, kind: type) -> list[Any]:
        return [one for one in self.got if isinstance(one, kind)]

    def greet(self) -> None:
        self.until(lambda: self.of(Report))
        while not self.of(ModuleFound):
            self.port.send(self.frames((Hello, ())))
            again_s = time.monotonic() + 3.0
            self.until(lambda again_s=again_s: self.of(ModuleFound) or time.monotonic() >= again_s)

    def heat(self) -> None:
        self.greet()
        self.port.send(self.frames((Enable, ())))
        self.permit = True
        self.until(lambda: self.of(Report)[-1].modulator and self.of(Report)[-1].contactor)


@pytest.fixture(params=SERVERS)
def served(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Server, Plugged]]:
    start, words = SERVERS[request.param]
    server = start(tmp_path)
    plugged = Plugged(server.port, commissioned(tmp_path / "c", chamber_text(**words)))
    yield server, plugged
    plugged.port.close()
    server.close()


def test_others_servers_are_asked_and_answered(served):
    server, plugged = served
    plugged.greet()
    assert plugged.of(ModuleFound)[-1] == ModuleFound(BOARD, 7, 3_000_000, "")
    assert server.until(lambda: server.now["time_out"] == 30) is not None
    report = plugged.of(Report)[-1]
    assert report.door is True and report.arm is False
    assert 20_000 < report.channels[0].value_mc < 23_000
    seen = len(plugged.of(Report))
    plugged.until(lambda: len(plugged.of(Report)) >= seen + 8)
    assert len(plugged.of(Garbage)) < len(plugged.of(Report)) / 2


def test_heat_is_seen_on_and_off_at_the_others_coils(served):
    server, plugged = served
    plugged.heat()
    server.until(lambda: server.now["heats"])
    plugged.permit = False
    plugged.port.send(plugged.frames((Drive, (False, False, 0, 20_000))))
    assert server.until(lambda: server.now["coils"][:2] == [0, 0]) < 30.0
    plugged.until(lambda: not plugged.of(Report)[-1].contactor)


def test_closing_tells_the_outputs_off(served):
    server, plugged = served
    plugged.heat()
    server.until(lambda: server.now["heats"])
    plugged.port.close()
    assert server.until(lambda: server.now["coils"][:2] == [0, 0]) < 30.0


def test_a_cut_line_is_no_report_and_the_modules_own_time_out_ends_the_heat(served):
    server, plugged = served
    plugged.heat()
    server.until(lambda: server.now["heats"])
    server.pair.cut = True
    plugged.until(lambda: not server.now["heats"])
    assert plugged.of(Garbage)
    plugged.permit = False
    server.pair.cut = False
    plugged.until(lambda: plugged.of(Report)[-1].session == 0)
    assert not plugged.of(Report)[-1].enabled, "a fresh hello and a fresh enable are needed"


def hostile(tmp_path: Path) -> tuple[Hostile, Plugged]:
    peer = Hostile(ModulePeer(discretes=[0] * 8, inputs=[2_150, 2_160, 0, 0, 0, 0, 0, 0]))
    peer.module.discretes[DOOR] = 1
    return peer, Plugged(peer.port, commissioned(tmp_path / "c", chamber_text()))


@pytest.mark.parametrize("how", SPOILT)
def test_a_hostile_module_gives_no_report_while_it_is_hostile(tmp_path, how):
    peer, plugged = hostile(tmp_path)
    spoil: Spoil = SPOILT[how]
    try:
        plugged.greet()
        peer.module.spoil = spoil
        plugged.until(lambda: plugged.of(Garbage))
        plugged.got.clear()
        plugged.until(lambda: len(plugged.of(Garbage)) >= 2)
        assert not plugged.of(Report)
        peer.module.spoil = None
        plugged.until(lambda: plugged.of(Report))
        assert plugged.of(Report)[-1].channels[0].value_mc == 21_500
    finally:
        plugged.port.close()
        peer.close()


def test_an_adapter_that_is_pulled_is_one_lost_line_and_found_again_without_spinning(tmp_path):
    peer, plugged = hostile(tmp_path)
    other = Hostile(ModulePeer(discretes=[0, 0, 0, 0, 1, 0, 0, 0], inputs=[2_150, 2_160, 0, 0, 0, 0, 0, 0]))
    try:
        plugged.greet()
        peer.unplug()
        plugged.until(lambda: plugged.of(Lost))
        before_s = time.process_time()
        threading.Event().wait(0.5)
        assert time.process_time() - before_s < 0.3
        plugged.port.path = other.port
        plugged.until(lambda: len(plugged.of(Opened)) == 2)
        plugged.until(lambda: plugged.of(Report)[-1].session == 0)
        assert other.module.holding[TIME_OUT] == 0, "a new opening needs a new hello"
    finally:
        plugged.port.close()
        other.close()
        peer.close()


@pytest.mark.parametrize("leaves", [False, True], ids=["a drive", "the end"])
def test_a_second_talker_on_the_wires_does_not_keep_the_heat_on(tmp_path, leaves):
    peer, plugged = hostile(tmp_path)
    try:
        plugged.heat()
        peer.babbles = True
        threading.Event().wait(0.5)
        if leaves:
            plugged.port.close()
        else:
            plugged.permit = False
            plugged.until(lambda: not peer.module.coils[CONTACTOR])
        assert peer.module.coils[:2] == [0, 0]
    finally:
        plugged.port.close()
        peer.close()


def test_a_stopped_tick_ends_the_heat_and_then_all_asking(tmp_path):
    peer, plugged = hostile(tmp_path)
    try:
        plugged.heat()
        assert peer.module.heats
        plugged.beats = False
        plugged.until(lambda: not peer.module.heats)
        threading.Event().wait(1.5)
        asked = len(peer.module.requests)
        threading.Event().wait(0.8)
        assert len(peer.module.requests) == asked
    finally:
        plugged.port.close()
        peer.close()


def test_a_timer_relay_is_proven_over_the_wire_and_holds_while_it_is_driven(tmp_path):
    peer = Hostile(ModulePeer(discretes=[0] * 8, inputs=[2_150, 2_160, 0, 0, 0, 0, 0, 0], relay_us=4_000_000, seen_at=SEEN,
                              has_time_out=False))
    peer.module.discretes[DOOR] = 1
    plugged = Plugged(peer.port, commissioned(tmp_path / "c", chamber_text(relay=True)))
    try:
        plugged.greet()
        while not plugged.of(SilenceProof):
            plugged.port.send(plugged.frames((Enable, ())))
            asked = len(plugged.of(Report))
            plugged.until(lambda asked=asked: len(plugged.of(Report)) > asked)
            assert not peer.module.heats
        (proof,) = plugged.of(SilenceProof)
        assert proof.passed and 3_500_000 <= proof.after_us <= 4_500_000
        plugged.permit = True
        plugged.until(lambda: peer.module.heats)
        heated_s = 0.0
        while heated_s < 5.0:
            heated_s += plugged.until(lambda: len(plugged.of(Report)) >= 1, 1.0) + 0.25
            threading.Event().wait(0.25)
            plugged.port.send(plugged.frames((Drive, (True, True, 10_000, 20_000))))
            assert peer.module.heats, "retriggered for longer than the relay holds"
    finally:
        plugged.port.close()
        peer.close()
