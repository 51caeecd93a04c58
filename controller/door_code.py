"""One-time codes: made for people to copy, compared by their digest, and left as a file by who may write the desk folder.

The file is how somebody who has lost the password comes back in: no network reaches it, only a user of this computer with
the right to write there. It holds a digest, so reading it is of no use.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from pathlib import Path
from typing import NamedTuple

FILE = "door-code.json"
FORMAT = "soakwarden-door-code-1"
LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
"""No I, L, O, 0, 1: they are taken for each other on a phone."""
GROUPS, GROUP = 4, 4
"""16 of 31 letters: 79 bits, more than anybody can try within a day."""
GOOD_FOR_US = 24 * 3_600 * 1_000_000
SIZE_MAX = 1_000
OTHERS_MAY_WRITE = 0o022


class Left(NamedTuple):
    """What the file says: the digest of a code, and until when it is good (UTC µs)."""

    digest: bytes
    expires_utc_us: int


def make() -> str:
    """A new code, as it is shown: four groups of four letters."""
    letters = "".join(secrets.choice(LETTERS) for _ in range(GROUPS * GROUP))
    return "-".join(letters[at:at + GROUP] for at in range(0, len(letters), GROUP))


def digest(code: str) -> bytes:
    """SHA-256 of a code as somebody typed it: case, blanks and hyphens do not count."""
    plain = "".join(letter for letter in code.upper() if letter.isalnum())
    return hashlib.sha256(f"soakwarden code {plain}".encode()).digest()


def leave(folder: Path, code: str, now_utc_us: int) -> Path:
    """Write the file for `code`, readable by the owner of the folder alone. Raises OSError."""
    path, fresh = folder / FILE, folder / f"{FILE}.new"
    body = {"format": FORMAT, "digest": digest(code).hex(), "expires_utc_us": now_utc_us + GOOD_FOR_US}
    fresh.unlink(missing_ok=True)
    opened = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(opened, "w", encoding="utf-8") as file:
        json.dump(body, file)
        owner = folder.stat()
        if os.geteuid() == 0:  # else the service, which runs as the folder's owner, could not read it
            os.fchown(file.fileno(), owner.st_uid, owner.st_gid)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
    return path


def found(folder: Path) -> Left | None:
    """What the file says, or None: there is none, others may write it, or it is no such file."""
    path = folder / FILE
    try:
        opened = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        with os.fdopen(opened, encoding="utf-8") as file:
            stat = os.fstat(file.fileno())
            if stat.st_uid not in (os.geteuid(), 0) or stat.st_mode & OTHERS_MAY_WRITE:
                return None
            body = json.loads(file.read(SIZE_MAX))
        if body["format"] != FORMAT:
            return None
        return Left(bytes.fromhex(body["digest"]), int(body["expires_utc_us"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def take_away(folder: Path) -> None:
    """The code was used. Raises OSError when the file stays: then the code must not count."""
    (folder / FILE).unlink()
