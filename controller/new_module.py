"""The [modbus] section of a new chamber file: what must be there with a comment for each, the rest as comments to be opened.

It is right as it stands and gives no heat: nothing in it ends the heat on silence yet.
"""

from __future__ import annotations

import json

from controller.chamber_fields import Number
from controller.modbus_fields import CONTACTS, MEASURES, OUTPUTS, SENSOR, SENSOR_MORE, WHOLE

HEAD = """
# A ready-made module over Modbus RTU. hardware_notes/modbus_modules.md is the manual of this section.
# Addresses count from 0, as on the wire; data sheets often count from 1, or from 30001 and 40001.
[modbus]
# Serial number of the adapter that the module hangs on: the port is found by it, never by its name.
adapter = {adapter}
# Table of the block that every poll reads: input or holding.
table = "input"
"""
SENSOR_HEAD = """
# One table a temperature; its registers stand within the block.
[[modbus.sensor]]
"""
OTHERS = """
# [[modbus.contact]]
# name = "door"          # {contacts}
# table = "discrete"     # or coil
# address = 0
# inverted = false       # 1 means: {means}

# [[modbus.measure]]
# name = "fan_rpm"       # {measures}
# register = 4
# per_count = 1
"""
OPEN = frozenset({"modulator_coil"})
"""Of the fields that may be left out, the one that is there to begin with."""


def text(adapter: str, unit: int) -> str:
    """The section for an adapter's serial number and a unit address."""
    changed = {"unit": unit, "size": 2}
    rows = "".join(_row(row, changed.get(row.key, row.default)) for row in WHOLE)
    outputs = "".join(_row(row, max(0, row.default), "" if row.key in OPEN else "# ") for row in OUTPUTS)
    means = ", ".join(f"{name} {row.one_means}" for name, row in CONTACTS.items())
    others = OTHERS.format(contacts=", ".join(CONTACTS), means=means, measures=", ".join(MEASURES))
    return HEAD.format(adapter=json.dumps(adapter)) + rows + outputs + _sensor(0) + _sensor(1) + others


def _sensor(number: int) -> str:
    changed = {"channel": number, "register": number}
    rows = "".join(_row(row, changed.get(row.key, row.default)) for row in SENSOR)
    more = "".join(_row(row, max(0, row.default), "# ") for row in SENSOR_MORE) if number == 0 else ""
    signs = ("# Can it say temperatures below zero?\nsigned = true\n# Of two registers, does the low half come first?\n"
             "low_word_first = false\n# Counts that mean: no temperature.\nfaults = []\n")
    return SENSOR_HEAD + rows + signs + more


def _row(row: Number, value: float, hidden: str = "") -> str:
    return f"# {row.say} ({row.allowed})\n{hidden}{row.key} = {value:g}\n"
