"""Chamber folders: every field of the file driven past its range, every limit out of its order, every level reached."""

from __future__ import annotations

import re
import shutil
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from controller import new_chamber
from controller.chamber_fields import FITTED, HEATER, LIMIT_ORDER, LIMITS, WIRED, Number
from controller.commissioning import store
from controller.commissioning.validity import DAY_US
from controller.config import PROOFS_FILE, BadChamber, ChamberFolder, NoChamber, load
from controller.core.setup import Level
from controller.drivers import sealed
from controller.levels import LEVELS, PROOFS, may_do
from tests.commissioning.proven import everything

NOW = datetime(2026, 3, 1, tzinfo=UTC)
NOW_US = round(NOW.timestamp() * 1e6)
BOARD = new_chamber.SIMULATED_BOARD
WHOLE = new_chamber.text("Bench", True, BOARD)
SENSOR = '[[sensor]]\nrole = "{role}"\nlabel = "x"\nchannel = {channel}\ncorrection_c = 0\nuncertainty_c = 2\n'


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("fresh") / "c"
    new_chamber.write(made, WHOLE, BOARD, True, NOW_US)
    return made


@pytest.fixture
def folder(fresh: Path, tmp_path: Path) -> Path:
    """A copy, since making one waits for the disk."""
    return shutil.copytree(fresh, tmp_path / "c")


def edited(folder: Path, pattern: str, replacement: str) -> None:
    path = folder / "chamber.toml"
    after, count = re.subn(pattern, replacement, path.read_text(), count=1, flags=re.MULTILINE)
    assert count == 1, f"{pattern} is not in the file"
    path.write_text(after)


def mistakes(folder: Path) -> dict[str, str]:
    with pytest.raises(BadChamber) as caught:
        load(folder, NOW_US)
    return {mistake.field: str(mistake) for mistake in caught.value.mistakes}


def test_a_new_file_is_right_and_every_row_of_it_is_explained():
    data = tomllib.loads(WHOLE)
    for section, rows in (("limits", LIMITS), ("heater", HEATER), ("fitted", FITTED), ("wired", WIRED)):
        assert set(data[section]) == {row.key for row in rows}
        assert all(f"# {row.say}" in WHOLE for row in rows)


def test_written_units_become_integers(folder):
    chamber = load(folder, NOW_US).chamber
    assert (chamber.limits.ceiling_mc, chamber.limits.run_max_us) == (130_000, 24 * 3_600_000_000)
    assert (chamber.heater.window_ms, chamber.heater.gain_e4_per_k, chamber.heater.loss_mw_per_k) == (40_000, 600, 1_200)


NUMBERS = [("limits", row) for row in LIMITS] + [("heater", row) for row in HEATER]


@pytest.mark.parametrize(("section", "row"), NUMBERS, ids=lambda one: getattr(one, "key", one))
@pytest.mark.parametrize("value", ["{above}", "{below}", '"many"', "true", "nan", "inf"])
def test_every_number_is_held_to_its_range(folder, section, row: Number, value):
    wrong = value.format(above=row.high * 1.01 + 1, below=row.low - abs(row.low) * 0.01 - 1)
    edited(folder, rf"^{row.key} = .*$", f"{row.key} = {wrong}")
    told = mistakes(folder)[f"{section} {row.key}"]
    assert row.unit in told and f"{row.low:g}" in told and f"{row.high:g}" in told and row.say in told


@pytest.mark.parametrize(("section", "row"), NUMBERS, ids=lambda one: getattr(one, "key", one))
def test_every_number_may_not_be_missing(folder, section, row: Number):
    edited(folder, rf"^{row.key} = .*\n", "")
    assert "missing" in mistakes(folder)[f"{section} {row.key}"]


@pytest.mark.parametrize("row", [*FITTED, *WIRED], ids=lambda row: row.key)
def test_every_switch_is_true_or_false(folder, row):
    edited(folder, rf"^{row.key} = .*$", f"{row.key} = 1")
    assert any(field.endswith(f" {row.key}") for field in mistakes(folder))


@pytest.mark.parametrize("step", LIMIT_ORDER, ids=lambda step: f"{step.lower}<{step.upper}")
def test_limits_out_of_their_order_are_refused(folder, step):
    data = tomllib.loads(WHOLE)["limits"]
    less = data[step.minus] if step.minus else 0
    most = next(row.high for row in LIMITS if row.key == step.lower)
    equal = min(data[step.upper] - less, most)  # equal is already too near
    edited(folder, rf"^{step.lower} = .*$", f"{step.lower} = {equal}")
    edited(folder, rf"^{step.upper} = .*$", f"{step.upper} = {equal + less}")
    assert step.upper in mistakes(folder)[f"limits {step.lower}"]


