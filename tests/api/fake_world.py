"""An invented chamber that moves believably: what the fake controller tells about. No safety code is here.

It is for building and testing what stands above the controller's socket. Physics is one lump of air and a part that
lags behind it; numbers are invented. The texts of guards come from the real table, so a page sees the real words.
"""

from __future__ import annotations

import random
from dataclasses import asdict
from typing import Any

from controller.core.guards import GUARDS, Action, Contact
from controller.core.run_states import ACTIVE, MOVES, C, S, move
from controller.core.schedule import Kind, Of, Resume, Schedule, Segment
from controller.planning.schedule_file import plan_from
from tests.api.fake_proofs import FakeProofs

S1 = 1_000_000
START_UTC_US = 1_764_061_200 * S1
ROOM_C, HEAT_J_PER_K, LOSS_W_PER_K, ELEMENT_W, PART_LAG_S = 22.0, 2_000.0, 1.2, 500.0, 700.0
PERSON_ASKS = {C.HOLD, C.RESTART, C.COOL_DOWN, C.RESET, C.START}
LEAST_ROLE = {"clear": "maintainer", "start": "operator", "hold": "operator", "restart": "operator",
              "cool_down": "operator", "reset": "operator"}
RANK = {"viewer": 0, "operator": 1, "maintainer": 2}
SENTENCES = {
    Kind.RAMP: "Heating up.", Kind.SOAK: "Soaking.", Kind.COOL: "Cooling as planned.",
}


class Refusal(Exception):
    """The fake judges a command as the controller would: a code and a reason."""

    def __init__(self, code: str, reason: str) -> None:
        super().__init__(reason)
        self.code, self.reason = code, reason


def schedule_of(data: dict[str, Any]) -> Schedule:
    """The dataclass from the integers of a start command."""
    rows = tuple(Segment(**{**row, "kind": Kind(row["kind"])}) for row in data["segments"])
    return Schedule(data["name"], Of(data["of"]), Resume(data["resume"]), rows)


