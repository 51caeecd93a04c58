"""The firmware as it is built: no warning, within its limits, sealed; and its papers say what the code says."""

from __future__ import annotations

import ctypes
import importlib.util
import re
import shutil
import subprocess
import sys
import zlib
from collections import Counter
from types import ModuleType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.link.protocol import crc4
from tests.board import pin_table
from tests.board.firmware_core import FIRMWARE, Identity, StoredLimits

README = (FIRMWARE / "README.md").read_text(encoding="utf-8")
CODE = sorted(path for path in FIRMWARE.iterdir() if path.suffix in (".c", ".h", ".S"))
FLASH_MAX, RAM_MAX, HEADROOM_LEAST = 16_384, 1_024, 256
SERIAL_PINS = {"atmega328p": {"D0", "D1"}, "atmega2560": {"E0", "E1"}}
CLOCK_AND_RESET = {"atmega328p": {"B6", "B7", "C6"}, "atmega2560": set()}
"""Crystal and reset share port pins on the smaller chip (data sheet, from memory)."""
PORT_PINS = {"atmega328p": {"B": range(8), "C": range(7), "D": range(8)},
             "atmega2560": {**{letter: range(8) for letter in "ABCDEFHJKL"}, "G": range(6)}}
ANALOGUE = {"atmega328p": range(8), "atmega2560": range(16)}
HASH = re.compile(r"^(\w+) bytes sealed with ([0-9a-f]{8})$", re.MULTILINE)


def loaded(name: str) -> ModuleType:
    """A program that lies beside the firmware, as a module."""
    place = importlib.util.spec_from_file_location(f"firmware_{name}", FIRMWARE / f"{name}.py")
    assert place is not None and place.loader is not None
    module = importlib.util.module_from_spec(place)
    sys.modules[place.name] = module
    place.loader.exec_module(module)
    return module


maker, sizer = loaded("settings"), loaded("sizes")


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """A copy of the sources, built from nothing: its folder, and what make said."""
    if not shutil.which("avr-gcc") or not shutil.which("make"):
        # `make test` installs them where that is allowed
        pytest.skip("the firmware is not built: gcc-avr, avr-libc and make are needed (Debian's names)")
    folder = tmp_path_factory.mktemp("firmware")
    for path in [*CODE, *FIRMWARE.glob("*.py"), FIRMWARE / "Makefile"]:
        shutil.copy(path, folder)
    done = subprocess.run(["make"], cwd=folder, capture_output=True, text=True, timeout=110)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder, done.stdout + done.stderr


@pytest.mark.slow
def test_it_builds_without_a_word_of_warning(built):
    assert "warning" not in built[1] and "-Werror" in built[1]


@pytest.mark.slow
@pytest.mark.parametrize("chip", pin_table.CHIPS)
def test_it_is_as_small_as_promised_and_never_recurses(built, chip):
    size = sizer.measure(chip, str(built[0] / "build" / chip / "firmware.elf"))
    assert size.flash <= FLASH_MAX and size.ram <= RAM_MAX and size.headroom >= HEADROOM_LEAST, size
    assert size.path[0] == "main" and size.stack > 100, "a stack that small was not measured"


@pytest.mark.slow
@pytest.mark.parametrize("chip", pin_table.CHIPS)
def test_the_image_ends_with_its_own_checksum(built, chip):
    folder = built[0] / "build" / chip
    sealed = (folder / "firmware.bin").read_bytes()
    assert int.from_bytes(sealed[-4:], "little") == zlib.crc32(sealed[:-4])
    assert f"{zlib.crc32(sealed[:-4]):08x}" in {found for _, found in HASH.findall(built[1])}
    told = subprocess.run(["avr-nm", folder / "firmware.elf"], capture_output=True, text=True, check=True).stdout
    end = next(int(line.split()[0], 16) for line in told.splitlines() if line.endswith(" __data_load_end"))
    assert end == len(sealed) - 4, "the firmware looks for the checksum elsewhere"
    records = [line for line in (folder / "firmware.hex").read_text().split() if line[7:9] == "00"]
    assert bytes.fromhex("".join(line[9:-2] for line in records)) == sealed


