"""What can go wrong with a simulated board and chamber, and the hands that touch it: one table, by name.

A fault comes in by a side channel of the simulation (an attribute in-process, a datagram socket of the peer), never
over the wire and never through the API: no route of the product can break a chamber.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from controller.core.messages import Channel, Fault, ResetCause

if TYPE_CHECKING:
    from controller.chamber.simulated import Board

GARBAGE_MAX_BYTES = 100_000


class Faults:
    """The faults that stand now."""

    def __init__(self) -> None:
        self.channels: dict[int, str] = {}
        """Channel number to "open" or "frozen"."""
        self.modulator_stuck = False
        self.contactor_welded = False
        self.element_broken = False
        self.silent = False
        """The board works and hears, but nothing of it arrives."""
        self.hung = False
        """The board's program stands still with its outputs as they are."""
        self.watchdog_missing = False
        """A program that is asked to stall stands still for ever."""
        self.self_test = False
        """The board's test of itself has failed: memory, program, clock or an input."""
        self.garbage = 0
        """That many random bytes go out before the next frame."""
        self.reset_on_open = False

    def spoil(self, channels: list[Channel | None], before: tuple[Channel | None, ...]) -> None:
        """Put the faulty channels' readings in the place of good ones."""
        for index, kind in self.channels.items():
            good = channels[index]
            if kind == "frozen":
                channels[index] = before[index] or good
            elif good is not None:
                channels[index] = Channel(0, good.cold_mc, Fault.OPEN, good.conversions)


def _channel(kind: str) -> Callable[[Board, dict[str, Any]], None]:
    def make(board: Board, args: dict[str, Any]) -> None:
        index = int(args.get("channel", 0))
        if not 0 <= index < 3:
            raise ValueError(f"channel is {index}; this board has 0 to 2")
        if args.get("on", True):
            board.faults.channels[index] = kind
        else:
            board.faults.channels.pop(index, None)

    return make


def _flag(name: str) -> Callable[[Board, dict[str, Any]], None]:
    return lambda board, args: setattr(board.faults, name, bool(args.get("on", True)))


def _part(name: str, faulty: bool) -> Callable[[Board, dict[str, Any]], None]:
    """A part of the board or chamber that is `faulty` while the fault stands and the opposite without it."""
    return lambda board, args: setattr(board, name, faulty if args.get("on", True) else not faulty)


def _reset(board: Board, args: dict[str, Any]) -> None:
    board.reset(ResetCause(int(args.get("cause", ResetCause.WATCHDOG))))


def _garbage(board: Board, args: dict[str, Any]) -> None:
    board.faults.garbage = max(0, min(int(args.get("bytes", 200)), GARBAGE_MAX_BYTES))


FAULTS: dict[str, Callable[[Board, dict[str, Any]], None]] = {
    "sensor_open": _channel("open"),
    "sensor_frozen": _channel("frozen"),
    "modulator_stuck_on": _flag("modulator_stuck"),
    "contactor_welded": _flag("contactor_welded"),
    "element_broken": _flag("element_broken"),
    "silence": _flag("silent"),
    "hang": _flag("hung"),
    "watchdog_missing": _flag("watchdog_missing"),
    "self_test_failed": _flag("self_test"),
    "reset_on_open": _flag("reset_on_open"),
    "reset": _reset,
    "garbage": _garbage,
    "limiter_opened": _part("limiter_closed", False),
    "smoke": _part("smoke", True),
    "fan_stopped": _part("fan_on", False),
    "mains_gone": _part("mains", False),
    "door_open": _part("door_shut", False),
    "local_stop": _part("local_stop", True),
    "arm": _part("arm_pressed", True),
}
"""Each takes `on` (default true; false ends it) where it lasts. `sensor_*` take `channel`, `reset` a `cause`, `garbage`
a number of `bytes`. `door_open`, `local_stop` and `arm` are hands, not faults; they come the same way."""
