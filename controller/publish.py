"""The local socket: snapshots, the stream of ticks, and commands in. Its own thread; nothing here delays a tick.

The loop hands over finished ticks and goes on; a client that does not read is dropped. The lines are described, with
examples, in `socket.md`.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import threading
from collections import OrderedDict, deque
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from controller.chamber_told import chamber_facts
from controller.commissioning import asks
from controller.commissioning.commissioner import Commissioner
from controller.core.commands import Ask, Command
from controller.core.events import Event, Kind
from controller.core.leaving import lacking
from controller.core.run_states import ACTIVE, S
from controller.core.schedule import Mistake, mistakes, over_ceiling
from controller.core.state import State
from controller.drivers.clocks import mono_us
from controller.drivers.peer_user import peer_user
from controller.intake import NotACommand, command_of, named, refused_event
from controller.lines import LINE_MAX_BYTES, Error, decoded, encoded, error_line
from controller.messenger_word import MessengerSaid, messenger_said
from controller.snapshot import Facts, Proving, Snapshots, guard_rows, row

UNSENT_MAX_BYTES = 1 << 20
CLIENTS_MAX = 64
RING = 600
RECEIVE_BYTES = 65_536
QUEUE_MAX = 2_000
"""Ticks waiting for this thread; more than half an hour of them in real time."""
STOPS_KEPT = 64
PATH_MAX = 100
"""A unix socket's name must fit into 108 bytes."""

Json = dict[str, Any]


class Told(NamedTuple):
    """One finished tick as the loop hands it over."""

    state: State
    utc_us: int
    events: list[Json]
    record: tuple[str, int]
    synced: bool = True


class Doors(NamedTuple):
    """What this thread may ask of the loop; all of them return at once."""

    submit: Callable[[Command], bool]
    """False when too many commands wait already."""
    note: Callable[[Event], None]
    run_id: Callable[[], str]
    health: Callable[[], Json]
    commissioner: Commissioner


class _Client:
    """One connection: what has come and what must go."""

    __slots__ = ("closing", "following", "incoming", "line", "outgoing", "user")

    def __init__(self, line: socket.socket) -> None:
        self.line = line
        self.user = peer_user(line)
        self.incoming = bytearray()
        self.outgoing = bytearray()
        self.following = False
        self.closing = False


class _Waiting(NamedTuple):
    """A command that no tick has judged yet, and who asked."""

    client: _Client
    ask_id: Any
    command: Command


