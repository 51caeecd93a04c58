"""From a host that falls silent, and from a loop that freezes, to both pins low, at random phases."""

from __future__ import annotations

from random import Random

from tests.bench.figure import QUICK, Figure, at_most, percentile
from tests.board.host import CONTACTOR_US, MS, S1, SILENCE_US, Host, fell_us, heating, pins_high
from tests.board.machine import CHIPS

SILENT = 40 if QUICK else 200
FROZEN = 20 if QUICK else 100
WINDOWS_MS = (1_000, 4_000, 20_000, 40_000)
MAY_BE_LATE_MS = 100
WATCHDOG_MS, MARGIN_MS = 250, 50
"""The firmware's own watchdog; its oscillator's spread, a pass, and the way into the reset. The outputs float low, so the
start-up time by the fuses is not in it."""


def _heats(host: Host, draw: Random, duty_e4: int, window_ms: int) -> int:
    """Drives at random moments until the modulator is high at a random phase of its window; when the last drive went out."""
    host.session, host.sequence = draw.randrange(1, 65_536), 0
    host.open()
    for _ in range(draw.randrange(1, 4)):
        host.drive(duty_e4, window_ms=window_ms)
        host.run(draw.randrange(200 * MS, 1_100 * MS))
    host.drive(duty_e4, window_ms=window_ms)
    return host.board.now_us


def silent() -> list[Figure]:
    """host silent to both pins low, also in the middle of a window"""
    draw, modulator_ms, contactor_ms, misses = Random(1), [], [], 0
    for chip in CHIPS:
        with heating(chip=chip) as host:
            for _ in range(SILENT // len(CHIPS)):
                since_us = _heats(host, draw, draw.choice((10_000, 8_000, 5_000)), draw.choice(WINDOWS_MS))
                host.run(SILENCE_US + S1)
                contactor_us = host.board.edges("contactor", since_us)[-1].us - since_us
                edges = host.board.edges("modulator", since_us)
                modulator_us = edges[-1].us - since_us if edges else 0
                misses += any(pins_high(host.board)) or contactor_us > SILENCE_US + MAY_BE_LATE_MS * MS + CONTACTOR_US \
                    or modulator_us > SILENCE_US + MAY_BE_LATE_MS * MS
                modulator_ms.append((modulator_us - SILENCE_US) / MS)
                contactor_ms.append((contactor_us - SILENCE_US) / MS)
    return [at_most("board", f"host silent, {SILENT} times: later than the bound", misses, "", 0),
            at_most("board", "host silent: modulator low after the limit, worst", max(modulator_ms), "ms", MAY_BE_LATE_MS),
            at_most("board", "host silent: contactor low after the limit, worst", max(contactor_ms), "ms",
                    MAY_BE_LATE_MS + CONTACTOR_US // MS)]


def frozen() -> list[Figure]:
    """frozen loop to pins low"""
    draw, taken_ms = Random(2), []
    for chip in CHIPS:
        with heating(chip=chip) as host:
            for _ in range(FROZEN // len(CHIPS)):
                _heats(host, draw, 10_000, 40_000)
                host.run(draw.randrange(150 * MS, 900 * MS))
                assert all(pins_high(host.board)), "it must heat before it freezes"
                since_us = host.board.now_us
                host.board.fault("hang")
                host.run(2 * S1)
                taken_ms.append(max(fell_us(host.board, pin, since_us) for pin in ("modulator", "contactor")) / MS)
    bound_ms = WATCHDOG_MS + MARGIN_MS
    return [at_most("board", f"frozen loop, {FROZEN} times: later than watchdog and reset",
                    sum(one > bound_ms for one in taken_ms), "", 0),
            at_most("board", "frozen loop to both pins low, worst", max(taken_ms), "ms", bound_ms),
            at_most("board", "frozen loop to both pins low, median", percentile(taken_ms, 0.5), "ms", bound_ms)]
