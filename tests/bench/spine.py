"""The spine's figures, one function a row of its table."""

from __future__ import annotations

from tests.bench import spine_advance

ROWS = (spine_advance.row,)
