"""Rehearsals: the trade's own schedule to its end, faults that must show, peers as child processes, and the figures."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from controller import demo
from controller.cli import main
from controller.core.messages import Drive
from controller.core.readings import Role
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.peer_process import Peer, PeerFailed, checked
from controller.planning.schedule_file import parse, text
from controller.records.queries import Reader
from controller.records.writer import Writer
from controller.rehearse import Errors, Rehearsal, run
from controller.rehearse_world import InProcess
from controller.start_up import about
from tests.service.chambers import SHORT, real, short, simulated
from tests.service.runs import running

PEER = f"{sys.executable} -m controller.chamber.peer --stdio --auto-arm"
ASKED = {"soak_abs_max_c", "soak_abs_p95_c", "ramp_abs_max_c", "overshoot_c", "switch_operations", "ticks", "wall_s", "trips",
         "alarms"}
BAND_C = 2.0


@pytest.fixture(scope="module")
def chamber(tmp_path_factory):
    return simulated(tmp_path_factory.mktemp("chamber") / "c").chamber


@pytest.fixture(scope="module")
def whole(chamber):
    """The demo's whole run: about 4 h up, 8 h held, 4 h down (common practice, no source)."""
    return run(Rehearsal(chamber, parse(demo.SCHEDULE), InProcess("bench", chamber.board)))


@pytest.mark.slow
def test_the_trades_own_schedule_completes_within_a_couple_of_degrees_and_calls_nobody(whole):
    assert whole.ended == "complete" and whole.trips == [] and whole.alarms == []
    assert whole.soak_abs_p95_c <= BAND_C
    assert whole.soak_abs_max_c <= BAND_C + 0.5, "entering the band, the part may fall out by a converter step or two"
    assert whole.overshoot_c <= BAND_C
    assert 15.5 * 3600 <= whole.ticks <= 17 * 3600
    assert 0 < whole.switch_operations <= 2 * whole.ticks / 40


def test_the_same_seed_gives_the_same_run_and_another_does_not(chamber):
    def figures(seed: int) -> dict:
        result = run(Rehearsal(chamber, short(), InProcess("bench", chamber.board, seed))).as_json()
        return {key: value for key, value in result.items() if key != "wall_s"}

    assert figures(1) == figures(1)
    assert figures(1) != figures(2)


def test_a_fault_shows_in_the_result(chamber):
    world = InProcess("bench", chamber.board)
    rehearsal = Rehearsal(chamber, short(), world)

    def smoke(made) -> None:
        world.board.smoke = made.tick > 200

    result = run(rehearsal, smoke)
    assert result.ended == "aborted" and result.trips == ["smoke"]


def test_another_board_gets_no_heat(chamber):
    result = run(Rehearsal(chamber, short(), InProcess("bench", "000001")))
    assert result.ended == "not started" and "this chamber's is" in result.refused


def test_a_silent_world_ends_the_rehearsal(chamber):
    class Silent:
        lock_step = False

        def exchange(self, data: bytes, us: int) -> bytes:
            return b""

    result = run(Rehearsal(chamber, short(), Silent()))
    assert result.ended == "not started" and result.ticks < 60


def test_every_byte_goes_over_the_line(chamber):
    """The tick's frames reach the world as bytes, drive last."""
    class Listening(InProcess):
        def exchange(self, data: bytes, us: int) -> bytes:
            heard.append(data)
            return super().exchange(data, us)

    heard: list[bytes] = []
    rehearsal = Rehearsal(chamber, short(), Listening("bench", chamber.board))
    for made in rehearsal.ticks():
        if made.tick > 60:
            break
    assert len(heard) == 60 and all(data.endswith(b"\n") for data in heard)
    assert heard[-1].splitlines()[-1].startswith(b"D ")
    assert isinstance(made.result.outputs.frames[-1], Drive)


