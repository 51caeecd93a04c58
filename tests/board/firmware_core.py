"""The firmware's pure files as a shared library of this computer: the same C that the board runs, called from Python."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
from ctypes import c_bool, c_char, c_char_p, c_int32, c_uint8, c_uint16, c_uint32
from pathlib import Path
from typing import Any

from controller.core.messages import Drive, Enable, Hello, SetLimits, Stall, Tell, ToBoard

FIRMWARE = Path(__file__).parents[2] / "hardware_notes" / "reference_firmware"
PURE = ("decide.c", "reasons.c", "switches.c", "frames.c", "frames_write.c", "settings.c")
FLAGS = ("-std=c11", "-O1", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror", "-fPIC", "-shared",
         "-fsanitize=undefined", "-fno-sanitize-recover=undefined", "-static-libubsan")
COMPILER = shutil.which("gcc")
MISSING = "" if COMPILER else "gcc is missing; on Debian: apt install gcc libc6-dev"
SIZES = """
#include <stddef.h>
#include "decide.h"
#include "settings.h"
size_t size_of(int which);
size_t size_of(int which)
{
    static const size_t SIZES[] = { sizeof(frame_t), sizeof(channel_report_t), sizeof(welcome_t), sizeof(report_t),
        sizeof(limits_t), sizeof(inputs_t), sizeof(outputs_t), sizeof(state_t), sizeof(identity_t),
        sizeof(stored_limits_t), sizeof(life_t) };
    return SIZES[which];
}
"""
"""Lets a test see that the structures below are those of the headers."""


class Frame(ctypes.Structure):
    _fields_ = [("kind", c_uint8), ("refusal", c_uint8), ("hello", c_bool), ("session", c_uint16), ("sequence", c_uint32),
                ("permit", c_bool), ("contactor", c_bool), ("duty_e4", c_uint16), ("window_ms", c_uint32),
                ("armed", c_uint8), ("heating", c_bool), ("hot", c_bool), ("sounder", c_uint8),
                ("has_board_ceiling", c_bool), ("has_run_ceiling", c_bool), ("has_run_max", c_bool),
                ("board_ceiling_mc", c_int32), ("run_ceiling_mc", c_int32), ("run_max_s", c_uint32)]


class ChannelReport(ctypes.Structure):
    _fields_ = [("fitted", c_bool), ("value_mc", c_int32), ("cold_mc", c_int32), ("faults", c_uint8),
                ("conversions", c_uint8)]


class WelcomeC(ctypes.Structure):
    _fields_ = [("board", c_char_p), ("boot", c_uint16), ("session", c_uint16), ("firmware", c_char_p),
                ("hash", c_uint32), ("reset_cause", c_uint8), ("simulated", c_bool)]


class ReportC(ctypes.Structure):
    _fields_ = [("board", c_char_p), ("boot", c_uint16), ("session", c_uint16), ("sequence", c_uint32),
                ("heard", c_uint32), ("up_s", c_uint32), ("up_us", c_uint32), ("channels", ChannelReport * 6),
                ("modulator", c_bool), ("contactor", c_bool), ("enabled", c_bool), ("off", c_uint8), ("on_us", c_uint32),
                ("switches", c_uint32), ("run_s", c_uint32), ("contacts", c_char * 6), ("current_ma", c_int32),
                ("fan_rpm", c_int32), ("aux_mv", c_int32)]


class LimitsC(ctypes.Structure):
    _fields_ = [("session", c_uint16), ("board_ceiling_mc", c_int32), ("run_ceiling_mc", c_int32), ("run_max_s", c_uint32),
                ("silence_us", c_uint32)]


class ChannelC(ctypes.Structure):
    _fields_ = [("fitted", c_bool), ("faults", c_uint8), ("value_mc", c_int32)]


class Inputs(ctypes.Structure):
    _fields_ = [("passes", c_uint8), ("frame", Frame), ("channels", ChannelC * 3), ("own", c_uint8),
                ("settings_good", c_bool), ("board_ceiling_mc", c_int32), ("longest_s", c_uint32),
                ("self_test_good", c_bool), ("door_shut", c_bool), ("local_stop", c_bool), ("smoke", c_bool),
                ("modulator_reads", c_bool), ("contactor_reads", c_bool)]


class OutputsC(ctypes.Structure):
    _fields_ = [("modulator", c_bool), ("contactor", c_bool), ("off", c_uint8), ("answer", c_uint8), ("refusal", c_uint8),
                ("tell", c_bool), ("stall", c_bool), ("store", c_bool), ("store_ceiling_mc", c_int32)]


class Window(ctypes.Structure):
    _fields_ = [("open", c_bool), ("pulsed", c_bool), ("at", c_uint16), ("length", c_uint16), ("shortest", c_uint16),
                ("on_for", c_uint16), ("given", c_uint16), ("asked", c_int32)]


class State(ctypes.Structure):
    _fields_ = [("session", c_uint16), ("heard", c_uint32), ("enabled", c_bool), ("failed", c_bool),
                ("void_reason", c_uint8), ("run_ceiling_mc", c_int32), ("run_max_s", c_uint32), ("permit", c_bool),
                ("wants_contactor", c_bool), ("duty_e4", c_uint16), ("window", c_uint16), ("silent", c_uint16),
                ("heated", c_uint32), ("modulator", c_bool), ("contactor", c_bool), ("opening", c_bool),
                ("opens_in", c_uint8), ("ready_in", c_uint8), ("modulator_late", c_uint8), ("contactor_late", c_uint8),
                ("pulse", Window), ("on_passes", c_uint32), ("switches", c_uint32)]


class Identity(ctypes.Structure):
    _fields_ = [("board", c_uint8 * 3), ("simulated", c_bool), ("channels", c_uint8), ("own", c_uint8),
                ("fitted", c_uint16), ("current_ma_per_v", c_uint16), ("fan_pulses", c_uint8)]


class StoredLimits(ctypes.Structure):
    _fields_ = [("board_ceiling_mc", c_int32), ("longest_s", c_uint32)]


class Life(ctypes.Structure):
    _fields_ = [("serial", c_uint16), ("boot", c_uint16), ("switches", c_uint32)]


MIRRORED = (Frame, ChannelReport, WelcomeC, ReportC, LimitsC, Inputs, OutputsC, State, Identity, StoredLimits, Life)
"""In the order of `size_of`."""
KINDS: dict[type[Any], int] = {Hello: 1, Enable: 2, Drive: 3, Tell: 4, SetLimits: 5, Stall: 7}
"""The C's number of each frame; 6 is one that cannot be read."""


