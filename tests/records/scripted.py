"""A board and a chamber for the record's own tests: invented numbers, no bytes, no time but the one passed in.

`Scripted` answers the frames of `advance` with reports as a board would (four a tick), with the noise that real converters
have: three sensors at 1/128 °C, cold junctions at 1/64 °C, a current that flickers, a fan that breathes. `records()` drives
a whole run through it and yields what the service would hand to the writer.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from typing import ClassVar

from controller.core.commands import Ask, Command, PersonRole
from controller.core.messages import (
    Channel,
    Drive,
    Enable,
    Hello,
    LimitsRead,
    OffReason,
    Report,
    ResetCause,
    SetLimits,
    Tell,
    ToBoard,
    Welcome,
)
from controller.core.readings import Role
from controller.core.schedule import Kind, Of, Resume, Schedule, Segment
from controller.core.setup import Chamber, Fitted, Heater, Level, Limits, SensorSetup
from controller.core.start import first_state
from controller.core.state import Inputs, LineOpened, Messages, Notice, State
from controller.core.tick import advance
from controller.records.writer import About, TickRecord
from tests.answered import ANSWERED

S1 = 1_000_000
H1 = 3_600 * S1
UTC_US = 1_764_061_234_000_000
BOARD = "5a17c0"

LIMITS = Limits(
    ceiling_mc=130_000, ceiling_clear_mc=120_000, board_ceiling_mc=135_000, limiter_mc=150_000,
    limiter_tolerance_mc=7_000, thermal_link_mc=167_000, weakest_mc=180_000, run_margin_mc=7_000, disagree_mc=15_000,
    above_band_mc=3_000, rise_mc_per_min=20_000, no_rise_us=600 * S1, rise_off_mc=6_000, reading_age_us=2 * S1,
    frozen_us=3 * S1, silence_us=4_800_000, tick_late_us=500_000, run_max_us=30 * H1, hot_mc=45_000)
FITTED = Fitted(contactor=True, door=True, limiter=True, fan=True, current=True, arm_button=True, local_stop=True,
                smoke=True, mains_sense=True, drops_on_silence=True)
CHAMBER = Chamber(
    name="Scripted chamber", board=BOARD, simulated=True,
    sensors=(SensorSetup(Role.CONTROL, 0, "air", -200, 1_500), SensorSetup(Role.OVER_TEMPERATURE, 1, "wall", 0, 2_500),
             SensorSetup(Role.PART, 2, "part", 100, 1_500)),
    limits=LIMITS,
    heater=Heater(element_w=500, window_ms=40_000, gain_e4_per_k=600, integral_s=1_800, heat_capacity_j_per_k=2_000,
                  loss_mw_per_k=1_200, room_mc=21_000),
    fitted=FITTED, may_do=Level.UNATTENDED)
ABOUT = About(version="0.1.0", python="3.11", sqlite="3", simulated=True, board=BOARD, chamber=CHAMBER,
              folder={"chamber.toml": "# invented\nname = 'Scripted chamber'\n", "latch": "clear\n"})

DAY = Schedule("Sixteen hours", Of.PART, Resume.NEVER, (
    Segment(Kind.RAMP, 105_000, 21_000, 0, 2_000, 6 * H1),
    Segment(Kind.SOAK, 105_000, 0, 8 * H1, 2_000, 12 * H1),
    Segment(Kind.COOL, 40_000, 20_000, 0, 2_000, 10 * H1)))
SHORT = Schedule("Ten minutes", Of.AIR, Resume.NEVER, (
    Segment(Kind.RAMP, 26_000, 60_000, 0, 2_000, H1),
    Segment(Kind.SOAK, 26_000, 0, 120 * S1, 2_000, H1)))


class Scripted:
    """A board with an element, air and a part behind it. `faults` maps a channel to a fault bit."""

    def __init__(self, seed: int = 1, reports: int = 4) -> None:
        self.random = random.Random(seed)
        self.reports = reports
        self.air = self.part = self.wall = 21.0
        self.session = self.sequence = self.heard = self.up_us = 0
        self.enabled = self.permit = self.contactor = False
        self.duty_e4 = self.window_us = self.on_us = self.switches = self.run_us = self.armed = 0
        self.limits = (LIMITS.board_ceiling_mc, LIMITS.board_ceiling_mc - 1_000, 30 * 3_600)
        self.faults: dict[int, int] = {}
        self.door = True
        self.answers: list[Notice] = []

    def hear(self, frames: tuple[ToBoard, ...]) -> None:
        """Take the frames of one tick."""
        for frame in frames:
            self.heard = frame.sequence
            self.HEAR[type(frame)](self, frame)

    def _hello(self, frame: Hello) -> None:
        self.session = frame.session
        self.enabled = self.permit = self.contactor = False
        self.run_us = 0
        self.answers += [Welcome(BOARD, 7, self.session, "0.1", "0badcafe", ResetCause.POWER_ON, True), self._limits()]

    def _enable(self, frame: Enable) -> None:
        self.enabled = True

    def _drive(self, frame: Drive) -> None:
        self.permit, self.contactor = frame.permit, frame.contactor
        self.duty_e4, self.window_us = frame.duty_e4, frame.window_ms * 1_000

    def _tell(self, frame: Tell) -> None:
        self.armed = frame.armed

    def _set(self, frame: SetLimits) -> None:
        asked = (frame.board_ceiling_mc, frame.run_ceiling_mc, frame.run_max_s)
        self.limits = tuple(new if new is not None else old for new, old in zip(asked, self.limits, strict=True))
        self.answers.append(self._limits())

    def _limits(self) -> LimitsRead:
        return LimitsRead(self.session, *self.limits, LIMITS.silence_us)

    HEAR: ClassVar[dict[type, Callable[[Scripted, ToBoard], None]]] = {
        Hello: _hello, Enable: _enable, Drive: _drive, Tell: _tell, SetLimits: _set}

    def run(self) -> tuple[tuple[Report, ...], tuple[Notice, ...]]:
        """One second: its reports and its answers."""
        reports = tuple(self._quarter(S1 // self.reports) for _ in range(self.reports))
        if self.up_us % (5 * S1) < S1 and self.session:
            self.answers.append(self._limits())
        answers, self.answers = tuple(self.answers), []
        return reports, answers

    def _quarter(self, dt_us: int) -> Report:
        self.up_us += dt_us
        self.sequence += 1
        heating = self.enabled and self.permit and self.contactor and not self.faults and self.door
        in_pulse = self.window_us and self.up_us % self.window_us < self.duty_e4 * self.window_us // 10_000
        on_us = dt_us if heating and in_pulse else 0
        self.switches += bool(on_us and not self.on_us)
        self.on_us = on_us
        self.run_us += on_us
        self._warm(500.0 * on_us / dt_us, dt_us / 1e6)
        modulator = bool(on_us)
        off = OffReason.NONE if heating else OffReason.NO_PERMIT
        draw = self.random
        return Report(
            BOARD, 7, self.session, self.sequence, self.heard, self.up_us,
            (self._channel(0, self.air), self._channel(1, self.wall), self._channel(2, self.part), None, None, None),
            modulator, self.contactor and self.enabled, self.enabled, int(off), on_us, self.switches, self.run_us // S1,
            True, True, self.door, False, self.armed == 2, False,
            2_170 + draw.randrange(-8, 9) if modulator else draw.randrange(0, 6), 2_400 + draw.randrange(-15, 16), None)

    def _warm(self, watts: float, dt_s: float) -> None:
        to_part = 4.0 * (self.air - self.part)
        self.air += (watts - 1.2 * (self.air - 21.0) - to_part) / 1_600.0 * dt_s
        self.part += to_part / 900.0 * dt_s
        self.wall += (self.air - self.wall) * dt_s / 40.0

    def _channel(self, number: int, celsius: float) -> Channel:
        noisy = math.floor((celsius + self.random.gauss(0.0, 0.015)) * 128) * 1000 // 128
        cold = math.floor((27.0 + self.random.gauss(0.0, 0.01)) * 64) * 1000 // 64
        count = self.up_us // 100_000 % 256
        return Channel(noisy, cold, self.faults.get(number, 0), count)


def start(run_id: str, schedule: Schedule) -> Command:
    """The command of a person who starts a run."""
    by = "local, not signed in"
    return Command(Ask.START, by, PersonRole.MAINTAINER, f"ref-{run_id}", schedule, run_id, Level.UNATTENDED, leaving=ANSWERED)


def records(seconds: int, schedule: Schedule = SHORT, run_id: str = "1", start_at: int = 5, seed: int = 1,
            script: Callable[[int, Scripted], tuple[Command, ...]] | None = None,
            state: State | None = None, reports: int = 4) -> Iterator[TickRecord]:
    """`seconds` ticks with a run started at the tick `start_at`; `script(tick, board)` may hurt the board and give
    commands."""
    board = Scripted(seed, reports)
    jitter = random.Random(seed)
    state = state or first_state(CHAMBER, 1_000 * S1)
    notices: tuple[Notice, ...] = (Messages(""), LineOpened(4_711))
    came: tuple[Report, ...] = ()
    for number in range(1, seconds + 1):
        late_us = min(20_000, int(jitter.expovariate(1 / 150.0)))
        commands = (start(run_id, schedule),) if number == start_at else ()
        commands += script(number, board) if script else ()
        inputs = Inputs((1_000 + number) * S1 + late_us, came, notices, commands, late_us)
        result = advance(state, inputs)
        state = result.state
        yield TickRecord(number, UTC_US + inputs.mono_us, inputs, result)
        board.hear(result.outputs.frames)
        came, notices = board.run()
