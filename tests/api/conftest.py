"""A running interface for the tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.api.rig import Rig


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    """The interface of a simulated chamber, with the demo's schedules, beside a fake controller."""
    with Rig(tmp_path / "data") as found:
        yield found


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    """The same, for tests that change nothing others look at."""
    with Rig(tmp_path_factory.mktemp("shared") / "data") as found:
        yield found
