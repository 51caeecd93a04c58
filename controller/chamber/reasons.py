"""Why a simulated board keeps its outputs off: the reasons in their order, and which of them end the enable."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from controller.core.messages import OffReason

if TYPE_CHECKING:
    from controller.chamber.simulated import Board

VOIDING = frozenset({OffReason.SELF_TEST, OffReason.SETTINGS, OffReason.LOCAL_STOP, OffReason.SMOKE, OffReason.CEILING,
                     OffReason.RUN_CEILING, OffReason.RUN_TIME, OffReason.OUTPUT, OffReason.HOST_SILENT})
"""These end the enable: heat needs a fresh one. The others only hold the outputs off while they stand."""
NONE, NOT_ENABLED = OffReason.NONE, OffReason.NOT_ENABLED
"""Short names: an enumeration looks its members up slowly, and these are asked for at every frame."""

REASONS: tuple[tuple[OffReason, Callable[[Board], bool]], ...] = (
    (OffReason.SELF_TEST, lambda board: board.faults.self_test),
    (OffReason.SETTINGS, lambda board: board.settings_bad),
    (OffReason.LOCAL_STOP, lambda board: board.local_stop),
    (OffReason.SMOKE, lambda board: board.smoke),
    (OffReason.CEILING, lambda board: not board.hottest_mc < board.settings.get("board_ceiling_mc", 0)),
    (OffReason.RUN_CEILING, lambda board: not board.hottest_mc < board.run_ceiling_mc),
    (OffReason.RUN_TIME, lambda board: not board.heated_us < board.run_max_s * 1_000_000),
    (OffReason.SENSOR, lambda board: board.sensor_bad),
    (OffReason.OUTPUT, lambda board: board.contactor_bad(board.outputs)),
    (OffReason.DOOR, lambda board: not board.door_shut),
    (OffReason.RESET, lambda board: not board.session),
    (OffReason.HOST_SILENT, lambda board: board.enabled and board._silent()),
    (OffReason.NOT_ENABLED, lambda board: not board.enabled),
    (OffReason.NO_PERMIT, lambda board: not board.drive.permit),
)
"""Every reason to be off, in order; the first that stands is reported. None: the outputs follow the drive frame."""
