"""The [modbus] part of a chamber file, read into a register map; or every mistake in it, all at once.

Reading is in two steps: fields one by one (range and kind), then what they say together. A map that cannot carry its values,
names something twice, or leaves nothing to end the heat on silence gives no chamber.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from controller.chamber_fields import Number
from controller.core.modulation import WINDOW_LEAST_MS
from controller.core.module import Module
from controller.core.schedule import Mistake
from controller.link.modbus import Table, answer_bytes, character_bits
from controller.link.module import reads
from controller.link.registers import NOWHERE, Contact, Measure, RegisterMap, Sensor, extremes_mc, mc_of
from controller.modbus_fields import (
    BITS_APART_MAX,
    CONTACT,
    CONTACT_TABLES,
    CONTACTS,
    LOWEST_MC,
    MEASURE,
    MEASURES,
    OUTPUTS,
    POLL_LONGEST_US,
    SENSOR,
    SENSOR_MORE,
    SENSOR_SWITCHES,
    SENSOR_WORDS,
    SPEEDS,
    WHOLE,
)

Rows = tuple[Number, ...]
REQUEST_BYTES = 8
ADAPTER_MAX = 40
COIL_KEYS = ("contactor_coil", "modulator_coil", "trigger_coil")
KEYS = ("adapter", "table", "sensor", "contact", "measure", *(row.key for row in (*WHOLE, *OUTPUTS)))


class Fields(NamedTuple):
    """How the reader of the whole file reads and complains; this part of it does so in the same words."""

    wrong: Callable[[str, Any, str, str], None]
    number: Callable[[str, Any, Number], int]
    unknown: Callable[[str, Mapping[str, Any], tuple[str, ...]], None]
    found: list[Mistake]


class Around(NamedTuple):
    """What the rest of the chamber file says that a map must fit."""

    fitted: Mapping[str, bool]
    channels: Sequence[int]
    board_ceiling_mc: int
    silence_us: int
    window_ms: int


class Understood(NamedTuple):
    """The map, and what the tick needs of it."""

    registers: RegisterMap
    module: Module


def read(section: Mapping[str, Any], around: Around, fields: Fields) -> Understood | None:
    """The register map; None when there are mistakes, which are then in `fields.found`."""
    before = len(fields.found)
    fields.unknown("modbus ", section, KEYS)
    numbers = _numbers("modbus", section, WHOLE, OUTPUTS, fields)
    adapter, table = section.get("adapter"), section.get("table")
    if not isinstance(adapter, str) or not 1 <= len(adapter) <= ADAPTER_MAX or not set(adapter) <= _ADAPTER_MAY:
        fields.wrong("modbus adapter", adapter, f"1 to {ADAPTER_MAX} letters, digits, hyphens, dots or underscores",
                     "Copy the adapter's serial number: soakwarden board find shows it.")
    if table not in (Table.INPUT, Table.HOLDING):
        fields.wrong("modbus table", table, "input, holding", "Say in which table the block stands; the data sheet tells.")
    if numbers["speed"] not in SPEEDS:
        fields.wrong("modbus speed", numbers["speed"], ", ".join(map(str, SPEEDS)) + " baud", "Use the module's speed.")
    sensors, contacts, measures = _sensors(section, fields), _contacts(section, fields), _measures(section, fields)
    if len(fields.found) > before:
        return None
    unit_us, shortest_us = numbers.pop("time_out_unit_us"), numbers.pop("shortest_us")
    registers = RegisterMap(adapter=str(adapter), table=Table(str(table)), sensors=sensors, contacts=contacts,
                            measures=measures, **numbers)
    registers = registers._replace(time_out_value=registers.time_out_us // unit_us if unit_us else 0)
    fields.found.extend(mistake for rule in RULES for mistake in rule(registers, around, unit_us))
    if len(fields.found) > before:
        return None
    hosts = registers.modulator_coil != NOWHERE
    return Understood(registers, Module(hosts, shortest_us, registers.time_out_us, registers.timer_relay_us))


_ADAPTER_MAY = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._")


def _numbers(where: str, row: Mapping[str, Any], needed: Rows, others: Rows, fields: Fields) -> dict[str, int]:
    """Numbers by the names they have in the map; what is left out of `others` has its default."""
    found = {one.field: fields.number(where, row.get(one.key), one) for one in needed}
    for one in others:
        there = one.key in row
        found[one.field] = fields.number(where, row[one.key], one) if there else round(one.default * one.scale)
        if not there and one.default == NOWHERE:
            found[one.field] = NOWHERE
    return found


def _tables(section: Mapping[str, Any], name: str, fields: Fields, keys: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
    """Every row of an array of tables with its place in words."""
    rows = section.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        fields.wrong(f"modbus {name}", rows, f"[[modbus.{name}]] tables", "Write one table for each.")
        return
    for number, row in enumerate(rows, 1):
        where = f"modbus {name} {number}"
        fields.unknown(f"{where} ", row, keys)
        yield where, row


def _sensors(section: Mapping[str, Any], fields: Fields) -> tuple[Sensor, ...]:
    keys = (*(row.key for row in (*SENSOR, *SENSOR_MORE)), *SENSOR_SWITCHES, *SENSOR_WORDS)
    found = []
    for where, row in _tables(section, "sensor", fields, keys):
        numbers = _numbers(where, row, SENSOR, SENSOR_MORE, fields)
        switches: dict[str, Any] = {
            key: _switch(where, key, row, needed, fields) for key, needed in SENSOR_SWITCHES.items()}
        faults = row.get("faults", [])
        if not isinstance(faults, list) or not all(type(fault) is int for fault in faults) or len(faults) > 8:
            fields.wrong(f"{where} faults", faults, "up to 8 whole numbers in brackets", "List the counts that mean no "
                         "temperature, as the data sheet gives them.")
            faults = []
        if (numbers["fault_register"] == NOWHERE) is not (numbers["fault_mask"] == 0):
            fields.wrong(f"{where} fault_mask", row.get("fault_mask"), "a mask exactly where fault_register stands",
                         "Give both, or neither.")
        found.append(Sensor(**{**switches, **numbers}, faults=tuple(faults)))
    if not found:
        fields.wrong("modbus sensor", None, "[[modbus.sensor]] tables", "Say where each temperature stands.")
    return tuple(found)


def _contacts(section: Mapping[str, Any], fields: Fields) -> tuple[Contact, ...]:
    found = []
    for where, row in _tables(section, "contact", fields, ("name", "table", "inverted", "address")):
        name, table = row.get("name"), row.get("table")
        if name not in CONTACTS:
            fields.wrong(f"{where} name", name, ", ".join(CONTACTS), "Say which contact this is.")
        if table not in CONTACT_TABLES:
            fields.wrong(f"{where} table", table, ", ".join(CONTACT_TABLES), "Say in which table it stands.")
        inverted = _switch(where, "inverted", row, False, fields)
        address = _numbers(where, row, CONTACT, (), fields)["address"]
        if name in CONTACTS and table in CONTACT_TABLES:
            found.append(Contact(CONTACTS[str(name)].field, Table(str(table)), address, inverted))
    return tuple(found)


def _measures(section: Mapping[str, Any], fields: Fields) -> tuple[Measure, ...]:
    found = []
    for where, row in _tables(section, "measure", fields, ("name", *(one.key for one in MEASURE))):
        name = row.get("name")
        if name not in MEASURES:
            fields.wrong(f"{where} name", name, ", ".join(MEASURES), "Say what is measured.")
        found.append(Measure(str(name), **_numbers(where, row, MEASURE, (), fields)))
    return tuple(found)


def _switch(where: str, key: str, row: Mapping[str, Any], needed: bool, fields: Fields) -> bool:
    value = row.get(key, None if needed else False)
    if not isinstance(value, bool):
        fields.wrong(f"{where} {key}", value, "true or false, without quotes", "The data sheet tells.")
    return value is True


# -- what the fields say together -----------------------------------------------------------------------------------------

Found = Iterator[Mistake]


def _within_the_block(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    """Everything that a poll must know stands in the block."""
    last = registers.start + registers.size - 1
    places = [(f"sensor {n} {key}", at, words) for n, one in enumerate(registers.sensors, 1) for key, at, words in (
        ("register", one.register, one.words), ("fault_register", one.fault_register, 1),
        ("counter_register", one.counter_register, 1)) if at != NOWHERE]
    places += [(f"measure {n} register", one.register, 1) for n, one in enumerate(registers.measures, 1)]
    for place, at, words in places:
        if not registers.in_block(at, words):
            shown = f"{at}" if words == 1 else f"{at} and {at + 1}"
            yield Mistake(f"modbus {place}", shown, f"within the block, {registers.start} to {last}",
                          "Enlarge the block with start and size, or correct the register.")


def _carries_its_values(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    """A sensor's registers can say everything from a cold room to past the ceiling; what means a fault is no temperature."""
    ceiling_mc = around.board_ceiling_mc
    needed = f"from {LOWEST_MC / 1000:g} °C to past the board ceiling, {ceiling_mc / 1000:g} °C"
    for number, one in enumerate(registers.sensors, 1):
        low, high = extremes_mc(one.words, one.signed, one.scale_uc)
        if low > LOWEST_MC or high <= ceiling_mc:
            yield Mistake(f"modbus sensor {number} c_per_count", f"carries {low / 1000:g} to {high / 1000:g} °C", needed,
                          "Look up c_per_count, signed and words in the data sheet; if they are right, this module cannot "
                          "measure this chamber.")
        bits = 16 * one.words
        least, most = (-(1 << bits - 1), (1 << bits - 1) - 1) if one.signed else (0, (1 << bits) - 1)
        for fault in one.faults:
            if not least <= fault <= most or LOWEST_MC <= mc_of(one, fault) <= ceiling_mc:
                yield Mistake(f"modbus sensor {number} faults", str(fault),
                              f"{least} to {most}, and no temperature {needed}", "Look it up in the data sheet, as the number "
                              "that the register reads with its sign.")