@pytest.mark.slow
def test_a_recursion_and_a_call_through_a_pointer_are_found():
    code = {"main": [sizer.Instruction("rcall", ".+4", "one", 0)], "one": [sizer.Instruction("rcall", ".-9", "main", 0)]}
    codes = {name: sizer.read(name, body, code, 2) for name, body in code.items()}
    with pytest.raises(ValueError, match="recursion: main > one > main"):
        sizer.deepest("main", codes)
    with pytest.raises(ValueError, match="through a pointer"):
        sizer.read("main", [sizer.Instruction("icall", "", "", 0)], code, 2)


@pytest.mark.slow
def test_the_checkers_of_the_code_find_nothing(built):
    missing = [name for name in ("cppcheck", "gcc") if not shutil.which(name)]
    if missing:
        # `make test` installs them where that is allowed
        pytest.skip(f"the firmware is not checked: {', '.join(missing)} missing")
    done = subprocess.run(["make", "check"], cwd=built[0], capture_output=True, text=True, timeout=110)
    assert done.returncode == 0, done.stdout + done.stderr


# Papers

def test_every_deviation_stands_at_its_line_and_in_the_document():
    at_lines = {number for path in CODE for number in re.findall(r"\bD-\d+\b", path.read_text(encoding="utf-8"))}
    document = (FIRMWARE / "DEVIATIONS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (D-\d+) \|", document, re.MULTILINE)
    assert at_lines == set(rows) and len(rows) == len(set(rows))
    assert rows == [f"D-{at}" for at in range(1, len(rows) + 1)]


def test_the_pin_budget_of_the_manual_is_that_of_the_code():
    place = pin_table.PLACE.search(README)
    assert place and place[0] == pin_table.table(), "run `python -m tests.board.pin_table`"
    assert {pin.name for chip in pin_table.CHIPS for pin in pin_table.pins(chip)} == set(pin_table.PURPOSES)


@pytest.mark.parametrize("chip", pin_table.CHIPS)
def test_no_pin_is_used_twice_and_every_pin_exists(chip):
    pins = [pin.place for pin in pin_table.pins(chip)]
    twice = [place for place, times in Counter(pins).items() if times > 1]
    assert not twice
    digital = {place for place in pins if not place.startswith("ADC")}
    assert not digital & (SERIAL_PINS[chip] | CLOCK_AND_RESET[chip])
    assert all(int(place[1]) in PORT_PINS[chip].get(place[0], ()) for place in digital)
    analogue = {int(place[3:]) for place in pins if place.startswith("ADC")}
    assert analogue <= set(ANALOGUE[chip])
    shared = {f"{'C' if chip == 'atmega328p' else 'F'}{at}" for at in analogue if at < 6 or chip != "atmega328p"}
    assert not digital & shared, "an analogue channel and a digital pin are one leg of the chip"


@pytest.mark.slow
def test_the_sizes_of_the_manual_are_those_of_the_build(built):
    """Within 8 bytes: another compiler's version may differ by a little."""
    said = re.findall(r"^\| (atmega\w+) \| (\d+) \| (\d+) \| (\d+) \| (\d+) \|$", README, re.MULTILINE)
    assert [row[0] for row in said] == list(pin_table.CHIPS)
    for chip, flash, ram, stack, _ in said:
        size = sizer.measure(chip, str(built[0] / "build" / chip / "firmware.elf"))
        for told, true in ((int(flash), size.flash), (int(ram), size.ram), (int(stack), size.stack)):
            assert abs(told - true) <= 8, f"{chip}: run `make size` and write its table into the README"


# Settings

NAMES = st.sets(st.sampled_from(list(maker.CHANNELS)), min_size=1)


@st.composite
def any_settings(draw):
    channels = sorted(draw(NAMES))
    own = sorted(draw(st.sets(st.sampled_from(channels), min_size=1)))
    fitted = sorted(draw(st.sets(st.sampled_from(list(maker.FITTED)))))
    return maker.Settings(f"{draw(st.integers(0, 0xFFFFFF)):06x}", draw(st.integers(1, 400_000)),
                          draw(st.integers(1, 999_999)), tuple(channels), tuple(own), tuple(fitted),
                          draw(st.integers(1, 65_535)) if "current" in fitted else 0,
                          draw(st.integers(1, 8)) if "fan" in fitted else 0, draw(st.booleans()))


