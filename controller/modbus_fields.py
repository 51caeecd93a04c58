"""What the [modbus] part of a chamber file may say: one row a field, as in `chamber_fields`. `hardware_notes/modbus_modules.md`
is its manual, and a test compares both.

Addresses count from 0, as on the wire. Many data sheets count from 1, or write 30001 and 40001 for the first register.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.chamber_fields import Number

SPEEDS = (1_200, 2_400, 4_800, 9_600, 19_200, 38_400, 57_600, 115_200)
ADDRESS = "(address, counted from 0)"
COUNTS = "counts"

WHOLE = (
    Number("unit", "unit", 1, 1, 247, "(address of the module)", 1, "The module's own address on its line."),
    Number("speed", "speed", 1, 1_200, 115_200, "baud", 9_600, "Speed of the line, as set in the module."),
    Number("stop_bits", "stop_bits", 1, 1, 2, "stop bits", 1, "8N1 has one, 8N2 has two; set the module to no parity."),
    Number("answer_ms", "answer_us", 1_000, 10, 250, "ms", 200, "The module begins to answer within this."),
    Number("quiet_ms", "quiet_us", 1_000, 50, 1_000, "ms", 300,
           "After a wrong or late answer nothing is asked before the line was silent for this long: longer than the slowest "
           "answer."),
    Number("start", "start", 1, 0, 65_535, ADDRESS, 0, "First register of the block that every poll reads."),
    Number("size", "size", 1, 1, 125, "registers", 2, "How many registers that block has."),
)
"""Fields of [modbus] that must be there."""

OUTPUTS = (
    Number("contactor_coil", "contactor_coil", 1, 0, 65_535, ADDRESS, -1, "Coil of the line contactor."),
    Number("modulator_coil", "modulator_coil", 1, 0, 65_535, ADDRESS, -1, "Coil of the modulator; this computer times it."),
    Number("duty_register", "duty_register", 1, 0, 65_535, ADDRESS, -1,
           "Holding register of a module that times the modulator itself."),
    Number("duty_full", "duty_full", 1, 1, 65_535, COUNTS, 0, "What the duty register holds at full heat."),
    Number("shortest_s", "shortest_us", 1_000_000, 1, 10, "s", 2, "Shortest pulse and gap of the modulator's relay."),
    Number("trigger_coil", "trigger_coil", 1, 0, 65_535, ADDRESS, -1, "Coil that retriggers the timer relay."),
    Number("timer_relay_s", "timer_relay_us", 1_000_000, 3, 10, "s", 0,
           "After so long without a trigger the timer relay lets the line contactor go."),
    Number("time_out_register", "time_out_register", 1, 0, 65_535, ADDRESS, -1,
           "Holding register of the module's communication time-out."),
    Number("time_out_s", "time_out_us", 1_000_000, 1, 10, "s", 0,
           "After so long without a request the module lets its outputs go."),
    Number("time_out_unit_ms", "time_out_unit_us", 1_000, 1, 10_000, "ms", 0, "What one count of that register means."),
)
"""Fields of [modbus] that may be left out; the default then stands for "not there"."""

SENSOR = (
    Number("channel", "channel", 1, 0, 5, "(number that a [[sensor]] names)", 0, "Which channel this is."),
    Number("register", "register", 1, 0, 65_535, ADDRESS, 0, "Where its temperature stands."),
    Number("words", "words", 1, 1, 2, "registers", 1, "1 for 16 bits, 2 for 32."),
    Number("c_per_count", "scale_uc", 1_000_000, 0.0001, 1, "°C", 0.1, "What one count means."),
)
SENSOR_MORE = (
    Number("fault_register", "fault_register", 1, 0, 65_535, ADDRESS, -1, "A register with fault bits."),
    Number("fault_mask", "fault_mask", 1, 1, 65_535, "(sum of bits)", 0, "Which bits of it mean this sensor's fault."),
    Number("counter_register", "counter_register", 1, 0, 65_535, ADDRESS, -1, "A register that counts conversions."),
)
SENSOR_SWITCHES = {"signed": True, "low_word_first": False}
"""And whether they must be there."""
SENSOR_WORDS = ("faults",)

CONTACT = (Number("address", "address", 1, 0, 65_535, ADDRESS, 0, "Where the contact stands."),)
CONTACT_TABLES = ("discrete", "coil")


class ContactName(NamedTuple):
    """One contact that a module may read. `fitted` is the switch of the chamber file that must then be true."""

    field: str
    fitted: str
    one_means: str


CONTACTS = {
    "door": ContactName("door", "door", "shut"),
    "local_stop": ContactName("local_stop", "local_stop", "pressed"),
    "arm_button": ContactName("arm", "arm_button", "pressed"),
    "smoke": ContactName("smoke", "smoke", "smoke"),
    "limiter": ContactName("limiter", "limiter", "closed"),
    "mains": ContactName("mains", "mains_sense", "there"),
    "contactor_seen": ContactName("contactor_seen", "", "closed"),
    "modulator_seen": ContactName("modulator_seen", "", "passing"),
}
"""What 1 means, unless the row says inverted."""

MEASURE = (
    Number("register", "register", 1, 0, 65_535, ADDRESS, 0, "Where it stands."),
    Number("per_count", "scale_e3", 1_000, 0.001, 10_000, "of its unit", 1, "What one count means."),
)
MEASURES = {"fan_rpm": "fan", "current_ma": "current", "aux_mv": ""}
"""And the switch under [fitted] that must then be true."""

LOWEST_MC = -10_000
"""Every sensor must be able to say at least this, so that a cold room is not a hot one."""
BITS_APART_MAX = 128
"""Contacts and coils are read in one piece."""
POLL_LONGEST_US = 600_000
