"""What several tests of the board share."""

from __future__ import annotations

import pytest

from tests.board import firmware_core


@pytest.fixture(scope="session")
def core(tmp_path_factory):
    """The firmware's pure files, compiled for this computer."""
    if firmware_core.MISSING:
        pytest.skip(firmware_core.MISSING)  # `make test` installs it where that is allowed
    return firmware_core.built(tmp_path_factory.mktemp("firmware"))
