"""The EEPROM of a board as it leaves the bench, written from settings.h's table: a second hand beside the firmware's own."""

from __future__ import annotations

import struct
from typing import NamedTuple

from controller.link.protocol import crc4

IDENTITY_AT, IDENTITY_BYTES, LIMITS_AT, LIMITS_BYTES = 0, 16, 16, 12
FORMAT = 1
EEPROM_BYTES = {"atmega328p": 1024, "atmega2560": 4096}
FITTED_SMALL = 0x00FF
"""Door, local stop, arm, smoke, fan, current, auxiliary input, contactor's contact."""
FITTED_ALL = 0x03FF
"""With mains and limiter, where the chip has pins for them."""


class Identity(NamedTuple):
    """What the programmer writes once."""

    board: str = "5a17c0"
    simulated: bool = True
    channels: int = 0b111
    own: int = 0b011
    fitted: int = FITTED_SMALL
    current_ma_per_v: int = 1000
    fan_pulses: int = 2


def sealed(record: bytes) -> bytes:
    return record + struct.pack("<H", int(crc4(record), 16))


def identity_bytes(one: Identity) -> bytes:
    return sealed(struct.pack("<B3sBBBHHBBB", FORMAT, bytes.fromhex(one.board), one.simulated, one.channels, one.own, one.fitted,
                              one.current_ma_per_v, one.fan_pulses, 0, 0))


def limits_bytes(ceiling_mc: int, longest_s: int) -> bytes:
    return sealed(struct.pack("<BBiI", FORMAT, 0, ceiling_mc, longest_s))


def memory_image(chip: str, identity: Identity, ceiling_mc: int, longest_s: int) -> bytes:
    """The whole memory; what nobody has written reads 0xFF."""
    records = identity_bytes(identity) + limits_bytes(ceiling_mc, longest_s)
    return records.ljust(EEPROM_BYTES[chip], b"\xff")


def stored_ceiling_mc(image: bytes) -> int | None:
    """The ceiling in an EEPROM's image; None where its checksum fails."""
    record = image[LIMITS_AT:LIMITS_AT + LIMITS_BYTES]
    if sealed(record[:-2]) != record:
        return None
    return int(struct.unpack_from("<i", record, 2)[0])
