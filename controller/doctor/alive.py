"""`python -m controller.doctor.alive SOCKET ASK`: code 0 when a process answers there. For containers' health checks."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from controller.client import Client, ControllerError
from controller.exit_codes import Exit

ASK_S = 5.0


def main(words: list[str]) -> int:
    """0 when it answers, 2 for a wrong command line, 10 when it does not."""
    if len(words) != 2:
        return Exit.USAGE
    try:
        asyncio.run(Client(Path(words[0]), ASK_S).ask(words[1]))
    except (ControllerError, ValueError, KeyError):
        return Exit.PEER
    return Exit.GOOD


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
