"""What a ready-made Modbus module is to the tick: a board that says no hello, has no boot id and keeps no limits.

Those are "not fitted", never a made-up value. In their place stand two things that the line has seen with its own eyes and
tells as notices: that the module let its outputs go and holds its own communication time-out, and, where a timer relay stands
in for that, that the line contactor really fell when it was no longer retriggered.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

NOT_FITTED = ("hello", "boot id", "board limits", "firmware", "run time counted", "switch operations", "lamps and sounder")
"""What a board has and no module does."""
NO_BOOT = 0
"""In a report of a module's, where a board's boot id would stand. Shown as "not fitted"."""


@dataclass(frozen=True, slots=True)
class Module:
    """What the tick must know of a module's register map."""

    host_modulates: bool
    """It has no duty register: the modulator's coil is switched by the tick."""
    shortest_us: int
    """Shortest pulse and shortest gap of that coil's relay."""
    time_out_us: int
    """After so long without a request it lets its outputs go by itself; 0: it cannot."""
    timer_relay_us: int
    """An external timer relay lets the line contactor go after so long without a trigger; 0: there is none."""

    @property
    def ends_on_silence(self) -> bool:
        """Something other than this computer ends the heat when this computer says nothing any more."""
        return self.time_out_us > 0 or self.timer_relay_us > 0


class ModuleFound(NamedTuple):
    """The module answered in this session, its outputs read back off."""

    board: str
    session: int
    time_out_us: int
    """Its communication time-out as read back; 0: it has none."""
    wrong: str
    """Why it may not heat all the same; empty: nothing stands against it."""


class SilenceProof(NamedTuple):
    """The line contactor was left without a trigger, the modulator off: did it fall in time?"""

    session: int
    passed: bool
    after_us: int
    """When it was seen open; 0: it was not."""
    words: str


class Proving(NamedTuple):
    """The line itself holds the contactor closed, the modulator off, to see a timer relay let it go; or does so no more."""

    session: int
    began_us: int
    """By the clock of its reports; -1: it is over."""


PROOF_MORE_US = 4_000_000
"""Beyond the relay's own time: so long a proof may take to be seen closed, retriggered once more and read."""


def silence_words(found: ModuleFound, module: Module) -> str:
    """What ends the heat when this computer is silent."""
    own = f"its own time-out of {found.time_out_us / 1e6:g} s, read back" if found.time_out_us else ""
    relay_s = module.timer_relay_us / 1e6
    relay = f"a timer relay of {relay_s:g} s, proven before each run's heat" if relay_s else ""
    return " and ".join(words for words in (own, relay) if words) or "nothing"
