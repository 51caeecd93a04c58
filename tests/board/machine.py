"""One emulated chip as a child process, and what it is built from. The protocol stands in emulator/run_board.c."""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import struct
import subprocess
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "hardware_notes" / "reference_firmware"
EMULATOR = Path(__file__).parent / "emulator"
CHIPS = ("atmega328p", "atmega2560")
CRYSTAL_HZ = 16_000_000
RAM_AT = {"atmega328p": 0x100, "atmega2560": 0x200}
RAM_END = {"atmega328p": 0x8FF, "atmega2560": 0x21FF}
STOP_EDGE, STOP_RESET, STOP_EEPROM = 1, 2, 4
RESET, DIFFERS, LINE, EEPROM_WRITE, STOPPED = 100, 101, 102, 103, 104
"""Kinds of events that are no pin."""
POWER_ON, EXTERNAL, BROWN_OUT, WATCHDOG = 1, 2, 4, 8
"""The chip's own bits for the cause of a reset."""
NO_PLACE = 65_535
DATA_AT = 0x80_0000
"""Where the linker puts data, to tell it from program memory."""
RUN = struct.Struct("<QBIHH" + "iHB" * 3)
RAN = struct.Struct("<QQQ3B3IH")
EVENT = struct.Struct("<QBB")


class Event(NamedTuple):
    """Something the chip did: an output pin moved (`kind` is its number), or one of the kinds above."""

    us: int
    kind: int
    value: int


class Ran(NamedTuple):
    """One stretch."""

    now_us: int
    awake: int
    """Cycles since the start; likewise the next."""
    asleep: int
    types: tuple[int, ...]
    """CR1 of each converter."""
    finished: tuple[int, ...]
    """Conversions of each."""
    events: list[Event]
    sent: bytes


class Missing(Exception):
    """What the emulated board needs is not on this computer."""


def missing() -> str:
    """Why there is no emulated board here, or nothing."""
    lacks = [name for name, there in (
        ("gcc-avr", shutil.which("avr-gcc")), ("avr-libc", Path("/usr/lib/avr/include/avr/io.h").exists()),
        ("libsimavr-dev", Path("/usr/include/simavr/sim_avr.h").exists()), ("gcc", shutil.which("cc")),
        ("make", shutil.which("make"))) if not there]
    return f"the emulated board is not tested: {', '.join(lacks)} missing" if lacks else ""


