"""What `serve` tells while it runs: a line for each event that a person would want to know. Its own thread."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.client import Client, ControllerError
from controller.core.events import Kind
from controller.core.guards import GUARDS, INDEX
from controller.drivers.serial_port import plain

AGAIN_S = 1.0
Json = dict[str, Any]


def _run(fields: Json) -> str:
    return f"Run {fields['run_id']}: {fields['before']} to {fields['after']} ({fields['cause'].replace('_', ' ')})."


def _segment(fields: Json) -> str:
    what = f"{fields['kind']} {fields['target_mc'] / 1000:g} °C"
    return f"Run {fields['run_id']}: segment {fields['segment'] + 1} begins, {what}."


def _tripped(fields: Json) -> str:
    guard = GUARDS[INDEX[fields["guard"]]]
    return f"TRIPPED: {guard.cause} The heat was told to go off. {guard.do[0]}"


def _board_refused(fields: Json) -> str:
    if fields["board"] != fields["expected"]:
        return f"Board {fields['board']} is not this chamber's ({fields['expected']}): no heat."
    kind, other = ("simulated", "real") if fields["simulated"] else ("real", "simulated")
    return f"Board {fields['board']} says that it is {kind}, the chamber file that it is {other}: no heat."


def _alarm(fields: Json) -> str:
    guard = GUARDS[INDEX[fields["guard"]]]
    return f"ALARM, {fields['after']}: {guard.cause} {guard.do[0]}" if fields["before"] == "normal" else ""


TOLD: dict[str, Callable[[Json], str]] = {
    Kind.BOARD_FOUND: lambda fields: f"Board {fields['board']} answers{', SIMULATED' if fields['simulated'] else ''}.",
    Kind.BOARD_REFUSED: _board_refused,
    Kind.BOARD_LOST: lambda fields: f"The line to the board is gone: {plain(fields['reason'])}. It is tried again.",
    Kind.NOT_A_BOARD: lambda fields: f"What is on the port is no board of ours. {fields['reason']}",
    Kind.MODULE_FOUND: lambda fields: f"Module {fields['board']} answers. On silence the heat ends by {fields['silence']}.",
    Kind.MODULE_REFUSED: lambda fields: f"Module {fields['board']} gets no heat: {fields['reason']}.",
    Kind.SILENCE_PROOF: lambda fields: f"Timer relay {'' if fields['passed'] else 'NOT '}proven: {fields['words']}.",
    Kind.ARM_ASKED: lambda fields: "A start waits for the arm button at the chamber.",
    Kind.START_NAMED: lambda fields: "A start waits for the time it was named for.",
    Kind.START_LAPSED: lambda fields: f"A start came to nothing: {fields['reason']}",
    Kind.RUN_STATE: _run,
    Kind.SEGMENT: _segment,
    Kind.TRIPPED: _tripped,
    Kind.CLEARED: lambda fields: f"Cleared by {fields['by']}: {GUARDS[INDEX[fields['guard']]].cause}",
    Kind.HEAT_SEEN_OFF: lambda fields: f"Heat seen off: {fields['how']}.",
    Kind.ALARM: _alarm,
    Kind.GAP: lambda fields: f"{fields['count']} {fields['what']}.",
    Kind.RECORD_WORKING: lambda fields: "The record is written again.",
    Kind.CLOCK_STEPPED: lambda fields: f"The wall clock jumped by {fields['by_us'] / 1e6:.1f} s. No duration changed.",
}
"""Which events are told, and how."""


class News:
    """Follows the controller and tells. `demo`: the arm button is pressed by the simulation, and that is said."""

    def __init__(self, path: Path, tell: Callable[[str, Json], None], demo: bool) -> None:
        self._path = path
        self._tell = tell
        arm = "The simulated arm button was pressed." if demo else "The arm button was pressed."
        self._told: dict[str, Callable[[Json], str]] = {**TOLD, Kind.ARMED.value: lambda fields: arm}
        self._board = ""
        """The board that was told to answer; empty while none does."""
        self._failing = ""
        self._started = False
        self._thread = threading.Thread(target=lambda: asyncio.run(self._follow()), name="news", daemon=True)

    def start(self) -> None:
        """Begin to follow."""
        self._thread.start()

    async def _follow(self) -> None:
        while True:
            try:
                async for pushed in Client(self._path).follow():
                    self.take(pushed)
            except ControllerError:
                await asyncio.sleep(AGAIN_S)

    def take(self, pushed: Json) -> None:
        """Tell what one answer of `follow` brings. The first one has no events: what they told before is in its `now`."""
        for event in pushed.get("events", ()):
            self._one(event)
        now = pushed.get("now") or {}
        board, chamber = now.get("board", {}), now.get("chamber", {})
        if not self._started:
            for latch in now.get("latches", ()):
                self._tell(f"Latched: {latch['cause']} No heat until a maintainer clears it.", {"kind": "latched", **latch})
        self._started = self._started or bool(now)
        self._record(now.get("record", {}).get("failing", ""))
        if board.get("present") and board.get("accepted"):
            self._one({"kind": Kind.BOARD_FOUND.value, "fields": {name: chamber[name] for name in ("board", "simulated")}})

    def _record(self, failing: str) -> None:
        """Why the record fails stands in the snapshot, also where it began before anybody followed."""
        if failing and not self._failing:
            self._tell(f"The record fails: {failing}. Control goes on.", {"kind": Kind.RECORD_FAILING.value, "why": failing})
        self._failing = failing

    def _one(self, event: Json) -> None:
        if event["kind"] == Kind.BOARD_FOUND and event["fields"]["board"] == self._board:
            return
        if event["kind"] in (Kind.BOARD_FOUND, Kind.BOARD_LOST):
            self._board = event["fields"].get("board", "")
        told = self._told.get(event["kind"])
        text = told(event["fields"]) if told else ""
        if text:
            self._tell(text, event)
