"""The manual against the code: every guard, event, command, route, verb and hazard is found, every table is current.

A manual that nobody checks is wrong within a month; so what can be drawn is drawn, and what is written is looked up.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from controller.core.commands import Ask
from controller.core.events import EVENT_KINDS
from controller.core.guards import GUARDS
from controller.core.setup import LEVEL_WORDS
from tests import tables
from tests.tidy.measure import ROOT, tracked

README = (ROOT / "README.md").read_text(encoding="utf-8")
MANUAL = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
HAZARDS = (ROOT / "hardware_notes/hazards.md").read_text(encoding="utf-8")
PAGES = sorted(path for path in tracked() if path.endswith(".md"))
STATES = {"guard and test now", "rule and test now", "covered by person or hardware", "not built yet"}
COLUMNS = ("id", "what", "layers", "guards", "injected", "bound", "state")


def hazard_rows() -> list[dict[str, str]]:
    lines = [line for line in HAZARDS.splitlines() if line.startswith("| H-")]
    return [dict(zip(COLUMNS, (cell.strip() for cell in line.strip("|").split("|")), strict=True)) for line in lines]


ROWS = hazard_rows()


@pytest.mark.parametrize("name", tables.TABLES)
def test_every_table_of_the_manual_is_current(name):
    place = tables.between(name).search(MANUAL)
    assert place, f"DEVELOPERS.md has no place for the table {name}"
    assert tables.written(place[0]) == place[0], "run `make tables`"


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: guard.id)
def test_every_guard_is_in_the_manual_and_with_its_hazards(guard):
    assert f"`{guard.id}`" in MANUAL
    assert guard.hazards.split(), "a guard names the hazards it stands against"
    named_by = {row["id"] for row in ROWS if guard.id in row["guards"].split(", ")}
    assert named_by == set(guard.hazards.split())


def test_every_event_kind_and_command_is_in_the_manual():
    for name in [*(kind.value for kind in EVENT_KINDS), *(ask.value for ask in Ask)]:
        assert f"`{name}`" in MANUAL


def test_every_route_is_in_the_manual():
    for path in tables.openapi()["paths"]:
        assert f"`{path}`" in MANUAL


def test_every_verb_is_in_the_manual():
    assert tables.command_line(), "the command line has verbs"
    for verb in tables.command_line():
        assert f"`soakwarden {verb}`" in MANUAL


def test_the_hazards_are_numbered_without_a_gap():
    assert [row["id"] for row in ROWS] == [f"H-{number:02}" for number in range(1, 49)]


def test_every_hazard_says_who_acts_how_it_is_injected_and_what_is_true_today():
    guard_ids = {guard.id for guard in GUARDS}
    for row in ROWS:
        named = set() if row["guards"] == "-" else set(row["guards"].split(", "))
        assert row["state"] in STATES, row["id"]
        assert row["layers"] and set(row["layers"].split()) <= {"L1", "L2", "L3", "L4", "L5", "E", "P"}, row["id"]
        assert row["what"] and row["injected"] and row["bound"], row["id"]
        assert named <= guard_ids, row["id"]
        if row["state"] == "guard and test now":
            assert named, f"{row['id']} claims a guard and names none"
        if row["state"] == "not built yet":
            assert not named, f"{row['id']} has a guard: say so"


def test_every_hazard_a_guard_names_is_on_the_list():
    assert {hazard for guard in GUARDS for hazard in guard.hazards.split()} <= {row["id"] for row in ROWS}


def test_every_level_is_explained():
    parts = (ROOT / "hardware_notes/parts.md").read_text(encoding="utf-8")
    for words in LEVEL_WORDS.values():
        assert words in parts


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    targets = [target for target in re.findall(r"\]\(([^)#\s]+)", text) if "://" not in target]
    lost = [target for target in targets if not (ROOT / page).parent.joinpath(target).exists()]
    assert not lost


def test_the_map_of_the_house_names_only_what_is_there():
    named = set(re.findall(r"`((?:controller|api|web|tests|hardware_notes|changes)/[\w./-]*)`", MANUAL))
    assert named, "the map names its files in back quotes"
    lost = sorted(name for name in named if not (ROOT / name).exists())
    assert not lost


def test_the_readme_begins_with_the_job_and_a_picture():
    head = README.split("\n## ")[0]
    assert head.startswith("# Soakwarden\n")
    assert "![" in head, "a picture of the page stands on top"
    assert README.index("make run") < README.index("make test")


def test_the_cautions_stand_where_they_are_needed():
    wiring = (ROOT / "hardware_notes/wiring.md").read_text(encoding="utf-8")
    for page in (README, wiring):
        assert re.search("local codes", page)
        assert re.search("unplug", page, re.IGNORECASE)
    for word in ("mains", "fumes", "unattended", "licensed"):
        assert re.search(word, README, re.IGNORECASE), word


CLAIMS = re.compile(r"\b(is|are|fully|been) (certified|compliant)\b|\bcomplies with\b|\bconforms to\b", re.IGNORECASE)


@pytest.mark.parametrize("page", PAGES)
def test_no_page_claims_conformity(page):
    assert not CLAIMS.search((ROOT / page).read_text(encoding="utf-8"))


def test_changes_are_one_sentence_files():
    for path in (Path(name) for name in tracked() if name.startswith("changes/")):
        assert re.fullmatch(r"\d{3}\.md", path.name), path
