"""The figures of commissioning: the rows of every module `proofs_*.py` beside this one, in order of their names."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

PARTS = tuple(sorted(path.stem for path in Path(__file__).parent.glob("proofs_*.py")))
ROWS = tuple(row for part in PARTS for row in import_module(f"tests.bench.{part}").ROWS)
