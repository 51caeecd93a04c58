"""The pin budget of the firmware's README, drawn from pins.h.

Run this module to write it anew: `python -m tests.board.pin_table`.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

FIRMWARE = Path(__file__).parents[2] / "hardware_notes" / "reference_firmware"
README = FIRMWARE / "README.md"
CHIPS = ("atmega328p", "atmega2560")
PLACE = re.compile(r"<!-- pins: python -m tests\.board\.pin_table -->\n.*?<!-- pins end -->", re.DOTALL)
PURPOSES = {
    "modulator": "output: modulator, high is on, pull-down",
    "contactor": "output: line contactor, high is on, pull-down",
    "contactor_open": "contact, closed while the contactor is open (its normally closed auxiliary contact)",
    "door": "contact, closed while the door is shut",
    "local_stop": "contact, closed while the stop is not in",
    "smoke": "contact, closes on smoke",
    "arm": "button, closes when pressed",
    "silence": "button, closes when pressed",
    "mains": "contact of an isolated mains detector, closed while there is mains ahead of the heater fuse",
    "limiter": "contact, closed while the limiter is",
    "fan": "pulses of the fan (open collector), counted by interrupt",
    "select_control": "converter of the control sensor, low selects",
    "select_over_temperature": "converter of the over-temperature sensor, low selects",
    "select_third": "converter of the third sensor, low selects",
    "spi_out": "to the converters",
    "spi_in": "from the converters, pull-up in the chip",
    "spi_clock": "to the converters, 4 MHz",
    "lamp_armed": "lamp, high is on",
    "lamp_heating": "lamp, high is on",
    "lamp_hot": "lamp, high is on",
    "sounder": "sounder with its own tone, high is on",
    "buttons": "arm and silence by a ladder of resistors",
    "aux": "auxiliary input (pressure), 0 to 5 V",
    "current": "current in the element's wire, 0 to 5 V",
}


class Pin(NamedTuple):
    """One use of one pin: its name in pins.h, and the chip's own (`D6`, `ADC7`)."""

    name: str
    place: str


def pins(chip: str) -> list[Pin]:
    """The chip's pins as pins.h has them."""
    larger, _, smaller = (FIRMWARE / "pins.h").read_text(encoding="utf-8").partition("#else")
    part = larger if chip == "atmega2560" else smaller
    digital = [Pin(name, letter + bit) for name, letter, bit in re.findall(r"X\((\w+), ([A-L]), (\d)\)", part)]
    return digital + [Pin(name, f"ADC{at}") for name, at in re.findall(r"\bA\((\w+), (\d+)\)", part)]


def table() -> str:
    """The whole table as Markdown."""
    places = {chip: {pin.name: pin.place for pin in pins(chip)} for chip in CHIPS}
    rows = [f"| {name} | {places[CHIPS[0]].get(name, '-')} | {places[CHIPS[1]].get(name, '-')} | {purpose} |"
            for name, purpose in PURPOSES.items()]
    head = ["| pin | ATmega328P | ATmega2560 | what it is |", "|---|---|---|---|"]
    return "\n".join(["<!-- pins: python -m tests.board.pin_table -->", *head, *rows, "<!-- pins end -->"])


if __name__ == "__main__":
    README.write_text(PLACE.sub(lambda _: table(), README.read_text(encoding="utf-8")), encoding="utf-8")
