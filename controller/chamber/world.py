"""What surrounds a simulated board: plant, mains, fan, limiter, door, buttons, smoke, converters, and all their faults.

`World` knows nothing of frames or sessions. It passes time with the outputs as they are, says what the element takes,
and measures as the converters would: quantised, noisy, counted.
"""

from __future__ import annotations

from random import Random

from controller.chamber.faults import CHANNELS, SEA_LEVEL_HPA, SENSES, Faults
from controller.chamber.outputs import FAR_US, Outputs
from controller.chamber.plant import Plant, at_rest, step
from controller.chamber.shapes import Shape
from controller.chamber.travelling import seen_c
from controller.commissioning.fixed_points import boiling_mc
from controller.core.messages import Channel
from controller.link.forms import new_tuple

NOISE_C = 0.12
"""Standard deviation of one conversion (common practice, no source)."""
SPREAD_C = 2.0 * NOISE_C
LOW_C = 1000.0 - 1.5 * SPREAD_C
"""Counts are taken from -1000 °C up, so that cutting off is rounding down."""
MAINS_V = 230
FAN_RPM = 2400
CONVERSION_US = 100_000
GUARDED = 2
"""The first two channels are the board's own: without them it does not heat."""
OUTPUT_LATE_US = 1_000_000
"""A contactor that still reads closed this long after it was let go has failed."""


class World:
    """The chamber around one board. Hands and faults are attributes; `now_us` is never set back."""

    def __init__(self, shape: Shape, seed: int, quantum_mc: float) -> None:
        self.shape = shape
        self.plant: Plant = at_rest(shape.build, shape.room_c, shape.delay_s)
        self.room_c: float = shape.room_c
        self.faults = Faults()
        self.door_shut = True
        self.local_stop = False
        self.arm_pressed = False
        self.smoke = False
        self.limiter_closed = True
        self.mains = True
        self.fan_on = True
        self.spot = ""
        """Where the travelling sensor hangs, on a channel behind the others; empty: there is none, and no such channel."""
        self.boil_c: float = boiling_mc(SEA_LEVEL_HPA) / 1000.0
        """Of water in the pan beside the chamber."""
        self.now_us = 0
        self.channels: tuple[Channel | None, ...] = (None,) * 6
        self.hottest_mc = 0
        self.sensor_bad = True
        self.random = Random(f"board {shape.name} {seed}")
        self._quantum_mc = quantum_mc
        self._let_go_us = self._measured_us = 0

    @property
    def places(self) -> int:
        """How many channels have a sensor."""
        return CHANNELS + bool(self.spot)

    def pass_time(self, us: int, outputs: Outputs) -> None:
        """One stretch in which nothing switches: one step of the plant."""
        self.plant = step(self.plant, self.shape.build, self.watts(outputs), us * 1e-6, self.room_c,
                          1.0 if self._fan_turns(outputs) else 0.0, not self.door_shut)
        outputs.passed(us)
        self.now_us += us
        if outputs.contactor:
            self._let_go_us = self.now_us
        if self.plant.limiter_sensor >= self.shape.limiter_c:
            self.limiter_closed = False

    def watts(self, outputs: Outputs) -> float:
        """What the element takes now: every contact in the chain must pass."""
        faults = self.faults
        passing = ((outputs.contactor or faults.contactor_welded or faults.contactor_bridged)
                   and (self.limiter_closed or faults.limiter_bypassed) and self.mains and not faults.element_broken)
        if not passing:
            return 0.0
        if outputs.modulator or faults.modulator_stuck:
            return float(self.shape.element_w)
        return 0.5 * self.shape.element_w if faults.modulator_half else 0.0

    def current_ma(self, outputs: Outputs) -> int:
        """What a current sensor in the element's wire reads."""
        return 0 if self.faults.current_dead else int(self.watts(outputs) * 1000.0) // MAINS_V

    def fan_rpm(self, outputs: Outputs) -> int:
        """The fan is fed ahead of the contactor, so only mains and its own faults stop it."""
        return FAN_RPM if self._fan_turns(outputs) else 0

    def _fan_turns(self, outputs: Outputs) -> bool:
        return self.fan_on and self.mains and (outputs.contactor or not self.faults.fan_with_heat)

    def contactor_reads(self, outputs: Outputs) -> bool:
        """Its auxiliary contact, which shows what the coil and the contacts really do."""
        return (outputs.modulator if self.faults.outputs_swapped else outputs.contactor) or self.faults.contactor_welded

    def silence_us(self, due_us: int) -> int:
        """When the silence timer ends the enable, which is due at `due_us`."""
        return FAR_US if self.faults.silence_timer_dead else due_us

    def contactor_bad(self, outputs: Outputs) -> bool:
        """Its auxiliary contact reads closed long after it was let go."""
        return (self.faults.contactor_welded and not outputs.contactor
                and self.now_us - self._let_go_us > OUTPUT_LATE_US)

    def measure(self, up_us: int) -> None:
        """The newest conversion of every channel, and what the board's own limits need of them."""
        plant, draw, quantum_mc = self.plant, self.random.random, self._quantum_mc
        per_k = 1000.0 / quantum_mc
        cold_mc = int((self.room_c + 3.0) * 16.0) * 1000 // 16
        finished = up_us // CONVERSION_US
        channels: list[Channel | None] = []
        hottest_mc = 0
        places: tuple[float, ...] = (*plant.sensors, plant.part_sensor)
        if self.spot:
            places = (*places, seen_c(self.spot, places[0], self.room_c))
        if self.faults.sensors:
            places = self._misled(places)
        self._measured_us = self.now_us
        for true_c in places:
            # The sum of three even draws has a standard deviation of one half: near enough to a bell, and + alone.
            counts = int((true_c + LOW_C + SPREAD_C * (draw() + draw() + draw())) * per_k + 0.5)
            value_mc = int(counts * quantum_mc) - 1_000_000
            channels.append(new_tuple(Channel, (value_mc, cold_mc, 0, finished & 255)))
            finished += 85
            if value_mc > hottest_mc:
                hottest_mc = value_mc
        self.hottest_mc, self.sensor_bad = hottest_mc, False
        if self.faults.channels:
            self.faults.spoil(channels, self.channels)
            self.hottest_mc = max([channel[0] for channel in channels if channel and not channel[2]], default=0)
            self.sensor_bad = not all(channel and not channel[2] for channel in channels[:GUARDED])
        self.channels = (*channels, *(None,) * (6 - len(channels)))

    def _misled(self, places: tuple[float, ...]) -> tuple[float, ...]:
        """What the converters are given where sensors are not where, or what, they should be."""
        dt_s = (self.now_us - self._measured_us) * 1e-6
        return tuple(SENSES[self.faults.sensors[index]](self, index, true_c, dt_s) if index in self.faults.sensors else true_c
                     for index, true_c in enumerate(places))
