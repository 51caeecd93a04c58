"""The hardware notes against the code: pins, steps, parts, levels, commands and numbers; and the drawings as drawings.

A page that somebody follows with a screwdriver may not say another pin, step or number than the program.
"""

from __future__ import annotations

import re
import runpy
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from controller.chamber_fields import HEATER, LIMITS
from controller.commissioning.step import Bound, Part
from controller.commissioning.steps import BY_ID, STEPS
from controller.core.readings import Role
from controller.core.setup import LEVEL_WORDS, Level
from controller.levels import LEVELS
from tests import tables
from tests.board import pin_table
from tests.tidy.measure import ROOT

NOTES = ROOT / "hardware_notes"
FIRMWARE = NOTES / "reference_firmware"
PAGES = sorted(path for path in NOTES.glob("*.md"))
DRAWINGS = sorted((NOTES / "diagrams").glob("*.svg"))
NAMES = {"block", "starter", "unattended", "sensors", "cut_both_ways", "contact"}
SVG = "{http://www.w3.org/2000/svg}"
TEXT_LEAST_PX = 13
WIDTH_READ_PX = 700
"""Text is at least so high when the drawing is shown so wide."""
EM_MEAN = {"": 0.5, "b": 0.6}
"""Mean width of a letter, in heights, plain and bold, of a wide sans-serif: measured on these drawings with DejaVu Sans."""
COMING: set[str] = set()
"""Verbs that belong to the guided sequence."""


def read(page: str) -> str:
    return (NOTES / page).read_text(encoding="utf-8")


def rows(text: str) -> list[list[str]]:
    """Cells of the body of the first table in a text."""
    lines = [line for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in lines[2:]]


def between(page: str, name: str) -> str:
    found = re.search(rf"<!-- {name} -->\n(.*?)<!-- {name.split(':')[0]} end -->", read(page), re.DOTALL)
    assert found, f"{page} has no place {name}"
    return found[1]


def ids(cell: str) -> list[str]:
    return re.findall(r"`(\w+)`", cell)


# Pins


@pytest.mark.parametrize(("chip", "column"), [("atmega328p", 1), ("atmega2560", 2)])
def test_the_pin_sheet_has_every_pin_of_pins_h_and_no_other(chip, column):
    sheet = rows(between("pins.md", "pins: outputs")) + rows(between("pins.md", "pins: inputs"))
    assert len({row[0] for row in sheet}) == len(sheet)
    assert {(row[0], row[column]) for row in sheet if row[column] != "-"} == set(pin_table.pins(chip))


def test_the_pin_sheet_tells_outputs_from_inputs_as_the_firmware_does():
    """Contacts and analogue pins are inputs by the lists of pins.h; what is driven is named here."""
    driven = ("modulator", "contactor", "lamp_", "sounder", "select_", "spi_out", "spi_clock")
    text = (FIRMWARE / "pins.h").read_text(encoding="utf-8")
    contacts = {name for block in re.findall(r"define CONTACT_PINS\(X\)((?:.*\\\n)*.*)", text)
                for name in re.findall(r"X\((\w+),", block)}
    inputs = {row[0] for row in rows(between("pins.md", "pins: inputs"))}
    assert {"door", "limiter"} <= contacts <= inputs
    assert not [name for name in inputs - contacts if name.startswith(driven)]
    assert all(row[0].startswith(driven) for row in rows(between("pins.md", "pins: outputs")))


def test_the_board_in_the_drawing_has_pins_by_the_names_of_pins_h():
    words = {text.text for text in ElementTree.parse(NOTES / "diagrams/unattended.svg").iter(f"{SVG}text")}
    larger = {pin.name for pin in pin_table.pins("atmega2560")}
    drawn = {"contactor_open", "door", "local_stop", "limiter", "arm", "silence", "smoke", "mains", "fan", "modulator",
             "contactor", "current"}
    assert drawn <= larger
    assert drawn <= words


# Steps


