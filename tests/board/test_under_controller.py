"""The firmware under the real controller: its tick in this process, and its process over a pseudo-terminal.

A run completes without an alarm; what goes wrong in a run is heat off at the emulated pins within its bound, and stays off.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest

from controller.core.messages import OffReason, ResetCause
from controller.core.program import Treatment
from controller.core.run_states import S
from controller.core.setup import Level
from controller.planning.schedule_file import parse
from controller.records.queries import Reader
from controller.rehearse import Rehearsal, run
from tests.answered import LEAVING
from tests.bench.board_soak import soak
from tests.board.emulated import HUNG, EmulatedBoard
from tests.board.host import CONTACTOR_US, MS, S1, SILENCE_US, fell_us, needs_emulator, pins_high
from tests.board.surroundings import NOISES, OPEN
from tests.board.worlds import Under, chamber_for, on_a_terminal
from tests.service.chambers import integers
from tests.service.rig import Raw

pytestmark = [needs_emulator, pytest.mark.slow, pytest.mark.timeout(300)]
ROOT = Path(__file__).parents[2]
QUICK = parse({
    "format": "soakwarden-schedule-1", "name": "quick, invented", "temperature_of": "air", "resume": "never", "note": "",
    "segments": [
        {"kind": "ramp", "target_c": 32, "rate_c_per_h": 300, "band_c": 3, "longest_h": 2},
        {"kind": "soak", "target_c": 32, "soak_h": 0.02, "band_c": 3, "longest_h": 2},
        {"kind": "cool", "target_c": 31, "rate_c_per_h": 60, "band_c": 3, "longest_h": 2},
    ],
})
"""About 5 min: a ramp, a soak and a cooling."""
LEVELS = {"atmega328p": Level.IN_THE_BUILDING, "atmega2560": Level.UNATTENDED}
HEATING_TICKS = 45
MAY_LAG_US = 400 * MS
"""Real time on a busy machine: between a killed process's last word and the board hearing it."""


@contextmanager
def heated(tmp_path: Path, chip: str = "atmega2560") -> Iterator[tuple[Rehearsal, EmulatedBoard, Iterator]]:
    """A run under the tick that heats: (rehearsal, board, its ticks)."""
    folder = chamber_for(chip, tmp_path / "c")
    with EmulatedBoard(board_id=folder.chamber.board, chip=chip, auto_arm=True) as board:
        rehearsal = Rehearsal(folder.chamber, QUICK, Under(board), LEVELS[chip])
        ticks = rehearsal.ticks()
        for made in ticks:
            run = made.result.state.run
            treats = run is not None and type(run.program) is Treatment  # a start proof goes before it
            if treats and made.tick > HEATING_TICKS and all(pins_high(board)):
                break
        assert all(pins_high(board)), rehearsal.refused
        yield rehearsal, board, ticks
        assert not board.differences


@pytest.mark.parametrize("chip", ["atmega328p", pytest.param("atmega2560", marks=pytest.mark.campaign)])
def test_a_whole_short_soak_completes_without_an_alarm(tmp_path, chip):
    folder = chamber_for(chip, tmp_path / "c")
    with EmulatedBoard(board_id=folder.chamber.board, chip=chip, auto_arm=True) as board:
        result = run(Rehearsal(folder.chamber, QUICK, Under(board), LEVELS[chip]))
        assert (result.ended, result.trips, result.alarms) == ("complete", [], [])
        assert result.soak_abs_p95_c <= 2.0
        assert not board.differences and len(board.resets()) == 1
        board.advance(6 * S1)
        assert pins_high(board) == (False, False)


class Wrong(NamedTuple):
    """What goes wrong in a run, and how long the pins may stay high after it."""

    name: str
    make: Callable[[EmulatedBoard], None]
    within_us: int
    ends_the_run: bool = True


