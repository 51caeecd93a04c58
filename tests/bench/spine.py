"""The spine's figures, one function a row of its table."""

from __future__ import annotations

from tests.bench import spine_advance, spine_lateness, spine_page, spine_rehearse, spine_run, spine_stop

ROWS = (spine_advance.row, spine_rehearse.row, spine_stop.row, spine_lateness.row, spine_run.row, spine_page.row)
