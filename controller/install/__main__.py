"""`python -m controller.install`: the installer alone, where no library is there yet. `make install` calls it."""

from __future__ import annotations

import argparse
import sys

from controller.commands import versions
from controller.commands.out import Out
from controller.exit_codes import Exit


def main(arguments: list[str] | None = None) -> int:
    """One of the four verbs; returns its exit code."""
    made = argparse.ArgumentParser(prog="python -m controller.install", description=versions.__doc__)
    versions.add(made.add_subparsers(dest="verb", required=True, metavar="VERB"))
    options = made.parse_args(arguments)
    out = Out(options.json)
    try:
        return int(options.act(options, out))
    except KeyboardInterrupt:  # before the first step, or once more while they are undone
        out.refuse("Ended by you. What was begun may be half done; give the same command again.")
        return Exit.BROKEN


if __name__ == "__main__":
    sys.exit(main())