def test_errors_are_what_the_module_says(chamber):
    state = running(chamber, 120)
    roles = {sensor.role: number for number, sensor in enumerate(chamber.sensors)}
    errors = Errors()
    treatment = state.run.treatment._replace(segment=1, counting=True, said=True)
    soaking = state._replace(run=state.run._replace(programs=(treatment,), at=0))
    errors.look(soaking, roles)
    expected = abs(state.readings[roles[Role.CONTROL]].mc - 35_000)
    assert errors.soak_mc == [expected] and errors.p95_mc() == expected
    coming = state._replace(run=state.run._replace(programs=(treatment._replace(said=False),), at=0))
    before = Errors()
    before.look(coming, roles)
    assert before.soak_mc == [], "a part that still comes into its band is no error of the soak"


# -- peers ------------------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_peer_that_is_a_process_runs_as_our_own_board_does(chamber):
    with Peer(f"{PEER} --report-us 1000000 --board {chamber.board}") as peer:
        there = run(Rehearsal(chamber, short(), peer))
    here = run(Rehearsal(chamber, short(), InProcess("bench", chamber.board)))
    assert there.ended == here.ended == "complete"
    assert (there.trips, there.alarms) == ([], [])
    assert abs(there.ticks - here.ticks) <= 5
    assert abs(there.soak_abs_p95_c - here.soak_abs_p95_c) <= 0.5


@pytest.mark.parametrize("command", ["/dev/ttyUSB0", "cat /dev/ttyACM0", "board --port=/dev/serial/by-id/x", "/dev", ""])
def test_a_peer_is_never_a_device(command):
    with pytest.raises(PeerFailed):
        checked(command)


def test_a_link_to_a_device_is_a_device(tmp_path):
    (tmp_path / "board").symlink_to("/dev/null")
    with pytest.raises(PeerFailed, match="device"):
        checked(f"cat {tmp_path / 'board'}")


@pytest.mark.parametrize(("code", "words"), [
    ("raise SystemExit(3)", "closed its output|does not take"), ("import time; time.sleep(60)", "did not finish"),
    ("import sys\nwhile True: sys.stdout.write('x' * 65536)", "more than"),
    ("print('@ran x')", "closed its output|does not take|clock says"),
])
def test_a_peer_that_does_not_do_its_part_is_told_within_bounds(tmp_path, code, words):
    script = tmp_path / "peer.py"
    script.write_text(code)
    with Peer(f"{sys.executable} {script}", answer_s=1.0) as peer, pytest.raises(PeerFailed, match=words):
        for _ in range(20):
            peer.exchange(b"", 1_000_000)
    if "sleep" in code:
        assert peer._child.returncode is not None


@pytest.mark.parametrize(("clock", "wrong"), [("asked", False), ("asked - 900000", False), ("asked // 2", True), ("'x'", True)])
def test_a_peer_whose_clock_goes_its_own_way_is_not_believed(tmp_path, clock, wrong):
    script = tmp_path / "peer.py"
    script.write_text("import sys\nasked = 0\nfor line in sys.stdin:\n    asked += int(line.split()[1])\n"
                      f"    print('@ran', {clock}, flush=True)\n")
    with Peer(f"{sys.executable} {script}", answer_s=5.0) as peer:
        if wrong:
            with pytest.raises(PeerFailed, match="the peer's clock says"):
                for _ in range(3):
                    peer.exchange(b"", 1_000_000)
        else:
            assert all(peer.exchange(b"", 1_000_000).startswith(b"@ran") for _ in range(3))


def test_a_program_that_is_not_there_is_named():
    with pytest.raises(PeerFailed, match="no-such-program"):
        Peer("no-such-program --stdio")


# -- the command ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def short_file(tmp_path: Path) -> str:
    path = tmp_path / "short.json"
    path.write_text(text(short()))
    return str(path)


def test_the_command_ends_with_the_figures(short_file, capsys):
    assert main(["rehearse", short_file, "--json"]) == Exit.GOOD
    told = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert set(told) >= ASKED and told["ended"] == "complete"


