"""What the computer itself can say: is its clock synchronised?"""

from __future__ import annotations

import ctypes
import ctypes.util

STA_UNSYNC = 0x0040
TIME_ERROR = 5
"""Return value and status bit of adjtimex(2), from memory."""
TIMEX_BYTES = 256
"""Room for struct timex on every platform; it is 208 bytes on 64-bit Linux."""
STATUS_OFFSET = 40
"""Of `status` in struct timex where long has 64 bits."""


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
