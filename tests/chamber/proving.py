"""A simulated chamber, cold or warm, started under the real tick: what its start proof says of it, and how long that takes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

from controller import new_chamber
from controller.chamber.plant import step
from controller.chamber.response import bounds
from controller.chamber.shapes import SHAPES, Shape
from controller.chamber.simulated import Board
from controller.config import load
from controller.core.commands import Ask, Command, PersonRole
from controller.core.events import Event, Kind
from controller.core.messages import Report
from controller.core.program import Treatment
from controller.core.proof import StartProof
from controller.core.run_states import ACTIVE
from controller.core.schedule import Kind as Segments
from controller.core.schedule import Of, Resume, Schedule, Segment
from controller.core.setup import Chamber, Level, Response
from controller.core.start import first_state
from controller.core.state import Inputs, LineOpened, Messages, Notice, Tick
from controller.core.tick import advance
from controller.link.session import Session
from controller.rehearse import ANSWERED

US = 1_000_000
H_US = 3_600 * US
LONGEST_S = 1_500
UTC_US = 1_700_000_000_000_000
UP = Schedule("invented", Of.AIR, Resume.NEVER, (Segment(Segments.RAMP, 105_000, 21_000, 0, 3_000, 24 * H_US),))
MakeBoard = Callable[..., Any]


class Proven(NamedTuple):
    """How a start went."""

    grade: str
    """passed, failed or void as the proof said; empty where it never came to that."""
    finding: str
    took_s: int
    trips: tuple[str, ...]
    events: tuple[Event, ...]
    over_mc: int
    """How far the true air went above where it was when the proof began."""


@lru_cache(maxsize=64)
def chamber_of(shape: str, seed: int, **fitted: bool) -> Chamber:
    """The chamber file of a shape, as somebody believes it to be."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "c"
        new_chamber.write(path, new_chamber.text("Invented", True, "5a17c0", shape=shape), "5a17c0", True, UTC_US)
        made = load(path, UTC_US).chamber
    said = bounds(shape, seed)
    answer = Response(int(said["dead_s"] * US), int(said["rise_s"] * US))
    return replace(made, response=answer, fitted=replace(made.fitted, **fitted))


class Bench:
    """Ticks a chamber with its board, a second at a time."""

    def __init__(self, shape: str, seed: int, chamber: Chamber, make: MakeBoard = Board, report_us: int = US,
                 load: float = 1.0) -> None:
        self.board = make(loaded(SHAPES[shape], load), seed, "5a17c0", report_us=report_us, auto_arm=True)
        self.session = Session(False)
        self.state = first_state(chamber, US)
        self.now_us, self.data = US, b""
        self.notices: tuple[Notice, ...] = (LineOpened(1), Messages(""))
        self.events: list[Event] = []
        self.sent: tuple[Any, ...] = ()

    def tick(self, *commands: Command) -> None:
        """One second."""
        self.now_us += US
        self.board.receive(self.data)
        heard = self.session.receive(self.board.run(US))
        reports = tuple(one for one in heard if isinstance(one, Report))
        others: tuple[Any, ...] = tuple(one for one in heard if not isinstance(one, Report))
        inputs = Inputs(self.now_us, reports, self.notices + others, commands)
        result = advance(self.state, inputs)
        self.notices = ()
        self.state = result.state
        self.keep(inputs, result)
        self.events += result.events
        self.sent = result.outputs.frames
        self.data = b"".join(self.session.send(frame) for frame in result.outputs.frames)

    def keep(self, inputs: Inputs, result: Tick) -> None:
        """For those who want each tick."""

    def ticks(self, seconds: int) -> None:
        for _ in range(seconds):
            self.tick()

    def start(self, schedule: Schedule = UP, **more: Any) -> None:
        """Ask for a run, and wait until it has begun, or been refused."""
        self.tick(Command(Ask.START, "invented", PersonRole.MAINTAINER, "r", schedule, "1", Level.UNATTENDED, leaving=ANSWERED,
                          **more))  # fmt: skip
        for _ in range(40):
            if self.state.run is not None or self.state.pending is None:
                return
            self.tick()


def loaded(shape: Shape, share: float) -> Shape:
    """With that many times the usual load in it; 0 leaves the bare sensor. What the element shines on it goes with its area."""
    build, slab = shape.build, shape.build.slab
    area_m2 = max(0.001, share * slab.area_m2)
    seen = build.element_part * area_m2 / slab.area_m2
    return shape._replace(build=build._replace(slab=slab._replace(area_m2=area_m2), element_part=seen))


def warm(bench: Bench, draw: Random) -> None:
    """As after unloading: hours at some temperature, the door open for a while, a cold load in, the door shut again."""
    board, shape = bench.board, bench.board.shape
    plant, hot_c = board.plant, draw.uniform(60.0, 105.0)
    for _ in range(3 * 3_600):
        watts = min(float(shape.element_w), max(0.0, 80.0 * (hot_c - plant.air)))
        plant = step(plant, shape.build, watts, 1.0, shape.room_c)
    board.plant = plant._replace(cells=(shape.room_c,) * len(plant.cells), part_sensor=shape.room_c)
    board.fault("door_open")
    bench.ticks(draw.randint(20, 240))
    board.fault("door_open", on=False)
    bench.ticks(draw.randint(5, 300))


def proven(bench: Bench) -> Proven:
    """Start, and follow the proof to its end."""
    began, over_c, before_c = len(bench.events), 0.0, bench.board.plant.air
    bench.start()
    for _ in range(LONGEST_S):
        run = bench.state.run
        if run is None or run.state not in ACTIVE or isinstance(run.program, Treatment):
            break
        bench.tick()
        over_c = max(over_c, bench.board.plant.air - before_c)
    events = tuple(bench.events)
    said = next((one.fields for one in events[began:] if one.kind is Kind.START_PROOF), None)
    trips = tuple(str(one.fields["guard"]) for one in events if one.kind is Kind.TRIPPED)
    run = bench.state.run
    proof = next((one for one in run.programs if isinstance(one, StartProof)), None) if run is not None else None
    took_s = 0 if proof is None else proof.took_us // US
    if said is None:
        return Proven("", "", took_s, trips, events, int(over_c * 1000))
    return Proven(str(said["grade"]), str(said["finding"]), took_s, trips, events, int(over_c * 1000))
