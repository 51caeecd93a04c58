"""Random, mutated and cunning bytes at the firmware's reader, built with sanitizers: never heat, and the next hello works."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from tests.board import firmware_core, mistreated

VECTORS = json.loads((Path(__file__).parents[2] / "hardware_notes" / "protocol_vectors.json").read_text())["vectors"]

# `make test` installs gcc where that is allowed.
pytestmark = pytest.mark.skipif(bool(firmware_core.MISSING), reason=firmware_core.MISSING or "-")


@pytest.mark.slow
def test_a_hundred_thousand_mutated_frames_never_heat(tmp_path):
    result = mistreated.mutated(mistreated.built(tmp_path), 100_000, seed=7)
    assert result.frames == 100_000
    assert result.whole > 20_000, "enough of them get past the checksum to be judged"


@pytest.mark.slow
def test_a_board_that_needs_no_enable_is_caught(tmp_path, monkeypatch):
    """The net has to hold: with the question for the enable taken out of the decisions, the same frames end in alarm."""
    planted = tmp_path / "planted"
    planted.mkdir()
    for source in firmware_core.FIRMWARE.glob("*.[ch]"):
        (planted / source.name).write_text(source.read_text())
    reasons = planted / "reasons.c"
    sound = reasons.read_text()
    reasons.write_text(sound.replace("if (!s->enabled) {\n        return OFF_NOT_ENABLED;", "if (false) {\n        return 2;"))
    assert reasons.read_text() != sound
    monkeypatch.setattr(mistreated, "FIRMWARE", planted)
    with pytest.raises(subprocess.CalledProcessError) as caught:
        mistreated.mutated(mistreated.built(tmp_path), 100_000, seed=7)
    assert "heat without enable" in caught.value.stderr


@pytest.mark.slow
# The engine's compiler is half a gigabyte: only `make prove` installs it, and runs this for a minute.
@pytest.mark.skipif(bool(mistreated.engine_missing()), reason=mistreated.engine_missing() or "-")
def test_following_coverage_finds_nothing(tmp_path):
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    for number, vector in enumerate(VECTORS):
        (corpus / f"{number}").write_bytes(vector["line"].encode("latin-1") + b"\n")
    assert mistreated.explored(mistreated.built(tmp_path, "clang", engine=True), corpus, seconds=5) > 1_000
