"""Reports become the quantities that guards watch: integers, in the order of the guard table.

`QUIET` means that there is nothing to watch (not fitted, or not now); it is below every limit. `UNKNOWN` means that there
should be something and nobody can know it; it is above every limit, so no missing value ever passes for a good one.
Everything here counts board time, so it does not matter how reports were bundled into ticks.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.core.messages import Channel, LimitsRead, OffReason, Report
from controller.core.readings import COLD_JUNCTION_MAX_MC, COLD_JUNCTION_MIN_MC, Role
from controller.core.setup import Chamber

QUIET = -(1 << 60)
UNKNOWN = 1 << 60

RISE_EVERY_US = 5_000_000
RISE_POINTS = 12
RISE_LEAST_US = 20_000_000
OFF_SETTLE_US = 30_000_000
DOOR_SETTLE_US = 600_000_000
FALL_LIKE_A_DOOR_MC_PER_MIN = -3_000
"""Where no door switch is fitted, a fall this fast is taken for an open door."""
OFF_BUCKET_US = 300_000_000
FULL_DUTY_E4 = 9_000
RISE_AT_FULL_MC = 500
BOARD_MAY_BE_OFF = frozenset({OffReason.NONE, OffReason.NO_PERMIT, OffReason.DOOR, OffReason.LOCAL_STOP})
"""Reasons of the board's that are either none or have a guard of their own."""


class Trail(NamedTuple):
    """What guards need of the past, in board time: coarse, bounded, integer. -1 in a `_us` field: not running."""

    control: tuple[tuple[int, int], ...] = ()
    """(up_us, m°C) of the control sensor every 5 s, the last minute."""
    conversions: tuple[int, ...] = ()
    """Last conversion counter of each fitted sensor."""
    changed_us: tuple[int, ...] = ()
    """Board time at which it last changed."""
    off_from_us: int = -1
    """Board time from which a rise with the heat off is judged; -1 while the modulator is on."""
    door_until_us: int = 0
    """After the door stood open the walls warm the air for a while: no rise is judged before this."""
    off_low_mc: int = 0
    off_low_before_mc: int = 0
    off_bucket_us: int = 0
    full_since_us: int = -1
    full_from_mc: int = 0
    on_from_us: int = -1
    """Begin of the modulation window over which on-time is being added up."""
    on_sum_us: int = 0
    achieved_e4: int = 0
    """Duty that the last whole window really had."""


class Wanted(NamedTuple):
    """What the board must say of itself for this run; None outside a run."""

    boot: int
    session: int


class Around(NamedTuple):
    """What the look needs beside reports, constant over a tick."""

    wanted: Wanted | None
    limits: LimitsRead | None
    expected: LimitsRead
    """What the board's limits must be; `session` is not compared."""
    air_setpoint_mc: int
    """QUIET when no rising or steady set point is being followed."""


BOARD_WATCHED = (
    "smoke",
    "hottest_mc",
    "limiter_open",
    "rise_off_mc",
    "rise_mc_per_min",
    "faulted",
    "frozen_us",
    "disagree_mc",
    "no_rise_us",
    "board_off",
    "board_changed",
    "limits_differ",
    "local_stop",
    "door_open",
    "contacts_unknown",
    "above_band_mc",
)
HOST_WATCHED = ("report_age_us", "run_us", "tick_late_us", "record_failing", "since_check_in_us", "never")


def contact(fitted: bool, value: bool | None, bad: bool) -> int:
    """0 or 1 for a fitted contact, UNKNOWN when it is fitted and silent, QUIET when it is not fitted."""
    if not fitted:
        return QUIET
    if value is None:
        return UNKNOWN
    return 1 if value is bad else 0


CALM_CONTACTS = (False, True, False, True)
"""Smoke, limiter, local stop and door of a report when nothing stands against heat."""


