"""The latch file: whatever happens to its bytes, it never reads clear unless it was written clear."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from controller.core.guards import INDEX
from controller.core.run_states import S
from controller.core.start import first_state
from controller.drivers import latch, sealed
from controller.drivers.latch import Condition, LatchKeeper, Remembered, Stored
from tests.service.chambers import simulated
from tests.service.runs import state_in

NOW_US = 1_700_000_000_000_000
TRIP = Stored("ceiling", NOW_US - 5_000_000, 131_000, 130_000, "air: 131.0 °C", True)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "latch"


def guards(path: Path) -> list[str]:
    return [one.guard for one in latch.read(path, NOW_US)]


def test_clear_reads_clear(path):
    latch.write(path, Remembered(Condition.CLEAR))
    assert latch.read(path, NOW_US) == ()


def test_a_trip_is_remembered_as_it_was(path):
    latch.write(path, Remembered(Condition.TRIPPED, (TRIP,)))
    assert latch.read(path, NOW_US) == (TRIP,)


@pytest.mark.parametrize(("condition", "guard"), [
    (Condition.RUNNING, latch.ENDED_IN_A_RUN), (Condition.NOT_COMMISSIONED, latch.NOT_COMMISSIONED),
    (Condition.TRIPPED, latch.UNREADABLE)])
def test_every_other_condition_counts_as_tripped(path, condition, guard):
    latch.write(path, Remembered(condition))
    assert guards(path) == [guard]
    assert guard in INDEX, "the page must find its words in the guard table"


def test_a_trip_in_a_run_that_never_ended_keeps_both(path):
    latch.write(path, Remembered(Condition.RUNNING, (TRIP,)))
    found = latch.read(path, NOW_US)
    assert [one.guard for one in found] == ["ceiling", latch.ENDED_IN_A_RUN]
    assert [one.first_out for one in found] == [True, False]


def test_a_missing_file_counts_as_tripped(path):
    assert guards(path) == [latch.UNREADABLE]


def test_a_folder_in_its_place_counts_as_tripped(path):
    path.mkdir()
    assert guards(path) == [latch.UNREADABLE]


@pytest.mark.parametrize("remembered", [Remembered(Condition.CLEAR), Remembered(Condition.TRIPPED, (TRIP,))],
                         ids=lambda one: one.condition.value)
def test_cut_anywhere_it_counts_as_tripped(path, remembered):
    latch.write(path, remembered)
    whole = path.read_bytes()
    for length in range(len(whole)):
        path.write_bytes(whole[:length])
        assert guards(path) == [latch.UNREADABLE], f"cut to {length} bytes"


def test_any_changed_byte_counts_as_tripped(path):
    latch.write(path, Remembered(Condition.CLEAR))
    whole = path.read_bytes()
    for at in range(len(whole)):
        for flip in (0x01, 0x20, 0x80, 0xFF):
            path.write_bytes(whole[:at] + bytes([whole[at] ^ flip]) + whole[at + 1:])
            assert guards(path) == [latch.UNREADABLE], f"byte {at} changed by {flip:#x}"


@pytest.mark.parametrize("more", [b"\n", b" ", b"x", b"\0" * 4096])
def test_added_bytes_count_as_tripped(path, more):
    latch.write(path, Remembered(Condition.CLEAR))
    path.write_bytes(path.read_bytes() + more)
    assert guards(path) == [latch.UNREADABLE]


@pytest.mark.parametrize("body", [
    {}, {"format": "x", "condition": "clear", "latches": []}, {"format": latch.FORMAT, "condition": "fine", "latches": []},
    {"format": latch.FORMAT, "condition": "clear"}, {"format": latch.FORMAT, "condition": "clear", "latches": [{}]},
    {"format": latch.FORMAT, "condition": "clear", "latches": [{"guard": "ceiling", "utc_us": "x", "value": 0, "limit": 0,
                                                               "detail": "", "first_out": True}]}], ids=str)
def test_a_whole_file_that_says_something_else_counts_as_tripped(path, body):
    sealed.write(path, body)
    assert guards(path) == [latch.UNREADABLE]


def test_an_interrupted_write_leaves_the_old_file(path, monkeypatch):
    latch.write(path, Remembered(Condition.TRIPPED, (TRIP,)))
    for call in ("fsync", "replace"):
        with monkeypatch.context() as broken:
            broken.setattr(os, call, failing) if call == "fsync" else broken.setattr(Path, call, failing)
            with pytest.raises(OSError):
                latch.write(path, Remembered(Condition.CLEAR))
        assert latch.read(path, NOW_US) == (TRIP,)
        assert [one.name for one in path.parent.iterdir()] == ["latch"]


def failing(*_args: object, **_named: object) -> None:
    raise OSError(28, "No space left on device")


# -- the keeper ------------------------------------------------------------------------------------------------------------


def test_the_keeper_writes_what_a_state_is(tmp_path, path):
    state = first_state(simulated(tmp_path / "c").chamber, 0)
    keeper = LatchKeeper(path)
    keeper.keep(state, NOW_US)
    assert keeper.close(5.0)
    assert latch.read(path, NOW_US) == ()


def test_a_state_with_a_latch_reads_back_with_its_moment(tmp_path, path):
    chamber = simulated(tmp_path / "c").chamber
    state = first_state(chamber, 1_000_000, ("ceiling",))
    keeper = LatchKeeper(path)
    keeper.keep(state._replace(mono_us=4_000_000), NOW_US)
    assert keeper.close(5.0)
    found = latch.read(path, NOW_US)
    assert [(one.guard, one.utc_us) for one in found] == [("ceiling", NOW_US - 3_000_000)]
    kept = latch.restored(found, 9_000_000, NOW_US)
    assert kept[0].mono_us == 6_000_000


@pytest.mark.parametrize("state_of", [S.RUNNING, S.HELD, S.STOPPING, S.ABORTING], ids=lambda one: one.value)
def test_a_run_that_may_still_be_hot_is_running(tmp_path, path, state_of):
    keeper = LatchKeeper(path)
    keeper.keep(state_in(simulated(tmp_path / "c").chamber, state_of), NOW_US)
    assert keeper.close(5.0)
    assert guards(path) == [latch.ENDED_IN_A_RUN]


def test_nothing_is_written_while_nothing_changes(tmp_path, path, monkeypatch):
    state = first_state(simulated(tmp_path / "c").chamber, 0)
    writes = []
    monkeypatch.setattr(latch.sealed, "write", lambda to, body: writes.append(body))
    keeper = LatchKeeper(path)
    for second in range(200):
        keeper.keep(state._replace(tick=second, mono_us=second * 1_000_000), NOW_US + second * 1_000_001)
    assert keeper.close(5.0)
    assert [body["condition"] for body in writes] == ["clear"]


def test_a_disk_that_refuses_is_said_and_does_not_hold_up_the_loop(tmp_path, path, monkeypatch):
    tried = threading.Event()
    state = first_state(simulated(tmp_path / "c").chamber, 0, ("ceiling",))

    def refusing(*_args: object) -> None:
        tried.set()
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(latch.sealed, "write", refusing)
    keeper = LatchKeeper(path)
    keeper.keep(state, NOW_US)
    assert tried.wait(5.0)
    assert not keeper.close(5.0)
    assert "Read-only" in keeper.failing
