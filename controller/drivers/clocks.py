"""One clock port, two of its three fillings: the wall, and lock-step with a peer. (In-process rehearsal counts by itself.)

Every duration is monotonic; UTC is for stamps. In lock-step the peer's time is the only time: a tick is a second because
the peer was asked to run one, however long that took, so load on this computer can never look like a silent board.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Protocol

from controller.drivers import clock_sync

TICK_US = 1_000_000
STEP_US = 200_000
"""The wall clock may creep against the monotonic one (it is being adjusted); more than this between two ticks is a step."""


def utc_us() -> int:
    """Now, in UTC microseconds since 1970."""
    return time.time_ns() // 1000


def mono_us() -> int:
    """The monotonic clock."""
    return time.monotonic_ns() // 1000


class Clock(Protocol):
    """What the loop needs of time."""

    name: str
    speed: float

    def mono_us(self) -> int:
        """The time that the tick counts with."""

    def utc_us(self) -> int:
        """The stamp for now."""

    def wait(self, woken: threading.Event) -> bool:
        """Wait for the next tick's deadline; True when it has come, False when `woken` was set before."""

    def begin(self) -> int:
        """A tick begins: how late it is, in microseconds."""

    def synchronised(self) -> bool:
        """Is the time that `utc_us` gives known to be right?"""


class WallClock:
    """Real time. Deadlines are absolute, so lateness does not add up; missed ticks are skipped, never hurried after."""

    name = "wall"
    speed = 1.0

    def __init__(self) -> None:
        self._due_us = mono_us() + TICK_US

    def mono_us(self) -> int:
        return mono_us()

    def utc_us(self) -> int:
        return utc_us()

    def wait(self, woken: threading.Event) -> bool:
        left_us = self._due_us - mono_us()
        return left_us <= 0 or not woken.wait(left_us / 1e6)

    def begin(self) -> int:
        now_us = mono_us()
        late_us = max(0, now_us - self._due_us)
        self._due_us += TICK_US * (1 + late_us // TICK_US)
        return late_us

    def synchronised(self) -> bool:
        return clock_sync.synchronised() is True


class LockStepClock:
    """The peer's time, paced to `speed` seconds of its time in one of ours. `stretch` asks the peer for a stretch."""

    name = "lock-step"

    def __init__(self, speed: float, stretch: Callable[[int], bool], after_utc_us: int = 0) -> None:
        """`after_utc_us`: the newest time in the record. A fast clock has run ahead of the wall; it never goes back."""
        self.speed = speed
        self._stretch = stretch
        self._start_mono_us = mono_us()
        self._start_utc_us = max(utc_us(), after_utc_us + TICK_US)
        self._ran_us = 0
        self._due_us = self._start_mono_us

    def mono_us(self) -> int:
        return self._start_mono_us + self._ran_us

    def utc_us(self) -> int:
        return self._start_utc_us + self._ran_us

    def wait(self, woken: threading.Event) -> bool:
        left_us = self._due_us - mono_us()
        return left_us <= 0 or not woken.wait(left_us / 1e6)

    def begin(self) -> int:
        """Have the peer run one second. It is never late: nobody's clock moved meanwhile."""
        if self._stretch(TICK_US):
            self._ran_us += TICK_US
        pace_us = round(TICK_US / self.speed)
        self._due_us = max(self._due_us + pace_us, mono_us() - pace_us)
        return 0

    def synchronised(self) -> bool:
        """The peer's time is invented, so it is never wrong."""
        return True


class StepWatch:
    """Notices when the wall clock jumped against the monotonic one."""

    def __init__(self) -> None:
        self._offset_us: int | None = None

    def look(self, utc: int, mono: int) -> int:
        """By how much the wall clock has jumped since the last look; 0 when it has not."""
        before, self._offset_us = self._offset_us, utc - mono
        moved_us = 0 if before is None else self._offset_us - before
        return moved_us if abs(moved_us) >= STEP_US else 0
