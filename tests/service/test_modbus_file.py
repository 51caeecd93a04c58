"""The [modbus] part of a chamber file: every field past its range, every rule broken once, each refused with place, value,
allowed and remedy, and all of them at once.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from controller import new_chamber, new_module
from controller.chamber_fields import Number
from controller.commissioning.validity import judged
from controller.config import BadChamber, ChamberFolder, understood
from controller.core.module import Module
from controller.core.schedule import Mistake
from controller.core.setup import Level
from controller.levels import LEVELS, PROOFS, level_of, may_do, trials
from controller.link.modbus import Table
from controller.link.registers import NOWHERE, Contact
from controller.modbus_fields import CONTACT, CONTACTS, MEASURE, MEASURES, OUTPUTS, SENSOR, SENSOR_MORE, WHOLE
from controller.modbus_file import RULES
from tests.commissioning.proven import everything, facts_of
from tests.service.module_layout import ARM, BOARD, COUNTER, DOOR, SEEN, chamber_text
from tests.tidy.measure import ROOT

TEXT = chamber_text()
RELAY = chamber_text(relay=True)
PAGE = (ROOT / "hardware_notes/modbus_modules.md").read_text(encoding="utf-8")


def read(text: str) -> ChamberFolder:
    return understood(Path("/nowhere/c"), text, 0)


def mistakes(text: str) -> list[Mistake]:
    with pytest.raises(BadChamber) as caught:
        read(text)
    return caught.value.mistakes


def edited(text: str, pattern: str, replacement: str) -> str:
    after, count = re.subn(pattern, replacement, text, count=1, flags=re.MULTILINE)
    assert count == 1, f"{pattern} is not in the file"
    return after


def test_a_right_map_is_understood_and_names_the_module_by_adapter_and_unit():
    folder = read(TEXT)
    registers = folder.modbus
    assert registers is not None and folder.chamber.board == BOARD == registers.board
    assert (registers.table, registers.size, registers.time_out_value, registers.time_out_us) == (Table.INPUT, 4, 30, 3_000_000)
    assert registers.sensors[1].counter_register == COUNTER and registers.sensors[1].scale_uc == 10_000
    assert registers.contacts == (Contact("door", Table.DISCRETE, DOOR, False), Contact("arm", Table.DISCRETE, ARM, False))
    assert (registers.duty_register, registers.trigger_coil, folder.port, folder.speed) == (NOWHERE, NOWHERE, "", 115_200)
    assert folder.chamber.module == Module(True, 1_000_000, 3_000_000, 0) and not folder.chamber.simulated


def test_a_map_with_a_timer_relay_is_understood():
    folder = read(RELAY)
    assert folder.chamber.module == Module(True, 1_000_000, 0, 4_000_000)
    assert folder.modbus is not None and Contact("contactor_seen", Table.DISCRETE, SEEN, False) in folder.modbus.contacts


def test_a_new_file_is_right_as_it_stands_and_heats_nothing():
    text = new_chamber.text("Oven", False, "", module=new_module.text("A50285BI", 3))
    folder = read(text)
    assert folder.chamber.board == "A50285BI/3" and folder.level.level is Level.MEASURE_ONLY
    assert folder.chamber.module is not None and not folder.chamber.module.ends_on_silence
    for row in (*WHOLE, *OUTPUTS, *SENSOR, *SENSOR_MORE):
        assert f"# {row.say} ({row.allowed})" in text


ROWS = [("modbus", row, TEXT) for row in WHOLE] + [("modbus sensor 1", row, TEXT) for row in SENSOR]
ROWS += [("modbus contact 1", row, TEXT) for row in CONTACT]


@pytest.mark.parametrize(("place", "row", "text"), ROWS, ids=lambda one: getattr(one, "key", ""))
@pytest.mark.parametrize("value", ["{above}", "{below}", '"many"', "true", "nan"])
def test_every_number_is_held_to_its_range(place, row: Number, text, value):
    wrong = value.format(above=row.high + 1, below=row.low - 1)
    told = {one.field: str(one) for one in mistakes(edited(text, rf"^{row.key} = .*$", f"{row.key} = {wrong}"))}
    assert row.say in told[f"{place} {row.key}"] and row.allowed in told[f"{place} {row.key}"]


@pytest.mark.parametrize("row", OUTPUTS, ids=lambda row: row.key)
@pytest.mark.parametrize("side", ["above", "below"])
def test_a_field_that_may_be_missing_may_not_be_wrong(row: Number, side):
    wrong = row.high + 1 if side == "above" else row.low - 1
    base = edited(TEXT, rf"^{row.key} = .*\n", "") if f"\n{row.key} = " in TEXT else TEXT
    told = {one.field: str(one) for one in mistakes(edited(base, r"^size = .*$", f"size = 4\n{row.key} = {wrong:g}"))}
    assert row.allowed in told[f"modbus {row.key}"]


@pytest.mark.parametrize(("place", "row", "text"), ROWS, ids=lambda one: getattr(one, "key", ""))
def test_every_number_that_must_be_there_may_not_be_missing(place, row: Number, text):
    assert f"{place} {row.key}" in {one.field for one in mistakes(edited(text, rf"^{row.key} = .*\n", ""))}


SIZE = r"^size = 4$"
HOLDING = r"^table = \"input\"\n"
BROKEN = {
    "a sensor past the block": (r"^register = 1$", "register = 4", "modbus sensor 2 register", "within the block, 0 to 3"),
    "a sensor before the block": (r"^start = 0$", "start = 1", "modbus sensor 1 register", "within the block, 1 to 4"),
    "32 bits at the block's last register": (r"^register = 1\nwords = 1$", "register = 3\nwords = 2",
                                             "modbus sensor 2 register", "3 and 4"),
    "a counter past the block": (r"^counter_register = 3$", "counter_register = 9", "modbus sensor 1 counter_register", "9"),
    "no temperature below zero": (r"^signed = true$", "signed = false", "modbus sensor 1 c_per_count", "carries 0 to 655.35"),
    "a scale that ends below the ceiling": (r"^c_per_count = 0.01$", "c_per_count = 0.004", "modbus sensor 1 c_per_count",
                                            "135 °C"),
    "steps too coarse": (r"^c_per_count = 0.01$", "c_per_count = 2", "modbus sensor 1 c_per_count", "0.0001 to 1 °C"),
    "a fault value that is a temperature": (r"^signed = true$", "signed = true\nfaults = [2100]", "modbus sensor 1 faults",
                                            "2100"),
    "a fault value that no register holds": (r"^signed = true$", "signed = true\nfaults = [65535]", "modbus sensor 1 faults",
                                             "-32768 to 32767"),
    "faults that are no list": (r"^signed = true$", "signed = true\nfaults = 7", "modbus sensor 1 faults", "7"),
    "a fault register without a mask": (r"^signed = true$", "signed = true\nfault_register = 2", "modbus sensor 1 fault_mask",
                                        "missing"),
    "one channel twice": (r"^channel = 1\nregister = 1$", "channel = 0\nregister = 1", "modbus sensor 2 channel",
                          "0, which sensor 1 channel names already"),
    "one register twice": (r"^register = 1$", "register = 0", "modbus sensor 2 register", "0, which sensor 1 register"),
    "one coil twice": (r"^contactor_coil = 1$", "contactor_coil = 0", "modbus modulator_coil", "each coil once"),
    "one contact twice": (r"^name = \"arm_button\"$", 'name = "door"', "modbus contact 2 name", "each contact once"),
    "one contact's place twice": (rf"^address = {ARM}$", f"address = {DOOR}", "modbus contact 2 address", "discrete once"),
    "a sensor without a place": (r"^channel = 1\nregister", "channel = 3\nregister", "modbus sensor", "none for channel 1"),
    "a counter that is the temperature": (r"^counter_register = 3$", "counter_register = 0", "modbus sensor 1 counter_register",
                                          "0, which sensor 1 register names already"),
    "a counter that is another's temperature": (r"^counter_register = 3$", "counter_register = 1", "modbus sensor 2 register",
                                                "1, which sensor 1 counter_register names already"),
    "a counter that is the fault register": (r"^signed = true$", "signed = true\nfault_register = 3\nfault_mask = 1",
                                             "modbus sensor 1 counter_register", "3, which sensor 1 fault_register"),
    "a fault register that is the temperature": (r"^signed = true$", "signed = true\nfault_register = 0\nfault_mask = 1",
                                                 "modbus sensor 1 fault_register", "0, which sensor 1 register"),
    "one fault bit for two sensors": (
        r"^signed = true\n((?:.*\n)*?)signed = true$", "signed = true\nfault_register = 2\nfault_mask = 6\n"
        r"\1" "signed = true\nfault_register = 2\nfault_mask = 3", "modbus sensor 2 fault_mask", "fault_mask names 2 already"),
    "a measure that is the counter": (SIZE, 'size = 4\nmeasure = [{name = "aux_mv", register = 3, per_count = 1}]',
                                      "modbus measure 1 register", "3, which sensor 1 counter_register"),
    "a time-out that is the counter": (HOLDING + r"((?:.*\n)*)time_out_register = 30$",
                                       r"table = 'holding'\n\1time_out_register = 3", "modbus time_out_register",
                                       "3, which sensor 1 counter_register"),
    "a duty that is the counter": (HOLDING + r"((?:.*\n)*)modulator_coil = 0$",
                                   r"table = 'holding'\n\1duty_register = 3\nduty_full = 9", "modbus duty_register",
                                   "3, which sensor 1 counter_register"),
    "a block that looks like the time-out": (HOLDING + r"((?:.*\n)*)size = 4$", r"table = 'holding'\n\1size = 1",
                                             "modbus size", "2 or more beside a time_out_register"),
    "a block that looks like the duty": (
        HOLDING + r"((?:.*\n)*)size = 4\ncontactor_coil = 1\nmodulator_coil = 0$",
        r"table = 'holding'\n\1size = 1\ncontactor_coil = 1\nduty_register = 9\nduty_full = 9", "modbus size",
        "2 or more beside a duty_register"),
    "no modulator": (r"^modulator_coil = 0\n", "", "modbus modulator_coil", "one of the two"),
    "both modulators": (SIZE, "size = 4\nduty_register = 9\nduty_full = 100", "modbus modulator_coil", "one of the two"),
    "a duty without its full value": (r"^modulator_coil = 0$", "duty_register = 9", "modbus duty_full", "missing"),
    "a full value without a duty": (SIZE, "size = 4\nduty_full = 5", "modbus duty_full", "exactly where"),
    "a duty full of 0": (r"^modulator_coil = 0$", "duty_register = 9\nduty_full = 0", "modbus duty_full", "1 to 65535"),
    "a window too short": (r"^window_s = .*$", "window_s = 10", "heater window_s", "at least 20 s"),
    "a time-out without its unit": (r"^time_out_unit_ms = 100\n", "", "modbus time_out_register", "all three"),
    "a time-out that is no whole count": (r"^time_out_unit_ms = 100$", "time_out_unit_ms = 700", "modbus time_out_s",
                                          "whole number of counts"),
    "a time-out longer than the silence limit": (r"^time_out_s = 3$", "time_out_s = 6", "modbus time_out_s",
                                                 "at most silence_s, 4.8 s"),
    "a time-out no poll can keep": (r"^quiet_ms = 300((?:\n.*)*?)\ntime_out_s = 3$", r"quiet_ms = 900\1\ntime_out_s = 1",
                                    "modbus time_out_s", "more than a poll"),
    "a quiet shorter than an answer": (r"^quiet_ms = 300$", "quiet_ms = 100", "modbus quiet_ms", "250 ms, or more"),
    "contacts too far apart": (rf"^address = {ARM}$", "address = 900", "modbus discrete addresses", "at most 128"),
    "a trigger without a relay": (SIZE, "size = 4\ntrigger_coil = 7", "modbus trigger_coil", "both or neither"),
    "a contact that is not fitted": (r"^door = true$", "door = false", "fitted door", "true, since there is"),
    "a fitted thing that is not read": (r"^smoke = false$", "smoke = true", "fitted smoke", "[[modbus.contact]] named smoke"),
    "an unknown contact": (r"^name = \"door\"$", 'name = "window"', "modbus contact 1 name", "local_stop"),
    "an unknown table": (r"^table = \"input\"$", 'table = "analog"', "modbus table", "input, holding"),
    "an adapter that is no name": (r"^adapter = .*$", 'adapter = "a b"', "modbus adapter", "soakwarden board find"),
    "a speed between": (r"^speed = 115200$", "speed = 10000", "modbus speed", "9600"),
    "a word that nobody knows": (SIZE, "size = 4\nretries = 3", "modbus retries", "an unknown field"),
    "a simulated one": (r"^simulated = false$", "simulated = true", "simulated", "A module is real"),
    "a board's id beside it": (r"^simulated = false$", 'simulated = false\nboard = "abcdef"', "board",
                               "adapter's serial number"),
    "a [line] beside it": (r"^\[modbus\]$", '[line]\nport = "/dev/ttyUSB0"\n\n[modbus]', "line", "never by its name"),
    "limits out of order": (r"^ceiling_c = .*$", "ceiling_c = 150", "limits ceiling_c", "below board_ceiling_c"),
}
WITH_RELAY = {
    "a relay that nobody sees fall": (r'^name = "contactor_seen"$', 'name = "mains"', "modbus timer_relay_s",
                                    "auxiliary contact"),
    "a relay without a trigger": (r"^trigger_coil = 2\n", "", "modbus trigger_coil", "missing"),
    "a relay longer than the silence limit": (r"^timer_relay_s = 4$", "timer_relay_s = 6", "modbus timer_relay_s", "4.8 s"),
    "a coil that proves itself": (rf'^table = "discrete"\naddress = {SEEN}$', 'table = "coil"\naddress = 9',
                                  "modbus timer_relay_s", "proves nothing"),
    "nothing that ends it": (r"^trigger_coil = 2\ntimer_relay_s = 4\n", "", "fitted drops_on_silence", "timer relay"),
}
ALL = [(TEXT, *row) for row in BROKEN.values()] + [(RELAY, *row) for row in WITH_RELAY.values()]


@pytest.mark.parametrize(("text", "pattern", "instead", "field", "words"), ALL, ids=[*BROKEN, *WITH_RELAY])
def test_every_mistake_is_refused_with_its_place_and_the_remedy(text, pattern, instead, field, words):
    told = [one for one in mistakes(edited(text, pattern, instead)) if one.field == field]
    assert any(words in str(one) for one in told)
    assert all(one.advice and one.allowed for one in told)


def test_sensors_may_share_a_counter_and_a_register_of_fault_bits():
    shared = re.sub(r"(?m)^signed = true$", "signed = true\nfault_register = 2\nfault_mask = MASK", TEXT)
    first, second = re.sub("MASK", "1", shared, count=1), "2"
    folder = read(first.replace("MASK", second))
    assert folder.modbus is not None
    assert [(one.counter_register, one.fault_register, one.fault_mask) for one in folder.modbus.sensors] == [
        (COUNTER, 2, 1), (COUNTER, 2, 2)]


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_without_a_rule_something_above_would_pass(monkeypatch, rule):
    """A rule nobody breaks is a rule nobody tests."""
    monkeypatch.setattr("controller.modbus_file.RULES", tuple(one for one in RULES if one is not rule))
    passed = 0
    for text, pattern, instead, field, _ in ALL:
        try:
            read(edited(text, pattern, instead))
            passed += 1
        except BadChamber as bad:
            passed += field not in {one.field for one in bad.mistakes}
    assert passed


def test_all_mistakes_are_told_at_once():
    text = edited(edited(TEXT, r"^register = 1$", "register = 9"), r"^time_out_s = 3$", "time_out_s = 6")
    text = edited(text, r"^ceiling_c = .*$", "ceiling_c = 150")
    assert {"modbus sensor 2 register", "modbus time_out_s", "limits ceiling_c"} <= {one.field for one in mistakes(text)}


EVERYTHING = {name: True for row in LEVELS for need in row.needs for name in need.any_of} | {"timer_relay": True}


def test_the_highest_level_is_in_the_building_and_the_reason_is_in_words():
    board, module = (may_do(EVERYTHING, frozenset(PROOFS), False, one) for one in (False, True))
    assert (board.level, module.level) == (Level.UNATTENDED, Level.IN_THE_BUILDING)
    for words in ("no hello", "boot id", "limits", "protocol v1"):
        assert words in module.why
    assert "protocol v1" in module.next_thing


def test_a_module_heats_once_its_proofs_hold_and_not_before_and_needs_no_watchdog_for_that():
    """It has none that could be made to act: its timer relay stands for it."""
    assert may_do(EVERYTHING, frozenset(), False, True).level is Level.MEASURE_ONLY
    assert may_do(EVERYTHING, frozenset(PROOFS) - {"watchdog"}, False, True).level is Level.IN_THE_BUILDING
    assert may_do(EVERYTHING, frozenset(PROOFS) - {"silence"}, False, True).level is Level.MEASURE_ONLY
    step = PAGE.split("\n7. ")[1]
    assert "heats nothing before the steps" in step and "`silence`" in step


def test_a_module_with_a_time_out_of_its_own_alone_measures_only_and_says_why():
    folder = read(TEXT)
    assert folder.switches["board"] is folder.switches["timer_relay"] is False
    found = may_do({**EVERYTHING, "timer_relay": False}, frozenset(PROOFS) - {"silence"}, False, True)
    assert found.level is Level.MEASURE_ONLY
    assert "its own time-out cannot be shown yet" in found.why
    assert "timer relay" in found.next_thing
    kept = everything(folder, 1)
    kept = kept._replace(proofs=tuple(row for row in kept.proofs if row.step != "silence"))
    whole = judged(kept, facts_of(folder, 2))
    assert level_of(folder.switches, whole, False).level is Level.MEASURE_ONLY and trials(folder.switches, whole) == ()


def test_silence_of_a_module_is_no_run_of_its_own():
    folder = read(RELAY)
    assert folder.switches["timer_relay"]
    whole = judged(everything(folder, 1), facts_of(folder, 2))
    assert level_of(folder.switches, whole, False).level is Level.IN_THE_BUILDING
    offered = trials(folder.switches, whole)
    assert {"start_proof", "over_temperature_trip"} <= set(offered) and not {"silence", "watchdog"} & set(offered)


FIELDS = [row.key for row in (*WHOLE, *OUTPUTS, *SENSOR, *SENSOR_MORE, *MEASURE)]


WORDS = {"adapter", "table", "signed", "low_word_first", "faults", "inverted"}


@pytest.mark.parametrize("name", sorted({*FIELDS, *CONTACTS, *MEASURES, *WORDS}))
def test_every_field_is_in_the_manual(name):
    assert f"`{name}`" in PAGE
