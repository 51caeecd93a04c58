"""The loop: start to end as a person sees it over the socket, stop at once, ends with the heat off, and what it records."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.core.commands import Ask, Command, PersonRole
from controller.core.messages import Drive
from controller.core.run_states import S
from controller.core.setup import Level
from controller.drivers import latch
from controller.drivers.latch import Stored
from controller.drivers.notify import Notifier
from controller.drivers.serial_port import Lost, Opened
from controller.link.protocol import decode
from controller.records.queries import Reader
from tests.answered import ANSWERED
from tests.service.chambers import short
from tests.service.rig import Rig

STOP = Command(Ask.STOP_HEATING, "test", PersonRole.VIEWER, "s")
HOLD = Command(Ask.HOLD, "test", PersonRole.OPERATOR, "h")


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.close()


def start_by_hand(rig: Rig, seconds: int = 60) -> None:
    """A run that heats."""
    rig.steps(5)
    assert rig.service.submit(Command(Ask.START, "test", PersonRole.OPERATOR, "a", short(), "1", leaving=ANSWERED))
    rig.steps(seconds)
    run = rig.service.state.run
    assert run is not None and run.state is S.RUNNING
    assert rig.port.board.enabled, "it may heat"


def drives(sent: bytes) -> list[Drive]:
    frames = [decode(line) for line in sent.split(b"\n") if line and not line.startswith(b"@")]
    return [frame for frame in frames if isinstance(frame, Drive)]


def test_a_whole_run_over_the_socket_from_start_to_complete(tmp_path):
    rig = Rig(tmp_path)
    rig.go()
    with rig.client() as person:
        person.until(lambda now: now["board"]["accepted"] and now["air_mc"] is not None)
        answer = person.start()
        assert answer["ok"]["detail"] == "waits for the arm button at the chamber" and answer["ok"]["run_id"] == "1"
        now = person.until(lambda now: now["run"] and now["run"]["state"] == "running")
        assert now["run"]["name"] == "short, invented" and now["armed"]
        assert now["run"]["plan"][0][0] == 0 and now["run"]["plan"][-1][1] == 34_000
        now = person.until(lambda now: now["run"]["segment"] == 1)
        assert "Soaking" in now["sentence"] or "band" in now["sentence"]
        now = person.until(lambda now: now["run"]["state"] == "complete" and now["heat_off"], most=4000)
        assert now["sentence"] == "Heat is off. The run is complete." and now["latches"] == [] and now["alarms"] == []
        assert person.command("reset")["ok"]["state"] == "idle"
    rig.close()
    kinds = [event["kind"] for event in rig.events()]
    assert kinds[0] == "controller_started" and kinds[-1] == "controller_stopped"
    assert kinds.count("segment") == 3 and "heat_seen_off" not in kinds


def test_stop_heating_does_not_wait_for_the_second_to_end(rig):
    start_by_hand(rig)
    tick, before_us = rig.service.state.tick, rig.clock.mono_us()
    rig.clock._due_us += 60_000_000  # the next tick is far away
    rig.service.submit(STOP)
    rig.service._once()
    assert rig.service.state.tick == tick + 1 and rig.clock.mono_us() == before_us
    assert drives(rig.port.sent[-1])[-1][2:4] == (False, False), "the off-frame has left"
    assert not rig.port.board.outputs.modulator, "and the board obeyed at once"


def test_an_extra_tick_takes_the_stop_and_leaves_the_rest_in_order(rig):
    start_by_hand(rig)
    rig.service.submit(HOLD)
    rig.service.submit(STOP)
    rig.service.submit(HOLD)
    rig.clock._due_us += 60_000_000
    rig.service._once()
    assert [command.ask for command in rig.service._commands] == [Ask.HOLD, Ask.HOLD]


def test_a_full_queue_turns_others_away_but_never_a_stop(rig):
    while rig.service.submit(HOLD):
        pass
    assert rig.service.submit(STOP)


def test_the_drive_frame_is_the_last_of_every_tick(rig):
    start_by_hand(rig)
    for sent in rig.port.sent:
        letters = [line[:1] for line in sent.split(b"\n") if line and not line.startswith(b"@")]
        assert b"D" not in letters[:-1], sent


def test_the_end_switches_the_heat_off_and_says_why(tmp_path):
    rig = Rig(tmp_path)
    rig.go()
    with rig.client() as person:
        person.until(lambda now: now["board"]["accepted"] and now["air_mc"] is not None)
        person.start()
        person.until(lambda now: now["circuit"]["contactor"]["state"] == "closed")
    rig.close("SIGTERM")
    assert not rig.port.board.outputs.modulator and not rig.port.board.outputs.contactor
    events = rig.events()
    assert events[-1] == {"kind": "controller_stopped", "fields": {"reason": "SIGTERM"}}
    accepted = [event["fields"] for event in events if event["kind"] == "command_accepted"]
    assert accepted[-1]["ask"] == "stop_heating" and accepted[-1]["by"] == "controller: SIGTERM"
    assert "heat_seen_off" in [event["kind"] for event in events]
    assert latch.read(tmp_path / "latch-of-rig", 0) == (), "a clean end is no trip"


def test_a_crash_in_a_run_is_a_trip_at_the_next_start(tmp_path):
    rig = Rig(tmp_path)
    start_by_hand(rig)
    rig.keeper.close(5.0)  # what the file said when the process died
    found = latch.read(tmp_path / "latch-of-rig", 5)
    rig.close()
    assert [one.guard for one in found] == [latch.ENDED_IN_A_RUN]


def test_latches_of_the_file_stand_at_the_start_and_refuse_a_start(tmp_path):
    rig = Rig(tmp_path, latches=(Stored("ceiling", 7, 131_000, 130_000, "air: 131.0 °C", True),))
    rig.steps(5)
    assert (rig.service.state.latches[0].value, rig.service.state.latches[0].detail) == (131_000, "air: 131.0 °C")
    rig.service.submit(Command(Ask.START, "test", PersonRole.MAINTAINER, "a", short(), "1", leaving=ANSWERED))
    rig.steps(10)
    assert rig.service.state.run is None and not rig.port.board.outputs.contactor
    rig.service.submit(Command(Ask.CLEAR, "test", PersonRole.MAINTAINER, "c", name="ceiling"))
    rig.steps(1)
    assert rig.service.state.latches == ()
    rig.close()
    assert latch.read(tmp_path / "latch-of-rig", 0) == ()


def test_a_trip_withholds_drive_and_goes_on_serving(rig):
    start_by_hand(rig)
    rig.port.board.smoke = True
    rig.steps(6)
    assert rig.service.state.latches
    before = len(rig.port.sent)
    rig.steps(10)
    assert all(not drives(sent) for sent in rig.port.sent[before:]), "no drive after a trip"
    assert any(b"T " in sent for sent in rig.port.sent[before:]), "lamps and sounder go on"
    with rig.client() as person:
        now = person.now()
        assert now["latches"][0]["first_out"] and now["latches"][0]["do"] and "smoke" in now["sentence"].lower()


def test_the_service_manager_is_pinged_at_the_end_of_ticks_also_while_tripped(tmp_path):
    pinged: list[int] = []

    class Counting(Notifier):
        def ping(self, mono_us: int) -> None:
            pinged.append(mono_us)

    rig = Rig(tmp_path, notifier=Counting({}), latches=(Stored("ceiling", 7, 0, 0, "", True),))
    rig.steps(10)
    assert len(pinged) == 10
    rig.service.server.close()
    rig.steps(3)
    assert len(pinged) == 10, "a part that has ended ends the pings"
    rig.close()


def test_a_lost_line_is_an_event_and_a_found_one_begins_a_new_session(rig):
    start_by_hand(rig)
    session = rig.service.state.board.session
    rig.port.mute = True
    rig.port.arrived.append(Lost("unplugged"))
    rig.steps(8)
    assert rig.service.state.latches[0].guard in ("board_silent", "board_changed")
    assert not rig.service.state.permit
    rig.port.mute = False
    rig.port.arrived.append(Opened())
    rig.steps(5)
    assert rig.service.state.board.accepted and rig.service.state.board.session not in (0, session)
    assert not rig.port.board.outputs.contactor, "heat does not come back by itself"


def test_a_peer_that_stops_answering_is_a_lost_line_and_no_endless_wait(rig, monkeypatch):
    monkeypatch.setattr("controller.board_line.PEER_S", 0.05)
    start_by_hand(rig)
    rig.port.mute = True
    rig.steps(8)
    assert rig.service.state.latches and not rig.service.state.permit


def test_stop_heating_does_not_wait_for_a_peer_that_hangs(rig, monkeypatch):
    """Its time stands still meanwhile, so nothing is silent yet; the person is answered all the same."""
    monkeypatch.setattr("controller.board_line.PATIENT_S", 0.05)
    start_by_hand(rig)
    rig.port.mute = True
    before_us = rig.service.state.mono_us
    threading.Timer(0.3, rig.service.submit, [Command(Ask.STOP_HEATING, "t", PersonRole.VIEWER, "stop")]).start()
    began_s = time.monotonic()
    rig.steps(1)
    assert time.monotonic() - began_s < 5
    assert (rig.service.state.run.state, rig.service.state.permit) == (S.ABORTING, False)
    assert rig.service.state.mono_us == before_us


def test_the_wall_clock_may_jump_and_only_an_event_tells(rig, monkeypatch):
    start_by_hand(rig)
    segment_us = rig.service.state.run.treatment.segment_us
    rig.clock._start_utc_us += 3_600_000_000
    rig.steps(1)
    assert rig.service.state.run.treatment.segment_us == segment_us + 1_000_000
    rig.service._close()
    stepped = [event["fields"] for event in rig.events() if event["kind"] == "clock_stepped"]
    assert stepped == [{"by_us": 3_600_000_000}]


def test_a_start_that_is_taken_back_keeps_its_number_from_the_next_one(rig):
    rig.steps(5)
    for number in ("1", "2"):
        rig.service.submit(Command(Ask.START, "t", PersonRole.OPERATOR, "r", short(), str(rig.service._next_run),
                                   level=Level.AT_THE_CHAMBER))
        rig.steps(1)
        assert rig.service.state.pending.command.run_id == number
        rig.service.submit(Command(Ask.STOP_HEATING, "t", PersonRole.VIEWER, "s"))
        rig.steps(1)
        assert rig.service.state.pending is None


def test_run_numbers_go_up_only_with_a_start_that_is_taken(rig):
    rig.steps(5)
    assert rig.service._next_run == 1
    rig.service.submit(Command(Ask.START, "t", PersonRole.VIEWER, "no", short(), "1", leaving=ANSWERED))
    rig.steps(1)
    assert rig.service._next_run == 1, "a refused start uses no number"
    start_by_hand(rig)
    assert rig.service._next_run == 2


def test_health_says_how_ticks_and_record_are(rig):
    rig.steps(4)
    with rig.client() as person:
        health = person.ask("health")["ok"]
    assert health["tick"] == 4 and health["record_failing"] == "" and health["late_max_us"] == 0


def test_events_have_the_numbers_that_the_record_gives_them(rig):
    with_events: list[dict] = []
    original = rig.service.server.publish

    def keep(told) -> None:
        with_events.extend(told.events)
        original(told)

    rig.service.server.publish = keep
    start_by_hand(rig)
    rig.service._close()
    stored = Reader(rig.folder / "record.db").events(limit=2000)
    assert [event["id"] for event in with_events] == [row.id for row in stored]
    assert [event["kind"] for event in with_events] == [row.kind for row in stored]
