"""What a chamber may do: from what is fitted and what has been proven, with the reason and the next thing to do.

One table, lowest level first. A level is reached when every need of it and of all levels below is met.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from controller.core.setup import LEVEL_WORDS, Level

PROOFS_FORMAT = "soakwarden-proofs-1"
VALID_FOR = timedelta(days=365)
"""Safety devices are tested at least yearly (common practice; NFPA 86 asks the like, from memory)."""

PROOFS = {
    "silence": "prove that the board switches off when the controller is silent",
    "sensor_identity": "prove which sensor is which, and its correction",
    "start_proof": "prove both switches apart by a start proof",
    "over_temperature_trip": "prove that over-temperature trips",
    "watchdog": "prove that the board's watchdog switches off",
    "limiter": "prove that the limiter opens its own contact",
    "survey": "survey the temperatures across the chamber",
    "message_channels": "prove that a message reaches you",
}
"""Every proof there is, and what to do for it."""


MODULE_HIGHEST = Level.IN_THE_BUILDING
MODULE_LACKS = ("use a board that speaks protocol v1: a ready-made module says no hello, has no boot id and keeps no limits of "
                "its own, so nothing but this computer would stand between a mistake and the heat")
"""Why heat over a module is not left alone."""


class Need(NamedTuple):
    """One condition of a level: any of `any_of` among the switches that are true, and what to buy otherwise."""

    any_of: tuple[str, ...]
    buy: str


class Row(NamedTuple):
    """One level of the design's table."""

    level: Level
    needs: tuple[Need, ...]
    proofs: tuple[str, ...]


LEVELS = (
    Row(Level.AT_THE_CHAMBER, (
        Need(("control_sensor",), "fit a control sensor"),
        Need(("arm_button",), "fit a push button at the chamber"),
        Need(("drops_on_silence",), "use a board or a timer relay that drops on silence"),
        Need(("thermal_link",), "fit a thermal link"),
        Need(("fuse",), "fit a fuse"),
        Need(("earth",), "connect and measure the earth"),
        Need(("residual_current_device",), "use a residual-current device"),
    ), ("silence", "sensor_identity")),
    Row(Level.IN_THE_BUILDING, (
        Need(("over_temperature_sensor",), "fit an over-temperature sensor"),
        Need(("own_converters",), "give the over-temperature sensor its own converter"),
        Need(("contactor",), "fit a line contactor"),
        Need(("door",), "fit a door switch"),
    ), ("start_proof", "over_temperature_trip", "watchdog")),
    Row(Level.UNATTENDED, (
        Need(("limiter",), "fit an over-temperature limiter"),
        Need(("limiter_own_contact",), "give the limiter a contact of its own"),
        Need(("fan", "current"), "fit a fan with speed sense or a current sense"),
        Need(("smoke_alarm_in_room", "smoke"), "hang a smoke alarm in the room"),
    ), ("limiter", "survey", "message_channels")),
)


@dataclass(frozen=True, slots=True)
class MayDo:
    """The level with its reason and the next step."""

    level: Level
    why: str
    next_thing: str


def may_do(switches: Mapping[str, bool], proven: frozenset[str], invented: bool, module: bool = False) -> MayDo:
    """The highest level reached. `switches` are all true-or-false facts of the chamber, `proven` the valid proofs; `module`:
    a ready-made Modbus module stands in place of a board."""
    reached = Level.MEASURE_ONLY
    for row in LEVELS:
        missing = [MODULE_LACKS] if module and row.level > MODULE_HIGHEST else []
        missing += [need.buy for need in row.needs if not any(switches.get(name, False) for name in need.any_of)]
        missing += [PROOFS[proof] for proof in row.proofs if proof not in proven]
        if missing:
            return MayDo(reached, f"For {LEVEL_WORDS[row.level]} it still needs: {'; '.join(missing)}.",
                         _sentence(missing[0]))
        reached = row.level
    why = "Everything is fitted and proven." if not invented else "Everything is fitted; the proofs are invented."
    return MayDo(reached, why, "")


def valid_proofs(body: Mapping[str, Any], board: str, simulated: bool, now: datetime) -> frozenset[str]:
    """The proofs of a proofs file that count now. Invented ones count for a simulated chamber only, and do not age.

    `body` is the file's sealed body; anything in it that cannot be understood proves nothing.
    """
    if body.get("format") != PROOFS_FORMAT or body.get("board") != board or not isinstance(body.get("proofs"), list):
        return frozenset()
    invented = body.get("invented") is not False
    if invented and not simulated:
        return frozenset()
    return frozenset(row["proof"] for row in body["proofs"] if _counts(row, invented, now))


def invented_proofs(board: str, now: datetime) -> dict[str, Any]:
    """A proofs body for a simulated chamber: everything passed, and marked as invented."""
    stamp = now.astimezone(UTC).isoformat(timespec="seconds")
    rows = [{"proof": proof, "passed": True, "utc": stamp, "by": "invented with the chamber"} for proof in PROOFS]
    return {"format": PROOFS_FORMAT, "invented": True, "board": board, "proofs": rows}


def _counts(row: Any, invented: bool, now: datetime) -> bool:
    if not isinstance(row, Mapping) or row.get("proof") not in PROOFS or row.get("passed") is not True:
        return False
    return invented or _young(row.get("utc"), now)


def _young(stamp: Any, now: datetime) -> bool:
    """Proven within the last year; a stamp without zone, from the future or unreadable is not young."""
    try:
        age = now - datetime.fromisoformat(stamp)
    except (TypeError, ValueError):
        return False
    return timedelta(0) <= age <= VALID_FOR


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."


