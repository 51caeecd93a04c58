"""What an unattended start needs beside its schedule, for tests of other things: every answer given, a message arrived."""

from __future__ import annotations

import time
from typing import Any

from controller.core.leaving import CHECKLIST, Leaving
from controller.messenger_word import MessengerSaid

ANSWERS = [question.id for question in CHECKLIST]
ANSWERED = Leaving(tuple(ANSWERS), 3_600_000_000, "invented channel")
LEAVING: dict[str, Any] = {"answers": ANSWERS, "arrived_age_us": 3_600_000_000, "channel": "invented channel"}
"""The same as it comes over the socket."""


def messenger_for_ever() -> MessengerSaid:
    """A messenger that works and is never silent."""
    return MessengerSaid(time.monotonic_ns() // 1000 + (1 << 50), "")