class World:
    """One chamber, one run at a time. `step()` is one second."""

    def __init__(self, boot: int = 1, simulated: bool = True, script: dict[int, str] | None = None) -> None:
        self.boot, self.simulated, self.script = boot, simulated, script or {}
        self.tick, self.runs, self.sequence = 0, 0, 0
        self.air = self.part = self.wall = ROOM_C
        self.duty, self.integral, self.seen_e4 = 0.0, 0.0, 0
        self.state, self.run, self.schedule = S.IDLE, None, None
        self.pending: dict[str, Any] | None = None
        self.latches: list[dict[str, Any]] = []
        self.alarms: list[dict[str, Any]] = []
        self.events: list[dict[str, Any]] = []
        self.stop: dict[str, Any] = {"by": "", "accepted_utc_us": None, "off_seen_utc_us": None}
        self.door_open = False
        self.plan: list[tuple[int, int]] = []
        self.noise = random.Random(7)
        self.proofs = FakeProofs()

    @property
    def utc_us(self) -> int:
        return START_UTC_US + self.tick * S1

    @property
    def setpoint_mc(self) -> int | None:
        return round(self.run["setpoint"]) if self.run and self.state in ACTIVE else None

    def event(self, kind: str, /, **fields: Any) -> None:
        self.sequence += 1
        self.events.append({"id": f"{self.boot}-{self.sequence}", "utc_us": self.utc_us, "tick": self.tick, "kind": kind,
                            "run_id": self.run["id"] if self.run else None, "fields": fields})

    def step(self) -> tuple[list[Any], list[dict[str, Any]]]:
        """One second: the row of the tick and what happened in it."""
        self.tick += 1
        self._scripted(self.script.get(self.tick, ""))
        if self.pending and self.tick - self.pending["tick"] >= 4:
            self._begin(self.pending["command"])
        self._physics()
        if self.run and self.state in ACTIVE:
            self._advance(self.run)
        if self.stop["accepted_utc_us"] and not self.stop["off_seen_utc_us"]:
            self.stop["off_seen_utc_us"] = self.utc_us
            self.event("heat_seen_off", after_us=400_000, how="both switches read open")
        happened, self.events = self.events, []
        return self.row(), happened

    def row(self) -> list[Any]:
        return [self.tick, self.utc_us, self.setpoint_mc, self._mc(self.air), self._mc(self.wall + 0.6),
                self._mc(self.part), round(self.duty * 10_000), self.seen_e4]

    def command(self, command: dict[str, Any]) -> dict[str, Any]:
        """Carry out or raise Refusal; the answer has the fields of the socket's `ok`."""
        ask = command["ask"]
        try:
            self._judge(ask, command)
            detail = getattr(self, f"_do_{ask}")(command)
        except Refusal as refusal:
            self.event("command_refused", ask=ask, by=command["by"], role=command["role"], ref=command["ref"],
                       code=refusal.code, reason=refusal.reason)
            raise
        self.event("command_accepted", ask=ask, by=command["by"], role=command["role"], ref=command["ref"], detail=detail)
        return {"ask": ask, "detail": detail, "run_id": self.run["id"] if self.run else None, "state": self.state.value}

    def trip(self, guard_id: str, value: int, limit: int) -> None:
        """Latch a guard of the real table."""
        guard = next(guard for guard in GUARDS if guard.id == guard_id)
        words = {"cause": guard.cause, "do": list(guard.do), "worry": guard.worry, "urgency": guard.urgency.value,
                 "value": value, "limit": limit, "unit": guard.unit, "utc_us": self.utc_us, "guard": guard.id}
        self.latches.append({**words, "detail": "", "first_out": not self.latches, "done": "Both switches are off."})
        self.alarms.append({**words, "why": guard.why, "state": "latched unacknowledged"})
        self.event("tripped", guard=guard.id, first_out=True, value=value, limit=limit, detail="", action="trip")
        self._end(S.ABORTED, C.TRIP, f"tripped: {guard.cause}")

    def _judge(self, ask: str, command: dict[str, Any]) -> None:
        need = LEAST_ROLE.get(ask, "viewer")
        if RANK[command["role"]] < RANK[need]:
            raise Refusal("not_allowed_role", f"{ask} needs the role {need}; you are {command['role']}.")
        cause = next((cause for cause in C if cause.value == ask), None)
        if cause in PERSON_ASKS and (self.state, cause) not in MOVES:
            raise Refusal("not_possible_state", f"{ask} is not possible while the run is {self.state.value}")

    def _do_start(self, command: dict[str, Any]) -> str:
        if self.latches:
            raise Refusal("latched", f"{self.latches[0]['guard']} is latched; a maintainer clears it first.")
        if self.pending:
            raise Refusal("busy", "A start already waits for the arm button.")
        if command["level"] == "unattended":
            self.pending = {"tick": self.tick, "utc_us": self.utc_us, "command": command}
            self.event("arm_asked", run_id=str(self.runs + 1))
            return "waits for the arm button at the chamber"
        self._begin(command)
        return "started"

    def _do_stop_heating(self, command: dict[str, Any]) -> str:
        self.stop = {"by": command["by"], "accepted_utc_us": self.utc_us, "off_seen_utc_us": None}
        self.pending = None
        self._end(S.ABORTED, C.STOP_HEATING, f"stopped by {command['by']}")
        return "every heater switch is told to open"

    def _do_hold(self, command: dict[str, Any]) -> str:
        return self._moved(S.HELD, command)

    def _do_restart(self, command: dict[str, Any]) -> str:
        self.run["heat_withheld"] = False
        return self._moved(S.RUNNING, command)

    def _do_cool_down(self, command: dict[str, Any]) -> str:
        return self._moved(S.STOPPING, command)

    def _do_reset(self, command: dict[str, Any]) -> str:
        detail = self._moved(S.IDLE, command)
        self.run = None
        return detail

    def _do_acknowledge(self, command: dict[str, Any]) -> str:
        found = [alarm for alarm in self.alarms if alarm["guard"] == command["name"]]
        if not found:
            raise Refusal("unknown_name", f"no alarm of {command['name']!r} stands")
        found[0]["state"] = "latched acknowledged" if "latched" in found[0]["state"] else "acknowledged"
        return f"{command['name']} acknowledged"

    def _do_clear(self, command: dict[str, Any]) -> str:
        if command["name"] not in [latch["guard"] for latch in self.latches]:
            raise Refusal("unknown_name", f"no latch of {command['name']!r} stands")
        self.latches = [latch for latch in self.latches if latch["guard"] != command["name"]]
        self.alarms = [alarm for alarm in self.alarms if alarm["guard"] != command["name"]]
        return f"{command['name']} cleared"

    def _do_check_in(self, _command: dict[str, Any]) -> str:
        return "checked in"

    def _moved(self, after: S, command: dict[str, Any]) -> str:
        before, self.state = self.state, after
        self.event("run_state", run_id=self.run["id"], before=before.value, after=after.value, cause=command["ask"],
                   by=command["by"])
        return f"{before.value} to {after.value}"

    def _begin(self, command: dict[str, Any]) -> None:
        self.pending, self.runs = None, self.runs + 1
        self.schedule = self.schedule_of(command)
        self.stop = {"by": "", "accepted_utc_us": None, "off_seen_utc_us": None}
        self.run = {"id": str(self.runs), "level": command["level"], "by": command["by"], "started": self.tick, "segment": 0,
                    "segment_s": 0, "counted_s": 0, "counting": False, "setpoint": self.air * 1000, "end": "",
                    "heat_withheld": False, "trial": command.get("trial", "")}
        self.plan = plan_from(self.schedule, 0, 0, round(self.air * 1000), 0)
        self.state, self.integral = move(S.IDLE, C.START), 0.0
        self.event("armed", run_id=self.run["id"])
        self.event("run_state", run_id=self.run["id"], before="idle", after="running", cause="start", by=command["by"])

    @staticmethod
    def schedule_of(command: dict[str, Any]) -> Schedule:
        """The schedule of a start; a proof that heats has one of the program's own."""
        if not command.get("trial"):
            return schedule_of(command["schedule"])
        rows = (Segment(Kind.RAMP, 40_000, 60_000, 0, 2_000, 3600 * S1),)
        return Schedule(f"Proof: {command['trial']}", Of.AIR, Resume.NEVER, rows)

    def _end(self, state: S, cause: C, words: str) -> None:
        if self.run and self.state in ACTIVE:
            before, self.state, self.run["end"] = self.state, state, words
            self.event("run_state", run_id=self.run["id"], before=before.value, after=state.value, cause=cause.value, by="")

    def _scripted(self, what: str) -> None:
        if what == "trip":
            self.trip("sensors_disagree", 9_200, 8_000)
        elif what == "door" and self.run:
            self.door_open = True
            self.run["heat_withheld"] = True
            self._moved(S.HELD, {"ask": "interlock", "by": ""})
        elif what == "shut":
            self.door_open = False

    def _advance(self, run: dict[str, Any]) -> None:
        if self.state in (S.HELD, S.HOLDING):
            return
        assert self.schedule is not None
        row = self.schedule.segments[run["segment"]]
        if self.state is S.STOPPING:
            row = self.schedule.segments[-1]
        run["segment_s"] += 1
        if row.kind is Kind.SOAK:
            run["counting"] = abs(self.part * 1000 - row.target_mc) <= row.band_mc
            run["counted_s"] += run["counting"]
            over = run["counted_s"] * S1 >= row.soak_us
        else:
            step = row.rate_mc_per_h / 3_600
            away = row.target_mc - run["setpoint"]
            run["setpoint"] += max(-step, min(step, away))
            over = abs(away) <= step and (row.kind is Kind.RAMP or self.air * 1000 <= row.target_mc + row.band_mc)
        if over:
            self._next_segment(run)

    def _next_segment(self, run: dict[str, Any]) -> None:
        assert self.schedule is not None
        if self.state is S.STOPPING or run["segment"] + 1 == len(self.schedule.segments):
            self._end(S.STOPPED if self.state is S.STOPPING else S.COMPLETE, C.DONE, "as planned")
            return
        run.update(segment=run["segment"] + 1, segment_s=0, counted_s=0, counting=False)
        row = self.schedule.segments[run["segment"]]
        self.event("segment", run_id=run["id"], segment=run["segment"], kind=row.kind.value, target_mc=row.target_mc)

    def _physics(self) -> None:
        heating = self.run and self.state in ACTIVE and not self.run["heat_withheld"]
        if heating and self.setpoint_mc is not None:
            error = self.setpoint_mc / 1000 + 0.6 - self.air
            self.integral = min(0.5, max(0.0, self.integral + error * 0.0004))
            self.duty = min(1.0, max(0.0, error * 0.15 + self.integral))
        else:
            self.duty = 0.0
        self.seen_e4 = round(self.duty * 10_000)
        watts = self.duty * ELEMENT_W
        self.air += (watts - LOSS_W_PER_K * (self.air - ROOM_C)) / HEAT_J_PER_K
        self.part += (self.air - self.part) / PART_LAG_S
        self.wall += (self.air - self.wall) / 30.0

    def _mc(self, celsius: float) -> int:
        return round((celsius + self.noise.gauss(0, 0.03)) * 1000)

    def possible(self) -> list[str]:
        """The asks that this state allows."""
        causes = {cause.value for state, cause in MOVES if state is self.state and cause in PERSON_ASKS}
        return sorted(causes | {"stop_heating"})

    def contacts(self) -> list[dict[str, Any]]:
        """The permit line in drawing order."""
        why = {}
        if self.latches:
            why[Contact.NO_TRIP] = self.latches[0]["cause"]
        if self.door_open:
            why[Contact.DOOR] = "The door is open."
        if not (self.run and self.state in ACTIVE):
            why[Contact.ARMED] = "No run is armed."
        return [{"name": contact.value, "closed": contact not in why, "why": why.get(contact, "")} for contact in Contact]

    def guard_rows(self) -> list[dict[str, Any]]:
        """The real table with nothing standing but what is latched."""
        latched = {latch["guard"] for latch in self.latches}
        return [{**{key: value for key, value in asdict(guard).items() if key != "action"}, "do": list(guard.do),
                 "action": Action(guard.action).name.lower(), "stands": guard.id in latched, "latched": guard.id in latched,
                 "value": 0, "limit_value": 0} for guard in GUARDS]
