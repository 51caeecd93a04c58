"""What an exit code of ours means. `soakwarden --help` prints this table."""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    """Exit codes of every command."""

    GOOD = 0
    BROKEN = 1
    USAGE = 2
    CHAMBER = 3
    TAKEN = 4
    RECORD = 5
    FILES = 6
    NOT_AS_PLANNED = 7
    DIFFERS = 8
    FINDINGS = 9
    PEER = 10
    BUSY = 11
    WENT_BACK = 12
    NOT_PROVEN = 13


MEANINGS = {
    Exit.GOOD: "done",
    Exit.BROKEN: "a fault of the program itself; the text says where",
    Exit.USAGE: "the command line is wrong",
    Exit.CHAMBER: "the chamber folder or schedule has mistakes; all are listed",
    Exit.TAKEN: "another controller holds the port or the data folder",
    Exit.RECORD: "the record is of a newer version, or is refused; it is untouched",
    Exit.FILES: "a folder, file or run is missing, exists already, or may not be used",
    Exit.NOT_AS_PLANNED: "the rehearsed run tripped, alarmed or did not complete",
    Exit.DIFFERS: "replay gave other outputs than were recorded, or ticks are missing in the record",
    Exit.FINDINGS: "doctor found something that needs you",
    Exit.PEER: "a child process or peer failed or did not answer",
    Exit.BUSY: "a run is on or waits somewhere, so nothing was changed",
    Exit.WENT_BACK: "an installation failed or was ended; what was there before is in place again, or it is told what is not",
    Exit.NOT_PROVEN: "a step of commissioning failed, was ended, or cannot be done now",
}


def table() -> str:
    """The codes for the help text."""
    return "\n".join(f"  {code.value:2}  {MEANINGS[code]}" for code in Exit)
