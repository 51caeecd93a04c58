"""The controller process: one loop that takes what has come, lets the tick decide, and sends what it says, drive last.

Everything slow has its own thread: port, record, latch file, socket. The loop wakes before its second is over only for
"Stop heating". Its end, whatever the cause, is heat off: cleanly by a stop that the record shows, otherwise by silence.
"""

from __future__ import annotations

import os
import sys
import threading
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from controller.board_line import Line
from controller.commissioning.commissioner import Commissioner
from controller.config import ChamberFolder
from controller.core.commands import Ask, Command, PersonRole
from controller.core.events import Event, Kind
from controller.core.leaving import NOT_HEARD
from controller.core.run_states import ACTIVE, S
from controller.core.setup import Level
from controller.core.start import first_state
from controller.core.state import NOT_SET, Inputs, Lapse, Messages, Notice, State, Wall
from controller.core.tick import advance, waits_for_nothing
from controller.drivers import latch
from controller.drivers.clocks import Clock, StepWatch, mono_us
from controller.drivers.notify import Notifier
from controller.lateness import Lateness
from controller.publish import Doors, SocketServer, Told
from controller.records.writer import TickRecord, Writer
from controller.snapshot import Facts

COMMANDS_MAX = 50
NOTES_MAX = 200
LOST_WAITING = "The controller ended while a start waited for its time. That start is taken back; nothing was heated."
MESSENGER_SILENT_US = 20 * 1_000_000
MESSENGER_FRESH_US = 8 * 1_000_000
"""It says every 5 s how it is. A start that is to be left alone does not rest on an older word than this."""
SYNC_EVERY_TICKS = 10
LAST_TICKS = 8
"""At the end: that many short ticks at most to see the heat off."""
LAST_TICK_S = 0.1
WRITE_OUT_S = 5.0
"""Record and latch file get that long to take their last words."""


class Parts(NamedTuple):
    """What the loop runs with; made by `controller.start_up`."""

    folder: ChamberFolder
    clock: Clock
    line: Line
    writer: Writer
    keeper: latch.LatchKeeper
    notifier: Notifier
    facts: Facts
    socket_path: Path
    next_run: int
    commissioner: Commissioner


