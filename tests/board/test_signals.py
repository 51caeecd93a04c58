"""Lamps, sounder, contacts and the conversion of a thermocouple: the firmware's C, called from Python."""

from __future__ import annotations

import ctypes
from ctypes import POINTER, c_bool, c_char_p, c_int32, c_uint8, c_uint16
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.board import firmware_core

SOURCES = ("signals.c", "thermocouple.c")
CHIRP, ALARM, EVACUATE = 1, 2, 3
SETTINGS = bytes((0x11, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00))
"""CR0 to CJTO of the converter, from memory of its data sheet."""


class Told(ctypes.Structure):
    _fields_ = [("armed", c_uint8), ("heating", c_bool), ("hot", c_bool), ("sounder", c_uint8)]


class Signals(ctypes.Structure):
    _fields_ = [("told", Told), ("silenced", c_uint8), ("button", c_bool), ("lamp_at", c_uint16), ("sound_at", c_uint16)]


class Shown(ctypes.Structure):
    _fields_ = [("armed", c_bool), ("heating", c_bool), ("hot", c_bool), ("sounder", c_bool)]


class Contacts(ctypes.Structure):
    _fields_ = [("steady", c_uint8), ("low", c_uint8), ("high", c_uint8)]


class Reading(ctypes.Structure):
    _fields_ = [("value_mc", c_int32), ("cold_mc", c_int32), ("faults", c_uint8)]


@pytest.fixture(scope="module")
def shell(tmp_path_factory):
    if firmware_core.MISSING:
        pytest.skip(firmware_core.MISSING)  # `make test` installs it where that is allowed
    library = firmware_core.built(tmp_path_factory.mktemp("signals"), (*firmware_core.PURE, *SOURCES))
    library.signals_tell.argtypes = [POINTER(Signals), POINTER(Told)]
    library.signals_pass.argtypes = [POINTER(Signals), c_uint8, c_bool, POINTER(Shown)]
    library.contacts_pass.argtypes = [POINTER(Contacts), c_uint8]
    library.contacts_pass.restype = c_uint8
    library.thermocouple_read.argtypes = [c_char_p, POINTER(Reading)]
    library.thermocouple_read.restype = c_bool
    return library


class Panel:
    """Lamps, sounder and the silence button, a pass at a time."""

    def __init__(self, shell):
        self.shell, self.signals, self.shown = shell, Signals(), Shown()

    def tell(self, armed=0, heating=False, hot=False, sounder=0):
        self.shell.signals_tell(ctypes.byref(self.signals), ctypes.byref(Told(armed, heating, hot, sounder)))

    def listen(self, passes, silence=False):
        """What is heard in these passes: one flag each."""
        heard = []
        for _ in range(passes):
            self.shell.signals_pass(ctypes.byref(self.signals), 1, silence, ctypes.byref(self.shown))
            heard.append(self.shown.sounder)
        return heard

    def sounds(self):
        return any(self.listen(400))

    def press(self):
        self.listen(5, silence=True)
        self.listen(1)


def test_after_a_reset_all_is_dark_and_silent(shell):
    panel = Panel(shell)
    assert not any(panel.listen(7000))
    assert not (panel.shown.armed or panel.shown.heating or panel.shown.hot)


@pytest.mark.parametrize(("level", "length", "starts"), [
    (CHIRP, 6000, [(0, 10)]), (ALARM, 100, [(0, 50)]), (EVACUATE, 400, [(0, 50), (100, 150), (200, 250)]),
])
def test_each_level_has_its_own_pattern(shell, level, length, starts):
    """Evacuate is the three pulses of half a second with a pause of ISO 8201 (from memory)."""
    panel = Panel(shell)
    panel.tell(sounder=level)
    expected = [any(a <= at < b for a, b in starts) for at in range(length)] * 2
    assert panel.listen(2 * length) == expected


def test_the_armed_lamp_flashes_once_a_second_and_the_others_stand(shell):
    panel = Panel(shell)
    panel.tell(armed=2, heating=True, hot=True)
    lit = []
    for _ in range(200):
        panel.listen(1)
        lit.append(panel.shown.armed)
        assert panel.shown.heating and panel.shown.hot
    assert lit == ([True] * 50 + [False] * 50) * 2
    panel.tell(armed=1)
    panel.listen(150)
    assert panel.shown.armed and not panel.shown.heating