@pytest.mark.parametrize("part", list(Part))
def test_the_printed_steps_are_those_of_the_program_in_its_order(part):
    printed = [(ids(row[0])[0], row[1], int(row[2])) for row in rows(between("commissioning.md", f"steps: {part}"))]
    assert printed == [(step.id, step.title, step.minutes) for step in STEPS if step.part is part]


@pytest.mark.parametrize("part", list(Part))
def test_the_printed_sums_are_right(part):
    total = sum(step.minutes for step in STEPS if step.part is part)
    heading = f"## {part.capitalize()}\n"
    section = read("commissioning.md").split(heading)[1].split("\n## ")[0]
    assert f"Together {total} minutes" in section


def test_the_way_of_each_step_is_said_and_unplugged_where_it_must_be():
    for part in Part:
        for row in rows(between("commissioning.md", f"steps: {part}")):
            step = BY_ID[ids(row[0])[0]]
            assert row[3].startswith(step.way), step.id
            assert ("unplugged" in row[3] and step.way == "typed") == step.caution.startswith("Unplug"), step.id
            assert row[5], f"{step.id} says what to do when it fails"


def test_the_levels_name_their_steps():
    printed = {row[0]: set(ids(row[1])) for row in rows(between("commissioning.md", "levels"))}
    assert list(printed) == [LEVEL_WORDS[row.level] for row in LEVELS]
    assert [step for named in printed.values() for step in named if step not in BY_ID] == []
    so_far: set[str] = set()
    for row in LEVELS:
        so_far |= printed[LEVEL_WORDS[row.level]]
        assert set(row.proofs) <= so_far, row.level
    assert so_far == set(BY_ID), "everything is proven before heat is left alone"


def test_the_changes_name_the_proofs_that_fall():
    from controller.commissioning import changes
    printed = [(row[0], tuple(ids(row[1])), int(row[2])) for row in rows(between("commissioning.md", "changes"))]
    assert printed == [(change.words.rstrip("."), change.steps, changes.minutes_of(change.steps)) for change in changes.CHANGES]


def test_minutes_of_every_change_are_the_sum_of_its_steps():
    for row in rows(between("commissioning.md", "changes")):
        assert sum(BY_ID[step].minutes for step in ids(row[1])) == int(row[2]), row[0]


def test_a_move_takes_everything_that_hangs_on_the_place():
    moved = rows(between("commissioning.md", "changes"))[0]
    assert {step.id for step in STEPS if step.bound is Bound.PLACE} <= set(ids(moved[1]))


def test_every_role_of_a_sensor_is_explained():
    text = read("commissioning.md").split("## Sensors and their roles")[1].lower()
    for role in Role:
        assert role.value.replace("_", "-") in text


# Parts


PART_TABLES = re.findall(r"^\|.*chamber file.*unlocks \|\n(?:\|.*\n)+", read("parts.md"), re.MULTILINE)
PARTS = [row for table in PART_TABLES for row in rows(table)]


def test_every_part_says_its_kind_the_hazards_it_closes_and_the_level_it_unlocks():
    known = set(re.findall(r"^\| (H-\d\d) ", read("hazards.md"), re.MULTILINE))
    assert len(PARTS) > 20
    for name, kind, _, closes, level in PARTS:
        assert len(kind) > 20, name
        assert closes.split() and set(closes.split()) <= known, name
        assert level in LEVEL_WORDS.values(), name


def test_every_need_of_a_level_is_a_part_at_that_level_and_not_above():
    bought = {key: level for _, _, cell, _, level in PARTS for key in ids(cell)}
    words = list(LEVEL_WORDS.values())
    assert [level.value for level in Level] == sorted(level.value for level in Level), "lowest first"
    for row in LEVELS:
        for need in row.needs:
            for key in need.any_of:
                assert key in bought, f"{key} is in no table of parts"
                assert words.index(bought[key]) <= words.index(LEVEL_WORDS[row.level]), key


