"""Is this computer's clock known to be right? Asked of the kernel, read-only; a time daemon of any make tells it there."""

from __future__ import annotations

import ctypes

TIME_ERROR = 5
"""What adjtimex returns while the clock is not synchronised (Linux manual, adjtimex(2); the number from memory)."""
TIMEX_BYTES = 512
"""More than any layout of `struct timex`; `modes`, its first field, stays 0: nothing is set."""


def synchronised() -> bool | None:
    """True or False as the kernel says, None where it cannot be asked."""
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != TIME_ERROR