def test_people_get_sentences(short_file, capsys):
    assert main(["rehearse", short_file]) == Exit.GOOD
    assert capsys.readouterr().out.startswith("Complete after ")


def test_a_bar_shows_on_a_terminal_only(short_file, monkeypatch, capsys):
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stderr", terminal := Terminal())
    assert main(["rehearse", short_file, "--json"]) == Exit.GOOD
    assert "%" in terminal.getvalue() and json.loads(capsys.readouterr().out)


def test_a_recorded_rehearsal_is_replayed_bit_for_bit(short_file, tmp_path, capsys):
    data = tmp_path / "data"
    assert main(["rehearse", short_file, "--data", str(data), "--json"]) == Exit.GOOD
    ticks = json.loads(capsys.readouterr().out)["ticks"]
    assert main(["replay", "1", "--data", str(data), "--json"]) == Exit.GOOD
    told = json.loads(capsys.readouterr().out)
    assert told["differing"] == 0 and told["complete"] and 0 < told["ticks"] <= ticks
    assert Reader(data / "record.db").run("1").state == "complete"
    assert main(["rehearse", short_file, "--data", str(data), "--json"]) == Exit.GOOD
    assert [row.id for row in Reader(data / "record.db").runs()] == ["2", "1"]
    capsys.readouterr()
    assert main(["replay", "99", "--data", str(data), "--json"]) == Exit.FILES
    told = json.loads(capsys.readouterr().out)
    assert told["error"] == f"There is no run 99 in {data / 'record.db'}. Its runs, newest first: 2, 1."
    assert told["runs"] == ["2", "1"]


def test_replay_without_a_record_is_code_6_and_without_a_run_says_that_there_is_none(tmp_path, capsys):
    assert main(["replay", "9", "--data", str(tmp_path), "--json"]) == Exit.FILES
    assert "record.db" in json.loads(capsys.readouterr().out)["error"]
    writer = Writer(tmp_path / "record.db", None, about(demo.chamber(tmp_path / "chamber", utc_us())))
    writer.start()
    writer.close(10.0)
    assert main(["replay", "9", "--data", str(tmp_path), "--json"]) == Exit.FILES
    assert json.loads(capsys.readouterr().out)["error"].endswith("It holds no run yet.")


def test_replay_of_a_broken_record_keeps_its_own_code(tmp_path, capsys):
    (tmp_path / "record.db").write_bytes(b"no database" * 500)
    assert main(["replay", "9", "--data", str(tmp_path), "--json"]) == Exit.RECORD


@pytest.mark.parametrize("seed", [3])
def test_a_rehearsal_that_trips_has_an_exit_code_of_its_own(short_file, tmp_path, seed):
    weak = tmp_path / "chamber"
    demo.chamber(weak, utc_us())
    file = weak / "chamber.toml"
    file.write_text(file.read_text().replace("rise_c_per_min = 20", "rise_c_per_min = 2"))
    assert main(["rehearse", short_file, "--chamber", str(weak), "--seed", str(seed), "--json"]) == Exit.NOT_AS_PLANNED


@pytest.mark.parametrize(("words", "code"), [
    (["{tmp}/none.json"], Exit.FILES), (["{tmp}/bad.json"], Exit.CHAMBER), (["--chamber", "{tmp}/none"], Exit.FILES),
    (["--chamber", "{tmp}/real"], Exit.CHAMBER), (["--peer", "/dev/ttyS0"], Exit.PEER), (["--peer", "false"], Exit.PEER)])
def test_what_cannot_be_rehearsed_is_refused_with_its_code(tmp_path, words, code, capsys):
    real(tmp_path / "real")
    (tmp_path / "bad.json").write_text(json.dumps({**SHORT, "name": "", "x": 1}))
    assert main(["rehearse", "--json", *(word.format(tmp=tmp_path) for word in words)]) == code
    assert json.loads(capsys.readouterr().out)["error"]
