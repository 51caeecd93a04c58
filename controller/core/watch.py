"""Reports become the quantities that guards watch: integers, in the order of the guard table.

`QUIET` means that there is nothing to watch (not fitted, or not now); it is below every limit. `UNKNOWN` means that there
should be something and nobody can know it; it is above every limit, so no missing value ever passes for a good one.
Everything here counts board time, so it does not matter how reports were bundled into ticks.
"""

from __future__ import annotations

from operator import attrgetter
from typing import NamedTuple

from controller.core.messages import Channel, OffReason, Report
from controller.core.quick import new
from controller.core.readings import COLD_JUNCTION_MAX_MC, COLD_JUNCTION_MIN_MC, Role
from controller.core.setup import Chamber

QUIET = -(1 << 60)
UNKNOWN = 1 << 60
KNOWN_MAX = 1 << 59
"""Every quantity that is one is below this."""

RISE_EVERY_US = 5_000_000
RISE_POINTS = 12
RISE_LEAST_US = 20_000_000
OFF_SETTLE_US = 30_000_000
DOOR_SETTLE_US = 600_000_000
FALL_LIKE_A_DOOR_MC_PER_MIN = -3_000
"""Where no door switch is fitted, a fall this fast is taken for an open door."""
OFF_BUCKET_US = 300_000_000
FULL_DUTY_E4 = 9_000
CONTROL, OVER_TEMPERATURE, TRAVELLING = Role.CONTROL, Role.OVER_TEMPERATURE, Role.TRAVELLING
RISE_AT_FULL_MC = 500
CURRENT_IS_ZERO_MA = 50
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


trail_fields = attrgetter(*Trail._fields)


class Wanted(NamedTuple):
    """What the board must say of itself for this run; None outside a run."""

    boot: int
    session: int


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
    "unasked_heat",
    "closed_unasked",
    "mains_gone",
)
HOST_WATCHED = (
    "report_age_us",
    "run_us",
    "tick_late_us",
    "record_failing",
    "since_check_in_us",
    "unheard_us",
    "messages_failing",
    "astray",
    "proof_failed",
    "proof_void",
    "never",
)


