"""The figures of watching from another room, one function a row of its table."""

from __future__ import annotations

from tests.bench import room_killed, room_silence, room_stop

ROWS = (room_stop.row, room_killed.row, room_silence.row)