def test_the_elements_arithmetic_is_that_of_the_written_numbers():
    """Steady heat balance, power = capacity x rate + loss x difference: first law, any textbook."""
    default = {field.key: field.default for field in HEATER}
    capacity, loss, room = default["heat_capacity_j_per_c"], default["loss_w_per_c"], default["room_c"]
    text = read("parts.md")
    assert f"{capacity:,.0f} J/°C, {loss:g} W/°C, room {room:g} °C" in text
    ramp_w, lost_w = capacity * 20 / 3600, loss * (105 - room)
    low_w = (ramp_w + lost_w) / 0.81
    for printed in (f"{ramp_w:.0f} W |", f"{lost_w:.0f} W |", f"{ramp_w + lost_w:.0f} W |", f"{low_w:.0f} W |",
                    f"{round(low_w) * 1.33:.0f} W: take 200 W", f"{(200 - lost_w) / capacity * 60:.0f} °C a minute",
                    f"{(500 - lost_w) / capacity * 60:.0f} °C a minute"):
        assert printed in text, printed


def test_two_equal_elements_in_series_have_the_printed_power():
    """Ohm's law: resistances add, and power is voltage squared by resistance."""
    each_ohm = 230**2 / 500
    assert f"is {each_ohm:.0f} Ω; two are {2 * each_ohm:.0f} Ω" in read("parts.md")
    assert f"{230**2 / (2 * each_ohm):.0f} W for" in read("parts.md")


def test_the_invented_limits_stand_in_order_with_the_limiters_tolerance_on_both_sides():
    """The limiter opens before the link even at its upper tolerance, and bears the place even at its lower one."""
    said = re.search(r"place (\d+) °C, limiter (\d+) °C give or take (\d+) °C \((\d+) to (\d+) °C\), link holding (\d+) °C and "
                     r"opening (\d+) °C, weakest\s+part (\d+) °C", read("parts.md"))
    assert said
    place, limiter, tolerance, lowest, highest, holding, opening, weakest = map(int, said.groups())
    assert (lowest, highest) == (limiter - tolerance, limiter + tolerance)
    assert place < lowest < highest < holding < opening < weakest
    default = {field.key: field.default for field in LIMITS}
    keys = ("limiter_c", "limiter_tolerance_c", "thermal_link_c")
    assert (limiter, tolerance, holding) == tuple(default[key] for key in keys)


# What is dead, and what is measured


@pytest.mark.parametrize("page", ["wiring.md", "bring_up.md", "appliance.md", "commissioning.md"])
def test_insulation_is_measured_where_the_element_is_reached_and_not_across_electronics(page):
    """Unplugged, every contact ahead of the element is open, so the plug's pins do not reach it."""
    text = " ".join(read(page).split())
    assert not re.search(r"[Ii]nsulation between live", text)
    assert re.search(r"both (terminals )?together,? to earth|join the two, and measure from them to earth", text)
    assert "500 V" in text


def test_the_step_measures_insulation_at_the_element_with_electronics_disconnected():
    ask = next(field.ask for field in BY_ID["wiring"].fields if field.key == "insulation_mohm")
    assert "element's own terminals, both together, to earth" in ask and "electronics disconnected" in ask
    assert any("Never put 500 V across" in line for line in BY_ID["wiring"].do)


def test_the_heater_line_has_a_fuse_of_its_own_ahead_of_its_link_on_page_and_drawings():
    order = [row[0] for row in rows(read("wiring.md").split("## The heater circuit, in order")[1])]
    assert order[:3] == ["fuse -F1", "heater fuse -F5", "thermal link"]
    assert any(row[0] == "heater fuse -F5" for row in PARTS)
    for name in ("block", "starter", "unattended"):
        words = " ".join(text.text or "" for text in ElementTree.parse(NOTES / f"diagrams/{name}.svg").iter(f"{SVG}text"))
        assert "-F5 heater fuse" in words, name


