"""Plants to close a loop on, and an independent controller to compare with; plain floats, nothing of the core in them.

A first-order plant with dead time is integrated exactly over each step (its input is constant there); the dead time is a queue.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable
from typing import NamedTuple

Control = Callable[[float, float], float]
"""(set point, measured) -> u, called once a step."""


class Fopdt(NamedTuple):
    """Gain, time constant and dead time; times in seconds."""

    k: float
    tau: float
    theta: float


class Loop(NamedTuple):
    """What a closed loop did."""

    times: list[float]
    outputs: list[float]
    controls: list[float]

    def overshoot(self, begin: float, end: float) -> float:
        """As a fraction of the step."""
        return max(0.0, (max(self.outputs) - end) / (end - begin))

    def iae(self, setpoint: float) -> float:
        step = self.times[1] - self.times[0]
        return sum(abs(setpoint - y) for y in self.outputs) * step

    def peaks(self, setpoint: float) -> list[float]:
        """Sizes of the successive swings, both ways."""
        sizes, top, sign = [], 0.0, 0
        for y in self.outputs:
            error = y - setpoint
            if sign and error * sign < 0:
                sizes.append(top)
                top = 0.0
            sign, top = (1 if error > 0 else -1 if error < 0 else sign), max(top, abs(error))
        return sizes


def close(plant: Fopdt, control: Control, setpoint: float, begin: tuple[float, float], seconds: float, dt: float = 1.0,
          load: float = 0.0, kick: float = 0.0) -> Loop:
    """From rest at `begin` (y, u) to `setpoint`; `load` adds to u from the start, `kick` moves y once."""
    y, u = begin
    waiting = deque([u] * round(plant.theta / dt))
    decay = math.exp(-dt / plant.tau)
    loop = Loop([], [], [])
    y += kick
    for number in range(int(seconds / dt)):
        u = control(setpoint, y)
        waiting.append(u)
        y = decay * y + (1 - decay) * plant.k * (waiting.popleft() + load)
        loop.times.append(number * dt)
        loop.outputs.append(y)
        loop.controls.append(u)
    return loop


def textbook_pi(kc: float, tau_i: float, u0: float, dt: float = 1.0) -> Control:
    """u = u0 + Kc (e + integral of e / tauI), by rectangles: written here, apart from the library the core uses."""
    total = 0.0

    def control(setpoint: float, y: float) -> float:
        nonlocal total
        total += (setpoint - y) * dt
        return u0 + kc * ((setpoint - y) + total / tau_i)

    return control


def simc(plant: Fopdt, tau_c: float) -> tuple[float, float]:
    """(Kc, tauI) by the SIMC rule for a PI controller."""
    return plant.tau / (plant.k * (tau_c + plant.theta)), min(plant.tau, 4 * (tau_c + plant.theta))


def ultimate(plant: Fopdt) -> tuple[float, float]:
    """(Ku, Pu) where the phase of k e^(-theta s) / (tau s + 1) is -180 degrees, by bisection."""
    low, high = 1e-9, math.pi / plant.theta
    for _ in range(200):
        middle = (low + high) / 2
        phase = middle * plant.theta + math.atan(middle * plant.tau)
        low, high = (middle, high) if phase < math.pi else (low, middle)
    return math.hypot(1, low * plant.tau) / plant.k, 2 * math.pi / low


def grows(sizes: Iterable[float]) -> bool:
    """Do late swings exceed early ones?"""
    swings = list(sizes)
    assert len(swings) >= 8, "too few swings to tell"
    return sum(swings[-3:-1]) > sum(swings[2:4])
