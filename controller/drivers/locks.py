"""One controller for one data folder and one port: a second start is refused, and no lock outlives its holder."""

from __future__ import annotations

import fcntl
import os
import socket
from pathlib import Path
from typing import IO


class Taken(Exception):
    """Another controller holds it. The text says what, who and what to do."""


def lock_folder(folder: Path, name: str = "lock") -> IO[str]:
    """Hold the data folder as long as the returned file stays open. Raises Taken; OSError when it cannot be written."""
    file = (folder / name).open("a+")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.seek(0)
        holder = file.read(20).strip() or "unknown"
        file.close()
        raise Taken(f"data folder {folder} is in use by process {holder}; end that one first, or name another with "
                    "--data") from None
    file.truncate(0)
    file.write(f"{os.getpid()}\n")
    file.flush()
    return file


def lock_port(path: str) -> socket.socket:
    """Hold a serial port as long as the returned socket stays open. Raises Taken.

    The lock is an abstract socket name: it needs no folder that all users may write, ends with its process whatever
    happens, and, unlike a lock on the device itself, the port need not be opened (which resets many boards) to see it.
    """
    real = os.path.realpath(path)
    holder = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    try:
        holder.bind(f"\0soakwarden-port:{real}"[:100])
    except OSError:
        holder.close()
        raise Taken(f"serial port {path} is in use by another controller; end that one first, or name another with "
                    "--port") from None
    return holder
