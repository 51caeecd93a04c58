"""The command line: one verb a module of `controller.commands`. `soakwarden --help` lists verbs and exit codes."""

from __future__ import annotations

import argparse
import sys

from controller.commands import account, board, chamber, doctor, listen, prove, rehearse, replay, serve, versions
from controller.commands.out import Out
from controller.exit_codes import Exit, table

VERBS = (serve, chamber, prove, rehearse, replay, doctor, board, account, listen, versions)
SIMULATE = "simulate"
EPILOG = f"""\
exit codes:
{table()}

With --json each command prints one JSON object a line on standard output, its result last; progress and reasons for people go
to standard error. `simulate` always prints JSON. "Stop heating" on the page is a stop of the heat by software: keep a
switch that cuts the power within reach of somebody, outside the danger.
"""


def parser() -> argparse.ArgumentParser:
    """All verbs."""
    made = argparse.ArgumentParser(
        prog="soakwarden", epilog=EPILOG, formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Runs long, slow heat treatments in a home-built chamber, and switches off when anything looks wrong.")
    verbs = made.add_subparsers(dest="verb", required=True, metavar="VERB")
    for verb in VERBS:
        verb.add(verbs)
    verbs.add_parser(SIMULATE, add_help=False, help="a simulated board on a pseudo-terminal (simulate --help)")
    return made


def main(arguments: list[str] | None = None) -> int:
    """Carry out one verb; returns its exit code."""
    words = sys.argv[1:] if arguments is None else arguments
    if words[:1] == [SIMULATE]:
        # Loaded here only: no other verb needs a simulation but rehearse, and the board has its own options.
        from controller.chamber.peer import main as simulate

        return simulate([word for word in words[1:] if word != "--json"])
    options = parser().parse_args(words)
    out = Out(options.json)
    try:
        return int(options.act(options, out))
    except KeyboardInterrupt:
        out.refuse("Ended by you.")
        return Exit.BROKEN


if __name__ == "__main__":
    sys.exit(main())