@pytest.mark.parametrize("name", ["starter", "unattended"])
def test_fan_and_supply_branch_off_ahead_of_the_heater_fuse(name):
    """The rail of L runs from right to left: what hangs to the right of the fuse works with the fuse out."""
    uses = [(use.attrib["href"], float(use.attrib["x"]), float(use.attrib["y"]))
            for use in ElementTree.parse(NOTES / f"diagrams/{name}.svg").iter(f"{SVG}use")]
    rail = 244.0
    [fuse] = [x for href, x, y in uses if href == "#fuse" and y == rail]
    branches = [x for href, x, y in uses if href == "#dot" and y == rail]
    link = min(x for href, x, y in uses if href == "#v-link")
    assert branches and link < fuse < min(branches)


def test_contacts_are_tried_with_the_heater_fuse_out_and_it_is_put_back():
    begins, *_, ends = BY_ID["contacts"].do
    assert begins.startswith("With the plug pulled take out the heater fuse -F5")
    assert "unplug, put -F5 back" in ends
    assert "-F5 out" in next(row[3] for row in rows(between("commissioning.md", "steps: core")) if row[0] == "`contacts`")
    assert "Take out the heater fuse -F5 with the plug pulled" in read("bring_up.md")


def test_a_converter_of_3_3_volts_is_never_wired_pin_to_pin():
    assert "3.3 V parts" in read("pins.md") and "level shifters" in read("pins.md")
    assert any("level shifters" in kind for name, kind, *_ in PARTS if name == "converter")


# Commands


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_command_in_the_notes_exists(page):
    said = re.findall(r"(?:`|^ *|sudo )soakwarden ([a-z]+)", page.read_text(encoding="utf-8"), re.MULTILINE)
    assert set(said) <= set(tables.command_line()) | COMING


def test_the_hash_on_the_flashing_page_is_the_one_that_the_build_seals_in(tmp_path):
    image = bytes(range(256)) * 3
    sealed = runpy.run_path(str(FIRMWARE / "seal.py"))["sealed"](image)
    script = re.search(r'python3 -c "(.+?)" build', read("flashing.md"))
    assert script
    path = tmp_path / "firmware.bin"
    path.write_bytes(sealed)
    done = subprocess.run([sys.executable, "-c", script[1], str(path)], capture_output=True, text=True, check=True, timeout=60)
    assert int(done.stdout, 16) == int.from_bytes(sealed[-4:], "little")


def test_the_settings_on_the_flashing_page_are_taken():
    made = runpy.run_path(str(FIRMWARE / "settings.py"))
    calls = re.findall(r"python3 settings\.py ((?:.|\\\n)+?--out board)", read("flashing.md"))
    assert len(calls) == 2
    for call in calls:
        settings, _ = made["asked"](call.replace("\\\n", " ").split())
        assert made["image"](settings)
        assert not settings.simulated


def test_the_make_verb_on_the_flashing_page_exists():
    assert re.search(r"^firmware:", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE)


# Links and words


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_to_a_heading_find_one(page):
    for target, heading in re.findall(r"\]\(([^)#\s]*)#([\w-]+)\)", page.read_text(encoding="utf-8")):
        text = (page.parent / target if target else page).read_text(encoding="utf-8")
        there = {re.sub(r"[^\w -]", "", line.lstrip("# ").lower()).replace(" ", "-")
                 for line in text.splitlines() if line.startswith("#")}
        assert heading in there, f"{target}#{heading}"


@pytest.mark.parametrize("page", ["appliance.md", "bring_up.md", "commissioning.md", "modbus_modules.md", "parts.md", "pins.md",
                                  "flashing.md", "wiring.md"])
def test_no_page_says_that_proofs_cannot_be_made(page):
    assert not re.search(r"proofs? (are|is|can)\s+not|cannot be made|not\s+built", read(page))


@pytest.mark.parametrize("page", ["appliance.md", "bring_up.md", "commissioning.md", "parts.md", "wiring.md"])
def test_cautions_defer_to_local_codes_or_a_licensed_person(page):
    assert re.search(r"licensed|local code", read(page))


