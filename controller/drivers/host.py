"""What the computer itself can say and give: is its clock synchronised, who goes first?"""

from __future__ import annotations

import contextlib
import ctypes
import ctypes.util
import os
from pathlib import Path

STA_UNSYNC = 0x0040
TIME_ERROR = 5
"""Return value and status bit of adjtimex(2), from memory."""
TIMEX_BYTES = 256
"""Room for struct timex on every platform; it is 208 bytes on 64-bit Linux."""
STATUS_OFFSET = 40
"""Of `status` in struct timex where long has 64 bits."""

AUTOGROUP = Path("/proc/self/autogroup")
FIRST = -10
"""Niceness of the process that steers heat: before everything ordinary, behind what the system itself needs."""


def go_first() -> bool:
    """Put this process before others where its user may (root, or a unit with `Nice=` or `LimitNICE=`). False: it may not.

    Call it before threads start: on Linux each thread has a niceness of its own, taken from the one that starts it.
    """
    try:
        os.setpriority(os.PRIO_PROCESS, 0, min(FIRST, os.getpriority(os.PRIO_PROCESS, 0)))
    except PermissionError:
        return False
    with contextlib.suppress(OSError):  # where the kernel groups by session, niceness counts within the group only
        AUTOGROUP.write_text(str(FIRST))
    return True


def clock_synchronised() -> bool | None:
    """Does the kernel say that its clock is synchronised? None where it cannot be asked."""
    if ctypes.sizeof(ctypes.c_long) != 8:
        return None
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    room = ctypes.create_string_buffer(TIMEX_BYTES)
    state = int(adjtimex(room))
    if state < 0:
        return None
    status = int.from_bytes(room.raw[STATUS_OFFSET:STATUS_OFFSET + 4], "little")
    return state != TIME_ERROR and not status & STA_UNSYNC
