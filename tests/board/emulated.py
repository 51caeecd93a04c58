"""The reference firmware in an emulated chip, in the simulated chamber: the same interface as the simulated board.

Bytes in, bytes out, time moved by the caller. Time passes in stretches of at most 100 ms, split where a heater pin
moves, so that the element is fed exactly as long as the pins say. Clock lines (`@run`) are obeyed here; the firmware
never sees one. `python -m tests.board.emulated` serves it as `controller.chamber.peer` serves the simulated board.
"""

from __future__ import annotations

import os
import sys
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.chamber import peer
from controller.chamber.faults import FAULTS
from controller.chamber.outputs import FAR_US
from controller.chamber.shapes import SHAPES, Shape
from controller.chamber.simulated import RUN_MAX_S, STRETCH_MAX_US
from controller.core.messages import ResetCause
from controller.drivers.host import go_first
from tests.board import machine as chips
from tests.board.machine import Event, Machine, Ran
from tests.board.memory_image import FITTED_ALL, FITTED_SMALL, Identity, memory_image
from tests.board.surroundings import OPEN, Noise, Surroundings

STRETCH_US = 100_000
REAL_TIME_STRETCH_US = 4_000
"""In real time bytes leave at most this much late."""
EVENTS_KEPT = 50_000
FINGER_AFTER_US, FINGER_FOR_US, FLASH_US = 300_000, 500_000, 1_500_000
FAILS_NOT, HUNG, ALL_ZEROS, ALL_ONES, SETTINGS_LOST = range(5)
MCUSR = {ResetCause.POWER_ON: chips.POWER_ON, ResetCause.BROWN_OUT: chips.BROWN_OUT, ResetCause.EXTERNAL: chips.EXTERNAL,
         ResetCause.WATCHDOG: chips.WATCHDOG, ResetCause.UNKNOWN: 0}
SCRAMBLING = frozenset({ResetCause.POWER_ON, ResetCause.BROWN_OUT})