@pytest.mark.parametrize("level", [CHIRP, ALARM, EVACUATE])
def test_the_silence_button_silences_what_sounds_until_something_new(shell, level):
    panel = Panel(shell)
    panel.tell(sounder=level)
    panel.press()
    assert not any(panel.listen(6500))
    panel.tell(sounder=level)
    assert not any(panel.listen(6500)), "told again is nothing new"
    panel.tell(sounder=0)
    panel.tell(sounder=level)
    assert panel.sounds(), "a new start of sounding"


def test_a_higher_level_sounds_again_and_a_lower_one_does_not(shell):
    panel = Panel(shell)
    panel.tell(sounder=ALARM)
    panel.press()
    panel.tell(sounder=EVACUATE)
    assert panel.sounds()
    panel.press()
    panel.tell(sounder=ALARM)
    assert not any(panel.listen(6500))
    panel.tell(sounder=EVACUATE)
    assert panel.sounds(), "it rose again"


def test_a_button_that_is_held_or_stuck_silences_only_once(shell):
    panel = Panel(shell)
    panel.listen(50, silence=True)
    panel.tell(sounder=EVACUATE)
    assert any(panel.listen(400, silence=True)), "a button that was stuck before must not keep an alarm quiet"


@given(st.lists(st.tuples(st.integers(0, 3), st.booleans()), max_size=30))
def test_what_sounds_is_what_a_plain_model_says(shell, steps):
    """A model of three lines: silence lasts while the level has not risen since the press."""
    panel, quiet, before = Panel(shell), False, 0
    for level, press in steps:
        quiet = quiet and level <= before and level > 0
        before = level
        panel.tell(sounder=level)
        if press:
            panel.press()
            quiet = level > 0
        heard = panel.listen(6000)
        assert any(heard) == (level > 0 and not quiet)


@given(st.lists(st.integers(0, 255), max_size=60))
def test_a_contact_has_changed_when_three_passes_say_so(shell, raw):
    contacts = Contacts()
    steady = 0
    runs = [0] * 8
    for byte in raw:
        for bit in range(8):
            differs = (byte ^ steady) >> bit & 1
            runs[bit] = runs[bit] + 1 if differs else 0
            if runs[bit] == 3:
                steady ^= 1 << bit
                runs[bit] = 0
        assert shell.contacts_pass(ctypes.byref(contacts), byte) == steady


def read(shell, steps=0, cold_steps=24 * 64, status=0, registers=SETTINGS):
    raw = steps << 5 & 0xFFFFFF
    cold = cold_steps << 2 & 0xFFFF
    reading = Reading()
    good = shell.thermocouple_read(registers + cold.to_bytes(2, "big") + raw.to_bytes(3, "big") + bytes((status,)),
                                   ctypes.byref(reading))
    return good, reading


@given(st.integers(-(1 << 18), (1 << 18) - 1), st.integers(-(1 << 13), (1 << 13) - 1))
def test_every_step_of_the_converter_becomes_its_exact_value_cut_towards_zero(shell, steps, cold_steps):
    """A step of the value is 2^-7 degC, one of the cold junction 2^-6 degC (data sheet, from memory)."""
    good, reading = read(shell, steps, cold_steps)
    assert good
    assert reading.value_mc == int(Fraction(steps * 1000, 128))
    assert reading.cold_mc == int(Fraction(cold_steps * 1000, 64))
    outside = not 0 <= cold_steps * 1000 / 64 < 70_001
    assert bool(reading.faults & 0x10) == outside


@pytest.mark.parametrize(("status", "faults"), [
    (0x01, 0x01), (0x02, 0x04), (0x40, 0x08), (0x80, 0x10), (0x00, 0x00), (0x3C, 0x00), (0xC3, 0x1D),
])
def test_the_converter_s_fault_bits_become_the_protocol_s(shell, status, faults):
    assert read(shell, status=status)[1].faults == faults


@pytest.mark.parametrize("at", range(len(SETTINGS)))
def test_a_setting_that_does_not_read_back_is_no_reading(shell, at):
    for bit in range(8):
        spoilt = bytearray(SETTINGS)
        spoilt[at] ^= 1 << bit
        assert not read(shell, registers=bytes(spoilt))[0]


@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_a_converter_that_is_not_there_is_no_reading(shell, byte):
    assert not shell.thermocouple_read(bytes((byte,)) * 16, ctypes.byref(Reading()))
