"""Passwords: argon2id, one at a time on a thread of its own, a few waiting, the rest turned away.

19 MiB, two passes, one lane: OWASP's password storage cheat sheet, from memory. One worker bounds what a flood of tries can
take: one core and 19 MiB, on a computer that also runs the controller (which has its own process and needs neither).
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, TypeVar

from api.door import secret
from api.errors import Problem

if TYPE_CHECKING:
    from argon2 import PasswordHasher

T = TypeVar("T")
M_MMAP_THRESHOLD = -3
"""Of glibc's malloc.h."""
LARGE_BYTES = 1024 * 1024
MEMORY_KIB, PASSES, LANES = 19 * 1024, 2, 1
WAITING_MAX = 8
SHORTEST, LONGEST = 10, 200
DIFFERENT = 5
"""So many different characters at least."""


def large_blocks_apart() -> None:
    """Let the C library give large blocks back to the system as soon as they are freed: by itself it would learn from the
    first 19 MiB to keep the next. Another C library than glibc has its own ways."""
    with contextlib.suppress(AttributeError, OSError):
        ctypes.CDLL(None).mallopt(M_MMAP_THRESHOLD, LARGE_BYTES)


class Passwords:
    """Makes and compares hashes. An account that does not exist costs the same time as one that does."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="password")
        self._hasher: PasswordHasher | None = None
        self._nobody = ""
        self._waiting = 0

    async def hash(self, password: str) -> str:
        """What is kept of a password."""
        return await self._soon(self._hash, password)

    async def fits(self, kept: str | None, password: str) -> bool:
        """Whether a password belongs to `kept`; None stands for an account that is not there."""
        return await self._soon(self._fits, kept, password)

    async def _soon(self, work: Callable[..., T], *given: str | None) -> T:
        if self._waiting >= WAITING_MAX:
            raise Problem("too_many_tries", f"{self._waiting} others are being looked at.", headers={"Retry-After": "2"})
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._thread, work, *given)
        finally:
            self._waiting -= 1

    def _ready(self) -> PasswordHasher:
        """Loaded with the first password: a service without accounts does not pay for it."""
        if self._hasher is None:
            from argon2 import PasswordHasher

            large_blocks_apart()
            self._hasher = PasswordHasher(time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=LANES)
            self._nobody = self._hasher.hash(secret.new())
        return self._hasher

    def _hash(self, password: str) -> str:
        return self._ready().hash(password)

    def _fits(self, kept: str | None, password: str) -> bool:
        from argon2.exceptions import InvalidHashError, VerificationError

        hasher = self._ready()
        try:
            hasher.verify(kept or self._nobody, password)
        except (VerificationError, InvalidHashError):
            return False
        return kept is not None

    def close(self) -> None:
        self._thread.shutdown(wait=True, cancel_futures=True)
