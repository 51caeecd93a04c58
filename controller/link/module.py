"""The host's half of a conversation with a module, sans-IO: frames of the tick in, requests out, answers in, reports out.

A module understands no frames, so what a board would do with them is done here, in the same words: a hello turns the outputs
off and has that read back, an enable is taken once what ends the heat on silence is proven, a drive moves the outputs and is
the only heartbeat. A tick that has stopped ends first the heat and then every request, so that the module's own time-out ends
it too. Times are passed in; nothing is opened or waited for; whatever comes in, nothing is raised.

A poll is one block of registers and one read of each table of bits. Any of them failing, the poll gives no report: readings
are of one moment or not at all. Nothing is asked twice; the next poll has its own time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from controller.core.messages import Drive, Enable, Hello, OffReason, Report, ToBoard
from controller.core.module import NO_BOOT, ModuleFound, Proving, SilenceProof
from controller.core.state import Garbage
from controller.link.modbus import BIT_TABLES, Answer, Bad, Read, Request, Table, WriteCoil, WriteRegister, Wrong
from controller.link.modbus_wire import Came, Wire
from controller.link.module_outputs import ModuleOutputs
from controller.link.module_proof import Proof
from controller.link.registers import NOWHERE, RegisterMap, channels, contacts, measures

POLL_US = 250_000
HELD_EVERY_POLLS = 4
"""So often it is looked whether the module still holds its time-out: one that was without supply does not."""
LICENCE_MORE_US = 1_000_000
"""A tick that stands still for the silence limit is switched off for, and so much later nothing is asked any more."""
GREET_US = 1_500_000
"""A module whose outputs do not read back off for so long after a hello has something wrong with it."""
GREET_AGAIN_US = 10_000_000
"""One that was looked at and not taken is greeted anew so often, not with every hello: what is wrong with it stays wrong."""
STUBBORN_US = 2_000_000
"""A module that does not take an off for so long is left without any request for once, so that its own time-out acts."""
TALKED_OVER = "the line does not get quiet: somebody else talks on these wires; off was sent all the same"
SAID_KEPT = 200
SEQUENCES = 10_000_000
E4 = 10_000

Said = Report | ModuleFound | SilenceProof | Proving | Garbage


class Conversation:
    """One module on one open port. `turn` gives what to send next, `until_us` says when it must be called again."""

    def __init__(self, registers: RegisterMap, silence_us: int, opened_us: int) -> None:
        self._map = registers
        self._silence_us = silence_us
        self._opened_us = self.until_us = opened_us
        self._wire = Wire(registers.speed, registers.stop_bits, registers.answer_us, registers.quiet_us, opened_us)
        self._outputs = ModuleOutputs(registers, opened_us)
        self._proof = Proof(registers.timer_relay_us)
        self._proving = False
        """As last said."""
        self._said: deque[Said] = deque(maxlen=SAID_KEPT)
        self._steps: deque[Read] = deque()
        """What is left of the poll that goes on."""
        self._got: dict[Read, Sequence[int]] = {}
        self._failed_read: Read | None = None
        """Not asked again first: should its answer come later than any drain, it would pass for its own successor's."""
        self._poll_us = self._began_us = self._reported_us = opened_us
        """When the next poll is due, when the newest began, and when the newest that gave a report did."""
        self._polls = self._sequence = 0
        self._session = self._heard = self._heard_then = 0
        """Heard: newest frame; then: newest of which nothing was left to do when the poll began."""
        self._beat_us = self._driven_us = self._greeted_us = self._answered_us = opened_us
        self._permit, self._duty_e4 = False, 0
        self._greeting = self._enabled = False
        self._told_time_out = False
        self._time_out_us = 0
        """As last read."""
        self._found: ModuleFound | None = None
        """The answer to this session's hello, once there is one."""
        self._stubborn_us = -1
        """Since when it has not taken an off; -1: it has."""
        self._broken = OffReason.NONE
        self._contacts: dict[str, bool] = {}

    # -- from the tick ------------------------------------------------------------------------------------------------

    def beat(self, now_us: int) -> None:
        """A tick has ended well, whether or not it had frames. Without beats nothing is asked of the module any more."""
        self._beat_us = now_us

    def hear(self, frame: ToBoard, now_us: int) -> None:
        """One frame of the tick's. One of another session, or an old one, is nobody's. Lamps and limits are not fitted."""
        if isinstance(frame, Hello):
            self._hello(frame, now_us)
            return
        if frame.session != self._session or frame.sequence <= self._heard:
            return
        self._heard = frame.sequence
        if isinstance(frame, Enable) and not self._greeting and not self._broken and not self._enabled:
            self._driven_us = now_us
            if self._map.timer_relay_us:
                self._proof.ask(now_us)
            else:
                self._enabled = True
        elif isinstance(frame, Drive):
            self._driven_us, self._permit, self._duty_e4 = now_us, frame.permit and frame.contactor, frame.duty_e4
            if self._permit and self._enabled:
                self._outputs.retrigger()

    def _hello(self, frame: Hello, now_us: int) -> None:
        known = self._found is not None and self._found.session == frame.session == self._session
        if known and now_us - self._greeted_us < GREET_AGAIN_US:
            self._heard, self._driven_us = frame.sequence, now_us
            self._enabled, self._permit = False, False
            self._proof.cancel()
            return
        self._session, self._heard, self._heard_then = frame.session, frame.sequence, 0
        self._driven_us = self._greeted_us = now_us
        self._greeting, self._enabled, self._permit, self._duty_e4 = True, False, False, 0
        self._told_time_out, self._broken = self._map.time_out_register == NOWHERE, OffReason.NONE
        self._proof.cancel()
        self._outputs.forget(now_us)
        self._abandon()

    # -- the wire -----------------------------------------------------------------------------------------------------

    def turn(self, now_us: int) -> bytes:
        """What to send now, if anything. To be called when `until_us` has come, and whenever something was heard."""
        self._take(self._wire.late(now_us), now_us)
        self._decide(now_us)
        free_us = self._wire.free_us(now_us)
        request = self._next(now_us) if free_us <= now_us else None
        if request is None and (shouted := self._shouted(now_us)) is not None:
            return shouted
        if request is not None:
            sent = self._wire.send(request, now_us)
            self.until_us = self._wire.free_us(now_us)
            return sent
        soonest_us = min(self._poll_us, self._outputs.wake_us(now_us) or self._poll_us)
        self.until_us = free_us if free_us > now_us else max(now_us + 1_000, soonest_us)
        return b""

    def _shouted(self, now_us: int) -> bytes | None:
        """An off that is wanted does not wait for a line on which somebody else talks for ever."""
        if self._outputs.told_off or not self._wire.noisy(now_us) or self._tick_is_still(now_us):
            return None
        request = self._outputs.shouted(now_us)
        if request is None:
            return None
        self._said.append(Garbage(1, TALKED_OVER))
        self.until_us = self._outputs.shout_us
        return self._wire.shout(request, now_us)

    def received(self, data: bytes, now_us: int) -> None:
        """Bytes of the line, in whatever pieces."""
        self._take(self._wire.receive(data, now_us), now_us)

    def take(self) -> list[Said]:
        """Everything said since the last take, oldest first."""
        said = list(self._said)
        self._said.clear()
        return said

    def leave(self) -> None:
        """The program ends: nothing is permitted any more. Go on with `turn` until `is_off`, or while there is time."""
        self._session, self._enabled, self._permit = 0, False, False
        self._proof.cancel()

    @property
    def is_off(self) -> bool:
        """Both outputs were told off, and the module echoed it."""
        return self._outputs.told_off

    def _take(self, came: Came | None, now_us: int) -> None:
        if came is None:
            return
        request, told = came
        if isinstance(told, Bad):
            self._failed(request, told, now_us)
            return
        self._answered_us = now_us
        if isinstance(request, Read):
            self._step(request, told, now_us)
        elif isinstance(request, WriteCoil | WriteRegister) and not self._is_time_out(request):
            self._outputs.wrote(request, now_us)

    def _failed(self, request: Request | None, bad: Bad, now_us: int) -> None:
        self._said.append(Garbage(1, f"{bad.code.value}: {bad.reason}"))
        if bad.code is Wrong.EXCEPTION:
            self._answered_us = now_us
        if request is None or isinstance(request, Read):
            self._abandon()
            self._failed_read = request
        elif not self._is_time_out(request):
            self._outputs.failed(request, now_us)

    def _abandon(self) -> None:
        """The poll that was going on gives no report."""
        self._steps.clear()
        self._got.clear()

    def _is_time_out(self, request: Request | None) -> bool:
        return isinstance(request, WriteRegister) and request.address == self._map.time_out_register

    # -- what is next -------------------------------------------------------------------------------------------------

    def _decide(self, now_us: int) -> None:
        """Moves what is wanted of the outputs to what the moment allows."""
        if self._enabled and now_us - self._driven_us >= self._silence_us:
            self._enabled = False
        if self._session and now_us - self._answered_us >= (self._map.time_out_us or self._silence_us):
            self._session, self._enabled = 0, False  # it has let go by itself: a fresh hello looks at it anew
        reason = self._off_reason(now_us)
        self._proof.hold(reason in (OffReason.NOT_ENABLED, OffReason.NO_PERMIT), now_us)
        if self._proof.trigger(now_us):
            self._outputs.retrigger()
        on = reason is OffReason.NONE
        self._outputs.want(on or self._proof.closes, self._duty_e4 if on else 0, now_us)
        if self._proof.closes is not self._proving:
            self._proving = self._proof.closes
            self._said.append(Proving(self._session, now_us - self._opened_us if self._proving else -1))
        if not self._outputs.disobeyed:
            self._stubborn_us = -1
        elif self._stubborn_us < 0 or self._wire.noisy(now_us):  # what it could not answer it has not refused
            self._stubborn_us = now_us

    def _off_reason(self, now_us: int) -> OffReason:
        """Why the outputs are kept off; the first that stands."""
        seen = self._contacts
        for reason, stands in (
            (OffReason.LOCAL_STOP, seen.get("local_stop") is True), (OffReason.DOOR, seen.get("door") is False),
            (OffReason.SMOKE, seen.get("smoke") is True), (self._broken, self._broken is not OffReason.NONE),
            (OffReason.HOST_SILENT, self._session > 0 and now_us - self._driven_us >= self._silence_us),
            (OffReason.NOT_ENABLED, not self._enabled), (OffReason.NO_PERMIT, not self._permit),
        ):
            if stands:
                return reason
        return OffReason.NONE

    def _next(self, now_us: int) -> Request | None:
        """A write that is due, or the poll's next step; nothing while it is better to be silent."""
        if self._withheld(now_us):
            self._abandon()
            self._poll_us = now_us + POLL_US
            return None
        write = self._outputs.due(now_us)
        if write is None and self._greeting and not self._told_time_out:
            self._told_time_out = True
            write = WriteRegister(self._map.unit, self._map.time_out_register, self._map.time_out_value)
        if write is not None:
            return write
        if not self._steps and now_us >= self._poll_us:
            self._begin_poll(now_us)
        return self._steps[0] if self._steps else None

    def _withheld(self, now_us: int) -> bool:
        """No tick lives, or the module does not take an off: any request would only keep its own time-out from acting."""
        stubborn_us = now_us - self._stubborn_us - STUBBORN_US if self._stubborn_us >= 0 else -1
        lets_go = 0 <= stubborn_us < self._map.time_out_us + LICENCE_MORE_US and self._map.time_out_us > 0
        return lets_go or self._tick_is_still(now_us)

    def _tick_is_still(self, now_us: int) -> bool:
        return now_us - self._beat_us >= self._silence_us + LICENCE_MORE_US

    def _begin_poll(self, now_us: int) -> None:
        late_us = max(0, now_us - self._poll_us)
        self._poll_us = max(self._poll_us, now_us - late_us % POLL_US) + POLL_US
        self._polls += 1
        self._began_us = now_us
        if self._outputs.settled:
            self._heard_then = self._heard
        looks = self._greeting or self._polls % HELD_EVERY_POLLS == 0
        self._steps.extend(reads(self._map, looks))
        if self._steps[0] == self._failed_read:
            self._steps.rotate(1)
        self._failed_read = None

    # -- what a poll says ---------------------------------------------------------------------------------------------

    def _step(self, read: Read, told: Answer, now_us: int) -> None:
        if not self._steps or self._steps[0] != read:
            return  # of a poll that was given up meanwhile
        self._steps.popleft()
        self._got[read] = told.values
        if not self._steps:
            self._whole_poll(now_us)

    def _whole_poll(self, now_us: int) -> None:
        got, self._got = self._got, {}
        block = got[self._map.block]
        bits: dict[Table, Sequence[int]] = {read.table: values for read, values in got.items() if read.table in BIT_TABLES}
        self._contacts = contacts(self._map, bits)
        spent_us, passed_e4 = self._began_us - self._reported_us, self._outputs.seen_duty_e4
        self._reported_us = self._began_us
        self._see(got, bits)
        self._look_at_time_out(got)
        ended = self._proof.look(self._outputs.seen_contactor, self._outputs.seen_coil, self._began_us,
                                 self._outputs.triggered_us)
        if ended is not None:
            self._said.append(SilenceProof(self._session, *ended))
            self._enabled, self._broken = ended.passed, OffReason.NONE if ended.passed else OffReason.OUTPUT
        self._decide(now_us)
        self._report(block, spent_us * passed_e4 // E4 if self._sequence else 0, now_us)
        if self._greeting:
            self._greet(now_us)

    def _see(self, got: dict[Read, Sequence[int]], bits: dict[Table, Sequence[int]]) -> None:
        """The outputs as they read back; by contacts of their own where there are such."""
        coils, read = bits.get(Table.COIL, ()), self._map.bits(Table.COIL)

        def coil(address: int) -> bool:
            return address != NOWHERE and read is not None and bool(coils[address - read.start])

        duty = self._holding(got, self._map.duty_register) if self._map.modulator_coil == NOWHERE else int(
            coil(self._map.modulator_coil))
        told = coil(self._map.contactor_coil)
        passing, closed = self._contacts.get("modulator_seen", duty > 0), self._contacts.get("contactor_seen", told)
        if not self._outputs.see(duty, told, passing, closed) and self._enabled:
            self._enabled, self._broken = False, OffReason.OUTPUT

    def _holding(self, got: dict[Read, Sequence[int]], address: int) -> int:
        """A holding register of this poll: of the block, or read by itself."""
        if inside(self._map, address):
            return got[self._map.block][address - self._map.start]
        return got[self._map.register(address)][0]

    def _look_at_time_out(self, got: dict[Read, Sequence[int]]) -> None:
        """A module whose time-out is not the one that its hello was answered with was without supply: it needs another."""
        address = self._map.time_out_register
        if address == NOWHERE or not (inside(self._map, address) or self._map.register(address) in got):
            return
        value = self._holding(got, address)
        self._time_out_us = value * (self._map.time_out_us // self._map.time_out_value)
        found_us = self._map.time_out_us if self._found is None else self._found.time_out_us
        if not self._greeting and self._time_out_us != found_us:
            self._session, self._enabled = 0, False

    def _greet(self, now_us: int) -> None:
        """Answers a hello once the outputs read back off, or when they do not."""
        off = self._outputs.off
        if not off and now_us - self._greeted_us < GREET_US:
            return
        wrong = "" if off else "its outputs do not read back off"
        self._greeting = False
        self._found = ModuleFound(self._map.board, self._session, self._time_out_us, wrong)
        self._said.append(self._found)

    def _report(self, block: Sequence[int], on_us: int, now_us: int) -> None:
        self._sequence = (self._sequence + 1) % SEQUENCES
        seen, outputs, also = self._contacts, self._outputs, measures(self._map, block)
        self._said.append(Report(
            self._map.board, NO_BOOT, self._session, self._sequence, self._heard_then, self._began_us - self._opened_us,
            channels(self._map, block, self._polls), outputs.seen_duty_e4 > 0, outputs.seen_contactor, self._enabled,
            self._off_reason(now_us), on_us, 0, 0, seen.get("mains"), seen.get("limiter"), seen.get("door"),
            seen.get("local_stop"), seen.get("arm"), seen.get("smoke"), also.get("current_ma"), also.get("fan_rpm"),
            also.get("aux_mv")))


def inside(registers: RegisterMap, address: int) -> bool:
    """Does a holding register come with the block?"""
    return registers.table is Table.HOLDING and registers.in_block(address)


def reads(registers: RegisterMap, time_out: bool) -> list[Read]:
    """The requests of one poll, in an order in which no two neighbours look alike: an answer to one must never fit the next."""
    alone = [registers.duty_register, registers.time_out_register if time_out else NOWHERE]
    duty, held = ([] if address == NOWHERE or inside(registers, address) else [registers.register(address)]
                  for address in alone)
    bits = [read for table in (Table.DISCRETE, Table.COIL) if (read := registers.bits(table)) is not None]
    return [*held, registers.block, *duty, *bits]