def test_a_limiter_that_is_not_fitted_has_no_place_in_the_order(folder):
    edited(folder, r"^limiter = .*$", "limiter = false")
    edited(folder, r"^limiter_c = .*$", "limiter_c = 60")
    assert load(folder, NOW_US).chamber.limits.limiter_mc == 60_000


@pytest.mark.parametrize(("pattern", "replacement", "field", "words"), [
    (r"^channel = 1$", "channel = 0", "sensor channel", "each channel once"),
    (r'^role = "over_temperature"$', 'role = "control"', "sensor role", "control, given to two sensors"),
    (r'^role = "control"$', 'role = "survey"', "sensor", "no control sensor"),
    (r'^role = "part"$', 'role = "guess"', "sensor 3 role", "over_temperature"),
    (r"^channel = 2$", "channel = 6", "sensor 3 channel", "0 to 5"),
    (r"^board = .*$", 'board = "5A17C0"', "board", "lower case"), (r"^board = .*$", "board = 517", "board", "six"),
    (r"^name = .*$", 'name = ""', "name", "1 to 60"), (r"^simulated = .*$", 'simulated = "no"', "simulated", "true or false"),
    (r"^simulated = .*$", "simulated = false", "simulation", "real chamber"),
    (r'^shape = .*$', 'shape = "round"', "simulation shape", "bench"), (r"^format = .*$", "", "format", "missing"),
    (r"^\[limits\]$", "[limits]\ncieling_c = 3", "limits cieling_c", "unknown"),
    (r"^name = ", "colour = 1\nname = ", "colour", "unknown"),
    (r"^role = \"part\"$", 'role = "part"\nkind = "K"', "sensor 3 kind", "unknown"),
    (r"^\[heater\]$", "[line]\nspeed = 1\n[heater]", "line speed", "115200"),
], ids=str)
def test_a_mistake_is_named_and_explained(folder, pattern, replacement, field, words):
    edited(folder, pattern, replacement)
    assert words in mistakes(folder)[field]


@pytest.mark.parametrize(("pattern", "replacement", "field"), [
    (r"^channel = 2$", "channel = 1.5", "sensor 3 channel"), (r"^channel = 1$", "channel = 7", "sensor 2 channel"),
    (r"^channel = 1$", "", "sensor 2 channel"), (r'^role = "control"$', 'role = "kontrol"', "sensor 1 role"),
    (r"^\[heater\](?s:.*?)(?=^\[)", "", "heater"), (r"^\[fitted\](?s:.*?)(?=^\[)", "", "fitted"),
    (r"^\[limits\](?s:.*?)(?=^\[)", "", "limits"),
])
def test_one_mistake_is_one_line(folder, pattern, replacement, field):
    """What could not be read is not called given twice, missing or misordered besides."""
    edited(folder, pattern, replacement)
    assert list(mistakes(folder)) == [field]


def test_the_same_channel_twice_is_told_beside_one_that_cannot_be_read(folder):
    edited(folder, r"^channel = 2$", "channel = 1.5")
    edited(folder, r"^channel = 1$", "channel = 0.0")
    assert set(mistakes(folder)) == {"sensor 3 channel", "sensor channel"}


def test_all_mistakes_are_told_at_once(folder):
    edited(folder, r"^name = .*$", "name = 3")
    edited(folder, r"^channel = 1$", "channel = 0")
    edited(folder, r"^ceiling_c = .*$", "ceiling_c = 9999")
    edited(folder, r"^fuse = .*$", 'fuse = "yes"')
    assert set(mistakes(folder)) == {"name", "sensor channel", "limits ceiling_c", "wired fuse"}


def test_the_order_of_readable_limits_is_told_beside_other_mistakes(folder):
    edited(folder, r"^ceiling_c = .*$", "ceiling_c = 200")
    edited(folder, r"^thermal_link_c = .*$", "thermal_link_c = 120")
    edited(folder, r"^limiter_c = .*$", 'limiter_c = "hot"')
    edited(folder, r"^hot_c = .*$", "hot_c = 999")
    told = mistakes(folder)
    assert set(told) == {"limits ceiling_c", "limits board_ceiling_c", "limits limiter_c", "limits hot_c"}
    assert "below board_ceiling_c, 135 °C" in told["limits ceiling_c"]
    assert "below thermal_link_c, 120 °C" in told["limits board_ceiling_c"]


