"""The board's two switches: a modulator that gives a duty over a window, and the line contactor in series with it.

Modulation. At most one pulse a window. What a window should give is its duty integrated over the window, plus what the
windows before gave too little (or too much). A pulse shorter than the minimum is left out, a gap shorter than the
minimum is closed; either way the error is carried. A changed duty lengthens or shortens a running pulse at once and
may begin one that has not been, but never begins a second. Duty 0 is off now, and forgets what was carried.

Switching. Off is modulator at once, contactor 100 ms later; on is contactor first, modulator 100 ms later: the contact
never makes or breaks the load. All times are microseconds of the caller's clock.
"""

from __future__ import annotations

CONTACTOR_AFTER_US = 100_000
MIN_PULSE_US = 1_000_000
SWITCHES_MAX = 999_999
FAR_US = 1 << 60
"""Later than any clock here."""
E4 = 10_000


class Outputs:
    """The levels of both pins, moved by `settle` and timed by `passed`."""

    __slots__ = ("_allowed", "_asked", "_contactor_off_us", "_contactor_wanted", "_duty_e4", "_given", "_on_since_us",
                 "_pulsed", "_ready_us", "_shortest_us", "_start_us", "_window_us", "_wished_us", "contactor", "edge_us",
                 "modulator", "on_us", "switches")

    def __init__(self, switches: int) -> None:
        self.switches = switches
        self.on_us = 0
        """Modulator on-time that nobody has taken yet."""
        self.reset()

    def reset(self) -> None:
        """Both pins low at once, as in a processor's reset; what was asked is forgotten."""
        self.modulator = False
        self.contactor = False
        self.edge_us = FAR_US
        """When `settle` must be called again, at the latest."""
        self._allowed = False
        self._contactor_wanted = False
        self._duty_e4 = 0
        self._wished_us = MIN_PULSE_US
        self._contactor_off_us = FAR_US
        self._ready_us = 0
        self._start_us = -1
        self._window_us = self._shortest_us = 0
        self._asked = 0
        self._given = 0
        self._pulsed = False
        self._on_since_us = 0

    def command(self, allowed: bool, contactor: bool, duty_e4: int, window_us: int) -> None:
        """What is wanted from now on. `allowed` is every permissive together; without it both are off."""
        self._allowed = allowed
        self._contactor_wanted = allowed and contactor
        self._duty_e4 = duty_e4 if allowed else 0
        self._wished_us = window_us

    def passed(self, us: int) -> None:
        """That much time went by with the pins as they are."""
        self._asked += self._duty_e4 * us
        if self.modulator:
            self.on_us += us
            self._given += us

    def settle(self, now_us: int) -> None:
        """Move the pins to where they belong at `now_us`."""
        self._settle_contactor(now_us)
        if not self._duty_e4 or now_us < self._ready_us:
            self._drop()
            self.edge_us = min(self._contactor_off_us, self._ready_us if self._duty_e4 else FAR_US)
            return
        if self._start_us < 0 or now_us >= self._start_us + self._window_us:
            self._begin(now_us)
        self._aim(now_us)
        if self._contactor_off_us < self.edge_us:
            self.edge_us = self._contactor_off_us

    def _settle_contactor(self, now_us: int) -> None:
        if self._contactor_wanted:
            if not self.contactor:
                self.contactor = True
                self._ready_us = now_us + CONTACTOR_AFTER_US
            self._contactor_off_us = FAR_US
        elif self.contactor:
            if self._contactor_off_us == FAR_US:
                self._contactor_off_us = self._ready_us = now_us + CONTACTOR_AFTER_US
            if now_us >= self._contactor_off_us:
                self.contactor = False
                self._contactor_off_us = FAR_US

    def _drop(self) -> None:
        self.modulator = False
        self._start_us = -1

    def _begin(self, now_us: int) -> None:
        carried = 0
        if self._start_us >= 0:
            most = self._window_us * E4
            carried = max(-most, min(most, self._asked - self._given * E4))
        self._start_us = now_us
        self._window_us = self._wished_us
        self._shortest_us = min(MIN_PULSE_US, self._wished_us // 4)
        self._asked = carried
        self._given = 0
        self._pulsed = self.modulator  # a pulse that runs on from the window before is this one's

    def _aim(self, now_us: int) -> None:
        """Where this window's pulse begins and ends, seen from now."""
        end_us = self._start_us + self._window_us
        wanted_us = (self._asked + self._duty_e4 * (end_us - now_us)) // E4
        shortest_us = self._shortest_us
        if not self.modulator:
            if self._pulsed or wanted_us < shortest_us:
                self.edge_us = end_us
                return
            self._switch_on(now_us)
        off_us = now_us + wanted_us - self._given
        if off_us < self._on_since_us + shortest_us:
            off_us = self._on_since_us + shortest_us
        self.edge_us = off_us if off_us + shortest_us <= end_us else end_us
        if self.edge_us <= now_us:
            self.modulator = False
            self.edge_us = end_us

    def _switch_on(self, now_us: int) -> None:
        self.modulator = True
        self._pulsed = True
        self._on_since_us = now_us
        self.switches = min(self.switches + 1, SWITCHES_MAX)
