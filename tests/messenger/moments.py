"""Snapshots for the tests of this folder: one of a real service on a simulated board, and what a test changes in it."""

from __future__ import annotations

import copy
import functools
import re
import tempfile
from pathlib import Path
from typing import Any

from controller.core.guards import GUARDS, INDEX
from controller.messenger.words import Sender
from controller.snapshot import DONE, _texts
from tests.service.rig import Rig

S1 = 1_000_000
UTC = 1_764_061_200 * S1
SENDER = Sender("bench", "Bench chamber", "5a17c0", True)
Json = dict[str, Any]
ABSENT = re.compile(
    r"unattended|nobody|no one|\baway\b|at home|\bhome\b|\bempty\b|absent|alone|asleep|on holiday|while you|you are out|"
    r"left the (house|building)|has checked in", re.IGNORECASE)
"""What would tell a stranger who reads a lock screen that a house may be empty."""


@functools.cache
def _real() -> tuple[Json, Json]:
    """Of one real service: the snapshot with nothing on, and the one of a run."""
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        rig.steps(3)
        with rig.client() as client:
            idle = client.now()
            client.say(b'{"id": 1, "do": "now"}\n')
            client.hear()
            rig.service.submit(_start(rig))
            for _ in range(60):
                rig.steps()
                running = client.now()
                if running["run"] is not None:
                    break
        rig.close()
    assert idle["run"] is None and running["run"]["state"] == "running"
    return idle, running


def _start(rig: Rig) -> Any:
    from controller.intake import command_of
    from tests.service.chambers import integers, short

    return command_of({"ask": "start", "by": "test", "role": "maintainer", "ref": "r", "level": "unattended",
                       "schedule": integers(short())}, True, "1")


def idle(**changes: Any) -> Json:
    """Nothing is on. Fields of the snapshot may be replaced."""
    return {**copy.deepcopy(_real()[0]), "heat_off": True, **changes}


def running(run: Json | None = None, **changes: Any) -> Json:
    """A run is on, begun 60 s ago."""
    now = copy.deepcopy(_real()[1])
    now["run"] |= {"id": "27", "name": "ASA slow", "elapsed_us": 60 * S1, **(run or {})}
    return {**now, "heat_off": False, **changes}


def alarm(guard: str, state: str = "unacknowledged", **changes: Any) -> Json:
    """An alarm of a guard, with the texts that the controller sends."""
    row = GUARDS[INDEX[guard]]
    return {"guard": guard, "state": state, "utc_us": UTC, "value": 1, "limit": 1, "detail": "", **_texts(row), **changes}


def latch(guard: str, first_out: bool = True, **changes: Any) -> Json:
    """A latched trip."""
    row = GUARDS[INDEX[guard]]
    return {"guard": guard, "utc_us": UTC, "value": 1, "limit": 1, "detail": "", "first_out": first_out, "stands": True,
            **_texts(row), "done": DONE[row.action], **changes}


def ended(state: str = "complete", end: str = "", **changes: Any) -> Json:
    """A run has ended, the heat is seen off."""
    return running({"state": state, "end": end}, heat_off=True, permit={"given": False, "contacts": []}, **changes)
