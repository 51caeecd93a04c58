"""Make the settings of a board: an image of its EEPROM, to be written with a programmer and by nothing else.

`settings.py --id 5a17c0 --ceiling 130 --longest 96 --out board` writes `board.bin` and `board.hex` (Intel HEX). The
layout is that of settings.h: the identity, then the limits, each with its CRC-16. The log of the board's life behind
them is left alone.
"""

from __future__ import annotations

import argparse
import re
import struct
import sys
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import NamedTuple

FORMAT = 1
CEILING_MAX_MC = 400_000
LONGEST_MAX_S = 999_999
FAN_PULSES_MAX = 8
MA_PER_V_MAX = 65_535
HEX_LINE_BYTES = 16

CHANNELS = {"control": 1, "over-temperature": 2, "third": 4}
FITTED = {
    "door": 0x001, "local-stop": 0x002, "arm": 0x004, "smoke": 0x008, "fan": 0x010, "current": 0x020, "aux": 0x040,
    "contactor-contact": 0x080, "mains": 0x100, "limiter": 0x200,
}
"""Bits of settings.h, by the words of the command line."""


class SettingsError(ValueError):
    """A value that the board would refuse; says which, what is allowed, and what to do."""


class Settings(NamedTuple):
    """What a board keeps. `channels` and `own` are names of CHANNELS, `fitted` of FITTED."""

    board_id: str
    ceiling_mc: int
    longest_s: int
    channels: tuple[str, ...] = ("control", "over-temperature")
    own: tuple[str, ...] = ("control", "over-temperature")
    fitted: tuple[str, ...] = ("door", "local-stop", "arm")
    current_ma_per_v: int = 0
    fan_pulses: int = 0
    simulated: bool = False


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE, as on the wire."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ (0x1021 if crc & 0x8000 else 0)) & 0xFFFF
    return crc


def sealed(record: bytes) -> bytes:
    return record + struct.pack("<H", crc16(record))


def bits(names: tuple[str, ...], table: dict[str, int], what: str) -> int:
    """The bit set of these names. Errors: SettingsError for a name that is not in the table, or that comes twice."""
    for name in names:
        if name not in table:
            raise SettingsError(f"{what}: {name!r} is not known; write some of {', '.join(table)}")
    if len(set(names)) < len(names):
        raise SettingsError(f"{what}: {', '.join(names)} names one twice; write each once")
    return sum(table[name] for name in names)


def within(value: int, low: int, high: int, what: str, unit: str) -> None:
    if not low <= value <= high:
        raise SettingsError(f"{what}: {value} {unit} is outside {low} to {high} {unit}; write one within")


def check(settings: Settings) -> None:
    """Everything the board itself would refuse, in words. Errors: SettingsError."""
    if not re.fullmatch(r"[0-9a-f]{6}", settings.board_id):
        raise SettingsError(f"id: {settings.board_id!r} is not six digits of 0-9 a-f; make one up that no other board has")
    within(settings.ceiling_mc, 1, CEILING_MAX_MC, "ceiling", "0.001 °C")
    within(settings.longest_s, 1, LONGEST_MAX_S, "longest", "s")
    channels = bits(settings.channels, CHANNELS, "channels")
    own = bits(settings.own, CHANNELS, "own")
    if own == 0 or own & ~channels:
        raise SettingsError(f"own: {', '.join(settings.own) or 'none'} must be some of the channels that are fitted "
                            f"({', '.join(settings.channels)}), and at least one; without it there is no heat")
    bits(settings.fitted, FITTED, "fitted")
    if "current" in settings.fitted:
        within(settings.current_ma_per_v, 1, MA_PER_V_MAX, "current-ma-per-v", "mA per V")
    if "fan" in settings.fitted:
        within(settings.fan_pulses, 1, FAN_PULSES_MAX, "fan-pulses", "pulses a turn")


def image(settings: Settings) -> bytes:
    """The 28 bytes at the beginning of the EEPROM. Errors: SettingsError."""
    check(settings)
    current = settings.current_ma_per_v if "current" in settings.fitted else 0
    pulses = settings.fan_pulses if "fan" in settings.fitted else 0
    identity = struct.pack("<B3sBBBHHBBB", FORMAT, bytes.fromhex(settings.board_id), settings.simulated,
                           bits(settings.channels, CHANNELS, "channels"), bits(settings.own, CHANNELS, "own"),
                           bits(settings.fitted, FITTED, "fitted"), current, pulses, 0, 0)
    limits = struct.pack("<BBiI", FORMAT, 0, settings.ceiling_mc, settings.longest_s)
    return sealed(identity) + sealed(limits)


def hex_line(kind: int, address: int, data: bytes) -> str:
    record = bytes([len(data), address >> 8, address & 0xFF, kind]) + data
    return f":{record.hex().upper()}{-sum(record) & 0xFF:02X}"


def intel_hex(data: bytes) -> str:
    """The same bytes as Intel HEX, from address 0."""
    lines = [hex_line(0, at, data[at:at + HEX_LINE_BYTES]) for at in range(0, len(data), HEX_LINE_BYTES)]
    return "\n".join([*lines, hex_line(1, 0, b""), ""])


def thousandths(text: str, what: str, times: int, unit: str) -> int:
    """A decimal number as whole units. Errors: SettingsError if it is none, or too fine."""
    try:
        value = Decimal(text) * times
        whole = int(value)
    except (InvalidOperation, OverflowError, ValueError):
        raise SettingsError(f"{what}: {text!r} is not a number of {unit}; write one such as 130") from None
    if value != whole:
        raise SettingsError(f"{what}: {text} {unit} is finer than the board can keep; round it")
    return whole


def names(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip())


def asked(arguments: list[str]) -> tuple[Settings, Path]:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--id", required=True, help="board id: six digits of 0-9 a-f, different on every board")
    parser.add_argument("--ceiling", required=True, help="board ceiling, °C")
    parser.add_argument("--longest", required=True, help="longest heated time of one session, h")
    parser.add_argument("--channels", default="control,over-temperature", help=f"converters fitted: {', '.join(CHANNELS)}")
    parser.add_argument("--own", help="those without which there is no heat (default: all that are fitted)")
    parser.add_argument("--fitted", default="door,local-stop,arm", help=f"what else is fitted: {', '.join(FITTED)}")
    parser.add_argument("--current-ma-per-v", type=int, default=0, help="of the current sensor")
    parser.add_argument("--fan-pulses", type=int, default=0, help="of the fan, a turn")
    parser.add_argument("--simulated", action="store_true", help="this board heats nothing: the emulator's")
    parser.add_argument("--out", type=Path, required=True, help="file name without its ending")
    said = parser.parse_args(arguments)
    channels = names(said.channels)
    settings = Settings(said.id, thousandths(said.ceiling, "ceiling", 1000, "°C"),
                        thousandths(said.longest, "longest", 3600, "h"), channels,
                        channels if said.own is None else names(said.own), names(said.fitted),
                        said.current_ma_per_v, said.fan_pulses, said.simulated)
    return settings, said.out


def main(arguments: list[str]) -> int:
    try:
        settings, out = asked(arguments)
        data = image(settings)
    except SettingsError as error:
        sys.stderr.write(f"No settings written. {error}\n")
        return 1
    for path, content in ((out.with_suffix(".bin"), data), (out.with_suffix(".hex"), intel_hex(data).encode())):
        path.write_bytes(content)
        sys.stdout.write(f"{path}: {len(content)} bytes\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