class Service:
    """The loop. `submit`, `note` and `end` may be called from any thread; the rest is the loop's own."""

    def __init__(self, parts: Parts, latches: tuple[latch.Stored, ...], waited_utc_us: int = 0) -> None:
        """`latches` are those that the file kept; `waited_utc_us`: the last controller ended while a start waited for then."""
        self._parts = parts
        self._clock = parts.clock
        self._chamber = parts.folder.chamber
        self.state = _first_state(parts, latches)
        if waited_utc_us:
            self.state = self.state._replace(lapse=Lapse(LOST_WAITING, self.state.mono_us, waited_utc_us))
        self._commands: deque[Command] = deque()
        self._notes: deque[Event] = deque(maxlen=NOTES_MAX)
        self._woken = threading.Event()
        self._end_reason = ""
        self._next_run = parts.next_run
        self._steps = StepWatch()
        self._synced = False
        self._untold: list[dict[str, Any]] = []
        """Events recorded before the first tick, for the socket to tell with it."""
        self.lateness = Lateness()
        self._started_us = mono_us()
        doors = Doors(self.submit, self.note, lambda: str(self._next_run), self.health, parts.commissioner)
        parts.commissioner.tell(self.note)
        self.server = SocketServer(parts.socket_path, parts.facts, doors, self.state, self._clock.utc_us())

    # -- from other threads -------------------------------------------------------------------------------------------

    def submit(self, command: Command) -> bool:
        """A command for the next tick; "Stop heating" does not wait for it, and is never turned away."""
        at_once = waits_for_nothing(command.ask)
        if len(self._commands) >= COMMANDS_MAX and not at_once:
            return False
        self._commands.append(command)
        if at_once:
            self._woken.set()
            self._parts.line.interrupt()
        return True

    def note(self, event: Event) -> None:
        """An event that no tick makes, to be recorded with the next one."""
        self._notes.append(event)

    def end(self, reason: str) -> None:
        """End soon: heat off first, with this reason in the record."""
        self._end_reason = self._end_reason or reason
        self._woken.set()

    def health(self) -> dict[str, Any]:
        """How the process is, for diagnostics."""
        parts = self._parts
        return {"version": parts.facts.version, "pid": os.getpid(), "boot": parts.facts.boot, "tick": self.state.tick,
                "clock": self._clock.name, "speed": self._clock.speed, "up_us": mono_us() - self._started_us,
                "late_p99_us": self.lateness.p99_us(), "late_max_us": self.lateness.largest_us,
                "record_failing": parts.writer.failing, "record_waiting": parts.writer.waiting,
                "latch_failing": parts.keeper.failing, "proofs_failing": parts.commissioner.failing}

    # -- the loop -----------------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Until `end`. Any error ends the process, and the board's silence timer the heat."""
        self.server.start()
        self.note(Event(Kind.CONTROLLER_STARTED, {
            "version": self._parts.facts.version, "simulated": self._chamber.simulated,
            "data": self._parts.socket_path.parent.name}))
        if self.state.lapse is not None:
            reason, _, named_utc_us = self.state.lapse
            self.note(Event(Kind.START_LAPSED, {"run_id": None, "reason": reason, "at_utc_us": named_utc_us}))
        self._untold = self._record_notes(self._clock.utc_us(), self._clock.mono_us())
        self._parts.notifier.ready(f"watching {self._chamber.name}")
        try:
            while not self._end_reason:
                self._once()
            self._switch_off()
        finally:
            self._close()

    def _once(self) -> None:
        """Wait for the next deadline and tick; or, woken before it, tick for what cannot wait."""
        if self._clock.wait(self._woken):
            self.tick(self._clock.begin())
        else:
            self._woken.clear()
            if any(waits_for_nothing(command.ask) for command in self._commands):
                self.tick(0, extra=True)

    def tick(self, late_us: int, extra: bool = False) -> None:
        """One tick: hear, decide, send; then tell the record, the socket, the latch file and the service manager."""
        parts = self._parts
        heard = parts.line.take()
        utc_us, now_us = self._clock.utc_us(), self._clock.mono_us()
        commands = self._take_commands(extra)
        inputs = Inputs(now_us, heard.reports, (*heard.notices, *self._computer(commands, utc_us)), commands, late_us,
                        self._rows_lost(), extra)
        result = advance(self.state, inputs)
        parts.line.send(result.outputs.frames)
        self._follow(result.state, result.events)
        parts.commissioner.see(result.state, utc_us, result.events, heard.reports)
        first = parts.writer.put(TickRecord(result.state.tick, utc_us, inputs, result))
        told = [_told(parts.facts.boot, first + number, utc_us, result.state, event)
                for number, event in enumerate(result.events)]
        told = self._untold + told + self._record_notes(utc_us, inputs.mono_us)
        self._untold = []
        parts.keeper.keep(result.state, utc_us)
        self.server.publish(Told(result.state, utc_us, told, (parts.writer.failing or parts.keeper.failing,
                                                              inputs.record_lost), self._synced))
        if not extra:
            self.lateness.add(late_us)
            if self.server.alive:
                parts.notifier.ping(mono_us())

    def _take_commands(self, extra: bool) -> tuple[Command, ...]:
        """An extra tick takes only what cannot wait; the rest keeps its order."""
        taken = [self._commands.popleft() for _ in range(len(self._commands))]
        if not extra:
            return tuple(taken)
        self._commands.extendleft(reversed([one for one in taken if not waits_for_nothing(one.ask)]))
        return tuple(one for one in taken if waits_for_nothing(one.ask))

    def _computer(self, commands: tuple[Command, ...], utc_us: int) -> Iterator[Notice]:
        """What this computer itself tells the tick: how the messenger is, and the time while a start waits for one."""
        said = self.server.messages
        failing = NOT_HEARD if said is None else said.failing
        starts = self.state.pending is not None or any(command.ask is Ask.START for command in commands)
        patience_us = MESSENGER_FRESH_US if starts else MESSENGER_SILENT_US
        if said is not None and mono_us() - said.mono_us >= patience_us:
            failing = "the messenger does not answer"
        yield from self._parts.commissioner.notices(self.state, utc_us, any(command.ask is Ask.START for command in commands))
        failing = failing or self._way_lost()
        if failing != self.state.messages_why:
            yield Messages(failing)
        pending = self.state.pending
        named = (pending is not None and not pending.due) or any(command.at_utc_us for command in commands)
        if named or self.state.tick % SYNC_EVERY_TICKS == 0:
            self._synced = self._clock.synchronised()
        if named:
            yield Wall(utc_us if self._synced else NOT_SET)

    def _way_lost(self) -> str:
        """A start that waits was asked for by the word of a channel that has been taken away or changed since."""
        said, pending = self.server.messages, self.state.pending
        leaving = pending.command.leaving if pending is not None and pending.command.level is Level.UNATTENDED else None
        if leaving is None or not leaving.way or said is None or said.ways is None or leaving.way in said.ways:
            return ""
        return f"the channel {leaving.channel}, whose message arrived, is gone or changed; take this start back and ask anew"

    def _rows_lost(self) -> int:
        """A latch file that cannot be written counts as a failing record: same cause, same advice."""
        return self._parts.writer.lost + (1 if self._parts.keeper.failing else 0)

    def _follow(self, state: State, events: tuple[Event, ...]) -> None:
        if state.board.session != self.state.board.session:
            self._parts.line.session_used(state.board.session)
        if state.pending is not None and state.pending.command.run_id == str(self._next_run):
            self._next_run += 1  # also of a start that comes to nothing: the next one's events are not mixed with its
        self.state = state

    def _record_notes(self, utc_us: int, now_us: int) -> list[dict[str, Any]]:
        """Events of the service's own, numbered by the record as all others are."""
        jumped_us = self._steps.look(utc_us, now_us)
        if jumped_us:
            self.note(Event(Kind.CLOCK_STEPPED, {"by_us": jumped_us}))
        told = []
        while self._notes:
            event = self._notes.popleft()
            told.append(_told(self._parts.facts.boot, self._parts.writer.note(event, utc_us), utc_us, self.state, event))
        return told

    # -- the end ------------------------------------------------------------------------------------------------------

    def _switch_off(self) -> None:
        """Stop the heat as a person would, and wait a moment to see it off."""
        run = self.state.run
        pending = self.state.pending
        starting = pending is not None and pending.due  # one that waits for its time is kept in the file, and told of
        if (run is not None and run.state in ACTIVE) or starting:
            self._commands.append(Command(Ask.STOP_HEATING, f"controller: {self._end_reason}", PersonRole.MAINTAINER,
                                          ""))
            self.tick(0, extra=True)
            for _ in range(LAST_TICKS):
                if self.state.stop.off_seen_us >= 0 and (self.state.run is None or self.state.run.state is S.ABORTED):
                    break
                threading.Event().wait(LAST_TICK_S)
                self._clock.begin()
                self.tick(0)
        self.note(Event(Kind.CONTROLLER_STOPPED, {"reason": self._end_reason}))
        self.tick(0)

    def _close(self) -> None:
        parts = self._parts
        parts.notifier.stopping(self._end_reason or "an error")
        self.server.close()
        parts.keeper.close(WRITE_OUT_S)
        parts.commissioner.close()
        parts.writer.close(WRITE_OUT_S)


def _first_state(parts: Parts, latches: tuple[latch.Stored, ...]) -> State:
    """The state before the first tick, with the latches that the file kept as it kept them."""
    now_us = parts.clock.mono_us()
    state = first_state(parts.folder.chamber, now_us, tuple(one.guard for one in latches))
    kept = latch.restored(latches, now_us, parts.clock.utc_us())
    return state._replace(latches=tuple(
        whole._replace(guard=known.guard) for whole, known in zip(kept, state.latches, strict=True)))


def _told(boot: int, seq: int, utc_us: int, state: State, event: Event) -> dict[str, Any]:
    """An event as the socket and the page know it."""
    run_id = event.fields.get("run_id") or (state.run.id if state.run else None)
    return {"id": f"{boot}-{seq}", "utc_us": utc_us, "tick": state.tick, "kind": event.kind.value,
            "run_id": None if run_id is None else str(run_id), "fields": event.fields}


if __name__ == "__main__":
    from controller.start_up import main

    sys.exit(main())
