"""A conversation with the invented module in memory, in its own time; the tests of both halves talk through it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from controller.core.messages import Drive, Enable, Hello, Report
from controller.core.state import Garbage
from controller.link.modbus import Table
from controller.link.module import Conversation
from controller.link.registers import NOWHERE, Contact, RegisterMap, Sensor
from tests.link.module_peer import CONTACTOR, DUTY, MODULATOR, TIME_OUT, TRIGGER, ModulePeer

MS, S = 1_000, 1_000_000
SILENCE_US = 4_800_000


def sensor(channel: int, register: int, **more: Any) -> Sensor:
    return Sensor(**{"channel": channel, "register": register, "words": 1, "low_word_first": False, "signed": True,
                     "scale_uc": 100_000, "faults": (32_767,), "fault_register": NOWHERE, "fault_mask": 0,
                     "counter_register": NOWHERE, **more})


MAP = RegisterMap(
    "TEST01", 1, 115_200, 1, 200 * MS, 300 * MS, Table.INPUT, 0, 4, (sensor(0, 0), sensor(1, 1), sensor(2, 2)),
    contactor_coil=CONTACTOR, modulator_coil=MODULATOR, time_out_register=TIME_OUT, time_out_value=30, time_out_us=3 * S,
    contacts=(Contact("door", Table.DISCRETE, 1, False), Contact("arm", Table.DISCRETE, 2, False)),
)
BY_DUTY = MAP._replace(modulator_coil=NOWHERE, duty_register=DUTY, duty_full=1_000)
BY_RELAY = MAP._replace(
    time_out_register=NOWHERE, time_out_value=0, time_out_us=0, trigger_coil=TRIGGER, timer_relay_us=4 * S,
    contacts=(*MAP.contacts, Contact("contactor_seen", Table.DISCRETE, 0, False)))


@dataclass
class Talk:
    """A conversation, its module, and the wire between: time passes in `run` alone, in steps of a millisecond."""

    registers: RegisterMap = MAP
    module: ModulePeer = field(default_factory=lambda: ModulePeer(discretes=[0, 1, 0, 0, 0, 0, 0, 0]))
    now_us: int = 0
    said: list[Any] = field(default_factory=list)
    session: int = 7
    sequence: int = 0
    under_way: list[tuple[int, bytes]] = field(default_factory=list)
    beats: bool = True
    babble_every_us: int = 0
    """Somebody else's bytes come so often; 0: nobody else talks."""

    def __post_init__(self) -> None:
        self.line = Conversation(self.registers, SILENCE_US, 0)

    def run(self, seconds: float, step_us: int = MS) -> Talk:
        end_us = self.now_us + round(seconds * S)
        while self.now_us < end_us:
            self.now_us += step_us
            self.module.advance(step_us)
            if self.beats:
                self.line.beat(self.now_us)
            for at_us, data in [one for one in self.under_way if one[0] <= self.now_us]:
                self.under_way.remove((at_us, data))
                self.line.received(data, self.now_us)
            if self.babble_every_us and self.now_us % self.babble_every_us < step_us:
                self.line.received(b"\x07\x03\x00", self.now_us)
            sent = self.line.turn(self.now_us)
            assert sent or self.line.until_us > self.now_us, "a line with nothing to do must say when to come back"
            if sent:
                self.under_way += [(self.now_us + 2 * MS + late_us, data) for late_us, data in self.module.receive(sent)]
            self.said += self.line.take()
        return self

    def tell(self, kind: type, *fields: Any) -> Talk:
        self.sequence += 1
        self.line.hear(kind(self.session, self.sequence, *fields), self.now_us)
        return self

    def drive(self, duty_e4: int, permit: bool = True) -> Talk:
        return self.tell(Drive, permit, permit, duty_e4, 40_000)

    def heating(self, duty_e4: int = 10_000) -> Talk:
        """A session, enabled and driven for a second."""
        self.tell(Hello).run(2)
        for _ in range(12):
            self.tell(Enable).drive(0, False).run(0.5)
        return self.drive(duty_e4).run(1)

    def driven(self, seconds: int, duty_e4: int = 10_000, permit: bool = True) -> Talk:
        for _ in range(seconds):
            self.drive(duty_e4, permit).run(1)
        return self

    def of(self, kind: type) -> list[Any]:
        return [one for one in self.said if isinstance(one, kind)]

    @property
    def report(self) -> Report:
        return self.of(Report)[-1]

    def wrongs(self) -> list[str]:
        return [one.why for one in self.of(Garbage)]
