"""Builds and runs the program that mistreats the firmware's reader of frames, with sanitizers on."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import NamedTuple

from tests.board.firmware_core import FIRMWARE, PURE

SOURCE = Path(__file__).parent / "fuzz" / "mistreat.c"
FLAGS = ("-std=c11", "-O1", "-g", "-Wall", "-Wextra", "-Werror", "-fno-omit-frame-pointer",
         "-fno-sanitize-recover=all")
TOO_LONG_S = 900


class Mistreated(NamedTuple):
    """What came of it."""

    frames: int
    whole: int
    """Lines under a good checksum, which the reader had to judge."""
    seed: int


def built(folder: Path, compiler: str = "gcc", engine: bool = False) -> Path:
    """The program, in `folder`. `engine`: the coverage-guided one, which needs clang and its runtime."""
    program = folder / ("mistreat_engine" if engine else "mistreat")
    how = ["-fsanitize=fuzzer,address,undefined"] if engine else ["-fsanitize=address,undefined", "-DOWN_MUTATOR"]
    subprocess.run([compiler, *FLAGS, *how, f"-I{FIRMWARE}", "-o", program, SOURCE,
                    *[FIRMWARE / name for name in PURE]], check=True, timeout=180)
    return program


def mutated(program: Path, frames: int, seed: int) -> Mistreated:
    """Send that many random and mutated frames. Raises CalledProcessError with what the program said when a promise breaks."""
    said = subprocess.run([program, str(frames), str(seed)], check=True, capture_output=True, text=True,
                          timeout=TOO_LONG_S).stdout
    found = re.fullmatch(r"frames (\d+) whole (\d+) seed (\d+)\n", said)
    assert found is not None, said
    return Mistreated(*[int(one) for one in found.groups()])


def explored(program: Path, corpus: Path, seconds: int) -> int:
    """Let the engine follow coverage from `corpus` for so long; gives the inputs tried. Raises CalledProcessError."""
    said = subprocess.run([program, f"-max_total_time={seconds}", "-print_final_stats=1", "-close_fd_mask=1", corpus],
                          check=True, capture_output=True, text=True, cwd=program.parent, timeout=TOO_LONG_S).stderr
    found = re.search(r"number_of_executed_units: (\d+)", said)
    assert found is not None, said[-2000:]
    return int(found[1])


def engine_missing() -> str:
    """Why there is no coverage-guided engine here; empty where there is one."""
    if shutil.which("clang") is None:
        return "clang is missing; on Debian: apt install clang libclang-rt-14-dev"
    return ""