def known(value: int) -> int | None:
    """The number as it is told, or None where there is none or nobody knows it."""
    return value if abs(value) < KNOWN_MAX else None


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
    `handled`: sensors are in somebody's hand, which is like an open door: no rise of theirs is the air's.
    `proof_until_us`: a line contactor that reads closed before then, by the reports' clock, is held so for a proof.
    `wanted` is None and `setpoint_mc` is QUIET where there is no run, or no rising or steady set point to be followed.
    """

    __slots__ = (*Trail._fields, "chamber", "dead_us", "handled", "limits_differ", "proof_until_us", "setpoint_mc", "wanted")

    def __init__(
        self, chamber: Chamber, trail: Trail, limits_differ: int, wanted: Wanted | None, setpoint_mc: int,
        proof_until_us: int = -1, handled: bool = False,
    ) -> None:
        self.chamber = chamber
        self.limits_differ = limits_differ
        self.proof_until_us = proof_until_us
        self.handled = handled
        self.wanted = wanted
        self.setpoint_mc = setpoint_mc
        self.dead_us = 0 if chamber.response is None else chamber.response.dead_us
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
        return new(Trail, trail_fields(self))

    def look(self, report: Report) -> tuple[int, ...]:
        """One report looked at."""
        up_us, on_us, wanted, setpoint_mc = report.up_us, report.on_us, self.wanted, self.setpoint_mc
        hottest, faulted, frozen, control, overs = self._sensors(report.channels, up_us)
        contacts = (report.smoke, report.limiter, report.local_stop, report.door)
        smoke, limiter, stop, door, unknown = (0, 0, 0, 0, 0) if contacts == CALM_CONTACTS else self._contacts(contacts)
        self._add_on_time(up_us, on_us)
        rise = self._rise(up_us, control)
        return (
            smoke,
            UNKNOWN if hottest == QUIET else hottest,
            limiter,
            self._heat_off(up_us, on_us, door, control, rise),
            rise,
            faulted,
            frozen,
            self._apart(control, overs),
            self._full(up_us, control) if self.achieved_e4 >= FULL_DUTY_E4 else self._not_full(),
            QUIET if wanted is None else int(report.off not in BOARD_MAY_BE_OFF),
            QUIET if wanted is None else int(wanted != (report.boot, report.session)),
            self.limits_differ,
            stop,
            door,
            unknown,
            QUIET if setpoint_mc == QUIET or control is None else control - setpoint_mc,
            *((0, 0) if report.enabled and not report.off else self._unasked(report)),
            int(report.mains is False and self.chamber.fitted.mains_sense),
        )

    def _sensors(
        self, channels: tuple[Channel | None, ...], up_us: int
    ) -> tuple[int, int, int, int | None, list[int]]:
        """Hottest of the good ones (higher of raw and corrected), how many are not good, longest without a conversion,
        control and the over-temperature values."""
        hottest, faulted, frozen = QUIET, 0, 0
        control, overs = None, []
        sensors = self.chamber.sensors
        counts = list(self.conversions or (-1,) * len(sensors))
        times = list(self.changed_us or (up_us,) * len(sensors))
        for number, (role, place, _, offset_mc, _, slope_ppm, _) in enumerate(sensors):
            channel = channels[place]
            if role is TRAVELLING and (channel is None or channel.fault):
                continue  # nobody has plugged it in
            if channel is None:
                faulted += 1
                continue
            raw, cold, fault, count = channel
            if count != counts[number]:
                counts[number], times[number] = count, up_us
            elif up_us - times[number] > frozen:
                frozen = up_us - times[number]
            if fault or not COLD_JUNCTION_MIN_MC <= cold <= COLD_JUNCTION_MAX_MC or raw == cold == 0:
                faulted += 1
                continue
            corrected = raw + offset_mc + raw * slope_ppm // 1_000_000
            judged = raw if corrected < raw else corrected
            if judged > hottest:
                hottest = judged
            if role is CONTROL:
                control = corrected
            elif role is OVER_TEMPERATURE:
                overs.append(corrected)
        self.conversions, self.changed_us = tuple(counts), tuple(times)
        return hottest, faulted, frozen, control, overs

    def _contacts(self, contacts: tuple[bool | None, ...]) -> tuple[int, int, int, int, int]:
        """Each contact's value, and how many that are fitted say nothing."""
        fitted = self.chamber.fitted
        smoke, limiter, stop, door = contacts
        values = (
            contact(fitted.smoke, smoke, True),
            contact(fitted.limiter, limiter, False),
            contact(fitted.local_stop, stop, True),
            contact(fitted.door, door, False),
        )
        return (*values, values.count(UNKNOWN))

    def _rise(self, up_us: int, control: int | None) -> int:
        """How fast the control sensor has risen over the last minute; QUIET until there is enough of it.

        A point every 5 s is remembered, and none while the walls warm the air faster than the element may.
        """
        points = self.control
        if up_us <= self.door_until_us:
            points = self.control = ()
        if control is None:
            return QUIET
        if not points or up_us - points[-1][0] >= RISE_EVERY_US:
            points = self.control = (*points[-(RISE_POINTS - 1) :], (up_us, control))
        from_us, from_mc = points[0]
        span_us = up_us - from_us
        return (control - from_mc) * 60_000_000 // span_us if span_us >= RISE_LEAST_US else QUIET

    def _add_on_time(self, up_us: int, on_us: int) -> None:
        """Adds up on-time; after each whole window says what duty was achieved."""
        if self.on_from_us < 0:
            self.on_from_us, self.on_sum_us = up_us, 0
            return
        self.on_sum_us += on_us
        span = up_us - self.on_from_us
        if span >= self.chamber.heater.window_ms * 1_000:
            self.achieved_e4 = self.on_sum_us * 10_000 // span
            self.on_from_us, self.on_sum_us = up_us, 0

    def _heat_off(self, up_us: int, on_us: int, door: int, control: int | None, rise: int) -> int:
        """How far the air has risen above its lowest of the last minutes with the heat off; QUIET while that is not judged."""
        if door >= 1 or self.handled or (QUIET < rise <= FALL_LIKE_A_DOOR_MC_PER_MIN and not self.chamber.fitted.door):
            self.door_until_us = up_us + DOOR_SETTLE_US
        if on_us:
            self.off_from_us = -1
            return QUIET
        if self.off_from_us < 0:
            self.off_from_us = up_us + OFF_SETTLE_US + self.dead_us
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

    def _unasked(self, report: Report) -> tuple[int, int]:
        """1 where it heats though the board keeps it off (by its current where that is sensed, else by both switches), and
        1 where a switch reads closed though it was told to open. A proof holds the contactor closed, and nothing else."""
        modulator, fitted = report.modulator, self.chamber.fitted.contactor
        contactor = report.contactor and fitted
        if report.current_ma is not None:
            heats = report.current_ma >= CURRENT_IS_ZERO_MA
        else:
            heats = modulator and (contactor or not fitted)
        return int(heats), int(modulator or (contactor and report.up_us >= self.proof_until_us))

    def _apart(self, control: int | None, overs: list[int]) -> int:
        """How far the farthest over-temperature sensor is from the control sensor. Nothing to compare with: as it should be
        where no second sensor is fitted."""
        wanted = self.chamber.wiring.overs
        if control is None or len(overs) < len(wanted):
            return UNKNOWN if wanted else QUIET
        return max([abs(control - over) for over in overs], default=QUIET)
