"""A stand-in for the controller's socket: the same JSON lines, an invented world, no heat and no safety.

For building the page and for tests of the interface: `python -m tests.api.fake_controller --socket PATH --speed 600`
starts a 16 h run by itself (`--idle` leaves that to you). `--script trip@7200,door@9000,shut@9060` makes things happen
at those seconds. Everything it shows is invented, and its snapshot says SIMULATED.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
from collections import deque
from pathlib import Path
from typing import Any

from controller.core.run_states import ACTIVE, S
from controller.core.schedule import Kind
from tests.api.fake_proofs import CHANGES
from tests.api.fake_world import S1, SENTENCES, Refusal, World

LINE_MAX = 256 * 1024
DEMO = {"name": "Invented: 105 °C, 4 h up, 8 h held, 4 h down", "of": "part", "resume": "never", "segments": [
    {"kind": "ramp", "target_mc": 105_000, "rate_mc_per_h": 20_000, "soak_us": 0, "band_mc": 2_000,
     "longest_us": 6 * 3600 * S1},
    {"kind": "soak", "target_mc": 105_000, "rate_mc_per_h": 0, "soak_us": 8 * 3600 * S1, "band_mc": 2_000,
     "longest_us": 12 * 3600 * S1},
    {"kind": "cool", "target_mc": 40_000, "rate_mc_per_h": 20_000, "soak_us": 0, "band_mc": 2_000,
     "longest_us": 12 * 3600 * S1}]}


def _duration(seconds: float) -> str:
    minutes = max(0, round(seconds / 60))
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"


def snapshot(world: World, speed: float) -> dict[str, Any]:
    """The whole `now` of a world."""
    row = world.row()
    passing = world.seen_e4 > 0
    active = world.run is not None and world.state in ACTIVE
    reading = {"quality": "good", "reason": "", "age_us": 250_000, "uncertainty_mc": 2_500}
    roles = (("control", "air, control sensor", row[3]), ("over_temperature", "air, over-temperature sensor", row[4]),
             ("part", "part, drilled dummy", row[5]))
    sentence, more = _sentence(world)
    return {
        "v": 1, "version": "0.1.0", "id": f"{world.boot}-{world.tick}", "boot": world.boot, "tick": world.tick,
        "utc_us": world.utc_us, "speed": speed, "clock": "lock-step",
        "chamber": {"name": "Bench chamber", "board": "5a17c0", "simulated": world.simulated, "may_do": "unattended",
                    "may_do_why": "Every proof is valid (invented).", "next_thing": "", "ceiling_mc": 130_000,
                    "hot_mc": 45_000, "element_w": 500, "window_ms": 40_000},
        "board": {"present": True, "accepted": True, "age_us": 250_000, "boot": 17, "session": 4711, "enabled": active,
                  "off": "none", "off_words": "", "firmware": "0.1", "run_s": world.tick, "switches": world.tick // 20},
        "readings": [{"role": role, "label": label, "mc": mc, "raw_mc": mc, **reading} for role, label, mc in roles],
        "air_mc": row[3], "part_mc": row[5], "counts": "part", "counts_words": "part sensor",
        "setpoint_mc": row[2], "air_setpoint_mc": row[2] and row[2] + 600,
        "deviation_mc": None if row[2] is None else row[5] - row[2], "band_mc": 2_000 if active else None,
        "permit": {"given": all(contact["closed"] for contact in world.contacts()), "contacts": world.contacts()},
        "request": {"duty_e4": row[6]}, "seen": {"duty_e4": row[7]},
        "circuit": {
            "supply": {"state": "on", "current": passing, "words": "mains is there"},
            "thermal_link": {"state": "whole", "current": passing, "words": "whole"},
            "limiter": {"state": "closed", "current": passing, "words": "closed"},
            "contactor": {"state": "closed" if active else "open", "current": passing,
                          "words": "closed" if active else "open: no permit"},
            "modulator": {"state": "passing" if passing else "not passing", "current": passing,
                          "words": f"passing {world.seen_e4 / 100:.0f} %"},
            "element": {"state": "heating" if passing else "off", "current": passing, "words": "",
                        "watts": round(world.duty * 500)}},
        "heat_off": not passing, "still_on": False,
        "door": "open" if world.door_open else "shut",
        "local_stop": False, "smoke": "clear", "fan_rpm": 2_400,
        "current_ma": round(world.duty * 2_170),
        "run": _run(world), "pending": _pending(world), "armed": active, "stop": world.stop,
        "armed_until_utc_us": None, "lapsed": None, "check_in": None, "leave": None, "clock_synced": True,
        "messages": {"state": "working", "words": ""},
        "gravest": world.latches[0]["guard"] if world.latches else None,
        "latches": world.latches, "alarms": world.alarms, "record": {"failing": "", "lost": 0},
        "possible": world.possible(), "sentence": sentence, "sentence_more": more, "commissioning": world.proofs.doing,
    }


def _left_s(world: World) -> float:
    """Seconds left in the present segment, as planned."""
    run = world.run
    row = world.schedule.segments[run["segment"]]
    if row.kind is Kind.SOAK:
        return row.soak_us / S1 - run["counted_s"]
    return abs(row.target_mc - run["setpoint"]) * 3600 / row.rate_mc_per_h


def _run(world: World) -> dict[str, Any] | None:
    run, schedule = world.run, world.schedule
    if run is None or schedule is None:
        return None
    left_us = round(_left_s(world) * S1)
    last = run["segment"] + 1 == len(schedule.segments)
    what = "the run ends" if last else {Kind.RAMP: "heating up", Kind.SOAK: "the soak starts", Kind.COOL: "cooling starts"}[
        schedule.segments[run["segment"] + 1].kind]
    started = world.utc_us - (world.tick - run["started"]) * S1
    return {
        "id": run["id"], "name": schedule.name, "state": world.state.value, "level": run["level"], "by": run["by"],
        "started_utc_us": started, "elapsed_us": (world.tick - run["started"]) * S1, "run_ceiling_mc": 112_000,
        "run_max_us": schedule.longest_us, "segments": [{
            "kind": row.kind.value, "target_mc": row.target_mc, "rate_mc_per_h": row.rate_mc_per_h,
            "soak_us": row.soak_us, "band_mc": row.band_mc, "longest_us": row.longest_us} for row in schedule.segments],
        "segment": run["segment"], "segment_us": run["segment_s"] * S1, "counted_us": run["counted_s"] * S1,
        "counting": run["counting"], "of": schedule.of.value, "heat_withheld": run["heat_withheld"], "end": run["end"],
        "plan": [list(point) for point in world.plan],
        "next": {"what": what, "in_us": left_us, "utc_us": world.utc_us + left_us} if world.state in ACTIVE else None,
        "ends_utc_us": started + world.plan[-1][0], "trial": run["trial"], "proof": None,
    }


def _pending(world: World) -> dict[str, Any] | None:
    if world.pending is None:
        return None
    return {"asked_utc_us": world.pending["utc_us"], "seconds_left": 120 - (world.tick - world.pending["tick"]),
            "schedule": world.schedule_of(world.pending["command"]).name, "run_id": str(world.runs + 1), "armed": False,
            "level": world.pending["command"]["level"], "by": world.pending["command"]["by"], "at_utc_us": None,
            "waits_for": "arm", "words": "Press the arm button at the chamber, door shut."}


def _sentence(world: World) -> tuple[str, str]:
    if world.latches:
        return "Heat is off. It tripped.", world.latches[0]["cause"]
    if world.pending:
        return "Waiting for the arm button.", "Press it at the chamber."
    if world.run is None:
        return "Heat is off. Nothing runs.", "Choose a schedule to start one."
    if world.state is S.HELD:
        return ("Held, heat off." if world.run["heat_withheld"] else "Held."), "It goes on when you say so."
    if world.state in ACTIVE:
        kind = world.schedule.segments[world.run["segment"]].kind
        return f"{SENTENCES[kind]} Next step in {_duration(_left_s(world))}.", "All as planned. Nothing needs you."
    return "Heat is off. The run has ended.", world.run["end"]


class FakeController:
    """Serves one world on a unix socket. `pace()` steps it in real time; tests call `step()` themselves."""

    def __init__(self, world: World, speed: float = 1.0) -> None:
        self.world, self.speed = world, speed
        self.ring: deque[tuple[str, list[Any]]] = deque(maxlen=600)
        self.followers: set[asyncio.StreamWriter] = set()
        self.writers: set[asyncio.StreamWriter] = set()
        self.asked: list[dict[str, Any]] = []
        self.mute = False
        self._server: asyncio.Server | None = None

    async def start(self, path: Path) -> None:
        path.unlink(missing_ok=True)
        self._server = await asyncio.start_unix_server(self._serve, path, limit=LINE_MAX)

    async def stop(self) -> None:
        """Gone, as a killed controller is: connections drop."""
        assert self._server is not None
        self._server.close()
        for writer in list(self.writers):
            writer.transport.abort()
        await asyncio.sleep(0)

    def step(self) -> None:
        row, events = self.world.step()
        identity = f"{self.world.boot}-{row[0]}"
        self.ring.append((identity, row))
        push = {"push": "tick", "id": identity, "row": row, "now": snapshot(self.world, self.speed), "events": events}
        for writer in list(self.followers):
            writer.write(json.dumps(push).encode() + b"\n")

    async def pace(self) -> None:
        """Tick for ever at `speed` seconds of the world a second, at most 200 pushes a second."""
        loop, due = asyncio.get_running_loop(), asyncio.get_running_loop().time()
        while True:
            due += 1 / self.speed
            self.step()
            await asyncio.sleep(max(0.0, due - loop.time()))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writers.add(writer)
        try:
            while line := await reader.readline():
                if not self.mute:
                    writer.write(json.dumps(self._answer(json.loads(line), writer)).encode() + b"\n")
                    await writer.drain()
        except ConnectionError:
            pass
        finally:
            self.writers.discard(writer)
            self.followers.discard(writer)
            writer.close()

    def _answer(self, ask: dict[str, Any], writer: asyncio.StreamWriter) -> dict[str, Any]:
        self.asked.append(ask)
        identity = ask.get("id")
        handler = {"now": self._now, "follow": self._follow, "command": self._command, "chamber": self._chamber,
                   "guards": self._guards, "health": self._health, "proofs": self._proofs, "prove": self._prove,
                   "changed": self._changed, "bundle": self._bundle}.get(ask.get("do", ""))
        if handler is None:
            return {"id": identity, "error": {"code": "unknown_do", "reason": f"do is {ask.get('do')!r}"}}
        try:
            answer = {"id": identity, "ok": handler(ask)}
        except Refusal as refusal:
            return {"id": identity, "refused": {"code": refusal.code, "reason": refusal.reason, "mistakes": []}}
        if ask["do"] == "follow":
            self.followers.add(writer)
        return answer

    def _now(self, _ask: dict[str, Any]) -> dict[str, Any]:
        return {"now": snapshot(self.world, self.speed)}

    def _follow(self, ask: dict[str, Any]) -> dict[str, Any]:
        known = [identity for identity, _ in self.ring]
        resumed = ask.get("after") in known
        after = known.index(ask["after"]) + 1 if resumed else 0
        rows = [row for _, row in list(self.ring)[after:]]
        return {"resumed": resumed, "rows": rows, "now": snapshot(self.world, self.speed)}

    @property
    def commands(self) -> list[dict[str, Any]]:
        """Every command that came, as it came."""
        return [ask["command"] for ask in self.asked if ask.get("do") == "command"]

    def _command(self, ask: dict[str, Any]) -> dict[str, Any]:
        return self.world.command(ask["command"])

    def _chamber(self, _ask: dict[str, Any]) -> dict[str, Any]:
        facts = snapshot(self.world, self.speed)["chamber"]
        return {**facts, "sensors": [
            {"role": "control", "channel": 0, "label": "air, control sensor", "correction_mc": 0, "uncertainty_mc": 2_500},
            {"role": "over_temperature", "channel": 1, "label": "air, over-temperature sensor", "correction_mc": 0,
             "uncertainty_mc": 2_500},
            {"role": "part", "channel": 2, "label": "part, drilled dummy", "correction_mc": 0, "uncertainty_mc": 2_500}],
            "limits": {"ceiling_mc": 130_000, "ceiling_clear_mc": 120_000, "board_ceiling_mc": 135_000,
                       "run_margin_mc": 7_000, "hot_mc": 45_000},
            "fitted": {"contactor": True, "door": True, "limiter": True, "fan": True, "current": True,
                       "arm_button": True, "local_stop": True, "smoke": True, "mains_sense": True,
                       "drops_on_silence": True}}

    def _guards(self, _ask: dict[str, Any]) -> dict[str, Any]:
        return {"guards": self.world.guard_rows()}

    def _proofs(self, _ask: dict[str, Any]) -> dict[str, Any]:
        return {"proofs": self.world.proofs.guide(self.world.utc_us)}

    def _prove(self, ask: dict[str, Any]) -> dict[str, Any]:
        self._only_maintainers(ask)
        return self.world.proofs.prove(ask)

    def _changed(self, ask: dict[str, Any]) -> dict[str, Any]:
        self._only_maintainers(ask)
        if ask["change"] not in [one["id"] for one in CHANGES]:
            raise Refusal("unknown_name", f"there is no change {ask['change']!r}")
        return self.world.proofs.changed(ask)

    def _bundle(self, _ask: dict[str, Any]) -> dict[str, Any]:
        return {"bundle": {"body": {"format": "soakwarden-bundle-1", "board": "5a17c0"}, "sha256": "invented"}}

    @staticmethod
    def _only_maintainers(ask: dict[str, Any]) -> None:
        if ask["role"] != "maintainer":
            raise Refusal("not_allowed_role", f"It needs the role maintainer; you are {ask['role']}.")

    def _health(self, _ask: dict[str, Any]) -> dict[str, Any]:
        return {"version": "0.1.0", "pid": os.getpid(), "boot": self.world.boot, "tick": self.world.tick, "clock": "lock-step",
                "speed": self.speed, "up_us": self.world.tick * S1, "late_p99_us": 900, "late_max_us": 4_100,
                "record_failing": "", "record_waiting": 0, "latch_failing": ""}


def _script(words: str) -> dict[int, str]:
    return {int(at): what for what, at in (word.split("@") for word in words.split(",") if word)}


async def serve(args: argparse.Namespace) -> None:
    if args.record is not None and not args.record.exists():
        from tests.api.made_record import make  # it builds on this module
        make(args.record, script={40_000: "trip"} if args.tripped else None)
    fake = FakeController(World(script=_script(args.script)), args.speed)
    if not args.idle:
        fake.world.command({"ask": "start", "by": "demo", "role": "maintainer", "ref": "demo", "schedule": DEMO,
                            "level": "at_the_chamber", "name": "", "value": 0})
    for _ in range(args.from_s):
        fake.step()
    await fake.start(args.socket)
    print(f"fake controller (invented data) on {args.socket}, {args.speed:g} times real time", flush=True)
    with contextlib.suppress(asyncio.CancelledError):
        await fake.pace()


def main() -> None:
    parser = argparse.ArgumentParser(description="A stand-in for the controller's socket, for building the page.")
    parser.add_argument("--socket", type=Path, required=True, help="path of the unix socket, e.g. data/controller.sock")
    parser.add_argument("--speed", type=float, default=60.0, help="seconds of the world a second")
    parser.add_argument("--from-s", type=int, default=0, help="begin this many seconds into the run")
    parser.add_argument("--idle", action="store_true", help="start no run by itself")
    parser.add_argument("--script", default="", help="what happens when, e.g. trip@7200,door@9000,shut@9060")
    parser.add_argument("--record", type=Path, help="also make a record.db with one past run there")
    parser.add_argument("--tripped", action="store_true", help="that past run tripped")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve(parser.parse_args()))


if __name__ == "__main__":
    main()
