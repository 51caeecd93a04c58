"""The proof of a timer relay: left without a trigger, with its coil still told closed, the line contactor must be seen to fall.

A module that cannot let go by itself is only as safe as the relay beside it, so this is seen before the first heat of every
run, with the modulator off. The worst case is proven: coils frozen as they are, nothing written any more.
"""

from __future__ import annotations

from typing import NamedTuple

CLOSE_WITHIN_US = 2_000_000
MORE_US = 500_000
"""What a poll and the contactor itself may add to the relay's time."""
ASKED_HOLDS_US = 1_500_000
"""An enable comes every tick while a start waits; without it the contactor does not stay closed."""
TRIGGER_EVERY_US = 400_000


class Ended(NamedTuple):
    """How it came out. `after_us`: when the contactor was seen open, counted from the last trigger; 0: it was not."""

    passed: bool
    after_us: int
    words: str


class Proof:
    """`closes` says that the contactor is to be told closed, `triggers` that the relay is to be retriggered."""

    def __init__(self, relay_us: int) -> None:
        self._relay_us = relay_us
        self._asked_us = self._since_us = self._triggered_us = 0
        self.closes = self.triggers = False

    def ask(self, now_us: int) -> None:
        """Begin, or go on."""
        self._asked_us = now_us
        if not self.closes:
            self.closes = self.triggers = True
            self._since_us, self._triggered_us = now_us, -TRIGGER_EVERY_US

    def cancel(self) -> None:
        """Nothing is proven, and the contactor opens."""
        self.closes = self.triggers = False

    def hold(self, may: bool, now_us: int) -> None:
        """It goes on only while somebody wants it and nothing stands against a closed contactor."""
        if not may or now_us - self._asked_us >= ASKED_HOLDS_US:
            self.cancel()

    def trigger(self, now_us: int) -> bool:
        """True when one more edge is due."""
        if not self.triggers or now_us - self._triggered_us < TRIGGER_EVERY_US:
            return False
        self._triggered_us = now_us
        return True

    def look(self, closed: bool, coil: bool, began_us: int, triggered_us: int) -> Ended | None:
        """A poll that began at `began_us` saw the contactor and its coil; the relay's last edge was echoed at
        `triggered_us`. A contactor that fell because the module let its coil go proves nothing of the relay."""
        if not self.closes:
            return None
        if self.triggers:
            if closed and triggered_us >= self._since_us:
                self.triggers = False
            elif began_us - self._since_us >= CLOSE_WITHIN_US:
                self.cancel()
                return Ended(False, 0, f"the contactor was not seen closed within {CLOSE_WITHIN_US / 1e6:g} s")
            return None
        waited_us = began_us - triggered_us
        if not coil:
            self.cancel()
            return Ended(False, 0, "the module let the contactor's coil go by itself, so the relay was not put to the test")
        if not closed:
            self.cancel()
            return Ended(True, waited_us, f"the contactor was seen open {waited_us / 1e6:.1f} s after the last trigger")
        if waited_us < self._relay_us + MORE_US:
            return None
        self.cancel()
        return Ended(False, 0, f"the contactor was still closed {waited_us / 1e6:.1f} s after the last trigger; "
                               f"the relay is to let go after {self._relay_us / 1e6:g} s")
