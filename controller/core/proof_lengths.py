"""How long the steps of a start proof last in one chamber. No logic of the proof itself."""

from __future__ import annotations

from typing import NamedTuple

from controller.core.setup import Chamber, Response

US = 1_000_000
BUCKET_US = 5 * US
"""Sensors are looked at as means of this long."""
REST_US, REST_MORE_US = 60 * US, 180 * US
"""A minute of the air as it is now, so after the dead time: what a door did just before is on its way until then. And how
much longer it may take to come to rest."""
SENSED_REST_US, SENSED_ALONE_US, SENSED_BOTH_US = 10 * US, 5 * US, 36 * US
"""Lengths where a current sensor answers in the place of a rise."""
HALF_MORE_E4 = 13_000
"""Half the heat must show within a no-rise step too: it needs less than 1.3 times as long as all of it."""


class Lengths(NamedTuple):
    """How long each phase lasts in this chamber, and what there is to be looked at."""

    rest_us: int
    alone_us: int
    both_us: int
    await_us: int
    contactor: bool
    current: bool
    fan: bool
    mains: bool
    overs: int
    must_rise: bool
    """False where the dead time is longer than a proof by current may take, or all sensors follow air that moves by itself: the
    current alone is shown."""


def lengths_of(chamber: Chamber, response: Response) -> Lengths:
    """Of this chamber, from how soon its heat shows."""
    fitted = chamber.fitted
    rise_us, dead_us = response.rise_us, response.dead_us
    common = (fitted.contactor, fitted.current, fitted.fan, fitted.mains_sense, len(chamber.wiring.overs))
    if fitted.current:
        must_rise = dead_us + rise_us <= SENSED_BOTH_US
        both_us = min(rise_us, SENSED_BOTH_US) if must_rise else SENSED_ALONE_US
        return Lengths(SENSED_REST_US, SENSED_ALONE_US, both_us, dead_us, *common, must_rise)
    alone_us = dead_us + rise_us * HALF_MORE_E4 // 10_000 + BUCKET_US
    return Lengths(REST_US + dead_us, alone_us, rise_us, dead_us + 2 * BUCKET_US, *common, True)