def built(folder: Path, sources: tuple[str, ...] = PURE) -> ctypes.CDLL:
    """The library, compiled into `folder` with warnings as errors and undefined behaviour ending the process."""
    assert COMPILER is not None
    (folder / "sizes.c").write_text(SIZES)
    library = folder / "firmware_core.so"
    subprocess.run([COMPILER, *FLAGS, f"-I{FIRMWARE}", "-o", library, *[FIRMWARE / name for name in sources],
                    folder / "sizes.c"], check=True, timeout=120)
    core = ctypes.CDLL(str(library))
    core.size_of.restype = ctypes.c_size_t
    core.crc16.restype = c_uint16
    core.crc16.argtypes = [c_char_p, c_uint16]
    core.frame_read.argtypes = [c_char_p, c_uint8, ctypes.POINTER(Frame)]
    for name, kind in (("welcome", WelcomeC), ("report", ReportC), ("limits", LimitsC)):
        writer = getattr(core, f"write_{name}")
        writer.restype, writer.argtypes = c_uint16, [ctypes.c_char_p, ctypes.POINTER(kind)]
    core.write_refusal.restype = c_uint16
    core.write_refusal.argtypes = [c_char_p, c_uint16, c_uint32, c_uint8]
    core.decide.argtypes = [ctypes.POINTER(State), ctypes.POINTER(Inputs), ctypes.POINTER(OutputsC)]
    core.decide.restype = None
    core.decide_reset.argtypes = [ctypes.POINTER(State), c_uint32, c_int32, c_uint32]
    core.decide_reset.restype = None
    for name in ("identity_read", "limits_read", "life_read", "life_newer"):
        getattr(core, name).restype = c_bool
    return core


def frame_of(message: ToBoard) -> Frame:
    """A message as the C's reader would give it."""
    frame = Frame(KINDS[type(message)], 0, False, message.session, message.sequence)
    if isinstance(message, Drive):
        frame.permit, frame.contactor = message.permit, message.contactor
        frame.duty_e4, frame.window_ms = message.duty_e4, message.window_ms
    if isinstance(message, SetLimits):
        for name in ("board_ceiling_mc", "run_ceiling_mc", "run_max_s"):
            value = getattr(message, name)
            if value is not None:
                setattr(frame, name, value)
                setattr(frame, "has_" + name.removesuffix("_mc").removesuffix("_s"), True)
    return frame
