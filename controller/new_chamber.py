"""A new chamber folder: a commented chamber.toml and a latch, "not commissioned"; for simulated ones also proofs."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from controller.chamber_fields import (
    FITTED,
    HEATER,
    LIMITS,
    OPTIONAL,
    RESPONSE,
    SENSOR,
    SHAPES_SAY,
    WIRED,
    Number,
    Switch,
)
from controller.commissioning import store
from controller.commissioning.store import Kept
from controller.config import CHAMBER_FILE, FORMAT, LATCH_FILE, MODEL_FILE, PROOFS_FILE
from controller.drivers import latch, sealed

SIMULATED_BOARD = "5a17c0"
HEAD = """\
# A chamber, as Soakwarden needs to know it. Written by people: °C, seconds, minutes, hours, percent.
# Whatever is wrong in here is told at the next start, all at once; until it is right there is no heat.
# The files latch, proofs.json and model.json beside this one are the controller's own: leave them alone.

format = "{format}"
name = {name}
{board}
# true for an invented chamber only. File and board must agree, or there is no heat.
simulated = {simulated}
"""
BOARD = """\
# The six digits by which the board knows itself. A board with other digits gets no heat.
board = {board}"""
NO_BOARD = "# No board: a ready-made module stands in its place, and its id is its adapter and its unit."
LINE = """
[line]
# Name the port by id, never by number: numbers change when a cable moves.
port = {port}
# Speed of the line in baud.
speed = 115200
"""
SENSOR_HEAD = """
# One table a sensor. Roles: control (steers), over_temperature (watches), part (inside the load), survey (stays at a place),
# travelling (carried from place to place). The id is the probe's own name: write it on its cable. What commissioning finds of
# it follows that name, whatever socket it is plugged into.
"""
LIMITS_HEAD = """
# Limits stand in a checked order:
# a run's own ceiling < ceiling < board ceiling < limiter less its tolerance < thermal link < weakest thing.
[limits]
"""
SENSORS = (("control", 0, "air, control sensor"), ("over_temperature", 1, "air, over-temperature sensor"),
           ("part", 2, "part"))
TRAVELLING = ("travelling", 3, "travelling sensor")
RESPONSE_HEAD = """
# How soon full heat shows at the sensors, at the latest: the start proof takes its lengths from it. A figure that is too short
# makes proofs void, never false.
[response]
"""
EVERY_BOARD_HAS = frozenset({"drops_on_silence"})


def text(name: str, simulated: bool, board: str, port: str = "", shape: str = "bench",
         changed: Mapping[str, float] | None = None, module: str = "", travelling: bool = False) -> str:
    """The chamber file. `changed` replaces defaults of numbers by key, in the written unit; `module` is the [modbus] section of
    a chamber with a ready-made module in place of a board (`new_module.text`); `travelling`: one sensor more, for surveys."""
    sensors = (*(SENSORS if simulated else SENSORS[:2]), *((TRAVELLING,) if travelling else ()))
    id_of_board = NO_BOARD if module else BOARD.format(board=_quoted(board))
    parts = [HEAD.format(format=FORMAT, name=_quoted(name), board=id_of_board, simulated=_word(simulated)), module]
    if simulated:
        parts.append(f"\n[simulation]\n# {SHAPES_SAY}\nshape = {_quoted(shape)}\n")
    elif not module:
        parts.append(LINE.format(port=_quoted(port)))
    parts.append(SENSOR_HEAD)
    parts += [_sensor(role, channel, label) for role, channel, label in sensors]
    parts += [LIMITS_HEAD, _numbers(LIMITS, changed or {}), "\n[heater]\n", _numbers(HEATER, changed or {})]
    parts += [RESPONSE_HEAD, _numbers(RESPONSE, _answer_of(shape) if simulated else changed or {})]
    parts += ["\n# What is fitted, and the board reads. Say false until it really is there.\n[fitted]\n",
              _switches(FITTED, simulated, frozenset() if module else EVERY_BOARD_HAS)]
    parts += ["\n# What no board can see: your own word, after you have looked and measured.\n[wired]\n",
              _switches(WIRED, simulated, frozenset())]
    return "".join(parts)


def _answer_of(shape: str) -> Mapping[str, float]:
    """What a person would know of a simulated chamber: near the truth, not the truth."""
    from controller.chamber.response import bounds  # a simulation: only who makes an invented chamber loads it

    return bounds(shape)


def write(folder: Path, chamber_text: str, board: str, simulated: bool, utc_us: int, commissioned: bool = True,
          kept: Kept | None = None, model: dict[str, Any] | None = None) -> None:
    """Make the whole folder in one step; `utc_us` stamps invented proofs. Simulated chambers begin with those, unless
    `commissioned` is false: then they begin with none, as real ones do. `kept` and `model` are those of a chamber that was
    somewhere else; its latch then says "not commissioned", unless its proofs were invented with it.

    Raises FileExistsError when there is one already, OSError when it cannot be made.
    """
    if folder.exists():
        raise FileExistsError(f"{folder} exists already")
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    try:
        (beside / CHAMBER_FILE).write_text(chamber_text, encoding="utf-8")
        if kept is None and simulated and commissioned:
            kept = store.given(board, utc_us)
        given = kept is not None and bool(kept.proofs) and all(store.is_given(row) for row in kept.proofs)
        condition = latch.Condition.CLEAR if given else latch.Condition.NOT_COMMISSIONED
        latch.write(beside / LATCH_FILE, latch.Remembered(condition))
        if kept is not None:
            store.write(beside / PROOFS_FILE, kept)
        if model is not None:
            sealed.write(beside / MODEL_FILE, model)
        beside.chmod(0o755)
        beside.rename(folder)
    finally:
        if beside.exists():
            shutil.rmtree(beside)


def _sensor(role: str, channel: int, label: str) -> str:
    numbers = "".join(f"{row.key} = {channel if row.key == 'channel' else f'{row.default:g}'}\n"
                      for row in SENSOR if row.key not in OPTIONAL)
    return f'[[sensor]]\nid = "{role}"\nrole = "{role}"\nlabel = "{label}"\n{numbers}\n'


def _numbers(rows: tuple[Number, ...], changed: Mapping[str, float]) -> str:
    return "".join(f"# {row.say} ({row.unit}, {row.low:g} to {row.high:g})\n"
                   f"{row.key} = {changed.get(row.key, row.default):g}\n" for row in rows)


def _switches(rows: tuple[Switch, ...], simulated: bool, anyway: frozenset[str]) -> str:
    """A simulated chamber has everything; a real one has nothing until somebody says so."""
    return "".join(f"# {row.say}\n{row.key} = {_word(simulated or row.key in anyway)}\n" for row in rows)


def _word(value: bool) -> str:
    return "true" if value else "false"


def _quoted(value: str) -> str:
    """A TOML basic string: JSON's escapes are a subset of TOML's, which wants one more, for the delete character."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
