"""Is the computer's clock synchronised? Asked of the kernel, which every time service tells; a read that changes nothing."""

from __future__ import annotations

import ctypes
from pathlib import Path

TIME_ERROR = 5
"""What adjtimex(2) returns while the clock is not synchronised (from memory)."""
TIMEX_BYTES = 512
"""More room than struct timex has anywhere; `modes`, its first field, stays 0, so nothing is set."""
MARK = Path("/run/systemd/timesync/synchronized")
"""The service manager's own time service makes this file when it has synchronised (systemd-timesyncd(8), from memory)."""


def synchronised(mark: Path = MARK) -> bool | None:
    """True or False as the kernel says; where it may not be asked, True by the service manager's mark; None: nobody says."""
    known = _kernel()
    if known is None and mark.exists():
        return True
    return known


def _kernel() -> bool | None:
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    state = int(adjtimex(ctypes.create_string_buffer(TIMEX_BYTES)))
    return None if state < 0 else state != TIME_ERROR