@pytest.mark.parametrize(("key", "written", "field", "words"), [
    ("frozen_s", '"3"', "limits frozen_s", 'is the text "3"; allowed is 1 to 60 s, a number without quotes'),
    ("frozen_s", "true", "limits frozen_s", "is true; allowed is 1 to 60 s"),
    ("fuse", '"true"', "wired fuse", 'is the text "true"; allowed is true or false, without quotes'),
    ("simulated", '"true"', "simulated", 'is the text "true"'), ("board", "517000", "board", "is the number 517000"),
    ("channel", "1.5", "sensor 1 channel", "is 1.5 (number of the board's channel); allowed is a whole number, 0 to 5"),
    ("channel", "true", "sensor 1 channel", "is true; allowed is a whole number, 0 to 5"),
    ("element_w", "450.5", "heater element_w", "is 450.5 W; allowed is a whole number, 10 to 3000 W"),
    ("element_w", "9" * 400, "heater element_w", "allowed is a whole number, 10 to 3000 W"),
    ("element_w", "0x" + "f" * 5000, "heater element_w", "allowed is a whole number, 10 to 3000 W"),
], ids=str)
def test_a_value_of_another_kind_is_told_as_what_it_is(folder, key, written, field, words):
    edited(folder, rf"^{key} = .*$", f"{key} = {written}")
    assert words in mistakes(folder)[field]


@pytest.mark.parametrize("speed", ["9600.0", '"9600"'])
def test_a_speed_of_another_kind_does_not_become_the_usual_one(folder, speed):
    edited(folder, r"^\[heater\]$", f"[line]\nspeed = {speed}\n[heater]")
    assert speed in mistakes(folder)["line speed"]


@pytest.mark.parametrize("content", [b"", b"x = " + b"9" * 5000, b"\xff\xfe", b"a = [", b"name",
                                     b"x = 1\n" * 20_000, b"sensor = 3",
                                     b"limits = []\nsensor = []"])
def test_a_file_that_is_no_chamber_gives_no_chamber(folder, content):
    (folder / "chamber.toml").write_bytes(content)
    assert mistakes(folder)


@pytest.mark.parametrize(("make", "words"), [
    (lambda path: None, "the chamber folder {path} is missing; allowed is a folder with a chamber.toml"),
    (lambda path: path.mkdir(), "the file {path}/chamber.toml is missing; allowed is a folder with a chamber.toml"),
    (lambda path: path.write_text(""), "the chamber folder {path} is a file; allowed is a folder with a chamber.toml"),
], ids=["no folder", "no file", "no folder but a file"])
def test_what_is_missing_is_said_plainly_with_how_to_make_one(tmp_path, make, words):
    path = tmp_path / "c"
    make(path)
    with pytest.raises(NoChamber) as caught:
        load(path, NOW_US)
    (told,) = map(str, caught.value.mistakes)
    assert told.startswith(words.format(path=path)) and "`soakwarden chamber new FOLDER` makes one" in told


def test_a_file_that_may_not_be_read_is_not_called_missing(folder, monkeypatch):
    def refused(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refused)
    assert "cannot be read: Permission denied" in mistakes(folder)["the file"]


# -- what it may do ------------------------------------------------------------------------------------------------------


def switches_of(*levels: Level) -> dict[str, bool]:
    return {name: True for row in LEVELS if row.level in levels for need in row.needs for name in need.any_of}


def proofs_of(*levels: Level) -> frozenset[str]:
    return frozenset(proof for row in LEVELS if row.level in levels for proof in row.proofs)


ABOVE = [Level.AT_THE_CHAMBER, Level.IN_THE_BUILDING, Level.UNATTENDED]


@pytest.mark.parametrize("count", range(4))
def test_a_level_needs_its_own_row_and_all_below(count):
    levels = ABOVE[:count]
    found = may_do(switches_of(*levels), proofs_of(*levels), False)
    assert found.level is Level(count)
    assert bool(found.next_thing) is (count < 3)


@pytest.mark.parametrize("row", LEVELS, ids=lambda row: row.level.name)
def test_without_any_one_need_or_proof_a_level_is_not_reached(row):
    for need in row.needs:
        have = {name: name not in need.any_of for name in switches_of(*ABOVE)}
        found = may_do(have, proofs_of(*ABOVE), False)
        assert found.level < row.level and need.buy in found.why
    for proof in row.proofs:
        found = may_do(switches_of(*ABOVE), proofs_of(*ABOVE) - {proof}, False)
        assert found.level < row.level and PROOFS[proof] in found.why


