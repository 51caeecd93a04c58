"""The board's figures, one function a row of its table: the firmware in the emulated chip, timed at its pins."""

from __future__ import annotations

from tests.bench import board_core, board_line, board_modbus, board_off, board_size, board_soak

ROWS = (board_off.silent, board_off.frozen, board_size.size, board_line.parser, board_line.period, board_line.period_at_host,
        board_core.frames, board_core.proof, board_modbus.row, board_soak.row)
