"""A simulated board in a simulated chamber, sans-IO: bytes in, bytes out, time moved by the caller.

It obeys `hardware_notes/protocol.md` as a firmware would: its own limits kept in a settings dictionary (a firmware's
EEPROM), its own silence time-out, run time and permissives, refusals with a code. Nothing in it knows the controller.
Faults and hands (door, buttons, smoke) come in by attributes and `fault`, never over the wire.

Time passes in stretches within which nothing switches: up to the next report, the next edge of an output, the moment of
silence, or a finger on the arm button. Each stretch is one step of the plant.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller.chamber.codes import NONE, NOT_ENABLED, VOIDING, refusal_of
from controller.chamber.faults import FAULTS
from controller.chamber.outputs import FAR_US, Outputs
from controller.chamber.shapes import Shape
from controller.chamber.world import World
from controller.core.messages import (
    Drive,
    Enable,
    FromBoard,
    Hello,
    LimitsRead,
    OffReason,
    Refusal,
    RefusalCode,
    Report,
    ResetCause,
    SetLimits,
    Stall,
    Tell,
    Welcome,
)
from controller.link.forms import new_tuple
from controller.link.session import BadLine, BoardSession, Run

FIRMWARE = "0.1"
FIRMWARE_HASH = "00000000"
SILENCE_US = 4_800_000
WATCHDOG_US = 250_000
LIMITS_EVERY_US = 5_000_000
ARM_AFTER_US, ARM_FOR_US = 1_000_000, 500_000
STRETCH_MAX_US = 600_000_000
"""The longest stretch of one lock-step request."""
RUN_MAX_S = 96 * 3600
SEQUENCES = 10_000_000
ON_MAX_US = 9_999_999
RUN_S_MAX = 999_999
CEILING_MAX_MC = 400_000
NO_DRIVE = Drive(0, 0, False, False, 0, 40_000)
DARK = Tell(0, 0, 0, False, False, 0)


def new_settings(shape: Shape) -> dict[str, int]:
    """What a board's memory holds when it leaves the bench."""
    return {"board_ceiling_mc": shape.board_ceiling_mc, "boot": 0, "switches": 0, "simulated": 1}


