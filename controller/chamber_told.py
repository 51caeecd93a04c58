"""The facts of a chamber as the socket tells them: what it is, and what it may do now."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from controller.config import ChamberFolder
from controller.core.setup import LEVEL_WORDS, Chamber, Level
from controller.levels import MayDo

Json = dict[str, Any]


def chamber_head(folder: ChamberFolder, now: Chamber | None = None, level: MayDo | None = None) -> Json:
    """The facts of a chamber that every page shows. `now` is the chamber as the tick has it, `level` what holds now; without
    them it is as it was loaded."""
    chamber, may = now or folder.chamber, level or folder.level
    return {
        "name": chamber.name, "board": chamber.board, "simulated": chamber.simulated,
        "may_do": LEVEL_WORDS[chamber.may_do], "may_do_why": may.why, "next_thing": may.next_thing,
        "ceiling_mc": chamber.limits.ceiling_mc, "hot_mc": chamber.limits.hot_mc,
        "element_w": chamber.heater.element_w, "window_ms": chamber.heater.window_ms,
    }


def chamber_facts(folder: ChamberFolder, now: Chamber | None = None, level: MayDo | None = None) -> Json:
    """Everything that is known of a chamber, for its own sheet."""
    chamber = now or folder.chamber
    return {
        **chamber_head(folder, now, level), "sensors": [sensor._asdict() for sensor in chamber.sensors],
        "limits": _limits(chamber), "fitted": asdict(chamber.fitted), "heater": asdict(chamber.heater),
        "wired": dict(folder.wired), "levels": [level.name.lower() for level in Level if level <= chamber.may_do],
        "trials": list(chamber.trials),
    }


def _limits(chamber: Chamber) -> Json:
    """Every limit; null for a board's own where there is no board to keep it."""
    limits = asdict(chamber.limits)
    return limits if chamber.module is None else {**limits, "board_ceiling_mc": None}
