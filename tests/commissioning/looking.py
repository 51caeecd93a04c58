"""Ticks as commissioning sees them, made by hand: a board that answers, readings and events as a test wants them."""

from __future__ import annotations

from typing import Any

from controller.commissioning.shown import Looked
from controller.core.events import Event
from controller.core.messages import Channel, LimitsRead, OffReason, Report, Welcome
from controller.core.readings import MISSING, Good
from controller.core.run_states import S
from controller.core.setup import Chamber, Level
from controller.core.start import first_state
from controller.core.state import Board, Run, State
from controller.core.trials import Asked, plan
from controller.core.watch import Wanted

US = 1_000_000
COLD_MC = 24_000
QUIET: dict[str, Any] = {
    "mains": True, "limiter": True, "door": True, "local_stop": False, "arm": False, "smoke": False, "current_ma": 0,
    "fan_rpm": 2_400, "aux_mv": None,
}


def report(chamber: Chamber, raw: dict[str, int], **says: Any) -> Report:
    """A report with these raw values by sensor id."""
    channels: list[Channel | None] = [None] * 6
    for sensor in chamber.sensors:
        channels[sensor.channel] = Channel(raw.get(sensor.id, 21_000), COLD_MC, 0, 0)
    base: dict[str, Any] = {"modulator": False, "contactor": False, "enabled": False, "off": OffReason.NOT_ENABLED, "on_us": 0,
                            "switches": 7, "run_s": 0, **QUIET, **says}
    return Report(board=chamber.board, boot=1, session=1, sequence=1, heard=1, up_us=1, channels=tuple(channels), **base)


def looked(chamber: Chamber, now_us: int, raw: dict[str, int] | None = None, events: tuple[Event, ...] = (),
           run: Run | None = None, lost: bool = False, **says: Any) -> Looked:
    """One tick. A sensor whose raw value is None has no reading; `lost`: the board was last heard a minute ago."""
    values = raw or {}
    said = report(chamber, {name: mc for name, mc in values.items() if mc is not None}, **says)
    heard_us = now_us - 60 * US if lost else now_us
    board = Board(open=True, session=1, accepted=True, report=said, heard_us=heard_us,
                  welcome=Welcome(chamber.board, 1, 1, "t", "11111111", 0, chamber.simulated))
    shown = [values.get(one.id, 21_000) for one in chamber.sensors]
    readings = tuple(MISSING if mc is None else Good(mc, mc) for mc in shown)
    state: State = first_state(chamber, now_us)._replace(board=board, readings=readings, run=run, mono_us=now_us)
    return Looked(state, now_us, events, (said,))


def run_of(chamber: Chamber, trial: str, state: S = S.RUNNING, **fields: Any) -> Run:
    """A run of this trial."""
    planned = plan(trial, Asked(chamber, 21_000, chamber.limits.ceiling_mc))
    run = Run("7", state, planned.schedule, Level.AT_THE_CHAMBER, "a test", 0, planned.run_ceiling_mc, 1 << 50, Wanted(1, 1),
              LimitsRead(1, 0, 0, 0, 0), planned.programs, planned.at, 0, 0, False, "", 0, trial=trial)
    return run._replace(**fields)
