"""An uncommissioned simulated chamber with a person beside it, in lock-step, over the socket: hands, ice, and patience."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from controller import new_chamber
from controller.config import load
from controller.drivers import latch
from controller.drivers.clocks import utc_us
from tests.commissioning.proven import TYPED
from tests.service.rig import Rig

ENDED = ("complete", "stopped", "aborted")
PRESS_EVERY = 600
"""Ticks: at the chamber the button is asked for every 15 min."""
SENSORS = ("control", "over_temperature", "part")
HANDS = ("local_stop", "arm", "door_open", "smoke")


def uncommissioned(folder: Path) -> Rig:
    """The same folder twice gives the same chamber, as after a restart."""
    path = folder / "chamber"
    if not path.exists():
        text = new_chamber.text("Bench chamber (invented)", True, new_chamber.SIMULATED_BOARD)
        new_chamber.write(path, text, new_chamber.SIMULATED_BOARD, True, utc_us(), commissioned=False)
    made = load(path, utc_us())
    return Rig(folder, latch.read(made.latch_path, utc_us()), made)


class Person:
    """Somebody at the chamber. Everything but hands goes over the socket."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.board = rig.port.board
        rig.steps(8)
        self.line = rig.client()

    def close(self) -> None:
        self.line.__exit__()
        self.rig.close()

    def guide(self) -> dict[str, Any]:
        found: dict[str, Any] = self.line.ask("proofs")["ok"]["proofs"]
        return found

    def state(self, step: str) -> str:
        return next(one["state"] for one in self.guide()["steps"] if one["id"] == step)

    def prove(self, act: str, step: str, **fields: Any) -> dict[str, Any]:
        answer = self.line.ask("prove", act=act, step=step, by="Anna", role="maintainer", **fields)
        self.written()
        given: dict[str, Any] = answer.get("ok") or answer
        return given

    def written(self) -> None:
        """What was proven counts once it is on the disk, and the tick after that knows."""
        self.rig.steps(1)
        assert self.rig.commissioner.written(10.0)
        self.rig.steps(2)

    def typed(self, step: str, sensor: str = "", **changes: Any) -> str:
        found: str = self.prove("type", step, sensor=sensor, values={**TYPED[step], **changes})["outcome"]
        return found

    def command(self, ask: str, **fields: Any) -> dict[str, Any]:
        """Asked over the socket while the clock goes on."""
        answers: list[dict[str, Any]] = []
        asker = threading.Thread(target=lambda: answers.append(self.line.command(ask, **fields)))
        asker.start()
        while asker.is_alive():
            self.rig.steps(1)
            asker.join(0.02)
        return answers[0]

    def hand(self, name: str) -> None:
        self.board.fault(name)
        self.rig.steps(2)
        self.board.fault(name, on=False)
        self.rig.steps(2)

    def clear(self) -> None:
        for one in self.rig.service.state.latches:
            assert "ok" in self.command("clear", name=one.guard), one.guard

    def watched(self, most: int = 900) -> str:
        """Until what is being watched has ended: how."""
        for _ in range(most):
            self.rig.steps(1)
            doing = self.rig.commissioner.doing(self.rig.service.state)
            if doing is None or doing["outcome"]:
                break
        self.written()
        return "" if doing is None else str(doing["outcome"])

    def contacts(self) -> str:
        self.prove("begin", "contacts")
        for name in HANDS:
            self.hand(name)
        outcome = {}
        for row in ("lamp_armed", "lamp_heating", "lamp_hot", "sounder"):
            self.rig.steps(2)
            outcome = self.prove("confirm", "contacts", values={"seen": row, "yes": True})
        self.clear()
        return str(outcome["outcome"])

    def senses(self, kind: str, *sensors: str) -> None:
        """Put these sensors somewhere; none: back into their places."""
        self.board.faults.sensors.clear()
        self.board.faults.sensors.update({SENSORS.index(sensor): kind for sensor in sensors})

    def identity(self, sensor: str, warmed: str = "") -> str:
        self.prove("begin", "sensor_identity", sensor=sensor)
        self.rig.steps(6)
        self.senses("in_hand", warmed or sensor)
        outcome = self.watched()
        self.senses("")
        self.rig.steps(3)
        return outcome

    def bath(self, step: str, kind: str, **more: Any) -> str:
        self.senses(kind, *SENSORS)
        self.prove("begin", step, **more)
        outcome = self.watched()
        self.senses("")
        self.rig.steps(3)
        return outcome

    def heated(self, trial: str, spot: str = "", most: int = 40_000, during: Any = None) -> str:
        """Start it, press the button in time, and wait for what came of it; then put the run away."""
        answer = self.command("start", trial=trial, level="at_the_chamber", name=spot)
        assert "ok" in answer, answer
        outcome = ""
        for number in range(most):
            self.rig.steps(1)
            state = self.rig.service.state
            if during is not None:
                during(state, self.board)
            if number % PRESS_EVERY == PRESS_EVERY - 1:
                self.hand("arm")
            doing = self.rig.commissioner.doing(state)
            outcome = doing["outcome"] if doing else outcome
            if state.pending is None and (state.run is None or outcome or state.run.state.value in ENDED) and outcome:
                break
        self.away()
        return outcome

    def away(self) -> None:
        """Heat off, latches cleared, the run put away."""
        run = self.rig.service.state.run
        if run is not None and run.state.value not in ENDED:
            self.command("stop_heating")
            self.rig.steps(5)
        self.written()
        self.board.fault("limiter_opened", on=False)
        self.rig.steps(3)
        self.clear()
        if self.rig.service.state.run is not None:
            assert "ok" in self.command("reset")

    def unheated_core(self) -> None:
        """Everything that comes before the first heat."""
        assert self.typed("wiring") == self.typed("place") == "passed"
        assert self.contacts() == "passed"
        for sensor in SENSORS:
            assert self.identity(sensor) == "passed"
            assert self.typed("live_parts", sensor) == "passed"
        assert self.bath("ice_point", "in_ice") == "passed"
        assert self.bath("boiling_point", "in_boil", values=TYPED["boiling_point"]) == "passed"


def turn_limiter_down(state: Any, board: Any) -> None:
    """At a steady warm air, as the step says."""
    run = state.run
    if run is not None and run.state.value == "running" and run.treatment.segment > 0:
        board.limiter_closed = False
