"""A module's register map, and what its registers mean. Values only: made by `controller.modbus_file` from the chamber file.

A block is one read: every sensor's registers and every measure's stand in it, so that values of one report are of one moment
and no two look-alike requests can be taken for each other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from controller.core.messages import CHANNELS_MAX, Channel, Fault
from controller.link.forms import VALUE_MAX_MC, VALUE_MIN_MC
from controller.link.modbus import BIT_TABLES, Read, Table

NOWHERE = -1
"""In place of an address: there is none."""
COLD_NOT_FITTED_MC = 0
"""Modules do not say their cold junction. With 0 here a channel that is not connected, which reads 0 on most of them, is
taken for the all-zero words of an absent converter."""
UC_PER_MC = 1_000


class Sensor(NamedTuple):
    """Where one temperature channel stands."""

    channel: int
    register: int
    words: int
    """1: sixteen bits, 2: thirty-two."""
    low_word_first: bool
    signed: bool
    scale_uc: int
    """0.000001 °C a count."""
    faults: tuple[int, ...]
    """Counts that mean "no temperature"."""
    fault_register: int
    fault_mask: int
    counter_register: int


class Contact(NamedTuple):
    """One contact that the module reads: its name in a report, where it is, and which way round."""

    name: str
    table: Table
    address: int
    inverted: bool


class Measure(NamedTuple):
    """One more quantity in the block: its name in a report, and how much a count is, in thousandths."""

    name: str
    register: int
    scale_e3: int


class RegisterMap(NamedTuple):
    """One module. Addresses count from 0, as on the wire; `NOWHERE` where there is nothing."""

    adapter: str
    """Serial number of the adapter that it hangs on."""
    unit: int
    speed: int
    stop_bits: int
    answer_us: int
    """It answers within this, its characters not counted."""
    quiet_us: int
    """After anything wrong the line must be silent for this long before the next request."""
    table: Table
    start: int
    size: int
    sensors: tuple[Sensor, ...]
    contactor_coil: int = NOWHERE
    modulator_coil: int = NOWHERE
    duty_register: int = NOWHERE
    duty_full: int = 0
    """What that register holds at full heat."""
    trigger_coil: int = NOWHERE
    timer_relay_us: int = 0
    time_out_register: int = NOWHERE
    time_out_value: int = 0
    """What that register must hold, in its own unit."""
    time_out_us: int = 0
    contacts: tuple[Contact, ...] = ()
    measures: tuple[Measure, ...] = ()

    @property
    def board(self) -> str:
        """The module's id: a module itself has none, so it is the adapter it hangs on and its address there."""
        return f"{self.adapter}/{self.unit}"

    @property
    def block(self) -> Read:
        return Read(self.unit, self.table, self.start, self.size)

    def bits(self, table: Table) -> Read | None:
        """One read of all bits of a table that are wanted; None: none is."""
        wanted = [contact.address for contact in self.contacts if contact.table is table]
        if table is Table.COIL:
            wanted += [coil for coil in (self.contactor_coil, self.modulator_coil) if coil != NOWHERE]
        return Read(self.unit, table, min(wanted), max(wanted) - min(wanted) + 1) if wanted else None

    def register(self, address: int) -> Read:
        """One holding register."""
        return Read(self.unit, Table.HOLDING, address, 1)

    def in_block(self, address: int, words: int = 1) -> bool:
        """Is that stretch of registers part of what a poll reads?"""
        return self.start <= address and address + words <= self.start + self.size


def channels(registers: RegisterMap, block: Sequence[int], polls: int) -> tuple[Channel | None, ...]:
    """The block's registers as a report's channels. `polls` stands in for a conversion counter where there is none."""
    found: list[Channel | None] = [None] * CHANNELS_MAX
    for sensor in registers.sensors:
        at = sensor.register - registers.start
        counts = counts_of(sensor, block[at : at + sensor.words])
        value_mc = mc_of(sensor, counts)
        fault = 0
        if counts in sensor.faults or not VALUE_MIN_MC <= value_mc <= VALUE_MAX_MC:
            fault, value_mc = Fault.OUT_OF_RANGE, 0
        if sensor.fault_register != NOWHERE and block[sensor.fault_register - registers.start] & sensor.fault_mask:
            fault |= Fault.OPEN
        counter = polls if sensor.counter_register == NOWHERE else block[sensor.counter_register - registers.start]
        found[sensor.channel] = Channel(value_mc, COLD_NOT_FITTED_MC, int(fault), counter % 256)
    return tuple(found)


def counts_of(sensor: Sensor, words: Sequence[int]) -> int:
    """One or two registers as the number that they hold."""
    high_first = reversed(words) if sensor.low_word_first else words
    counts = 0
    for word in high_first:
        counts = counts << 16 | word
    top = 1 << (16 * sensor.words)
    return counts - top if sensor.signed and counts >= top // 2 else counts


def mc_of(sensor: Sensor, counts: int) -> int:
    """Counts as 0.001 °C, halves rounded up."""
    return (2 * counts * sensor.scale_uc + UC_PER_MC) // (2 * UC_PER_MC)


def extremes_mc(words: int, signed: bool, scale_uc: int) -> tuple[int, int]:
    """The lowest and the highest temperature that a sensor's registers can carry."""
    bits = 16 * words
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    return low * scale_uc // UC_PER_MC, high * scale_uc // UC_PER_MC


def contacts(registers: RegisterMap, bits: Mapping[Table, Sequence[int]]) -> dict[str, bool]:
    """Every contact of the map by its name, from the bits of one poll."""
    found = {}
    for contact in registers.contacts:
        read = registers.bits(contact.table)
        assert read is not None and contact.table in BIT_TABLES
        found[contact.name] = bool(bits[contact.table][contact.address - read.start]) is not contact.inverted
    return found


def measures(registers: RegisterMap, block: Sequence[int]) -> dict[str, int]:
    """Every measure of the map by its name."""
    return {one.name: block[one.register - registers.start] * one.scale_e3 // 1_000 for one in registers.measures}