WRONG = (
    Wrong("brown-out", lambda board: board.reset(ResetCause.BROWN_OUT, 300 * MS), MS),
    Wrong("reset", lambda board: board.reset(ResetCause.EXTERNAL), MS),
    Wrong("loop frozen", lambda board: board.fault("hang"), 300 * MS),
    Wrong("smoke", lambda board: setattr(board, "smoke", True), 60 * MS),
    Wrong("local stop", lambda board: setattr(board, "local_stop", True), 60 * MS),
    Wrong("door", lambda board: setattr(board, "door_shut", False), 60 * MS, False),
    Wrong("control sensor's wire broken", lambda board: setattr(board.sensors[0], "status", OPEN), 250 * MS),
    Wrong("over-temperature converter hung", lambda board: board.machine.fail(1, HUNG), 1_400 * MS),
    Wrong("over ceiling", lambda board: setattr(board.sensors[1], "true_c", 141.0), 250 * MS),
    Wrong("settings bit", lambda board: board.machine.put_eeprom(18, b"\0"), 900 * MS),
    Wrong("stuck input", lambda board: board.machine.stick_pin("smoke", True), S1),
    Wrong("line drowned", lambda board: setattr(board, "noise_to", NOISES["drowned"](5)), SILENCE_US + 100 * MS),
)


@pytest.mark.parametrize("wrong", WRONG, ids=lambda wrong: wrong.name)
def test_what_goes_wrong_in_a_run_is_heat_off_in_time_and_no_heat_after_it(tmp_path, wrong):
    with heated(tmp_path) as (rehearsal, board, ticks):
        since_us = board.now_us
        wrong.make(board)
        for _made in ticks:
            if board.now_us > since_us + 15 * S1:
                break
        assert fell_us(board, "modulator", since_us) <= wrong.within_us
        assert fell_us(board, "contactor", since_us) <= wrong.within_us + CONTACTOR_US + 20 * MS
        state = rehearsal.state.run.state
        if wrong.ends_the_run:
            assert state in (S.ABORTING, S.ABORTED), state
            assert rehearsal.trips or wrong.name == "local stop", "a person's stop is an abort, all else is a trip"
        else:
            assert not rehearsal.trips and state in (S.HELD, S.HOLDING), "an interlock holds, it does not trip"


@pytest.mark.parametrize("name", ["bits", "digits", *(
    pytest.param(name, marks=pytest.mark.campaign) for name in ("again", "cut", "doubled", "dropped", "inserted"))])
def test_noise_in_a_run_gives_no_false_command(tmp_path, name):
    """20 s of noise both ways. Whatever comes of it, the board's session, ceilings and lamps are the host's own, and
    without drives it is off in time."""
    with heated(tmp_path) as (rehearsal, board, ticks):
        board.noise_to, board.noise_from = NOISES[name](11), NOISES[name](12)
        until_us = board.now_us + 20 * S1
        reports = []
        for made in ticks:
            reports += made.inputs.reports
            if board.now_us > until_us:
                break
        assert {report.board for report in reports} <= {board_id_of(rehearsal)}
        assert {report.off for report in reports} <= {OffReason.NONE, OffReason.HOST_SILENT, OffReason.NO_PERMIT,
                                                      OffReason.NOT_ENABLED}
        board.silent_line()
        board.advance(SILENCE_US + 200 * MS)
        assert pins_high(board) == (False, False)
        assert not board.differences


def board_id_of(rehearsal: Rehearsal) -> str:
    return rehearsal.state.chamber.board


# The controller's own process

def begun(person: Raw) -> dict:
    """Start the quick schedule, as a person would who has answered what is asked."""
    for _ in range(200):  # in real time the board's limits are still being written when it is first accepted
        person.ask("messages", failing="")
        answer = person.command("start", schedule=integers(QUICK), level="unattended", leaving=LEAVING)
        if "ok" in answer:
            break
        threading.Event().wait(0.1)
    return answer


