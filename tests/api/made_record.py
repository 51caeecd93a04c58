"""A record.db with one finished run of the fake world in it, for tests of the interface and for building the page.

Rows are written through the record's own tables and rollups, without the controller: blocks and states are missing, so
such a run can be looked at but not replayed. Invented data, marked simulated.
"""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any

from sqlalchemy import insert

from controller.core import canonical
from controller.core.setup import Chamber, Fitted, Heater, Level, Limits
from controller.records.database import Database
from controller.records.rollups import Rollup, Sample
from controller.records.schema import (
    CURVE_COLUMNS,
    ROLLUP_SPANS_S,
    STATE_NUMBERS,
    boots,
    events,
    key,
    rollups,
    runs,
    ticks,
)
from tests.api.fake_controller import DEMO
from tests.api.fake_world import START_UTC_US, World, schedule_of

CHAMBER = Chamber(
    name="Bench chamber", board="5a17c0", simulated=True, sensors=(),
    limits=Limits(130_000, 120_000, 135_000, 145_000, 5_000, 160_000, 170_000, 7_000, 8_000, 5_000, 4_000, 600_000_000,
                  5_000, 3_000_000, 5_000_000, 4_800_000, 1_500_000, 108_000_000_000, 45_000),
    heater=Heater(500, 40_000, 400, 900, 2_000, 1_200, 22_000), fitted=Fitted(*[True] * 10), may_do=Level.UNATTENDED)


def make(path: Path, seconds: int = 57_600, boot: int = 1, script: dict[int, str] | None = None,
         gap: range = range(0)) -> str:
    """Write a run of `seconds` ticks (16 h as standard); ticks in `gap` are lost. Gives the run's id."""
    world = World(boot, script=script)
    world.command({"ask": "start", "by": "demo", "role": "maintainer", "ref": "made", "schedule": DEMO, "level":
                   "at_the_chamber", "name": "", "value": 0})
    rows, told = [], []
    for _ in range(seconds):
        row, happened = world.step()
        told += happened
        if row[0] not in gap:
            rows.append((row, world.state.value, world.run["segment"]))
    database = Database(path)
    try:
        with database.transaction(durable=True) as connection:
            connection.execute(insert(boots), _boot(boot))
            connection.execute(insert(runs), _run(boot, seconds, world))
            tick_rows = _ticks(boot, rows)
            connection.execute(insert(ticks), tick_rows)
            for span_s in ROLLUP_SPANS_S:
                connection.execute(insert(rollups[span_s]), _rollups(span_s, tick_rows))
            connection.execute(insert(events), [_event(boot, event) for event in told])
    finally:
        database.close()
    return "1"


def _boot(boot: int) -> dict[str, Any]:
    return {"boot": boot, "started_utc_us": START_UTC_US, "version": "0.1.0", "python": "3.11", "sqlite": "3.40.1",
            "libraries": "{}", "simulated": 1, "board": "5a17c0", "chamber": canonical.text(CHAMBER)}


def _run(boot: int, seconds: int, world: World) -> dict[str, Any]:
    return {"number": 1, "id": "1", "boot": boot, "first_tick": 1, "last_tick": seconds, "started_utc_us": START_UTC_US,
            "ended_utc_us": world.utc_us, "name": DEMO["name"], "level": 1, "by": "demo", "state": world.state.value,
            "end": world.run["end"], "cut": 0, "run_ceiling_mc": 112_000, "run_max_us": 108_000_000_000, "simulated": 1,
            "board": "5a17c0", "version": "0.1.0", "schedule": canonical.text(schedule_of(DEMO)),
            "chamber": canonical.text(CHAMBER), "model": None, "folder": zlib.compress(json.dumps({}).encode())}


def _ticks(boot: int, rows: list[Any]) -> list[dict[str, Any]]:
    before_us, made = rows[0][0][1], []
    for row, state, segment in rows:
        away_us = row[1] - before_us
        before_us = row[1]
        made.append({"id": key(boot, row[0]), "utc_us": row[1], "gap_us": away_us if away_us > 2_000_000 else 0,
                     "state_number": STATE_NUMBERS[state], "segment": segment, "quality": None,
                     **dict(zip(CURVE_COLUMNS, row[2:], strict=True))})
    return made


def _rollups(span_s: int, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    rollup = Rollup(span_s)
    samples = (Sample(row["id"], row["utc_us"], row["utc_us"], row["gap_us"], tuple(row[name] for name in CURVE_COLUMNS))
               for row in rows)
    return [made for made in (*(rollup.add(sample) for sample in samples), rollup.flush()) if made is not None]


def _event(boot: int, event: dict[str, Any]) -> dict[str, Any]:
    return {"id": key(boot, int(event["id"].split("-")[1])), "utc_us": event["utc_us"], "tick": event["tick"],
            "kind": event["kind"], "run": event["run_id"], "fields": json.dumps(event["fields"])}
