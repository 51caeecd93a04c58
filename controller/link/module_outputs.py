"""What a module's outputs must be, and which write brings them there next. Sans-IO; times are passed in.

Off is the modulator at once and the line contactor 100 ms later, whether or not the first write was taken; on is the contactor
first. Every write is its own request, told again after a poll that shows it undone; nothing is taken for done that the module
has not echoed.
"""

from __future__ import annotations

from controller.link.modbus import Request, WriteCoil, WriteRegister
from controller.link.registers import NOWHERE, RegisterMap

CONTACTOR_AFTER_US = 100_000
AGAIN_US = 100_000
"""Beyond a drain: long enough for something else to be asked in between."""
E4 = 10_000
UNDONE_POLLS = 2
"""An output that reads otherwise than it was told in so many polls one after the other is not ours any more."""


class ModuleOutputs:
    """Wanted, told and seen of both switches and of the trigger."""

    def __init__(self, registers: RegisterMap, now_us: int) -> None:
        self._map = registers
        self.seen_duty_e4 = 0
        self.seen_contactor = False
        self.seen_coil = False
        """The contactor's coil as it reads back; the contactor's own contact may say otherwise."""
        self.triggered_us = -1
        """When the timer relay got its last edge."""
        self.forget(now_us)

    def forget(self, now_us: int) -> None:
        """Nothing is known of what the module's outputs are told: off is written anew, in its order."""
        self._told_duty: int | None = None
        self._told_contactor: bool | None = None
        self._wanted_duty, self._wanted_contactor = 0, False
        self._off_us = now_us
        """Since when the modulator is to be off."""
        self._closed_us = 0
        """Since when the contactor is told closed."""
        self._trigger = False
        self._trigger_due = False
        self._undone = 0
        self._reads_on = False
        """By the module's own word; a contact that is welded is another matter."""
        self._duty_again_us = self._contactor_again_us = 0
        """A write that was not echoed is told again, but not before: the other output and the poll have their turn."""
        self._shout_us = 0
        self._shout_contactor = False
        """The modulator's off was shouted, and the contactor's is next."""

    def want(self, contactor: bool, duty_e4: int, now_us: int) -> None:
        """What they must be from now on. No duty without the contactor."""
        if self._wanted_contactor and not contactor:
            self._off_us = now_us
        self._wanted_contactor = contactor
        self._wanted_duty = (duty_e4 if contactor else 0) * self._map.duty_full // E4 if self._has_duty else int(
            contactor and duty_e4 > 0)

    def retrigger(self) -> None:
        """The timer relay gets one more edge."""
        self._trigger_due = self._map.trigger_coil != NOWHERE

    @property
    def _has_duty(self) -> bool:
        return self._map.duty_register != NOWHERE

    @property
    def _has_contactor(self) -> bool:
        return self._map.contactor_coil != NOWHERE

    def due(self, now_us: int) -> Request | None:
        """The next write; None: there is nothing to write now."""
        duty = self._wanted_duty if self._may_pass(now_us) else 0
        contactor, may = self._contactor(now_us), self._told_contactor is not None or not self._held(now_us)
        if self._has_contactor and self._told_contactor is not contactor and may and now_us >= self._contactor_again_us:
            return WriteCoil(self._map.unit, self._map.contactor_coil, contactor)
        if self._told_duty != duty and now_us >= self._duty_again_us:
            return self._duty(duty)
        if self._trigger_due:
            return WriteCoil(self._map.unit, self._map.trigger_coil, not self._trigger)
        return None

    def wake_us(self, now_us: int) -> int:
        """When something may be due next by the clock alone; 0: nothing waits for it."""
        times = (self._off_us + CONTACTOR_AFTER_US, self._closed_us + CONTACTOR_AFTER_US, self._duty_again_us,
                 self._contactor_again_us)
        return min((at_us for at_us in times if at_us > now_us), default=0)

    @property
    def settled(self) -> bool:
        """All that is wanted has been told and echoed."""
        contactor = not self._has_contactor or self._told_contactor is self._wanted_contactor
        return contactor and self._told_duty == self._wanted_duty

    def _contactor(self, now_us: int) -> bool:
        """What the contactor's coil must be now: it outlasts the modulator by 100 ms, told off or not."""
        return self._wanted_contactor or (self._told_contactor is True and self._held(now_us))

    def _held(self, now_us: int) -> bool:
        return now_us - self._off_us < CONTACTOR_AFTER_US

    def _may_pass(self, now_us: int) -> bool:
        """The contactor has been closed long enough for the modulator to follow."""
        if not self._has_contactor:
            return True
        return self._told_contactor is True and now_us - self._closed_us >= CONTACTOR_AFTER_US

    @property
    def shout_us(self) -> int:
        """When the next off is to be shouted over a line that does not get quiet."""
        return self._shout_us

    def shouted(self, now_us: int) -> Request | None:
        """Off without an answer, modulator first and the contactor 100 ms later, again and again; None while none is due.
        Nothing is taken for told by it: once the line is quiet off is told in its order, and echoed."""
        if now_us < self._shout_us:
            return None
        if self._wanted_contactor:
            if self._wanted_duty or self._told_duty == 0:
                return None
            self._shout_us = now_us + self._map.quiet_us + AGAIN_US
            return self._duty(0)
        self._shout_contactor = self._has_contactor and not self._shout_contactor
        if self._shout_contactor:
            self._shout_us = now_us + CONTACTOR_AFTER_US
            return self._duty(0)
        self._shout_us = now_us + self._map.quiet_us + AGAIN_US
        return WriteCoil(self._map.unit, self._map.contactor_coil, False) if self._has_contactor else self._duty(0)

    def _duty(self, value: int) -> Request:
        if self._has_duty:
            return WriteRegister(self._map.unit, self._map.duty_register, value)
        return WriteCoil(self._map.unit, self._map.modulator_coil, value > 0)

    def wrote(self, request: Request, now_us: int) -> None:
        """The module echoed that write."""
        if isinstance(request, WriteRegister):
            self._told_duty = request.value
        elif isinstance(request, WriteCoil) and request.address == self._map.modulator_coil:
            self._told_duty = int(request.on)
        elif isinstance(request, WriteCoil) and request.address == self._map.contactor_coil:
            if request.on and self._told_contactor is not True:
                self._closed_us = now_us
            self._told_contactor = request.on
        elif isinstance(request, WriteCoil):
            self._trigger, self._trigger_due, self.triggered_us = request.on, False, now_us

    def failed(self, request: Request, now_us: int) -> None:
        """Nobody knows whether that write was done: it is told again. A trigger is not: the next one comes by itself."""
        again_us = now_us + self._map.quiet_us + AGAIN_US
        if isinstance(request, WriteCoil) and request.address == self._map.trigger_coil:
            self._trigger_due = False
        elif isinstance(request, WriteCoil) and request.address == self._map.contactor_coil:
            self._told_contactor, self._contactor_again_us = None, again_us
        else:
            self._told_duty, self._duty_again_us = None, again_us

    def see(self, duty: int, coil: bool, passing: bool, closed: bool) -> bool:
        """What a poll read back: the duty in the register's own unit and the contactor's coil, as told; and both switches, by
        contacts of their own where there are such. False: something stays otherwise than it was told, so it is not ours any
        more. Off is told again; on never is, since a module that let go by itself had its reason."""
        self.seen_duty_e4 = (min(E4, duty * E4 // self._map.duty_full) if self._has_duty else E4) if passing else 0
        self.seen_contactor, self.seen_coil = closed, coil
        as_told = self._told_duty in (None, duty) and (not self._has_contactor or self._told_contactor in (None, coil))
        self._undone = 0 if as_told else self._undone + 1
        self._reads_on = bool(duty or coil)
        if duty and self._told_duty == 0:
            self._told_duty = None
        if coil and self._told_contactor is False:
            self._told_contactor = None
        return self._undone < UNDONE_POLLS

    @property
    def off(self) -> bool:
        """Told off, echoed, and read back off."""
        return self.told_off and not self.seen_duty_e4 and not self.seen_contactor

    @property
    def disobeyed(self) -> bool:
        """Off is wanted, and the module does not take it or still reads on."""
        return not self._wanted_contactor and (self._reads_on or not self.told_off)

    @property
    def told_off(self) -> bool:
        """Told off and echoed."""
        return self._told_duty == 0 and (not self._has_contactor or self._told_contactor is False)
