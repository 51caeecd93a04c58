"""Reports become the quantities that guards watch: integers, in the order of the guard table.

`QUIET` means that there is nothing to watch (not fitted, or not now); it is below every limit. `UNKNOWN` means that there
should be something and nobody can know it; it is above every limit, so no missing value ever passes for a good one.
Everything here counts board time, so it does not matter how reports were bundled into ticks.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.core.messages import LimitsRead, OffReason, Report
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


class Look(NamedTuple):
    """What one report says, in board-clock guard order (`BOARD_WATCHED`), and the trail after it."""

    values: tuple[int, ...]
    trail: Trail


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


def look(report: Report, chamber: Chamber, trail: Trail, around: Around) -> Look:
    """One report looked at."""
    channels = report.channels
    up_us = report.up_us
    hottest = QUIET
    faulted = frozen = 0
    control = over = None
    conversions, changed = trail.conversions, trail.changed_us
    if not conversions:
        conversions, changed = (-1,) * len(chamber.sensors), (up_us,) * len(chamber.sensors)
    counts, times = [], []
    for sensor, count, since in zip(chamber.sensors, conversions, changed, strict=True):
        channel = channels[sensor.channel]
        if channel is None:
            faulted += 1
            counts.append(count)
            times.append(since)
            continue
        raw, cold, fault, now_count = channel
        counts.append(now_count)
        if now_count == count:
            times.append(since)
            if up_us - since > frozen:
                frozen = up_us - since
        else:
            times.append(up_us)
        if fault or not COLD_JUNCTION_MIN_MC <= cold <= COLD_JUNCTION_MAX_MC or raw == cold == 0:
            faulted += 1
            continue
        corrected = raw + sensor.correction_mc
        judged = raw if raw > corrected else corrected
        if judged > hottest:
            hottest = judged
        if sensor.role is Role.CONTROL:
            control = corrected
        elif sensor.role is Role.OVER_TEMPERATURE:
            over = corrected
    trail = follow(trail, chamber, report, control, tuple(counts), tuple(times))
    fitted = chamber.fitted
    values = (
        contact(fitted.smoke, report.smoke, True),
        UNKNOWN if hottest == QUIET else hottest,
        contact(fitted.limiter, report.limiter, False),
        _rise_off(trail, up_us, control),
        _rise(trail, up_us, control),
        faulted,
        frozen,
        _disagree(chamber, control, over),
        0 if trail.full_since_us < 0 else up_us - trail.full_since_us,
        QUIET if around.wanted is None else int(report.off not in BOARD_MAY_BE_OFF),
        QUIET if around.wanted is None else int((report.boot, report.session) != around.wanted),
        _limits_differ(around.limits, around.expected),
        contact(fitted.local_stop, report.local_stop, True),
        contact(fitted.door, report.door, False),
        _unknown_contacts(chamber, report),
        QUIET if around.air_setpoint_mc == QUIET or control is None else control - around.air_setpoint_mc,
    )
    return Look(values, trail)


def follow(
    trail: Trail, chamber: Chamber, report: Report, control: int | None, counts: tuple[int, ...], times: tuple[int, ...]
) -> Trail:
    """The trail after one report. A control value of None leaves every stretch that needs one where it was."""
    up_us, on_us = report.up_us, report.on_us
    points = trail.control if up_us > trail.door_until_us else ()  # walls warm the air faster than the element may
    if control is not None and (not points or up_us - points[-1][0] >= RISE_EVERY_US):
        points = (*points[-(RISE_POINTS - 1) :], (up_us, control))
    on_from, on_sum, achieved = _window(trail, up_us, on_us, chamber.heater.window_ms * 1_000)
    off = _off_stretch(trail, report, _opened(trail, chamber, report, control), control)
    full_since, full_from = _full_stretch(trail, up_us, achieved, control)
    return Trail(points, counts, times, *off, full_since, full_from, on_from, on_sum, achieved)


def _opened(trail: Trail, chamber: Chamber, report: Report, control: int | None) -> bool:
    """The door is open, or where nothing senses it, the air falls as it does when it is."""
    if chamber.fitted.door:
        return report.door is not True
    rise = _rise(trail, report.up_us, control)
    return rise != QUIET and rise <= FALL_LIKE_A_DOOR_MC_PER_MIN


def _unknown_contacts(chamber: Chamber, report: Report) -> int:
    fitted = chamber.fitted
    return (
        (fitted.smoke and report.smoke is None)
        + (fitted.limiter and report.limiter is None)
        + (fitted.local_stop and report.local_stop is None)
        + (fitted.door and report.door is None)
    )


def _window(trail: Trail, up_us: int, on_us: int, window_us: int) -> tuple[int, int, int]:
    """Adds up on-time; after each whole window says what duty was achieved."""
    if trail.on_from_us < 0:
        return up_us, 0, trail.achieved_e4
    on_sum = trail.on_sum_us + on_us
    span = up_us - trail.on_from_us
    if span < window_us:
        return trail.on_from_us, on_sum, trail.achieved_e4
    return up_us, 0, on_sum * 10_000 // span


def _off_stretch(trail: Trail, report: Report, opened: bool, control: int | None) -> tuple[int, int, int, int, int]:
    """From when a rise with the heat off is judged, and the lowest control reading of this and the last bucket of it."""
    up_us = report.up_us
    door_until = up_us + DOOR_SETTLE_US if opened else trail.door_until_us
    if report.on_us:
        return -1, door_until, trail.off_low_mc, trail.off_low_before_mc, trail.off_bucket_us
    from_us = trail.off_from_us if trail.off_from_us >= 0 else up_us + OFF_SETTLE_US
    if control is None:
        return from_us, door_until, trail.off_low_mc, trail.off_low_before_mc, trail.off_bucket_us
    if up_us <= from_us or up_us <= door_until:
        return from_us, door_until, control, control, up_us
    if up_us - trail.off_bucket_us >= OFF_BUCKET_US:
        return from_us, door_until, control, trail.off_low_mc, up_us
    return from_us, door_until, min(trail.off_low_mc, control), trail.off_low_before_mc, trail.off_bucket_us


def _full_stretch(trail: Trail, up_us: int, achieved_e4: int, control: int | None) -> tuple[int, int]:
    """Since when the heat has been full without a rise."""
    if achieved_e4 < FULL_DUTY_E4 or control is None:
        return -1, 0
    if trail.full_since_us < 0 or control >= trail.full_from_mc + RISE_AT_FULL_MC:
        return up_us, control
    return trail.full_since_us, trail.full_from_mc


def _rise_off(trail: Trail, up_us: int, control: int | None) -> int:
    if control is None or trail.off_from_us < 0 or up_us <= trail.off_from_us or up_us <= trail.door_until_us:
        return QUIET
    return control - min(trail.off_low_mc, trail.off_low_before_mc)


def _rise(trail: Trail, up_us: int, control: int | None) -> int:
    if control is None or not trail.control or up_us - trail.control[0][0] < RISE_LEAST_US:
        return QUIET
    from_us, from_mc = trail.control[0]
    return (control - from_mc) * 60_000_000 // (up_us - from_us)


def _disagree(chamber: Chamber, control: int | None, over: int | None) -> int:
    if control is not None and over is not None:
        return abs(control - over)
    return QUIET if chamber.sensor(Role.OVER_TEMPERATURE) is None else UNKNOWN


def _limits_differ(read: LimitsRead | None, expected: LimitsRead) -> int:
    if read is None:
        return UNKNOWN
    return int(read[1:] != expected[1:])
