"""What a chamber is, as values: sensors, limits, heater, what is fitted. Made from the chamber file, never changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import IntEnum
from operator import itemgetter
from typing import NamedTuple

from controller.core.messages import Channel
from controller.core.module import Module
from controller.core.readings import Role


class Level(IntEnum):
    """What a chamber may do, lowest first. Computed from what is fitted and proven."""

    MEASURE_ONLY = 0
    AT_THE_CHAMBER = 1
    IN_THE_BUILDING = 2
    UNATTENDED = 3


LEVEL_WORDS = {
    Level.MEASURE_ONLY: "measure only",
    Level.AT_THE_CHAMBER: "at the chamber",
    Level.IN_THE_BUILDING: "in the building, awake",
    Level.UNATTENDED: "unattended",
}


class SensorSetup(NamedTuple):
    """One sensor: its role, the board channel it is plugged into, and what commissioning found of it."""

    role: Role
    channel: int
    label: str
    correction_mc: int
    """Added to what it reads at 0 °C; `slope_ppm` of the reading comes to it."""
    uncertainty_mc: int
    slope_ppm: int = 0
    id: str = ""
    """Name of the probe itself: its correction and its proofs follow it from socket to socket."""


class Wiring(NamedTuple):
    """The sensors as columns, in their order. Every tick looks through it, so it is made once a chamber."""

    pick: Callable[[tuple[Channel | None, ...]], tuple[Channel | None, ...]]
    """A report's channels to those of the sensors."""
    corrections: tuple[tuple[int, int], ...]
    """(m°C, ppm of the reading) of each."""
    control: int | None
    """Which of the sensors plays this role; None: not fitted."""
    parts: tuple[int, ...]
    """Those inside the load; the coldest of them counts."""
    overs: tuple[int, ...]


def wiring(sensors: tuple[SensorSetup, ...]) -> Wiring:
    """The columns of `sensors`."""
    places = [sensor.channel for sensor in sensors]
    roles = {sensor.role: number for number, sensor in enumerate(sensors)}
    first = min(places, default=0)
    pick = itemgetter(*places) if len(places) > 1 else itemgetter(slice(first, first + len(places)))  # ever a tuple
    return Wiring(
        pick,
        tuple((sensor.correction_mc, sensor.slope_ppm) for sensor in sensors),
        roles.get(Role.CONTROL),
        numbers_of(sensors, Role.PART),
        numbers_of(sensors, Role.OVER_TEMPERATURE),
    )


def numbers_of(sensors: tuple[SensorSetup, ...], role: Role) -> tuple[int, ...]:
    """Which of the sensors play `role`."""
    return tuple(number for number, sensor in enumerate(sensors) if sensor.role is role)


class Response(NamedTuple):
    """How soon full heat shows at the sensors, at the latest: from the chamber's model, or bounds that somebody set. The
    start proof takes its lengths from these."""

    dead_us: int
    """Nothing may show before this has passed."""
    rise_us: int
    """After that, the rise that a proof asks for (`proof.RISE_MC`) shows within this."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Every number a guard compares with. Temperatures in the checked order of `config.LIMIT_ORDER`."""

    ceiling_mc: int
    ceiling_clear_mc: int
    board_ceiling_mc: int
    limiter_mc: int
    limiter_tolerance_mc: int
    thermal_link_mc: int
    weakest_mc: int
    run_margin_mc: int
    """A run's ceiling stands this far above its hottest set point."""
    disagree_mc: int
    above_band_mc: int
    rise_mc_per_min: int
    """No chamber of this power and mass warms faster; a reading that does is not the chamber."""
    no_rise_us: int
    rise_off_mc: int
    reading_age_us: int
    frozen_us: int
    silence_us: int
    tick_late_us: int
    run_max_us: int
    hot_mc: int
    """Above this the hot lamp is on and the page says hot."""


@dataclass(frozen=True, slots=True)
class Heater:
    """The element and how it is driven; gains are typed by a person until the chamber is identified."""

    element_w: int
    window_ms: int
    gain_e4_per_k: int
    """Proportional gain: duty (0..10,000) per kelvin of error."""
    integral_s: int
    heat_capacity_j_per_k: int
    """Feed-forward: what a ramp of 1 K/s asks for, beside the loss."""
    loss_mw_per_k: int
    room_mc: int


@dataclass(frozen=True, slots=True)
class Fitted:
    """What hardware is there. A guard that needs a missing part rests; the level falls accordingly."""

    contactor: bool
    door: bool
    limiter: bool
    fan: bool
    current: bool
    arm_button: bool
    local_stop: bool
    smoke: bool
    mains_sense: bool
    drops_on_silence: bool


@dataclass(frozen=True, slots=True)
class Chamber:
    """A whole chamber as the tick sees it."""

    name: str
    board: str
    simulated: bool
    sensors: tuple[SensorSetup, ...]
    limits: Limits
    heater: Heater
    fitted: Fitted
    may_do: Level
    module: Module | None = None
    """A ready-made module over Modbus RTU in place of a board; None: a board."""
    response: Response | None = None
    """None: its runs begin without a start proof. No chamber file gives that."""
    trials: tuple[str, ...] = ()
    """Heated steps of commissioning that may be done now (`trials.TRIALS`)."""
    wiring: Wiring = field(init=False, repr=False, compare=False)
    """Derived; it is neither stored nor compared."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "wiring", wiring(self.sensors))

    def sensor(self, role: Role) -> SensorSetup | None:
        """The sensor that plays `role`, or None when the chamber has none."""
        return next((sensor for sensor in self.sensors if sensor.role is role), None)