def test_a_local_stop_is_no_button_to_check_in_with():
    have = switches_of(*ABOVE) | {"arm_button": False, "local_stop": True}
    assert may_do(have, proofs_of(*ABOVE), False).level is Level.MEASURE_ONLY


def test_every_proof_belongs_to_a_level():
    assert proofs_of(*ABOVE) == set(PROOFS)


def test_a_simulated_chamber_may_run_unattended_by_invented_proofs(folder):
    made = load(folder, NOW_US)
    assert made.level.level is Level.UNATTENDED and "invented" in made.level.why


def test_a_real_chamber_only_measures_until_it_is_proven(tmp_path):
    new_chamber.write(tmp_path / "r", new_chamber.text("Oven", False, "abcdef", "/dev/ttyX"), "abcdef", False, NOW_US)
    made = load(tmp_path / "r", NOW_US)
    assert made.chamber.may_do is Level.MEASURE_ONLY and made.level.next_thing


def everything_fitted(path: Path) -> Path:
    """A real chamber with everything there; what it may do hangs on its proofs alone."""
    written = new_chamber.text("Oven", False, "abcdef", "/dev/ttyX").replace("= false", "= true")
    written = written.replace("simulated = true", "simulated = false")
    new_chamber.write(path, written, "abcdef", False, NOW_US)
    return path


def with_proofs(path: Path, days: int = 1, **changes: Any) -> ChamberFolder:
    kept = everything(load(path, NOW_US), NOW_US - days * DAY_US)
    sealed.write(path / PROOFS_FILE, {**store.body_of(kept), **changes})
    return load(path, NOW_US)


def test_a_real_chamber_with_every_proof_may_run_unattended(tmp_path):
    made = with_proofs(everything_fitted(tmp_path / "r"))
    assert made.level.level is Level.UNATTENDED and made.chamber.may_do is Level.UNATTENDED


@pytest.mark.parametrize("changes", [
    {"invented": True}, {"invented": None}, {"board": "000000"}, {"format": "x"}, {"proofs": None}, {"proofs": ["silence"]},
    {"proofs": [{"proof": "silence", "passed": False, "utc": NOW.isoformat()}]}, {"halves": 7}, {"more": 1},
], ids=str)
def test_proofs_that_do_not_fit_prove_nothing(tmp_path, changes):
    made = with_proofs(everything_fitted(tmp_path / "r"), **changes)
    assert made.level.level is Level.MEASURE_ONLY and not made.chamber.trials


@pytest.mark.parametrize(("days", "level"), [
    (0, Level.UNATTENDED), (30, Level.UNATTENDED), (31, Level.IN_THE_BUILDING), (182, Level.MEASURE_ONLY),
    (-1, Level.MEASURE_ONLY)])
def test_proofs_age_each_by_its_own_row(tmp_path, days, level):
    assert with_proofs(everything_fitted(tmp_path / "r"), days).level.level is level


def test_a_proofs_file_changed_by_hand_proves_nothing(tmp_path):
    path = everything_fitted(tmp_path / "r")
    with_proofs(path)
    file = path / PROOFS_FILE
    file.write_text(file.read_text().replace("a test", "a tess", 1))
    made = load(path, NOW_US)
    assert made.level.level is Level.MEASURE_ONLY and "checksum" in made.kept.unreadable


def test_a_chamber_made_with_an_older_program_stays_what_it_was(folder):
    """Its file has another format, and everything in it was invented."""
    rows = [{"proof": proof, "passed": True, "utc": "2026-02-28T00:00:00+00:00", "by": "x"} for proof in store.OLD_IDS]
    body = {"format": store.OLD_FORMAT, "invented": True, "board": BOARD, "proofs": rows}
    sealed.write(folder / PROOFS_FILE, body)
    assert load(folder, NOW_US).level.level is Level.UNATTENDED
    sealed.write(folder / PROOFS_FILE, {**body, "proofs": rows[1:]})
    assert load(folder, NOW_US).level.level is Level.MEASURE_ONLY


def test_the_folder_is_kept_as_text_for_the_record(folder):
    assert set(load(folder, NOW_US).texts) == {"chamber.toml", "proofs.json"}


def test_a_folder_that_exists_is_refused_and_left_alone(folder):
    before = (folder / "chamber.toml").read_text()
    with pytest.raises(FileExistsError):
        new_chamber.write(folder, "other", BOARD, True, NOW_US)
    assert (folder / "chamber.toml").read_text() == before
    assert [one.name for one in folder.parent.iterdir()] == ["c"], "nothing half made is left"