class SocketServer:
    """Serves one controller. `publish` is called by the loop; everything else happens in the thread."""

    def __init__(self, path: Path, facts: Facts, doors: Doors, state: State, utc_us: int) -> None:
        self._path = path
        self._facts = facts
        self._doors = doors
        self._snapshots = Snapshots(facts)
        self._told = Told(state, utc_us, [], ("", 0))
        self._queue: deque[Told] = deque(maxlen=QUEUE_MAX)
        self._ring: deque[tuple[str, list[int | None]]] = deque(maxlen=RING)
        self._clients: dict[int, _Client] = {}
        self._waiting: dict[str, deque[_Waiting]] = {}
        self._stopped: OrderedDict[str, Json] = OrderedDict()
        """Answers to the newest presses of "Stop heating", by their reference."""
        self._selector = selectors.DefaultSelector()
        self._bell, self._ringer = socket.socketpair()
        self._ending = threading.Event()
        self.messages: MessengerSaid | None = None
        """What the messenger said last; read by the loop."""
        self._thread = threading.Thread(target=self._serve, name="socket", daemon=True)
        self._do: dict[str, Callable[[Json, _Client], Json | None]] = {
            "now": lambda ask, client: {"now": self._now()}, "follow": self._follow, "command": self._command,
            "chamber": lambda ask, client: chamber_facts(facts.folder, self._told.state.chamber, doors.commissioner.level),
            "guards": lambda ask, client: {"guards": guard_rows(self._told.state)},
            "health": lambda ask, client: doors.health(), "messages": self._messages,
            "proofs": lambda ask, client: {"proofs": doors.commissioner.guide(self._told.state, self._told.utc_us)},
            "prove": self._asked(asks.prove), "changed": self._asked(asks.changed), "bundle": self._asked(asks.bundle),
        }

    def start(self) -> None:
        """Open the socket and serve. Raises OSError when the name cannot be used."""
        if len(os.fsencode(self._path)) > PATH_MAX:
            raise OSError(f"{self._path} is longer than {PATH_MAX} bytes; use a shorter data folder")
        self._path.unlink(missing_ok=True)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
        before = os.umask(0o117)
        try:
            listener.bind(os.fspath(self._path))
        finally:
            os.umask(before)
        listener.listen(CLIENTS_MAX)
        for one in (self._bell, self._ringer):
            one.setblocking(False)
        self._selector.register(listener, selectors.EVENT_READ, self._accept)
        self._selector.register(self._bell, selectors.EVENT_READ, self._hear_bell)
        self._listener = listener
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Does the thread live?"""
        return self._thread.is_alive()

    def publish(self, told: Told) -> None:
        """Hand over one tick. Never blocks."""
        self._queue.append(told)
        self._ring_bell()

    def close(self, timeout_s: float = 1.0) -> None:
        """End the thread and drop everybody; may be called twice, or without a start."""
        if self._thread.is_alive():
            self._ending.set()
            self._ring_bell()
            self._thread.join(timeout_s)
            self._path.unlink(missing_ok=True)
        self._bell.close()
        self._ringer.close()

    def _ring_bell(self) -> None:
        with contextlib.suppress(OSError):  # full: it rings already; closed: nobody listens any more
            self._ringer.send(b"1")

    # -- the thread -------------------------------------------------------------------------------------------------

    def _serve(self) -> None:
        while not self._ending.is_set():
            for key, mask in self._selector.select(1.0):
                key.data(mask) if not isinstance(key.data, _Client) else self._attend(key.data, mask)
        self._tell_all()
        for client in list(self._clients.values()):
            self._drop(client)
        self._selector.unregister(self._listener)
        self._listener.close()
        self._selector.close()

    def _accept(self, _mask: int) -> None:
        try:
            line, _ = self._listener.accept()
        except OSError:
            return
        if len(self._clients) >= CLIENTS_MAX:
            line.close()
            return
        line.setblocking(False)
        client = _Client(line)
        self._clients[line.fileno()] = client
        self._selector.register(line, selectors.EVENT_READ, client)

    def _hear_bell(self, _mask: int) -> None:
        with contextlib.suppress(BlockingIOError):
            self._bell.recv(4096)
        self._tell_all()

    def _attend(self, client: _Client, mask: int) -> None:
        if mask & selectors.EVENT_READ:
            self._receive(client)
        if mask & selectors.EVENT_WRITE and not client.closing:
            self._flush(client)

    def _receive(self, client: _Client) -> None:
        try:
            data = client.line.recv(RECEIVE_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return
        client.incoming += data
        *lines, rest = client.incoming.split(b"\n")
        client.incoming = rest
        for line in lines:
            if line.strip() and not client.closing:
                self._answer(client, bytes(line))
        if len(client.incoming) > LINE_MAX_BYTES and not client.closing:
            self._say(client, {"id": None, **error_line(Error("too_long", f"a line has at most {LINE_MAX_BYTES} bytes"))})
            self._drop(client)

    def _answer(self, client: _Client, line: bytes) -> None:
        ask_id: Any = None
        try:
            ask = decoded(line)
            ask_id = ask.get("id")
            do = self._do.get(ask["do"]) if isinstance(ask.get("do"), str) else None
            if do is None:
                raise Error("unknown_do", f"do is {str(ask.get('do'))[:40]!r}; known are {', '.join(sorted(self._do))}")
            answer = do(ask, client)
        except Error as error:
            self._say(client, {"id": ask_id, **error_line(error)})
            return
        if answer is not None:
            self._say(client, {"id": ask_id, "ok": answer})

    def _now(self) -> Json:
        told, commissioner = self._told, self._doors.commissioner
        return self._snapshots.now(told.state, told.utc_us, told.record, told.synced,
                                   Proving(commissioner.level, commissioner.doing(told.state)))

    def _follow(self, ask: Json, client: _Client) -> Json:
        client.following = True
        after = ask.get("after")
        known = [identity for identity, _ in self._ring]
        resumed = isinstance(after, str) and after in known
        first = known.index(str(after)) + 1 if resumed else 0
        return {"resumed": resumed, "rows": [one for _, one in list(self._ring)[first:]], "now": self._now()}

    def _command(self, ask: Json, client: _Client) -> None:
        data = ask.get("command")
        try:
            command = command_of(data, self._doors.run_id())
        except NotACommand as refusal:
            self._doors.note(refused_event(data, refusal, client.user))
            self._refuse(client, ask.get("id"), refusal.code, refusal.reason, refusal.mistakes)
            return
        if client.user:
            command = named(command, client.user)
        if command.ask is Ask.STOP_HEATING and self._same_press(command, client, ask.get("id")):
            return
        self._waiting.setdefault(command.ref, deque()).append(_Waiting(client, ask.get("id"), command))
        if not self._doors.submit(command):
            self._waiting[command.ref].pop()
            self._refuse(client, ask.get("id"), "busy", "Too many commands wait already. Try again in a second.", [])

    def _same_press(self, command: Command, client: _Client, ask_id: Any) -> bool:
        """A press that was sent again because nobody answered: one press is one act. Only while the heat is off by it; else
        it is obeyed like any other."""
        waiting = self._waiting.get(command.ref)
        if waiting and waiting[0].command.ask is Ask.STOP_HEATING:
            waiting.append(_Waiting(client, ask_id, command))
            return True
        state, before = self._told.state, self._stopped.get(command.ref)
        if before is None or state.permit or state.pending is not None or (state.run and state.run.state in ACTIVE):
            return False
        self._say(client, {"id": ask_id, "ok": before})
        return True

    def _asked(self, what: Callable[..., Json]) -> Callable[[Json, _Client], Json | None]:
        """An ask of commissioning: answered, or refused as a command would be."""
        def answer(ask: Json, client: _Client) -> Json | None:
            try:
                return what(ask, self._doors.commissioner, self._told.state, self._told.utc_us, client.user)
            except asks.Refusal as refusal:
                self._doors.note(asks.refused_event(ask, refusal, client.user))
                self._refuse(client, ask.get("id"), refusal.code, refusal.reason, refusal.mistakes)
                return None
        return answer

    def _messages(self, ask: Json, client: _Client) -> Json:
        """The messenger says how it is; it says so every few seconds, because silence counts as failing."""
        try:
            self.messages = messenger_said(ask, mono_us())
        except ValueError as error:
            raise Error("bad_messages", str(error)) from None
        return {}

    def _tell_all(self) -> None:
        while self._queue:
            self._tell(self._queue.popleft())

    def _tell(self, told: Told) -> None:
        self._told = told
        self._snapshots.see(told.state)
        identity = f"{self._facts.boot}-{told.state.tick}"
        line = row(told.state, told.utc_us)
        self._ring.append((identity, line))
        for event in told.events:
            self._judged(event)
        followers = [client for client in self._clients.values() if client.following]
        if followers:
            push = encoded({"push": "tick", "id": identity, "row": line, "now": self._now(), "events": told.events})
            for client in followers:
                self._queue_out(client, push)

    def _judged(self, event: Json) -> None:
        """A tick has judged a command: answer whoever asked it first under this reference."""
        fields = event["fields"]
        waiting = self._waiting.get(fields.get("ref", ""))
        if event["kind"] not in JUDGED or not waiting or waiting[0].command.ask.value != fields["ask"]:
            return
        asked = waiting.popleft()
        if not waiting:
            del self._waiting[fields["ref"]]
        if event["kind"] == Kind.COMMAND_ACCEPTED.value:
            answer = self._accepted(asked.command, fields["detail"])
            self._say(asked.client, {"id": asked.ask_id, "ok": answer})
            if asked.command.ask is Ask.STOP_HEATING:
                self._stop_was_judged(fields["ref"], answer)
            return
        found = self._mistakes(asked.command, fields["code"])
        self._refuse(asked.client, asked.ask_id, fields["code"], fields["reason"], found)

    def _stop_was_judged(self, ref: str, answer: Json) -> None:
        """Everybody who sent this press gets the same answer, and whoever sends it once more."""
        for other in self._waiting.pop(ref, ()):
            self._say(other.client, {"id": other.ask_id, "ok": answer})
        self._stopped[ref] = answer
        while len(self._stopped) > STOPS_KEPT:
            self._stopped.popitem(last=False)

    def _accepted(self, command: Command, detail: str) -> Json:
        run = self._told.state.run
        run_id = command.run_id if command.ask is Ask.START else run.id if run else None
        return {"ask": command.ask.value, "detail": detail, "run_id": run_id, "state": (run.state if run else S.IDLE).value}

    def _mistakes(self, command: Command, code: str) -> list[Mistake]:
        """What exactly is wrong with the schedule of a refused start, field by field."""
        if code == "not_ready_to_leave":
            return lacking(command.leaving, 0, self._told.state.messages_why)
        if command.schedule is None or code not in ("bad_schedule", "over_ceiling"):
            return []
        limits = self._facts.folder.chamber.limits
        return mistakes(command.schedule) or over_ceiling(command.schedule, limits.ceiling_mc, limits.run_margin_mc)

    def _refuse(self, client: _Client, ask_id: Any, code: str, reason: str, found: list[Mistake]) -> None:
        self._say(client, {"id": ask_id, "refused": {
            "code": code, "reason": reason, "mistakes": [mistake._asdict() for mistake in found]}})

    # -- bytes out --------------------------------------------------------------------------------------------------

    def _say(self, client: _Client, data: Json) -> None:
        self._queue_out(client, encoded(data))

    def _queue_out(self, client: _Client, data: bytes) -> None:
        if client.closing:
            return
        client.outgoing += data
        self._flush(client)
        if len(client.outgoing) > UNSENT_MAX_BYTES:
            self._drop(client)

    def _flush(self, client: _Client) -> None:
        try:
            while client.outgoing:
                del client.outgoing[:client.line.send(client.outgoing)]
        except BlockingIOError:
            pass
        except OSError:
            self._drop(client)
            return
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.outgoing else 0)
        self._selector.modify(client.line, wanted, client)

    def _drop(self, client: _Client) -> None:
        if client.closing:
            return
        client.closing = True
        self._selector.unregister(client.line)
        del self._clients[client.line.fileno()]
        client.line.close()


JUDGED = frozenset({Kind.COMMAND_ACCEPTED.value, Kind.COMMAND_REFUSED.value})
