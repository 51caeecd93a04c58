"""A host for the tests of the simulated board: counts its sequence, keeps every event, speaks bytes alone."""

from __future__ import annotations

from controller.chamber.shapes import SHAPES
from controller.chamber.simulated import Board
from controller.core.messages import Drive, Enable, Hello, Refusal, Report
from controller.link.session import Session

S1 = 1_000_000


class Host:
    """Just enough of a host: counts its sequence, keeps every event."""

    def __init__(self, **options) -> None:
        self.lock_step = options.get("lock_step", False)
        self.board = Board(SHAPES[options.pop("shape", "bench")], **options)
        self.wire = Session(self.lock_step)
        self.sequence = 0
        self.events: list = []

    def say(self, kind, *fields, session=4711, sequence=None):
        if sequence is None:
            self.sequence += 1
        self.board.receive(self.wire.send(kind(session, self.sequence if sequence is None else sequence, *fields)))
        return self.hear(self.board.take())

    def hear(self, data):
        events = self.wire.receive(data)
        self.events += events
        return events

    def run(self, us):
        return self.hear(self.board.run(us))

    def open(self):
        self.say(Hello)
        self.say(Enable)
        return self

    def drive(self, duty_e4=10_000, permit=True, contactor=True, window_ms=40_000):
        return self.say(Drive, permit, contactor, duty_e4, window_ms)

    def heat(self, seconds=1, duty_e4=10_000):
        """Drive once a second; gives the last report."""
        for _ in range(seconds):
            self.drive(duty_e4)
            self.run(S1)
        return self.last()

    def last(self, kind=Report):
        return next(event for event in reversed(self.events) if isinstance(event, kind))


def refused(events, code):
    return [type(event) for event in events] == [Refusal] and events[0].code == code
