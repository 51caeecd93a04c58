"""Is the computer's clock synchronised? Asked of the kernel, which every time service tells; a read that changes nothing."""

from __future__ import annotations

import ctypes
import ctypes.util
from pathlib import Path

STA_UNSYNC = 0x0040
TIME_ERROR = 5
"""Return value and status bit of adjtimex(2), from memory."""
TIMEX_BYTES = 256
"""Room for struct timex on every platform; it is 208 bytes on 64-bit Linux."""
STATUS_OFFSET = 40
"""Of `status` in struct timex where long has 64 bits."""
MARK = Path("/run/systemd/timesync/synchronized")
"""The service manager's own time service makes this file when it has synchronised (systemd-timesyncd(8), from memory)."""


def synchronised(mark: Path = MARK) -> bool | None:
    """True or False as the kernel says; where it may not be asked, True by the service manager's mark; None: nobody says."""
    known = _kernel()
    if known is None and mark.exists():
        return True
    return known


def _kernel() -> bool | None:
    if ctypes.sizeof(ctypes.c_long) != 8:
        return None
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    room = ctypes.create_string_buffer(TIMEX_BYTES)  # modes = 0: read only
    state = int(adjtimex(room))
    if state < 0:
        return None
    status = int.from_bytes(room.raw[STATUS_OFFSET:STATUS_OFFSET + 4], "little")
    return state != TIME_ERROR and not status & STA_UNSYNC
