"""Small JSON files that must be whole or count as absent: written atomically, sealed by a checksum.

A file is `{"body": ..., "sha256": ...}` in one fixed rendering. Reading demands that the checksum is that of the body
and that the bytes are exactly what writing this body would give, so that any changed, cut or added byte is noticed.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

FILE_MAX_BYTES = 262_144


class Unsealed(Exception):
    """The file is missing, unreadable or not as it was written. `reason` says which, in words."""

    def __init__(self, path: Path, reason: str) -> None:
        self.path = path
        self.reason = reason
        super().__init__(f"{path}: {reason}")


def render(body: dict[str, Any]) -> bytes:
    """The bytes of a sealed file with this body. `body` holds plain JSON: no NaN, no other types."""
    inner = json.dumps(body, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    seal = hashlib.sha256(inner.encode()).hexdigest()
    document = {"body": body, "sha256": seal}
    return (json.dumps(document, sort_keys=True, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()


def read(path: Path) -> dict[str, Any]:
    """The body of a sealed file. Raises Unsealed for every way in which it may not be trusted."""
    try:
        with path.open("rb") as file:
            data = file.read(FILE_MAX_BYTES + 1)
    except FileNotFoundError:
        raise Unsealed(path, "the file is missing") from None
    except OSError as error:
        raise Unsealed(path, f"cannot be read: {error.strerror}") from error
    if len(data) > FILE_MAX_BYTES:
        raise Unsealed(path, f"longer than {FILE_MAX_BYTES} bytes")
    body = _body(path, data)
    if render(body) != data:
        raise Unsealed(path, "changed since it was written: the checksum does not fit")
    return body


def _body(path: Path, data: bytes) -> dict[str, Any]:
    try:
        document = json.loads(data.decode())
        body = document["body"]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise Unsealed(path, "not a whole sealed file: cut, or changed by another program") from error
    if not isinstance(body, dict):
        raise Unsealed(path, "not a whole sealed file: the body is no object")
    return body


def write(path: Path, body: dict[str, Any], mode: int = 0o666) -> None:
    """Replace the file: write beside it, fsync, rename, fsync the folder. Raises OSError; the old file then stands.

    `mode` is what others may do with it, less what this process's umask takes away; it holds from the first byte on.
    """
    data = render(body)
    beside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with open(beside, "wb", opener=lambda name, flags: os.open(name, flags, mode)) as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
