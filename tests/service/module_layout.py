"""Where everything is in the test peers' registers, the same for all of them, and the chamber file that says so."""

from __future__ import annotations

import os
from pathlib import Path

from controller import new_chamber
from controller.config import ChamberFolder, load
from controller.drivers import latch
from controller.drivers.clocks import utc_us
from tests.commissioning.proven import commission

UNIT, HOLDING = 1, 40
MODULATOR, CONTACTOR, TRIGGER, SEEN, DOOR, ARM = 0, 1, 2, 3, 4, 5
COUNTER, TIME_OUT = 3, 30
ADAPTER = "TEST01"
BOARD = f"{ADAPTER}/{UNIT}"

SECTION = f"""
[modbus]
adapter = "{ADAPTER}"
table = "{{table}}"
unit = {UNIT}
speed = 115200
stop_bits = 1
answer_ms = 250
quiet_ms = 300
start = 0
size = 4
contactor_coil = {CONTACTOR}
modulator_coil = {MODULATOR}
shortest_s = 1
time_out_register = {TIME_OUT}
time_out_s = 3
time_out_unit_ms = 100
""" + "".join(f"""
[[modbus.sensor]]
channel = {number}
register = {number}
words = 1
c_per_count = 0.01
signed = true
counter_register = {COUNTER}
""" for number in range(2)) + f"""
[[modbus.contact]]
name = "door"
table = "{{bits}}"
address = {DOOR}

[[modbus.contact]]
name = "arm_button"
table = "{{bits}}"
address = {ARM}
"""
TIME_OUT_ROWS = f"time_out_register = {TIME_OUT}\ntime_out_s = 3\ntime_out_unit_ms = 100\n"
RELAY_ROWS = f"trigger_coil = {TRIGGER}\ntimer_relay_s = 4\n"
RELAY_SEEN = f'\n[[modbus.contact]]\nname = "contactor_seen"\ntable = "discrete"\naddress = {SEEN}\n'


def chamber_text(table: str = "input", bits: str = "discrete", relay: bool = False) -> str:
    """A real chamber's file over a module: everything wired, what the module reads fitted."""
    section = SECTION.format(table=table, bits=bits)
    if relay:
        section = section.replace(TIME_OUT_ROWS, RELAY_ROWS) + RELAY_SEEN
    text = new_chamber.text("Module chamber", False, "", module=section, changed={"window_s": 20})
    head, _, wired = text.partition("[wired]")
    for fitted in ("contactor", "door", "arm_button", "drops_on_silence"):
        head = head.replace(f"\n{fitted} = false", f"\n{fitted} = true")
    return head + "[wired]" + wired.replace("= false", "= true")


def commissioned(folder: Path, text: str) -> ChamberFolder:
    """A chamber folder of a test's own, as commissioning would leave it: proofs of today, a clear latch."""
    new_chamber.write(folder, text, "", False, utc_us())
    latch.write(folder / latch_name(folder), latch.Remembered(latch.Condition.CLEAR))
    commission(load(folder, utc_us()), utc_us())
    return load(folder, utc_us())


def latch_name(folder: Path) -> str:
    return load(folder, utc_us()).latch_path.name


DEVICES = "devices"
"""Beside a folder of links: the kernel's folder of serial devices, and what they hang on."""


def link(links: Path, target: str, serial: str | None = ADAPTER, interface: int = 0) -> Path:
    """A lasting name as the device manager would make it, and the kernel's word for the device behind it. `serial` is None
    of an adapter that has none."""
    links.mkdir(exist_ok=True)
    name = os.path.basename(target)
    adapter = links.parent / "usb" / f"{serial}-{name}"
    port = adapter / f"{name}:1.{interface}" / name
    port.mkdir(parents=True, exist_ok=True)
    (adapter / "idVendor").write_text("1a86\n")
    if serial is not None:
        (adapter / "serial").write_text(f"{serial}\n")
    device = links.parent / DEVICES / name / "device"
    device.parent.mkdir(parents=True, exist_ok=True)
    device.unlink(missing_ok=True)
    device.symlink_to(port)
    made = links / f"usb-Invented_Adapter{'' if serial is None else f'_{serial}'}-if{interface:02x}-port0"
    made.unlink(missing_ok=True)
    os.symlink(target, made)
    return made
