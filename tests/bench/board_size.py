"""How big the firmware is, how much of the stack it has never used, and how much of the time the processor is awake."""

from __future__ import annotations

from controller.core.messages import Hello, SetLimits, Tell
from tests.bench.figure import Figure, at_most
from tests.board.host import MS, heating
from tests.board.machine import CHIPS, RAM_AT, RAM_END, built, image, symbols

PAINT = 0xC5
"""What the firmware paints its free memory with at every start; see its selftest.c."""
FLASH_MAX, RAM_MAX, STACK_MIN = 16 * 1024, 1024, 256
AWAKE_GOAL = 10.0
MINUTES = 5


def size() -> list[Figure]:
    """firmware size, stack headroom, awake share"""
    built()
    figures = []
    for chip in CHIPS:
        end = symbols(chip)["_end"]
        headroom, awake = _used(chip, end)
        figures += [
            at_most("board", f"flash, {chip}", image(chip).stat().st_size, "B", FLASH_MAX),
            at_most("board", f"RAM of variables, {chip}", end - RAM_AT[chip], "B", RAM_MAX),
            Figure("board", f"stack never used, {chip} (at least)", headroom, "B", STACK_MIN, headroom >= STACK_MIN),
            at_most("board", f"processor awake, {chip}", awake, "%", AWAKE_GOAL),
        ]
    return figures


def _used(chip: str, end: int) -> tuple[int, float]:
    """(bytes of stack still painted after minutes of all it can do, awake share in percent)."""
    with heating(chip=chip) as host:
        before = host.board.ran
        for _ in range(MINUTES * 60 // 2):
            host.say(Tell, 2, True, True, 2)
            host.say(SetLimits, None, None, None)
            host.say(SetLimits, 999_999, 1, 1)
            host.heat(2)
        after = host.board.ran
        host.ask(Hello)
        host.board.receive(b"\xff" * 500 + b"\n")
        host.run(500 * MS)
        free = host.board.machine.ram(end, RAM_END[chip] + 1 - end)
    painted = next((at for at, byte in enumerate(free) if byte != PAINT), len(free))
    passed = after.awake - before.awake + after.asleep - before.asleep
    return painted, 100.0 * (after.awake - before.awake) / passed