class EmulatedBoard(Surroundings):
    """One chip with its chamber. `close` it, or use it as a context manager."""

    def __init__(self, shape: Shape = SHAPES["bench"], seed: int = 1, board_id: str = "5a17c0", *, chip: str = "atmega328p",
                 auto_arm: bool = False, lock_step: bool = False, memory: bytes | None = None,
                 firmware: Path | None = None, crystal_hz: int = chips.CRYSTAL_HZ) -> None:
        """`memory` is the EEPROM's image; without one the board leaves the bench with the shape's ceiling."""
        super().__init__(shape, seed)
        self.chip, self.auto_arm, self.lock_step = chip, auto_arm, lock_step
        self.machine = Machine(chip, firmware, crystal_hz)
        fitted = FITTED_ALL if chip == "atmega2560" else FITTED_SMALL
        self.machine.put_eeprom(0, memory or memory_image(
            chip, Identity(board_id, fitted=fitted), shape.board_ceiling_mc, RUN_MAX_S))
        self.noise_to: Noise | None = None
        self.noise_from: Noise | None = None
        self.ran: Ran = Ran(0, 0, 0, (), (), [], b"")
        self.events: deque[Event] = deque(maxlen=EVENTS_KEPT)
        """All that the chip did, oldest first; the oldest go when there are too many."""
        self.differences: list[Event] = []
        """Passes after which a heater pin was not what the firmware's own `outputs` say. Always empty, or it is a bug."""
        self.stops = chips.STOP_EDGE
        self._to_chip = b""
        self._heard = b""
        self._said: list[bytes] = []
        self._half_line = b""
        self._names = chips.pins(chip)
        self._modulator, self._contactor = self._names.index("modulator"), self._names.index("contactor")
        self._lamp = self._names.index("lamp_armed")
        self._lamp_rose_us = self._finger_us = FAR_US
        self.machine.reset(chips.POWER_ON, scramble=True)

    def __enter__(self) -> EmulatedBoard:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        self.machine.close()

    # Bytes in and out

    def receive(self, data: bytes) -> None:
        """Bytes from the host. In lock-step whole lines only, for `@run` is among them."""
        if not self.lock_step:
            self._to_line(data)
            return
        *lines, self._heard = (self._heard + data).split(b"\n")
        for line in lines:
            us = line[5:] if line.startswith(b"@run ") else b""
            if us.isdigit() and int(us[:12]) > 0:
                self.advance(min(int(us[:12]), STRETCH_MAX_US))
                self._said.append(b"@ran %d\n" % self.now_us)
            else:
                self._to_line(line + b"\n")

    def _to_line(self, data: bytes) -> None:
        self._to_chip += self.noise_to(data) if self.noise_to else data

    def take(self) -> bytes:
        """All that was said and not taken yet."""
        said = b"".join(self._said)
        self._said.clear()
        return said

    def run(self, us: int) -> bytes:
        """Let `us` pass and give all that was said."""
        self.advance(us)
        return self.take()

    def _from_line(self, sent: bytes) -> None:
        """In lock-step a line that is still being sent waits for its end: `@ran` must not stand in its middle."""
        if self.noise_from:
            sent = self.noise_from(sent)
        if self.faults.silent:
            return
        if self.faults.garbage:
            sent, self.faults.garbage = self.random.randbytes(self.faults.garbage) + sent, 0
        if self.lock_step:
            whole, newline, self._half_line = (self._half_line + sent).rpartition(b"\n")
            sent = whole + newline
        if sent:
            self._said.append(sent)

    # Time

    def advance(self, us: int) -> None:
        """Let `us` pass; `take` gives what was said."""
        end_us = self.now_us + us
        while self.now_us < end_us:
            self.stretch(min(end_us, self.now_us + STRETCH_US, max(self._finger_us, self.now_us + 1)))

    def stretch(self, until_us: int) -> list[Event]:
        """At most up to then: ends early at what `stops` names. Gives what happened."""
        current_mv = min(self.current_ma(self.outputs), 5_000)  # the invented sensor gives 1 V per A
        line, self._to_chip = self._to_chip, b""
        ran = self.ran = self.machine.run(until_us, self.stops, self.hands(), (current_mv, self.aux_mv),
                                          self.conversions(), line)
        if ran.now_us > self.now_us:
            self.pass_time(ran.now_us - self.now_us, self.outputs)
        self.types = list(ran.types)
        for event in ran.events:
            self._happened(event)
        self.events.extend(ran.events)
        if ran.sent:
            self._from_line(ran.sent)
        if self.now_us >= self._finger_us:
            self._finger()
        return ran.events

    def _happened(self, event: Event) -> None:
        if event.kind == self._modulator:
            self.outputs.modulator = bool(event.value)
        elif event.kind == self._contactor:
            self.outputs.contactor = bool(event.value)
        elif event.kind == chips.DIFFERS:
            self.differences.append(event)
        elif event.kind == self._lamp and event.value and self.auto_arm:
            if event.us - self._lamp_rose_us < FLASH_US and self._finger_us == FAR_US:
                self._finger_us = event.us + FINGER_AFTER_US
            self._lamp_rose_us = event.us

    def _finger(self) -> None:
        """The demo's own hand: presses when the lamp flashes, then lets go."""
        self.arm_pressed = not self.arm_pressed
        self._finger_us = self.now_us + FINGER_FOR_US if self.arm_pressed else FAR_US

    # Faults

    def fault(self, name: str, **args: Any) -> None:
        """Make or end (`on=False`) a fault, or move a hand. Raises ValueError naming what there is."""
        make = OWN.get(name) or FAULTS.get(name)
        if make is None:
            raise ValueError(f"fault is {name!r}; there are {', '.join(sorted({**FAULTS, **OWN}))}")
        make(self, args)
        for at, sensor in enumerate(self.sensors):
            kind = self.faults.channels.get(at)
            sensor.status = sensor.status | OPEN if kind == "open" else sensor.status & ~OPEN
            self.machine.fail(at, HUNG if kind == "frozen" else FAILS_NOT)

    def reset(self, cause: int = ResetCause.EXTERNAL, held_us: int = 0) -> None:
        """The chip's reset, seen from outside; a supply that went scrambles the memory too."""
        self.machine.reset(MCUSR[ResetCause(cause)], ResetCause(cause) in SCRAMBLING, held_us)
        self.stretch(self.now_us)

    def silent_line(self) -> None:
        """What the host has sent and the chip has not heard yet is lost."""
        self._to_chip = b""
        self.machine.take_back()

    # What tests ask

    def edges(self, pin: str, since_us: int = 0) -> list[Event]:
        """Every movement of an output pin since then."""
        number = self._names.index(pin)
        return [event for event in self.events if event.kind == number and event.us >= since_us]

    def resets(self, since_us: int = 0) -> list[Event]:
        """Every reset seen since then; the value is the chip's bits for its cause."""
        return [event for event in self.events if event.kind == chips.RESET and event.us >= since_us]


def _frozen(board: EmulatedBoard, args: dict[str, Any]) -> None:
    board.machine.freeze()


def _stuck(board: EmulatedBoard, args: dict[str, Any]) -> None:
    board.machine.stick_pin("smoke" if args.get("on", True) else None, True)


def _no_watchdog(board: EmulatedBoard, args: dict[str, Any]) -> None:
    raise ValueError("fault is 'watchdog_missing'; an emulated chip has its watchdog: make it at the simulated board")


OWN: dict[str, Callable[[EmulatedBoard, dict[str, Any]], None]] = {
    "hang": _frozen, "self_test_failed": _stuck, "watchdog_missing": _no_watchdog}
"""Faults that are made in the chip itself; the others are the chamber's, as in `controller.chamber.faults`."""


def main(argv: list[str] | None = None) -> int:
    """Serve until the parent ends, the wire closes or a signal comes. 0 then; 2 for arguments that do not fit."""
    parent = os.getppid()
    parser = peer.arguments("python -m tests.board.emulated",
                            "The reference firmware in an emulated chip and a simulated chamber.")
    parser.add_argument("--chip", choices=chips.CHIPS, default=chips.CHIPS[0], help="which chip")
    args = parser.parse_args(argv)
    if not (args.lock_step or args.stdio):
        go_first()  # a board has a processor of its own; in real time this one must not wait for others
    with EmulatedBoard(SHAPES[args.shape], args.seed, args.board, chip=args.chip, auto_arm=args.auto_arm,
                       lock_step=args.lock_step or args.stdio) as board:
        return peer.serve(args, board, parent, REAL_TIME_STRETCH_US)


if __name__ == "__main__":
    sys.exit(main())