@lru_cache(maxsize=1)
def built() -> None:
    """Firmware and emulator, as new as their sources. Raises Missing, or CalledProcessError with what the compiler said."""
    if missing():
        raise Missing(missing())
    (EMULATOR / "build").mkdir(exist_ok=True)
    with (EMULATOR / "build" / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # several test processes may want it at once
        for folder in (FIRMWARE, EMULATOR):
            done = subprocess.run(["make", "--silent", "-C", str(folder)], capture_output=True, text=True)
            if done.returncode:
                raise RuntimeError(f"{folder.name} does not build:\n{done.stdout}{done.stderr}")


def image(chip: str) -> Path:
    return FIRMWARE / "build" / chip / "firmware.bin"


@lru_cache(maxsize=8)
def symbols(chip: str) -> dict[str, int]:
    """Every variable of the firmware and its data address, the linker's own marks included."""
    elf = image(chip).with_suffix(".elf")
    told = subprocess.run(["avr-nm", str(elf)], capture_output=True, text=True, check=True).stdout
    rows = [line.split() for line in told.splitlines()]
    return {row[2].partition(".lto_priv")[0]: int(row[0], 16) & 0xFFFF
            for row in rows if len(row) == 3 and int(row[0], 16) >= DATA_AT}


@lru_cache(maxsize=2)
def pins(chip: str) -> tuple[str, ...]:
    """The pins' names in the order of pins.h, which numbers them."""
    text = (FIRMWARE / "pins.h").read_text(encoding="utf-8")
    larger, _, smaller = text.partition("#else")
    part = larger if chip == "atmega2560" else smaller
    return tuple(re.findall(r"X\((\w+), [A-L], \d\)", part.replace("X(name, port letter, bit)", "")))


class Machine:
    """One chip. Use as a context manager, or `close` it."""

    def __init__(self, chip: str, firmware: Path | None = None, crystal_hz: int = CRYSTAL_HZ) -> None:
        built()
        self.chip = chip
        outputs_at = symbols(chip).get("outputs", 0) if firmware is None else 0
        self._child = subprocess.Popen(
            [str(EMULATOR / "build" / f"run_board_{chip}"), str(firmware or image(chip)), str(outputs_at), str(crystal_hz)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)
        assert self._child.stdin is not None and self._child.stdout is not None
        self._to, self._from = self._child.stdin.fileno(), self._child.stdout.fileno()

    def close(self) -> None:
        for pipe in (self._child.stdin, self._child.stdout):
            if pipe is not None:
                pipe.close()
        self._child.wait(5)

    def _ask(self, letter: bytes, payload: bytes) -> bytes:
        asked = letter + len(payload).to_bytes(4, "little") + payload
        while asked:
            asked = asked[os.write(self._to, asked):]
        said = os.read(self._from, 65_536)
        while len(said) < 4 or len(said) < 4 + int.from_bytes(said[:4], "little"):
            more = os.read(self._from, 1 << 20)
            if not more:
                raise RuntimeError(f"the emulator ended with code {self._child.wait(5)}")
            said += more
        return said[4:]

    def run(self, until_us: int, stops: int, hands: int, analogue_mv: tuple[int, int],
            conversions: Sequence[tuple[int, int, int]], line: bytes) -> Ran:
        """`conversions`: (1/128 °C, 1/64 °C, fault bits) that each converter's next one finds."""
        found = [part for one in conversions for part in (one[0], one[1] & 0xFFFF, one[2])]
        said = self._ask(b"R", RUN.pack(until_us, stops, hands, *analogue_mv, *found) + line)
        head = RAN.unpack_from(said)
        sent_at = RAN.size + head[9] * EVENT.size
        events = [Event(*row) for row in EVENT.iter_unpack(said[RAN.size:sent_at])] if head[9] else []
        return Ran(head[0], head[1], head[2], head[3:6], head[6:9], events, said[sent_at:])

    def reset(self, mcusr: int, scramble: bool = False, held_us: int = 0) -> None:
        """A brown-out or power-on scrambles the RAM; the chip stands still for `held_us`, pins floating."""
        self._ask(b"Z", struct.pack("<BBI", mcusr, scramble, held_us))

    def freeze(self) -> None:
        """The main loop stands where it is, interrupts go on. A reset thaws it."""
        self._ask(b"F", b"")

    def eeprom(self) -> bytes:
        return self._ask(b"E", b"\0\0")

    def put_eeprom(self, at: int, data: bytes) -> None:
        self._ask(b"E", at.to_bytes(2, "little") + data)

    def ram(self, at: int, length: int) -> bytes:
        return self._ask(b"M", struct.pack("<BIH", 0, at, length))

    def put_ram(self, at: int, data: bytes) -> None:
        self._ask(b"M", struct.pack("<BIH", 0, at, len(data)) + data)

    def put_flash(self, at: int, data: bytes) -> None:
        self._ask(b"M", struct.pack("<BIH", 1, at, len(data)) + data)

    def flash(self, at: int, length: int) -> bytes:
        return self._ask(b"M", struct.pack("<BIH", 1, at, length))

    def stick_ram(self, at: int, bit: int, high: bool) -> None:
        """Addresses 0 to 31 are the processor's registers."""
        self._ask(b"S", struct.pack("<BHBB", 0, at, bit, high))

    def wear_eeprom(self, at: int, length: int = 1) -> None:
        """From now on these bytes of the settings memory, at most 64, take no write."""
        self._ask(b"S", struct.pack("<BHBB", 2, at, length, 0))

    def stick_pin(self, name: str | None, high: bool = False) -> None:
        """An input held at a level even while the firmware drives it; None frees it."""
        number = NO_PLACE if name is None else pins(self.chip).index(name)
        self._ask(b"S", struct.pack("<BHBB", 1, number, 0, high))

    def fail(self, converter: int, failure: int) -> None:
        self._ask(b"C", bytes((converter, failure)))

    def take_back(self) -> None:
        """Bytes for the line that have not gone in yet are lost."""
        self._ask(b"Q", b"")
