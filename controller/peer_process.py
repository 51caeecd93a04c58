"""A board program as a child process, in lock-step on its standard input and output: protocol v1's appendix.

The child moves its clock when told to and says when it is done, so the controller never waits on real time but for a
child that has stopped answering. Simulated by construction: no device is ever opened, and a command that names one is
refused.
"""

from __future__ import annotations

import os
import selectors
import shlex
import subprocess
from pathlib import Path

ANSWER_S = 20.0
STRETCH_MAX_BYTES = 1 << 20
"""No board says this much in one second of its time."""
END_S = 2.0


class PeerFailed(Exception):
    """The child did not do its part. The text says how."""


class Peer:
    """One child. Use as a context manager: it is ended on leaving."""

    lock_step = True

    def __init__(self, command: str, answer_s: float = ANSWER_S) -> None:
        words = checked(command)
        self._answer_s = answer_s
        self._asked_us = 0
        try:
            self._child = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)
        except OSError as error:
            raise PeerFailed(f"{words[0]}: {error.strerror}") from None
        assert self._child.stdin is not None and self._child.stdout is not None
        self._to, self._from = self._child.stdin.fileno(), self._child.stdout.fileno()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._from, selectors.EVENT_READ)

    def __enter__(self) -> Peer:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def exchange(self, data: bytes, us: int) -> bytes:
        """Give bytes, have the child run `us`, and give what it said of that stretch. Raises PeerFailed."""
        try:
            os.write(self._to, data + b"@run %d\n" % us)
        except OSError as error:
            raise PeerFailed(f"the peer does not take its input: {error.strerror}{self._ended()}") from None
        said = b""
        while not _finished(said):
            if not self._selector.select(self._answer_s):
                raise PeerFailed(f"the peer did not finish a stretch of {us} µs within {self._answer_s:g} s; it must answer "
                                 "@run with its lines and then @ran")
            part = os.read(self._from, 65_536)
            said += part
            if not part:
                raise PeerFailed(f"the peer closed its output{self._ended()}")
            if len(said) > STRETCH_MAX_BYTES:
                raise PeerFailed(f"the peer said more than {STRETCH_MAX_BYTES} bytes in one stretch")
        self._asked_us += us
        self._keep_time(said, us)
        return said

    def _keep_time(self, said: bytes, us: int) -> None:
        """A peer whose clock is not the sum of its stretches proves nothing: less than one stretch off is rounding."""
        clock = said[:-1].rpartition(b"\n")[2].removeprefix(b"@ran ")
        if not clock.isdigit() or abs(int(clock[:20]) - self._asked_us) >= us:
            raise PeerFailed(f"the peer's clock says {clock[:20].decode(errors='replace')} µs after stretches of "
                             f"{self._asked_us} µs in all; @ran gives its time since it started")

    def close(self) -> None:
        """Close its input, which tells it to end; insist after a while."""
        self._selector.close()
        for pipe in (self._child.stdin, self._child.stdout):
            if pipe is not None:
                pipe.close()
        try:
            self._child.wait(END_S)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()

    def _ended(self) -> str:
        try:
            return f" (exit code {self._child.wait(1.0)})"
        except subprocess.TimeoutExpired:
            return ""


def checked(command: str) -> list[str]:
    """The words of a peer's command line. Raises PeerFailed when it is empty or names anything under /dev."""
    try:
        words = shlex.split(command)
    except ValueError as error:
        raise PeerFailed(f"the command {command!r} cannot be read: {error}") from None
    if not words:
        raise PeerFailed("the command is empty; give the program that speaks protocol v1 on its standard input and output")
    for word in words:
        for part in (word, word.partition("=")[2]):
            if part and is_device(part):
                raise PeerFailed(f"{part} is a device; rehearsal never opens one, it talks to programs only")
    return words


def is_device(word: str) -> bool:
    """Does the word name something under /dev, directly or by a link?"""
    return "/dev/" in word or word == "/dev" or (Path(word).exists() and os.path.realpath(word).startswith("/dev/"))


def _finished(said: bytes) -> bool:
    """Is the last whole line the clock line that ends a stretch?"""
    return said.endswith(b"\n") and said[:-1].rpartition(b"\n")[2].startswith(b"@ran ")