@contextmanager
def controller(data: Path, chamber: Path, *more: str) -> Iterator[subprocess.Popen[bytes]]:
    """The process that owns the port; killed at the end if the test has left it."""
    words = [sys.executable, "-m", "controller.service", "--chamber", str(chamber), "--data", str(data), *more]
    process = subprocess.Popen(words, cwd=ROOT, stderr=subprocess.PIPE)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGCONT)
            process.terminate()
        process.communicate(timeout=30)


def test_the_controllers_process_runs_a_whole_soak_in_lock_step(tmp_path):
    folder = chamber_for("atmega2560", tmp_path / "c")
    data = tmp_path / "d"
    with on_a_terminal("atmega2560", folder.chamber.board, lock_step=True) as (board, port), \
            controller(data, folder.path, "--port", port, "--lock-step", "--speed", "100000"), \
            Raw(data / "controller.sock") as person:
        person.until(lambda now: now["board"]["accepted"] and now["air_mc"] is not None)
        assert "ok" in begun(person)
        ended = person.until(lambda now: now["run"] is not None and now["run"]["state"] in ("complete", "aborted", "stopped"))
        assert ended["run"]["state"] == "complete", ended["sentence"]
        assert ended["latches"] == [] and not board.differences
    kinds = {event.kind for event in Reader(data / "record.db").events(limit=2000)}
    assert not {kind for kind in kinds if "trip" in kind or "alarm" in kind}, kinds


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "stopped"])
def test_a_host_that_is_killed_in_a_run_is_heat_off_at_the_pins(tmp_path, how):
    """In real time. The last drive that was given to the board dates the silence."""
    folder = chamber_for("atmega2560", tmp_path / "c")
    data = tmp_path / "d"
    with on_a_terminal("atmega2560", folder.chamber.board) as (board, port), \
            controller(data, folder.path, "--port", port) as process, Raw(data / "controller.sock") as person:
        person.until(lambda now: now["board"]["accepted"] and now["air_mc"] is not None)
        assert "ok" in begun(person)
        person.until(lambda now: all(pins_high(board)))
        process.send_signal(how)
        killed_us = board.now_us
        waited(lambda: board.now_us > killed_us + SILENCE_US + S1)
        last_us = board.drives_us[-1]
        assert last_us <= killed_us + MAY_LAG_US, "a process that is no more says nothing more"
        since_us = killed_us - last_us
        off_us = fell_us(board, "modulator", killed_us) + since_us
        assert SILENCE_US - 20 * MS <= off_us <= SILENCE_US + 120 * MS
        assert fell_us(board, "contactor", killed_us) + since_us <= SILENCE_US + 120 * MS + CONTACTOR_US
        assert not board.differences


def waited(holds: Callable[[], bool], limit_s: float = 60.0) -> None:
    """Wait in real time until something holds."""
    end_s = time.monotonic() + limit_s
    while not holds():
        assert time.monotonic() < end_s, "it never came to that"
        time.sleep(0.02)


def test_the_peer_program_is_what_rehearse_starts(tmp_path):
    """The command as a person gives it, one whole short run on standard input and output."""
    from controller.peer_process import Peer

    folder = chamber_for("atmega328p", tmp_path / "c")
    command = (f"{sys.executable} -m tests.board.emulated --stdio --auto-arm --chip atmega328p "
               f"--board {folder.chamber.board}")
    before = os.getcwd()
    os.chdir(ROOT)
    try:
        with Peer(command) as peer:
            rehearsal = Rehearsal(folder.chamber, QUICK, peer, Level.IN_THE_BUILDING)
            for made in rehearsal.ticks():
                if made.tick > 90:
                    break
    finally:
        os.chdir(before)
    assert rehearsal.state.run is not None and not rehearsal.trips
    assert any(report.modulator for report in made.inputs.reports)


@pytest.mark.campaign
@pytest.mark.timeout(1800)
def test_a_whole_16_h_soak_on_the_emulated_firmware_completes_without_an_alarm():
    told, _ = soak(None)
    assert (told["ended"], told["trips"], told["alarms"]) == ("complete", [], [])
    assert told["soak_abs_p95_c"] <= 2.0
