"""What surrounds an emulated chip: the chamber's plant, converters with thermocouples on them, hands, and line noise."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from controller.chamber.outputs import Outputs
from controller.chamber.shapes import Shape
from controller.chamber.world import NOISE_C, World
from controller.commissioning.its90 import converted_c

TABLES = "BEJKNRST"
"""The converter's types, by the low bits of its CR1 (from memory of its data sheet)."""
OPEN, OVER_OR_UNDER, RANGE, COLD_RANGE = 0x01, 0x02, 0x40, 0x80
"""Bits of its status."""
COLD_ABOVE_ROOM_C = 3.0
TABLE_LOW_C, TABLE_HIGH_C = -200.0, 750.0
HANDS = (("door_shut", 0x001), ("local_stop", 0x002), ("smoke", 0x004), ("arm_pressed", 0x008), ("silence_pressed", 0x010),
         ("mains", 0x020), ("limiter_closed", 0x040), ("fan_on", 0x100))
WELDED, MODULATOR_STUCK, FAN_NOISE, FRAMING = 0x080, 0x200, 0x400, 0x800


class Sensor:
    """One thermocouple and its converter's cold junction."""

    def __init__(self) -> None:
        self.wire = "K"
        self.reversed_leads = False
        self.true_c: float | None = None
        """Instead of the chamber's; None follows the chamber."""
        self.cold_c: float | None = None
        self.cold_error_c = 0.0
        self.status = 0
        """Fault bits that its wire makes."""
        self.noise_c = NOISE_C


class Pins(Outputs):
    """The two switches as the chip's pins have them: moved by the emulator, not by a rule."""

    def __init__(self) -> None:
        super().__init__(0)

    def passed(self, us: int) -> None:
        """The firmware counts for itself."""


class Surroundings(World):
    """The chamber around a chip. Hands and faults are attributes, as in the simulated board's world."""

    def __init__(self, shape: Shape, seed: int) -> None:
        super().__init__(shape, seed, 7.8125)
        self.outputs = Pins()
        self.silence_pressed = False
        self.sensors = [Sensor(), Sensor(), Sensor()]
        self.aux_mv = 1_250
        self.modulator_pin_stuck = self.fan_noise = self.framing_errors = False
        self.types = [3, 3, 3]
        """What each converter is set to: its CR1."""

    def hands(self) -> int:
        """Every contact's state as the emulator takes it."""
        bits = sum(bit for name, bit in HANDS if getattr(self, name))
        swapped = self.faults.outputs_swapped and self.outputs.modulator  # the contactor's coil hangs on the modulator's pin
        bits |= WELDED if self.faults.contactor_welded or swapped else 0
        bits |= FAN_NOISE if self.fan_noise else 0
        bits |= FRAMING if self.framing_errors else 0
        return bits | (MODULATOR_STUCK if self.modulator_pin_stuck else 0)

    def conversions(self) -> list[tuple[int, int, int]]:
        """What the next conversion of each converter finds: 1/128 °C, 1/64 °C, status bits."""
        plant = self.plant
        return [self._conversion(sensor, true_c, self.types[at] & 15)
                for at, (sensor, true_c) in enumerate(zip(self.sensors, (*plant.sensors, plant.part_sensor), strict=True))]

    def _conversion(self, sensor: Sensor, chamber_c: float, kind: int) -> tuple[int, int, int]:
        true_c = chamber_c if sensor.true_c is None else sensor.true_c
        cold_c = self.room_c + COLD_ABOVE_ROOM_C if sensor.cold_c is None else sensor.cold_c
        cold_counts = round((cold_c + sensor.cold_error_c) * 64.0)
        if sensor.noise_c:
            # The sum of three even draws has a standard deviation of one half, as in the simulated board.
            draw = self.random.random
            true_c += 2.0 * sensor.noise_c * (draw() + draw() + draw() - 1.5)
        table = TABLES[kind] if kind < len(TABLES) and TABLES[kind] in "JKT" else "K"
        read_c = converted_c(true_c, cold_c, wire=sensor.wire, table=table, cold_read_c=cold_counts / 64.0,
                             reversed_leads=sensor.reversed_leads)
        counts = round(max(TABLE_LOW_C, min(TABLE_HIGH_C, read_c)) * 128.0)
        return (0 if sensor.status & OPEN else counts), cold_counts, sensor.status


Noise = Callable[[bytes], bytes]


def _each(share: float, change: Callable[[int, Random], bytes]) -> Callable[[int], Noise]:
    """A noise that changes `share` of all bytes."""
    def seeded(seed: int) -> Noise:
        draw = Random(seed)

        def noise(data: bytes) -> bytes:
            return b"".join(change(byte, draw) if draw.random() < share else bytes((byte,)) for byte in data)
        return noise
    return seeded


def _cut(seed: int) -> Noise:
    draw = Random(seed)

    def noise(data: bytes) -> bytes:
        return data[:draw.randrange(len(data) + 1)] if draw.random() < 0.3 else data
    return noise


def _again(seed: int) -> Noise:
    """Old bytes come once more: a line that is heard twice, or a stretch of it."""
    draw, kept = Random(seed), bytearray()

    def noise(data: bytes) -> bytes:
        kept.extend(data)
        del kept[:-400]
        if draw.random() < 0.5 or not kept:
            return data
        at = draw.randrange(len(kept))
        return data + bytes(kept[at:at + draw.randrange(1, 120)])
    return noise


def _digits(seed: int) -> Noise:
    """One digit of what is said at once becomes another: the form holds, and only the checksum can tell."""
    draw = Random(seed)

    def noise(data: bytes) -> bytes:
        places = [at for at, byte in enumerate(data) if 0x30 <= byte <= 0x39]
        if not places:
            return data
        at = draw.choice(places)
        return data[:at] + bytes((0x30 + (data[at] - 0x30 + draw.randrange(1, 10)) % 10,)) + data[at + 1:]
    return noise


NOISES: dict[str, Callable[[int], Noise]] = {
    "bits": _each(0.05, lambda byte, draw: bytes((byte ^ 1 << draw.randrange(8),))),
    "dropped": _each(0.05, lambda byte, draw: b""),
    "inserted": _each(0.05, lambda byte, draw: bytes((byte, draw.randrange(256)))),
    "doubled": _each(0.05, lambda byte, draw: bytes((byte, byte))),
    "cut": _cut,
    "again": _again,
    "digits": _digits,
    "drowned": _each(1.0, lambda byte, draw: bytes((draw.randrange(256),))),
}
"""What an element's wiring does to a serial line, by name: each takes a seed and gives bytes to bytes."""
