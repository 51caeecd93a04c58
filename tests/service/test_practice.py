"""Commissioning practised in the demo: the real processes, a person at the socket, and simulated hands at the chamber."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.commissioning.survey import FIVE
from controller.config import load
from controller.core.setup import Chamber
from controller.drivers.clocks import utc_us
from controller.exit_codes import Exit
from controller.practice.values import values_of
from tests.service.rig import Raw
from tests.service.test_processes import Demo, nothing_is_left_running

pytestmark = [pytest.mark.campaign, pytest.mark.timeout(1500)]
__all__ = ["nothing_is_left_running"]
OVER = ("complete", "stopped", "aborted")
PRESSED = {"arrived_age_us": 60_000_000, "channel": "mailbox of the demo"}


class Person:
    """Types, confirms, clears and starts; touches nothing at the chamber."""

    def __init__(self, line: Raw, chamber: Chamber) -> None:
        self.line, self.chamber = line, chamber
        self.sensors = [sensor.id for sensor in chamber.sensors]

    def prove(self, act: str, step: str, **fields: Any) -> str:
        answer = self.line.ask("prove", act=act, step=step, by="Anna", role="maintainer", **fields)
        assert "ok" in answer, answer
        outcome: str = answer["ok"]["outcome"]
        return outcome

    def typed(self, step: str, sensor: str = "", values: dict[str, Any] | None = None) -> str:
        return self.prove("type", step, sensor=sensor, values=values or values_of(step, self.chamber))

    def guide(self) -> dict[str, Any]:
        found: dict[str, Any] = self.line.ask("proofs")["ok"]["proofs"]
        return found

    def unblocked(self, step: str) -> None:
        """What was seen just now counts once it is on the disk."""
        self.line.until(lambda _now: not next(one["blocked_by"] for one in self.guide()["steps"] if one["id"] == step))

    def watched(self, step: str, sensor: str = "", **more: Any) -> str:
        self.unblocked(step)
        assert self.prove("begin", step, sensor=sensor, **more) == "watching"
        return self.followed(step)

    def followed(self, step: str) -> str:
        """Say yes to what only a person knows, until it is over."""
        while True:
            doing = self.line.until(lambda now: (doing := now["commissioning"]) and (
                doing["outcome"] or any(row["state"] == "asks" for row in doing["list"])), 10_000)["commissioning"]
            if doing["outcome"]:
                assert doing["step"] == step, doing
                return f"{doing['outcome']}: {doing['words']}"
            for row in doing["list"]:
                if row["state"] == "asks":
                    self.prove("confirm", step, values={"seen": row["id"], "yes": True})

    def heated(self, trial: str, spot: str = "") -> str:
        """Start it, wait for what came of it, put everything away again."""
        def may(now: dict[str, Any]) -> bool:
            return bool(now["pending"] is None and now["run"] is None and not now["latches"])

        self.line.until(may)
        self.unblocked(trial)
        answer = self.line.command("start", trial=trial, level="at_the_chamber", name=spot)
        assert "ok" in answer, answer
        run_id = answer["ok"]["run_id"]
        self.line.until(lambda now: now["pending"] is None and now["run"] and now["run"]["id"] == run_id, 10_000)
        outcome = self.followed(trial)
        self.line.until(lambda now: now["run"] is None or now["run"]["proof"] is None)
        self.away()
        return outcome

    def away(self) -> None:
        now = self.line.now()
        if now["run"] and now["run"]["state"] not in OVER:
            self.line.command("stop_heating")
        self.line.until(lambda now: now["run"] is None or now["run"]["state"] in OVER)
        for latch in self.line.now()["latches"]:
            self.cleared(latch["guard"])
        if self.line.now()["run"] is not None:
            assert "ok" in self.line.command("reset")

    def cleared(self, guard: str) -> None:
        """A hand may need a moment to put things back."""
        self.line.until(lambda _now: "ok" in self.line.command("clear", name=guard), 200)


@pytest.fixture
def demo(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Demo]:
    made = Demo(tmp_path / "d", "--from-scratch", "--speed", str(request.param))
    made.line("Open http://127.0.0.1:")
    yield made
    assert made.end() == Exit.GOOD


def unheated(person: Person) -> None:
    person.cleared("not_commissioned")
    assert person.typed("wiring") == person.typed("place") == "passed"
    assert person.watched("contacts").startswith("passed")
    person.cleared("smoke")
    assert person.line.now()["latches"] == []
    for sensor in person.sensors:
        assert person.watched("sensor_identity", sensor) == f"passed: It is {sensor}."
        assert person.typed("live_parts", sensor) == "passed"
    assert person.watched("ice_point").startswith("passed: All 4 sensors")
    boiling = values_of("boiling_point", person.chamber)
    assert person.watched("boiling_point", values=boiling).startswith("passed: All 4 sensors")
    assert person.line.now()["latches"] == [], "the door was open, so no sensor that grew warm was taken for heat"


@pytest.mark.parametrize("demo", [4000], indirect=True)
def test_from_nothing_to_unattended_with_simulated_hands(demo):
    chamber = load(demo.data / "chamber", utc_us()).chamber
    with Raw(demo.data / "controller.sock") as line:
        person = Person(line, chamber)
        line.until(lambda now: now["board"]["accepted"] and now["air_mc"] is not None)
        assert line.now()["chamber"]["may_do"] == "measure only"
        unheated(person)
        for trial in ("start_proof", "silence", "watchdog", "over_temperature_trip"):
            assert person.heated(trial).startswith("passed"), trial
        assert person.heated("limiter").startswith("passed") and person.typed("limiter") == "passed"
        assert person.heated("burn_off").startswith("passed") and person.typed("burn_off") == "passed"
        assert person.typed("terminals") == person.typed("smoke_alarm") == "passed"
        assert person.typed("message_channels", values=PRESSED) == "passed"
        for spot in FIVE:
            assert person.heated("survey", spot.id).startswith("passed"), spot
        line.until(lambda now: now["chamber"]["may_do"] == "unattended")
        survey = person.guide()["survey"]
    assert max(survey["spots"], key=lambda at: at["mean_mc"])["spot"] == "upper_back_left"
    assert min(survey["spots"], key=lambda at: at["mean_mc"])["spot"] == "lower_front_left"
    said = [one["say"] for one in demo.lines]
    for words in ("opens the door", "warms the tip of travelling", "puts part into melting ice", "its contact opens",
                  "hangs the travelling sensor at upper back left"):
        assert any(words in line and "SIMULATED hand" in line for line in said), words
