"""What can go wrong with a simulated board and chamber, and the hands that touch it: one table, by name.

A fault comes in by a side channel of the simulation (an attribute in-process, a datagram socket of the peer), never
over the wire and never through the API: no route of the product can break a chamber.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from controller.chamber.travelling import BEGINS_AT, PLACES
from controller.commissioning.fixed_points import boiling_mc
from controller.commissioning.its90 import converted_c
from controller.core.messages import Channel, Fault, ResetCause

if TYPE_CHECKING:
    from controller.chamber.simulated import Board
    from controller.chamber.world import World

CHANNELS = 3
GARBAGE_MAX_BYTES = 100_000


class Faults:
    """The faults that stand now."""

    def __init__(self) -> None:
        self.channels: dict[int, str] = {}
        """Channel number to "open" or "frozen"."""
        self.sensors: dict[int, str] = {}
        """Channel number to one of `SENSES`: what is measured is not what the place has."""
        self.slow: dict[int, float] = {}
        """What a sensor that was taken from its place has come to."""
        self.modulator_stuck = False
        self.modulator_half = False
        """It passes one half of each wave, whatever is asked."""
        self.contactor_welded = False
        self.contactor_bridged = False
        """The element is wired around it; it reads as it should."""
        self.limiter_bypassed = False
        """The element is wired around its contact, which opens and reads as it should."""
        self.outputs_swapped = False
        """The two coils' wires are exchanged."""
        self.fan_with_heat = False
        """The fan is fed behind the contactor."""
        self.current_dead = False
        self.element_broken = False
        self.silent = False
        """The board works and hears, but nothing of it arrives."""
        self.hung = False
        """The board's program stands still with its outputs as they are."""
        self.silence_timer_dead = False
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


OFF_LAG_S, TIP_LAG_S, HAND_C, FEED_THROUGH_SHARE, DRIFT_C = 20.0, 4.0, 33.0, 0.25, 3.5
ICE_C, BOIL_HIGH_C = 0.1, 0.43
"""What a good sensor of class 2 shows in ice, and how far it is above boiling water."""
SEA_LEVEL_HPA = 1013.25
LOWEST_HPA, HIGHEST_HPA = 500.0, 1080.0


def _goes_to(lag_s: float, where_c: Callable[[World], float]) -> Callable[[World, int, float, float], float]:
    """Away from its place: from what it showed there towards another temperature."""
    def sense(world: World, index: int, true_c: float, dt_s: float) -> float:
        slow = world.faults.slow
        before = slow.get(index, true_c)
        slow[index] = before + dt_s / (lag_s + dt_s) * (where_c(world) - before)
        return slow[index]

    return sense


def _couple(**how: Any) -> Callable[[World, int, float, float], float]:
    return lambda world, index, true_c, dt_s: converted_c(true_c, world.room_c + 3.0, **how)


SENSES: dict[str, Callable[[World, int, float, float], float]] = {
    "off_place": _goes_to(OFF_LAG_S, lambda world: world.room_c),
    "shorted": lambda world, index, true_c, dt_s: world.room_c + FEED_THROUGH_SHARE * (world.plant.outer - world.room_c),
    "reversed": _couple(reversed_leads=True),
    "read_as_j": _couple(table="J"),
    "wire_of_j": _couple(wire="J"),
    "drifted": lambda world, index, true_c, dt_s: true_c + DRIFT_C,
    "in_hand": _goes_to(TIP_LAG_S, lambda world: HAND_C),
    "in_ice": _goes_to(TIP_LAG_S, lambda world: ICE_C),
    "in_boil": _goes_to(TIP_LAG_S, lambda world: world.boil_c + BOIL_HIGH_C),
    "of_next": lambda world, index, true_c, dt_s: (*world.plant.sensors, world.plant.part_sensor)[(index + 1) % CHANNELS],
    "in_part": lambda world, index, true_c, dt_s: world.plant.part_sensor,
}
"""What a converter is given instead of its place's temperature: (world, channel, true °C, s since the last) to °C."""


def _boil_c(hpa: float) -> float:
    if not LOWEST_HPA <= hpa <= HIGHEST_HPA:
        raise ValueError(f"hpa is {hpa:g}; allowed is {LOWEST_HPA:g} to {HIGHEST_HPA:g}, as it is at the pan")
    return boiling_mc(hpa) / 1000.0


def _travel(board: Board, args: dict[str, Any]) -> None:
    """Hang the travelling sensor somewhere; a board that had none has one from then on."""
    spot = str(args.get("spot", BEGINS_AT))
    if spot not in PLACES:
        raise ValueError(f"spot is {spot!r}; there are {', '.join(PLACES)}")
    board.spot = spot


def _sense(board: Board, args: dict[str, Any]) -> None:
    index, kind = int(args.get("channel", 0)), str(args.get("kind", "off_place"))
    if kind not in SENSES or not 0 <= index < board.places:
        raise ValueError(f"kind is {kind}, channel {index}; kinds are {', '.join(SENSES)}, channels 0 to {board.places - 1}")
    if "hpa" in args:
        board.boil_c = _boil_c(float(args["hpa"]))
    board.faults.slow.pop(index, None)
    if args.get("on", True):
        board.faults.sensors[index] = kind
    else:
        board.faults.sensors.pop(index, None)


def _channel(kind: str) -> Callable[[Board, dict[str, Any]], None]:
    def make(board: Board, args: dict[str, Any]) -> None:
        index = int(args.get("channel", 0))
        if not 0 <= index < board.places:
            raise ValueError(f"channel is {index}; this board has 0 to {board.places - 1}")
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
    "sensor_sees": _sense,
    "modulator_stuck_on": _flag("modulator_stuck"),
    "modulator_half_on": _flag("modulator_half"),
    "contactor_welded": _flag("contactor_welded"),
    "contactor_bridged": _flag("contactor_bridged"),
    "limiter_bypassed": _flag("limiter_bypassed"),
    "outputs_swapped": _flag("outputs_swapped"),
    "fan_with_heat": _flag("fan_with_heat"),
    "current_dead": _flag("current_dead"),
    "element_broken": _flag("element_broken"),
    "silence": _flag("silent"),
    "hang": _flag("hung"),
    "silence_timer_dead": _flag("silence_timer_dead"),
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
    "travelling_at": _travel,
}
"""Each takes `on` (default true; false ends it) where it lasts. `sensor_*` take `channel`, `sensor_sees` also a `kind` of
`SENSES` and for boiling water the air's `hpa`, `reset` a `cause`, `garbage` a number of `bytes`. `door_open`, `local_stop` and
`arm` are hands, not faults; they come the same way, and so does `travelling_at` with a `spot` of the survey."""
