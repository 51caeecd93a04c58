"""What the computer itself can give: who goes first?"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

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