@given(any_settings())
def test_the_firmware_reads_what_the_settings_program_writes(core, wanted):
    data = maker.image(wanted)
    identity, limits = Identity(), StoredLimits()
    assert core.identity_read(data[:16], ctypes.byref(identity))
    assert core.limits_read(data[16:], ctypes.byref(limits))
    assert bytes(identity.board).hex() == wanted.board_id and identity.simulated == wanted.simulated
    assert (limits.board_ceiling_mc, limits.longest_s) == (wanted.ceiling_mc, wanted.longest_s)
    assert identity.channels == sum(maker.CHANNELS[name] for name in wanted.channels)
    assert identity.own == sum(maker.CHANNELS[name] for name in wanted.own)
    assert identity.fitted == sum(maker.FITTED[name] for name in wanted.fitted)
    assert (identity.current_ma_per_v, identity.fan_pulses) == (wanted.current_ma_per_v, wanted.fan_pulses)


@settings(max_examples=20)
@given(any_settings())
def test_the_hex_file_carries_the_same_bytes(wanted):
    """Intel HEX: each record's bytes add up to 0 with its checksum (the format's own rule, from memory)."""
    data = maker.image(wanted)
    records = [bytes.fromhex(line[1:]) for line in maker.intel_hex(data).split()]
    assert all(sum(record) & 0xFF == 0 for record in records)
    assert b"".join(record[4:-1] for record in records if record[3] == 0) == data
    assert records[-1][3] == 1


def test_the_bits_of_the_settings_program_are_those_of_the_header():
    header = (FIRMWARE / "settings.h").read_text(encoding="utf-8")
    bits = {name.lower().replace("_", "-"): int(value, 16) for name, value in re.findall(r"FITTED_(\w+) = (0x\d+)", header)}
    assert bits == maker.FITTED


def test_the_checksum_of_the_settings_is_that_of_the_wire():
    """0x29B1 is the published check value of CRC-16/CCITT-FALSE."""
    assert maker.crc16(b"123456789") == 0x29B1 == int(crc4(b"123456789"), 16)


GOOD = ("--id", "5a17c0", "--ceiling", "130", "--longest", "96")


@pytest.mark.parametrize(("changed", "said"), [
    (("--id", "5A17C0"), "id: '5A17C0' is not six digits"),
    (("--ceiling", "401"), "ceiling: 401000 0.001 °C is outside 1 to 400000"),
    (("--ceiling", "0"), "ceiling: 0 0.001 °C is outside"),
    (("--ceiling", "warm"), "ceiling: 'warm' is not a number"),
    (("--ceiling", "nan"), "ceiling: 'nan' is not a number"),
    (("--ceiling", "inf"), "ceiling: 'inf' is not a number"),
    (("--ceiling", "99.9999"), "finer than the board can keep"),
    (("--longest", "278"), "longest: 1000800 s is outside 1 to 999999"),
    (("--channels", "control,control"), "names one twice"),
    (("--channels", "oven"), "channels: 'oven' is not known"),
    (("--own", "third"), "own: third must be some of the channels that are fitted"),
    (("--own", ""), "own: none must be some of the channels"),
    (("--fitted", "door,bell"), "fitted: 'bell' is not known"),
    (("--fitted", "current"), "current-ma-per-v: 0 mA per V is outside 1 to 65535"),
    (("--fitted", "fan", "--fan-pulses", "9"), "fan-pulses: 9 pulses a turn is outside 1 to 8"),
])
def test_bad_settings_are_refused_with_field_value_and_remedy(tmp_path, capsys, changed, said):
    out = tmp_path / "board"
    assert maker.main([*GOOD, *changed, "--out", str(out)]) == 1
    assert said in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_good_settings_become_two_files(tmp_path, capsys):
    assert maker.main([*GOOD, "--out", str(tmp_path / "board")]) == 0
    assert (tmp_path / "board.bin").read_bytes() == maker.image(maker.Settings("5a17c0", 130_000, 345_600))
    assert (tmp_path / "board.hex").read_text().startswith(":10000000015A17C0")
    assert "board.bin: 28 bytes" in capsys.readouterr().out