class Board(World):
    """The board and its chamber. `receive` takes bytes, `run` moves time on, `take` gives what was said."""

    def __init__(self, shape: Shape, seed: int = 1, board_id: str = "5a17c0", *, report_us: int = 250_000,
                 auto_arm: bool = False, lock_step: bool = False, settings: dict[str, int] | None = None,
                 quantum_mc: float = 250.0, absent: frozenset[str] = frozenset()) -> None:
        """`quantum_mc` is the converter's step: 250 or 7.8125. `absent` names report fields this board does not have.
        `settings` is kept and written to, as a memory would be."""
        super().__init__(shape, seed, quantum_mc)
        self.board_id, self.report_us, self.auto_arm = board_id, report_us, auto_arm
        self.settings = new_settings(shape) if settings is None else settings
        self.lock_step = lock_step
        self.outputs = Outputs(self.settings.get("switches", 0))
        self._out: list[bytes] = []
        self._absent: dict[str, Any] = dict.fromkeys(absent)
        self.reset(ResetCause.POWER_ON)

    def reset(self, cause: int) -> None:
        """What a processor's reset does: outputs off, session and enable gone, a new boot id."""
        self.settings["boot"] = (self.settings.get("boot", 0) + 1) % 65_536
        self.reset_cause = int(cause)
        self._session = BoardSession(self.lock_step)
        self.outputs.reset()
        self.outputs.on_us = 0
        self._born_us = self.now_us
        self._next_report_us = self.now_us + self.report_us
        self._next_limits_us = self.now_us + LIMITS_EVERY_US
        self._reports = 0
        self._press_us = self._bite_us = FAR_US
        self._arm_seen = self._stalled = False
        self.session = self.heard = 0
        self.enabled, self.tell = False, DARK
        self._new_session()
        self.measure(0)
        self._judge()

    def _new_session(self) -> None:
        """Outputs off, enable void, run limits back to the ceilings."""
        self._let_go()
        self._void = OffReason.NOT_ENABLED
        self.heard_drive_us = self.now_us
        self.heated_us = 0
        ceiling_mc = self.settings.get("board_ceiling_mc", -1)
        self.settings_bad = not 0 < ceiling_mc <= CEILING_MAX_MC
        self.run_ceiling_mc, self.run_max_s = ceiling_mc, RUN_MAX_S

    def _let_go(self) -> None:
        """A hello, even one that is refused: outputs off, enable void. An enable that had ended keeps its reason."""
        if self.enabled:
            self._void = OffReason.NOT_ENABLED
        self.enabled = False
        self.drive = NO_DRIVE

    # Bytes in

    def receive(self, data: bytes) -> None:
        """Hear bytes from the host. Outputs that must go off are off when this returns. A firmware that hangs hears
        nothing; its clock goes on, in lock-step too, or the host would wait for it instead of seeing it silent."""
        for event in self._session.receive(data):
            if isinstance(event, Run):
                self.advance(min(event.us, STRETCH_MAX_US))
                self._out.append(self._session.ran(self.now_us))
            elif self._still():
                continue
            elif isinstance(event, BadLine):
                self._bad_line(event)
            else:
                HANDLERS[type(event)](self, event)
                if type(event) is not Tell:  # lamps and sounder move no switch
                    self._judge()

    def _bad_line(self, bad: BadLine) -> None:
        answer = refusal_of(bad)
        if answer is None:
            return
        if bad.line[:1] == b"H":
            self._let_go()
            self._judge()
        self._say(answer)

    def _hello(self, hello: Hello) -> None:
        if hello.session == self.session and hello.sequence <= self.heard:
            self._let_go()
            self._refuse(hello, RefusalCode.SEQUENCE)
            return
        self._new_session()
        self.session, self.heard = hello.session, hello.sequence
        self._say(Welcome(self.board_id, self.settings["boot"], self.session, FIRMWARE, FIRMWARE_HASH,
                          self.reset_cause, bool(self.settings.get("simulated", 1))))
        self._say_limits()

    def _enable(self, enable: Enable) -> None:
        if not self._fresh(enable):
            return
        if self._standing() in VOIDING or self.contactor_bad(self.outputs):
            self._refuse(enable, RefusalCode.NOT_HELD)
        else:
            self.enabled = True
            self.drive = NO_DRIVE
            self.heard_drive_us = self.now_us

    def _drive(self, drive: Drive) -> None:
        if self._fresh(drive):
            self.drive = drive
            self.heard_drive_us = self.now_us

    def _tell(self, tell: Tell) -> None:
        if not self._fresh(tell):
            return
        if self.auto_arm and tell.armed == 2 and self.tell.armed != 2:
            self._press_us = self.now_us + ARM_AFTER_US
        self.tell = tell

    def _stall(self, stall: Stall) -> None:
        if not self._fresh(stall):
            return
        if not self.enabled:
            self._refuse(stall, RefusalCode.NOT_HELD)
        elif self.outputs.contactor or self.faults.contactor_welded:  # as it reads back
            self._refuse(stall, RefusalCode.OUTPUTS_ON)
        else:
            self._stalled = True
            self._bite_us = FAR_US if self.faults.watchdog_missing else self.now_us + WATCHDOG_US

    def _still(self) -> bool:
        """Does the program stand still, outputs as they are? It hears, judges and says nothing then."""
        return self.faults.hung or self._stalled

    def _limits(self, limits: SetLimits) -> None:
        if not self._fresh(limits):
            return
        code = self._limits_refused(limits)
        if code is not None:
            self._refuse(limits, code)
            return
        if limits.board_ceiling_mc is not None:
            self.settings["board_ceiling_mc"] = limits.board_ceiling_mc
            self.run_ceiling_mc = min(self.run_ceiling_mc, limits.board_ceiling_mc)
        if limits.run_ceiling_mc is not None:
            self.run_ceiling_mc = limits.run_ceiling_mc
        if limits.run_max_s is not None:
            self.run_max_s = limits.run_max_s
        self._say_limits()

    def _limits_refused(self, limits: SetLimits) -> RefusalCode | None:
        """All or nothing: one value that may not be keeps the others out too."""
        stored_mc, run_mc, run_s = limits.board_ceiling_mc, limits.run_ceiling_mc, limits.run_max_s
        if stored_mc is not None and stored_mc > self.settings["board_ceiling_mc"]:
            if not self.local_stop:
                return RefusalCode.NOT_HELD
            if self.outputs.modulator or self.outputs.contactor or self.faults.contactor_welded:  # as it reads back
                return RefusalCode.OUTPUTS_ON
        if stored_mc is not None and not 0 < stored_mc <= CEILING_MAX_MC:
            return RefusalCode.RANGE
        top_mc = self.run_ceiling_mc if stored_mc is None else min(self.run_ceiling_mc, stored_mc)
        if (run_mc is not None and run_mc > top_mc) or (run_s is not None and run_s > self.run_max_s):
            return RefusalCode.LOOSENS
        return None

    def _fresh(self, message: Enable | Drive | Tell | SetLimits | Stall) -> bool:
        """Of this session and newer than anything heard in it; otherwise refused."""
        if message.session != self.session or not self.session:
            self._refuse(message, RefusalCode.SESSION)
            return False
        if message.sequence <= self.heard:
            self._refuse(message, RefusalCode.SEQUENCE)
            return False
        self.heard = message.sequence
        return True

    def _refuse(self, message: Any, code: RefusalCode) -> None:
        self._say(Refusal(message.session, message.sequence, code))

    # Time

    def run(self, us: int) -> bytes:
        """Let `us` pass and give all that was said."""
        self.advance(us)
        return self.take()

    def take(self) -> bytes:
        """All that was said and not taken yet."""
        said = b"".join(self._out)
        self._out.clear()
        return said

    def fault(self, name: str, **args: Any) -> None:
        """Make or end (`on=False`) a fault, or move a hand. Raises ValueError naming what there is."""
        if name not in FAULTS:
            raise ValueError(f"fault is {name!r}; there are {', '.join(sorted(FAULTS))}")
        FAULTS[name](self, args)
        self._arm_seen = self._arm_seen or self.arm_pressed
        self._judge()

    def advance(self, us: int) -> None:
        """Let `us` pass; `take` gives what was said."""
        end_us, outputs = self.now_us + us, self.outputs
        while self.now_us < end_us:
            span_us = min(end_us, self._next_report_us, self._moment_us()) - self.now_us
            self.pass_time(span_us, outputs)
            if outputs.contactor:
                self.heated_us += span_us
            if self.now_us >= self._bite_us:
                self.reset(ResetCause.WATCHDOG)
            if self.now_us >= self._press_us:
                self._finger()
            if self.now_us >= self._next_report_us:
                self._report()
            elif not self._still():
                self._judge()

    def _moment_us(self) -> int:
        """When an output switches, silence ends the enable, or the arm button moves. A still board has its bite at most."""
        if self._still():
            return self._bite_us
        silent_us = self.silence_us(self.heard_drive_us + SILENCE_US) if self.enabled else FAR_US
        return min(self.outputs.edge_us, self._press_us, silent_us)

    def _finger(self) -> None:
        """The demo's own hand: presses while the lamp still flashes, then lets go."""
        if not self.arm_pressed and self.tell.armed == 2:
            self.arm_pressed = self._arm_seen = True
            self._press_us = self.now_us + ARM_FOR_US
        else:
            self.arm_pressed = False
            self._press_us = FAR_US

    # Judging

    def _standing(self) -> OffReason:
        """The first reason that stands."""
        if self._at_ease():
            return NONE
        for reason, stands in REASONS:
            if stands(self):
                return reason
        return NONE

    def _at_ease(self) -> bool:
        """Is every row of REASONS quiet? Asked in one go, because twice a second for days the answer is yes. It may say
        no where the table then finds nothing, never the other way round; a test holds it to that."""
        hottest_mc = self.hottest_mc
        return bool(
            self.drive.permit and self.enabled and self.session and self.door_shut
            and not (self.local_stop or self.smoke or self.sensor_bad or self.settings_bad
                     or self.faults.contactor_welded or self.faults.self_test)
            and hottest_mc < self.settings.get("board_ceiling_mc", 0) and hottest_mc < self.run_ceiling_mc
            and self.heated_us < self.run_max_s * 1_000_000 and not self._silent()
        )

    def _silent(self) -> bool:
        """No drive frame for the silence time: ends the enable whatever else stands."""
        return not self.now_us < self.silence_us(self.heard_drive_us + SILENCE_US)

    def _judge(self) -> None:
        """Look for a reason to be off, void the enable if it says so, move the outputs."""
        reason = self._standing()
        if reason is not NONE and self.enabled:
            self._end_enable(reason)
        self.off = self._void if reason is NOT_ENABLED else reason
        drive, outputs = self.drive, self.outputs
        outputs.command(reason is NONE, drive.contactor, drive.duty_e4, drive.window_ms * 1000)
        outputs.settle(self.now_us)

    def _end_enable(self, reason: OffReason) -> None:
        """What ends an enable ends it whatever an earlier reason says: a faulty sensor hides no silence, no weld."""
        hidden = OffReason.HOST_SILENT if self._silent() else OffReason.OUTPUT
        if reason in VOIDING or self._silent() or self.contactor_bad(self.outputs):
            self.enabled = False
            self._void = reason if reason in VOIDING else hidden

    # Bytes out

    def _report(self) -> None:
        self._next_report_us += self.report_us
        if self._still():
            return
        self.measure(self.now_us - self._born_us)
        self._arm_seen = self._arm_seen or self.arm_pressed
        self._judge()
        self._say(self._reported())
        self._reports = (self._reports + 1) % SEQUENCES
        self._arm_seen = False
        self.outputs.on_us = 0
        if self.now_us >= self._next_limits_us:
            self._say_limits()

    def _reported(self) -> Report:
        outputs = self.outputs
        report: Report = new_tuple(Report, (
            self.board_id, self.settings["boot"], self.session, self._reports, self.heard, self.now_us - self._born_us,
            self.channels, outputs.modulator, self.contactor_reads(outputs), self.enabled, self.off,
            min(outputs.on_us, ON_MAX_US), outputs.switches, min(self.heated_us // 1_000_000, RUN_S_MAX), self.mains,
            self.limiter_closed, self.door_shut, self.local_stop, self._arm_seen, self.smoke, self.current_ma(outputs),
            self.fan_rpm(outputs), None,
        ))
        return report._replace(**self._absent) if self._absent else report

    def _say_limits(self) -> None:
        self._next_limits_us = self.now_us + LIMITS_EVERY_US
        self._say(LimitsRead(self.session, self.settings["board_ceiling_mc"], self.run_ceiling_mc, self.run_max_s,
                             SILENCE_US))

    def _say(self, message: FromBoard) -> None:
        faults = self.faults
        if faults.silent:
            return
        if faults.garbage:
            self._out.append(self.random.randbytes(faults.garbage))
            faults.garbage = 0
        self._out.append(self._session.send(message))


HANDLERS: dict[type[Any], Callable[[Board, Any], None]] = {
    Hello: Board._hello,
    Enable: Board._enable,
    Drive: Board._drive,
    Tell: Board._tell,
    SetLimits: Board._limits,
    Stall: Board._stall,
}

REASONS: tuple[tuple[OffReason, Callable[[Board], bool]], ...] = (
    (OffReason.SELF_TEST, lambda board: board.faults.self_test),
    (OffReason.SETTINGS, lambda board: board.settings_bad),
    (OffReason.LOCAL_STOP, lambda board: board.local_stop),
    (OffReason.SMOKE, lambda board: board.smoke),
    (OffReason.CEILING, lambda board: not board.hottest_mc < board.settings.get("board_ceiling_mc", 0)),
    (OffReason.RUN_CEILING, lambda board: not board.hottest_mc < board.run_ceiling_mc),
    (OffReason.RUN_TIME, lambda board: not board.heated_us < board.run_max_s * 1_000_000),
    (OffReason.SENSOR, lambda board: board.sensor_bad),
    (OffReason.OUTPUT, lambda board: board.contactor_bad(board.outputs)),
    (OffReason.DOOR, lambda board: not board.door_shut),
    (OffReason.RESET, lambda board: not board.session),
    (OffReason.HOST_SILENT, lambda board: board.enabled and board._silent()),
    (OffReason.NOT_ENABLED, lambda board: not board.enabled),
    (OffReason.NO_PERMIT, lambda board: not board.drive.permit),
)
"""Every reason to be off, in order; the first that stands is reported. None: the outputs follow the drive frame."""