class Watcher:
    """Looks at the reports of one tick, oldest first. A local helper: it lives and dies inside one call of `advance`.

    `look` gives the watched quantities of one report in the order of `BOARD_WATCHED`; `trail` what is to be remembered.
    """

    __slots__ = (*Trail._fields, "around", "chamber", "fitted", "limits_differ", "sensors", "window_us")

    def __init__(self, chamber: Chamber, trail: Trail, around: Around) -> None:
        self.chamber = chamber
        self.fitted = chamber.fitted
        self.sensors = tuple((one.channel, one.correction_mc, one.role) for one in chamber.sensors)
        self.around = around
        self.window_us = chamber.heater.window_ms * 1_000
        read = around.limits
        self.limits_differ = UNKNOWN if read is None else int(read[1:] != around.expected[1:])
        self.begin(trail)

    def begin(self, trail: Trail) -> None:
        """Go on from `trail`: at the start of a tick, and from an empty one when the board began anew."""
        (
            self.control,
            self.conversions,
            self.changed_us,
            self.off_from_us,
            self.door_until_us,
            self.off_low_mc,
            self.off_low_before_mc,
            self.off_bucket_us,
            self.full_since_us,
            self.full_from_mc,
            self.on_from_us,
            self.on_sum_us,
            self.achieved_e4,
        ) = trail

    def trail(self) -> Trail:
        return Trail(
            self.control,
            self.conversions,
            self.changed_us,
            self.off_from_us,
            self.door_until_us,
            self.off_low_mc,
            self.off_low_before_mc,
            self.off_bucket_us,
            self.full_since_us,
            self.full_from_mc,
            self.on_from_us,
            self.on_sum_us,
            self.achieved_e4,
        )

    def look(self, report: Report) -> tuple[int, ...]:
        """One report looked at."""
        up_us = report.up_us
        hottest, faulted, frozen, control, over = self._sensors(report.channels, up_us)
        contacts = (report.smoke, report.limiter, report.local_stop, report.door)
        smoke, limiter, stop, door, unknown = (0, 0, 0, 0, 0) if contacts == CALM_CONTACTS else self._contacts(contacts)
        self._remember(up_us, control)
        self._add_on_time(up_us, report.on_us)
        rise_off = self._heat_off(up_us, report.on_us, door, control)
        points, wanted, setpoint = self.control, self.around.wanted, self.around.air_setpoint_mc
        rise = QUIET
        if control is not None and points and up_us - points[0][0] >= RISE_LEAST_US:
            rise = (control - points[0][1]) * 60_000_000 // (up_us - points[0][0])
        return (
            smoke,
            UNKNOWN if hottest == QUIET else hottest,
            limiter,
            rise_off,
            rise,
            faulted,
            frozen,
            self._disagree(control, over),
            self._full(up_us, control) if self.achieved_e4 >= FULL_DUTY_E4 else self._not_full(),
            QUIET if wanted is None else int(report.off not in BOARD_MAY_BE_OFF),
            QUIET if wanted is None else int(report.boot != wanted.boot or report.session != wanted.session),
            self.limits_differ,
            stop,
            door,
            unknown,
            QUIET if setpoint == QUIET or control is None else control - setpoint,
        )

    def _sensors(
        self, channels: tuple[Channel | None, ...], up_us: int
    ) -> tuple[int, int, int, int | None, int | None]:
        """Hottest of the good ones (higher of raw and corrected), how many are not good, longest without a conversion,
        control and over-temperature value."""
        hottest, faulted, frozen = QUIET, 0, 0
        control = over = None
        conversions = self.conversions or (-1,) * len(self.sensors)
        times = list(self.changed_us or (up_us,) * len(self.sensors))
        counts = []
        for number, (place, correction_mc, role) in enumerate(self.sensors):
            channel = channels[place]
            if channel is None:
                faulted += 1
                counts.append(conversions[number])
                continue
            raw, cold, fault, count = channel
            counts.append(count)
            if count != conversions[number]:
                times[number] = up_us
            elif up_us - times[number] > frozen:
                frozen = up_us - times[number]
            if fault or not COLD_JUNCTION_MIN_MC <= cold <= COLD_JUNCTION_MAX_MC or raw == cold == 0:
                faulted += 1
                continue
            corrected = raw + correction_mc
            if raw > hottest:
                hottest = raw
            if corrected > hottest:
                hottest = corrected
            if role is Role.CONTROL:
                control = corrected
            elif role is Role.OVER_TEMPERATURE:
                over = corrected
        self.conversions, self.changed_us = tuple(counts), tuple(times)
        return hottest, faulted, frozen, control, over

    def _contacts(self, contacts: tuple[bool | None, ...]) -> tuple[int, int, int, int, int]:
        """Each contact's value, and how many that are fitted say nothing."""
        fitted = self.fitted
        smoke, limiter, stop, door = contacts
        values = (
            contact(fitted.smoke, smoke, True),
            contact(fitted.limiter, limiter, False),
            contact(fitted.local_stop, stop, True),
            contact(fitted.door, door, False),
        )
        return (*values, values.count(UNKNOWN))

    def _remember(self, up_us: int, control: int | None) -> None:
        """A point of the control sensor every 5 s; none while the walls warm the air faster than the element may."""
        if up_us <= self.door_until_us:
            self.control = ()
        points = self.control
        if control is not None and (not points or up_us - points[-1][0] >= RISE_EVERY_US):
            self.control = (*points[-(RISE_POINTS - 1) :], (up_us, control))

    def _add_on_time(self, up_us: int, on_us: int) -> None:
        """Adds up on-time; after each whole window says what duty was achieved."""
        if self.on_from_us < 0:
            self.on_from_us, self.on_sum_us = up_us, 0
            return
        self.on_sum_us += on_us
        span = up_us - self.on_from_us
        if span >= self.window_us:
            self.achieved_e4 = self.on_sum_us * 10_000 // span
            self.on_from_us, self.on_sum_us = up_us, 0

    def _heat_off(self, up_us: int, on_us: int, door: int, control: int | None) -> int:
        """How far the air has risen above its lowest of the last minutes with the heat off; QUIET while that is not judged."""
        if door >= 1 or (not self.fitted.door and self._falls_like_a_door(up_us, control)):
            self.door_until_us = up_us + DOOR_SETTLE_US
        if on_us:
            self.off_from_us = -1
            return QUIET
        if self.off_from_us < 0:
            self.off_from_us = up_us + OFF_SETTLE_US
        if control is None:
            return QUIET
        if up_us <= self.off_from_us or up_us <= self.door_until_us:
            self.off_low_mc, self.off_low_before_mc, self.off_bucket_us = control, control, up_us
            return QUIET
        if up_us - self.off_bucket_us >= OFF_BUCKET_US:
            self.off_low_before_mc, self.off_low_mc, self.off_bucket_us = self.off_low_mc, control, up_us
        elif control < self.off_low_mc:
            self.off_low_mc = control
        return control - min(self.off_low_mc, self.off_low_before_mc)

    def _falls_like_a_door(self, up_us: int, control: int | None) -> bool:
        """Nothing senses the door; the air falls as it does when it stands open."""
        points = self.control
        if control is None or not points or up_us - points[0][0] < RISE_LEAST_US:
            return False
        return (control - points[0][1]) * 60_000_000 // (up_us - points[0][0]) <= FALL_LIKE_A_DOOR_MC_PER_MIN

    def _full(self, up_us: int, control: int | None) -> int:
        """For how long the heat has been full without a rise."""
        if control is None:
            return self._not_full()
        if self.full_since_us < 0 or control >= self.full_from_mc + RISE_AT_FULL_MC:
            self.full_since_us, self.full_from_mc = up_us, control
        return up_us - self.full_since_us

    def _not_full(self) -> int:
        self.full_since_us, self.full_from_mc = -1, 0
        return 0

    def _disagree(self, control: int | None, over: int | None) -> int:
        if control is not None and over is not None:
            return abs(control - over)
        return QUIET if self.chamber.sensor(Role.OVER_TEMPERATURE) is None else UNKNOWN
