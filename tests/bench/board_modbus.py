"""How long one poll of a Modbus module takes over a pseudo-terminal: the product's requests and checks, two foreign servers.

Counted is from the first byte sent to the last answer of a whole poll (block, contacts, coils), the pump of the pseudo-
terminals included. A round trip over a pseudo-terminal alone has a median of about 0.3 ms on such a computer.
"""

from __future__ import annotations

import os
import select
import tempfile
import time
from pathlib import Path

import pytest
import serial

from controller.config import understood
from controller.drivers.clocks import mono_us
from controller.link.modbus import Answer
from controller.link.modbus_wire import Wire
from controller.link.module import reads
from controller.link.registers import RegisterMap
from tests.bench.figure import QUICK, Figure, at_most, median, percentile, unmeasured
from tests.service.module_layout import chamber_text
from tests.service.module_peers import SERVERS

POLLS = 100 if QUICK else 500
PATIENCE_S = 1.0
GOALS = {"pymodbus": 40.0, "libmodbus": 20.0}


def polled_us(port: serial.Serial, registers: RegisterMap, wire: Wire) -> int:
    """One whole poll, in µs."""
    began_us = mono_us()
    for read in reads(registers, False):
        while (free_us := wire.free_us(mono_us())) > mono_us():
            time.sleep(max(0, free_us - mono_us()) / 1e6)
        os.write(port.fileno(), wire.send(read, mono_us()))
        came = None
        while came is None:
            if not select.select([port.fileno()], [], [], PATIENCE_S)[0]:
                raise TimeoutError(f"no answer to {read}")
            came = wire.receive(os.read(port.fileno(), 4096), mono_us())
        if not isinstance(came.told, Answer):
            raise ValueError(f"{came}")
    return mono_us() - began_us


def row() -> list[Figure]:
    """a Modbus poll, median and p99"""
    figures = []
    for name, (start, words) in SERVERS.items():
        registers = understood(Path("/nowhere/c"), chamber_text(**words), 0).modbus
        assert registers is not None
        with tempfile.TemporaryDirectory() as folder:
            try:
                server = start(Path(folder))
            except pytest.skip.Exception:
                figures.append(unmeasured("board", f"Modbus poll, {name}, median", "ms", GOALS[name]))
                continue
            try:
                with serial.Serial(server.port, 115_200, timeout=0) as port:
                    wire = Wire(registers.speed, registers.stop_bits, registers.answer_us, 1_000, mono_us())
                    taken = [polled_us(port, registers, wire) / 1000 for _ in range(POLLS)]
            finally:
                server.close()
        figures.append(at_most("board", f"Modbus poll, {name}, median", median(taken), "ms", GOALS[name]))
        figures.append(at_most("board", f"Modbus poll, {name}, p99", percentile(taken, 0.99), "ms", 3 * GOALS[name]))
    return figures
