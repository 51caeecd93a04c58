"""Random secrets and their digests. A secret has 256 random bits, so a plain SHA-256 of it cannot be turned back."""

from __future__ import annotations

import hashlib
import hmac
import secrets

BYTES = 32
LENGTH_MAX = 100
"""Longer is none of ours, and is not digested."""


def new() -> str:
    """A new secret, in letters that fit a cookie, a header and an address."""
    return secrets.token_urlsafe(BYTES)


def digest(secret: str) -> bytes:
    """What is kept of a secret."""
    return hashlib.sha256(secret[:LENGTH_MAX + 1].encode()).digest()


class Proofs:
    """Marks for forms: this process gave the form to whoever sends it back. They end with the process."""

    def __init__(self) -> None:
        self._key = secrets.token_bytes(BYTES)

    def of(self, whom: str) -> str:
        """The mark for one identity."""
        return hmac.new(self._key, whom.encode(), hashlib.sha256).hexdigest()

    def fits(self, whom: str, mark: str) -> bool:
        return hmac.compare_digest(self.of(whom).encode(), mark.encode())