def test_the_bring_up_checklist_fits_a_printed_page():
    """An A4 sheet takes about 70 lines of 100 letters (common practice, no source)."""
    wrapped = sum(1 + len(line) // 100 for line in read("bring_up.md").splitlines())
    assert wrapped <= 70
    assert read("bring_up.md").count("- [ ]") >= 20


# Drawings


def test_every_drawing_is_there_and_shown_on_a_page():
    assert {path.stem for path in DRAWINGS} == NAMES
    shown = "".join(page.read_text(encoding="utf-8") for page in PAGES)
    for path in DRAWINGS:
        assert f"](diagrams/{path.name})" in shown


def width_of(root: ElementTree.Element) -> float:
    return float(root.attrib["viewBox"].split()[2])


@pytest.mark.parametrize("path", DRAWINGS, ids=lambda path: path.stem)
def test_a_drawing_says_in_words_what_it_shows(path: Path):
    root = ElementTree.parse(path).getroot()
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None and title.text and len(title.text) > 20
    assert description is not None and description.text and len(description.text) > 80


@pytest.mark.parametrize("path", DRAWINGS, ids=lambda path: path.stem)
def test_a_drawing_stands_alone_and_knows_the_dark(path: Path):
    text = path.read_text(encoding="utf-8")
    root = ElementTree.fromstring(text)
    assert "prefers-color-scheme: dark" in text
    there = {element.attrib["id"] for element in root.iter() if "id" in element.attrib}
    wanted = {element.attrib["href"].lstrip("#") for element in root.iter(f"{SVG}use")}
    assert wanted <= there
    assert not re.search(r"@import|url\(|<image|<script|https?://(?!www\.w3\.org/2000/svg)", text)


@pytest.mark.parametrize("path", DRAWINGS, ids=lambda path: path.stem)
def test_no_text_of_a_drawing_is_too_small_to_read(path: Path):
    root = ElementTree.parse(path).getroot()
    sizes = [float(size) for size in re.findall(r"font-size:\s*([\d.]+)px", path.read_text(encoding="utf-8"))]
    assert sizes, "the drawing says how large its text is"
    assert not [element for element in root.iter() if "font-size" in element.attrib], "sizes stand in the style"
    assert min(sizes) * WIDTH_READ_PX / width_of(root) >= TEXT_LEAST_PX


def boxes(root: ElementTree.Element) -> list[tuple[str, float, float, float, float]]:
    """Each text with about where it lies: left, top, right, bottom."""
    style = (root.find(f"{SVG}style") or ElementTree.Element("style")).text or ""
    sizes = {name: float(size) for name, size in re.findall(r"(?:^|\s)(\.\w|text) \{[^}]*font-size: (\d+)px", style)}
    found = []
    for text in root.iter(f"{SVG}text"):
        classes = text.get("class", "").split()
        size = next((sizes[f".{name}"] for name in classes if f".{name}" in sizes), sizes.get("text", 14.0))
        words, x, y = text.text or "", float(text.attrib["x"]), float(text.attrib["y"])
        width = len(words) * size * EM_MEAN["b" if "b" in classes else ""]
        left = x - width if "e" in classes else x - width / 2 if "m" in classes else x
        found.append((words, left, y - 0.7 * size, left + width, y + 0.1 * size))
    return found


@pytest.mark.parametrize("path", DRAWINGS, ids=lambda path: path.stem)
def test_texts_of_a_drawing_neither_meet_nor_leave_it(path: Path):
    root = ElementTree.parse(path).getroot()
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    found = boxes(root)
    for at, (words, left, top, right, bottom) in enumerate(found):
        assert left >= 0 and right <= width and top >= 0 and bottom <= height, words
        for other, *box in found[at + 1:]:
            assert left >= box[2] or right <= box[0] or top >= box[3] or bottom <= box[1], f"{words} / {other}"