def _named_once(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    """No channel, register, coil or contact has two meanings."""
    named: list[tuple[str, str, str]] = []
    for number, one in enumerate(registers.sensors, 1):
        named.append(("channel", str(one.channel), f"sensor {number} channel"))
        named += [(registers.table, str(one.register + word), f"sensor {number} register") for word in range(one.words)]
        named += [(registers.table, str(at), f"sensor {number} {key}") for key in ("fault_register", "counter_register")
                  if (at := getattr(one, key)) != NOWHERE and not _shared(registers, number, key)]
    named += [(registers.table, str(one.register), f"measure {n} register") for n, one in enumerate(registers.measures, 1)]
    named += [("measure", one.name, f"measure {n} name") for n, one in enumerate(registers.measures, 1)]
    named += [("holding", str(at), key) for key in ("duty_register", "time_out_register")
              if (at := getattr(registers, key)) != NOWHERE]
    named += [("coil", str(at), key) for key in COIL_KEYS if (at := getattr(registers, key)) != NOWHERE]
    for number, contact in enumerate(registers.contacts, 1):
        named += [(contact.table, str(contact.address), f"contact {number} address"),
                  ("contact", contact.name, f"contact {number} name")]
    first: dict[tuple[str, str], str] = {}
    for kind, value, place in named:
        earlier = first.setdefault((kind, value), place)
        if earlier != place:
            yield Mistake(f"modbus {place}", f"{value}, which {earlier} names already", f"each {kind} once",
                          "One thing cannot watch itself: give each its own.")


def _shared(registers: RegisterMap, number: int, key: str) -> bool:
    """One counter may count for several sensors, and one register may hold the fault bits of several: then it is named by
    the first of them, and the bits must differ."""
    return any(getattr(one, key) == getattr(registers.sensors[number - 1], key) for one in registers.sensors[: number - 1])


def _fault_bits_differ(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    """Two sensors whose faults stand in one register have bits of their own there."""
    for number, one in enumerate(registers.sensors, 1):
        for earlier, other in enumerate(registers.sensors[: number - 1], 1):
            both = one.fault_mask & other.fault_mask
            if one.fault_register != NOWHERE and one.fault_register == other.fault_register and both:
                yield Mistake(f"modbus sensor {number} fault_mask", f"{one.fault_mask}, of which sensor {earlier} fault_mask "
                              f"names {both} already", "bits of its own", "Look up in the data sheet which bits are whose.")


def _every_channel_is_there(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    there = {one.channel for one in registers.sensors}
    for channel in sorted(set(around.channels) - there):
        yield Mistake("modbus sensor", f"none for channel {channel}", "one [[modbus.sensor]] for each [[sensor]]",
                      "Add it, or delete the [[sensor]] that has no place.")


def _fits_what_is_fitted(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    """What the file calls fitted is read, and what is read is called fitted."""
    read_here = {one.name for one in registers.contacts} | {one.name for one in registers.measures}
    wanted = {row.fitted: (row.field in read_here, f"[[modbus.contact]] named {name}")
              for name, row in CONTACTS.items() if row.fitted}
    wanted |= {fitted: (name in read_here, f"[[modbus.measure]] named {name}") for name, fitted in MEASURES.items() if fitted}
    wanted["contactor"] = registers.contactor_coil != NOWHERE, "contactor_coil"
    for fitted, (there, what) in wanted.items():
        if around.fitted[fitted] and not there:
            yield Mistake(f"fitted {fitted}", "true", f"false, or a {what}", "The module must read or switch it.")
        if there and not around.fitted[fitted]:
            yield Mistake(f"fitted {fitted}", "false", f"true, since there is a {what}", "Say true once it is there, or "
                          "delete that row.")


def _one_modulator(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    coil, duty = registers.modulator_coil != NOWHERE, registers.duty_register != NOWHERE
    if coil is duty:
        yield Mistake("modbus modulator_coil", "given together with duty_register" if coil else "missing, and no duty_register",
                      "one of the two", "A module either times the modulator itself, or this computer times its coil.")
    if duty is not (registers.duty_full > 0):
        yield Mistake("modbus duty_full", str(registers.duty_full) if registers.duty_full else "missing",
                      "1 to 65535 counts, exactly where duty_register stands", "What that register holds at full heat.")
    if coil and around.window_ms < WINDOW_LEAST_MS:
        yield Mistake("heater window_s", f"{around.window_ms / 1000:g} s", f"at least {WINDOW_LEAST_MS / 1000:g} s with a "
                      "modulator_coil", "This computer switches on whole seconds: a short window would be too coarse.")
    if duty and (registers.bits(Table.COIL) or registers.bits(Table.DISCRETE)) is None:
        yield Mistake("modbus duty_register", "the only thing beside the block", "a contactor_coil or a contact as well",
                      "Two reads of one register look alike, and an answer to one could pass for the other's.")


def _looks_unlike_its_neighbours(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    """A late answer to a holding register that is read by itself would pass for a block of one such register."""
    alone = [key for key in ("duty_register", "time_out_register") if getattr(registers, key) != NOWHERE]
    if alone and registers.table is Table.HOLDING and registers.size == 1:
        yield Mistake("modbus size", "1 register", f"2 or more beside a {' and a '.join(alone)}", "Read one more: two reads "
                      "of one register look alike.")


def _time_out_holds(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    """The module's own time-out, as its register can say it."""
    given = [registers.time_out_register != NOWHERE, registers.time_out_us > 0, unit_us > 0]
    if any(given) and not all(given):
        yield Mistake("modbus time_out_register", "not all of time_out_register, time_out_s, time_out_unit_ms", "all three, or "
                      "none", "Without one of them nobody can set the time-out and read it back.")
    elif all(given):
        if registers.time_out_us % unit_us or not 1 <= registers.time_out_value <= 65_535:
            yield Mistake("modbus time_out_s", f"{registers.time_out_us / unit_us:g} counts of {unit_us / 1000:g} ms",
                          "a whole number of counts, 1 to 65535", "Choose a time that the register can hold exactly.")
        yield from _not_longer_than_silence("time_out_s", registers.time_out_us, around)
        busy_us = _poll_us(registers) + registers.answer_us + registers.quiet_us
        if registers.time_out_us <= busy_us:
            yield Mistake("modbus time_out_s", f"{registers.time_out_us / 1e6:g} s",
                          f"more than a poll with one lost answer, {busy_us / 1e6:.2f} s", "The module would let go for every "
                          "lost answer: choose a longer time or a faster line.")


def _timer_relay_is_seen(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    relay, trigger = registers.timer_relay_us > 0, registers.trigger_coil != NOWHERE
    if relay is not trigger:
        yield Mistake("modbus trigger_coil", "missing" if relay else "given without timer_relay_s", "both or neither",
                      "A timer relay needs a coil that retriggers it.")
    if not relay:
        return
    yield from _not_longer_than_silence("timer_relay_s", registers.timer_relay_us, around)
    seen = any(one.name == "contactor_seen" and one.table is Table.DISCRETE for one in registers.contacts)
    if registers.contactor_coil == NOWHERE or not seen:
        yield Mistake("modbus timer_relay_s", "given, but nobody sees the line contactor fall",
                      "a contactor_coil and a discrete contact named contactor_seen",
                      "Wire the contactor's own auxiliary contact to an input: a coil that is read back proves nothing.")


def _something_ends_it(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    if around.fitted["drops_on_silence"] and not registers.time_out_us and not registers.timer_relay_us:
        yield Mistake("fitted drops_on_silence", "true", "false, or a time_out_register, or a timer_relay_s", "A module that "
                      "keeps its relay closed when nobody speaks gets no heat: add a retriggerable timer relay.")


def _not_longer_than_silence(key: str, us: int, around: Around) -> Found:
    if us > around.silence_us:
        yield Mistake(f"modbus {key}", f"{us / 1e6:g} s", f"at most silence_s, {around.silence_us / 1e6:g} s",
                      "The heat must be off when the silence limit is over. Lower it.")


def _poll_us(registers: RegisterMap) -> int:
    """A poll's characters on the line."""
    characters = sum(REQUEST_BYTES + answer_bytes(one) for one in reads(registers, True))
    return characters * character_bits(registers.stop_bits) * 1_000_000 // registers.speed


def _polls_in_time(registers: RegisterMap, around: Around, unit_us: int) -> Found:
    if registers.quiet_us < registers.answer_us:
        yield Mistake("modbus quiet_ms", f"{registers.quiet_us / 1000:g} ms", f"answer_ms, {registers.answer_us / 1000:g} ms, "
                      "or more", "A late answer must have come before the next request.")
    for table in (Table.COIL, Table.DISCRETE):
        bits = registers.bits(table)
        if bits is not None and bits.size > BITS_APART_MAX:
            yield Mistake(f"modbus {table} addresses", f"{bits.size} apart", f"at most {BITS_APART_MAX}",
                          "They are read in one piece: use places that stand near each other.")
            return
    if _poll_us(registers) > POLL_LONGEST_US:
        yield Mistake("modbus speed", f"a poll takes {_poll_us(registers) / 1e6:.2f} s", f"at most {POLL_LONGEST_US / 1e6:g} s",
                      "Choose a faster line or a smaller block.")


RULES: tuple[Callable[[RegisterMap, Around, int], Found], ...] = (
    _within_the_block, _carries_its_values, _named_once, _fault_bits_differ, _every_channel_is_there, _fits_what_is_fitted,
    _one_modulator, _looks_unlike_its_neighbours, _time_out_holds, _timer_relay_is_seen, _something_ends_it, _polls_in_time,
)
"""Every mistake that fields make together; all are looked for, each with its place."""
