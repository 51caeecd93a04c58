"""Writes proofs.json from its own thread. A proof that passed counts once it is on the disk. What failed or changed counts at
once, written or not: a disk that refuses never leaves a chamber more than it may do."""

from __future__ import annotations

import threading
from pathlib import Path

from controller.commissioning import store
from controller.commissioning.store import Kept

RETRY_S = 10.0
"""A disk that refused is tried again this often, and at once when the process ends."""
ASIDE = ".set-aside"


class ProofKeeper:
    """Keeps one file; only the newest wish is written."""

    def __init__(self, path: Path, first: Kept) -> None:
        """`first` is what `path` holds; a file that cannot be read is moved aside before anything is written in its place."""
        self._path = path
        self._aside = bool(first.unreadable)
        self._changed = threading.Condition()
        self._wish = first
        self.written = first
        """What is on the disk. Good news counts only from here. Read by anybody; replaced whole."""
        self._closing = False
        self.failing = ""
        """Why the last write failed, in words; empty while it works."""
        self._thread = threading.Thread(target=self._work, name="proofs", daemon=True)
        self._thread.start()

    @property
    def wish(self) -> Kept:
        """What the file is to hold."""
        return self._wish

    def keep(self, kept: Kept) -> None:
        """Have the file hold this. Never blocks on the disk."""
        with self._changed:
            self._wish = kept
            self._changed.notify_all()

    def set_aside(self) -> None:
        """Before the next write, move what is there out of the way: it is of another board."""
        self._aside = True

    def wait(self, timeout_s: float) -> bool:
        """Wait until the newest wish is written. False when it is not by then."""
        with self._changed:
            return self._changed.wait_for(lambda: self._wish is self.written, timeout_s)

    def close(self, timeout_s: float) -> bool:
        """Write what is still wished and end. False when the disk did not answer in time."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(timeout_s)
        return not self._thread.is_alive() and not self.failing

    def _work(self) -> None:
        while True:
            with self._changed:
                wait_s = RETRY_S if self.failing else None
                self._changed.wait_for(self._due, wait_s)
                wish, closing = self._wish, self._closing
            if wish is not self.written:
                self._write(wish)
            if closing:
                return

    def _due(self) -> bool:
        return self._closing or (not self.failing and self._wish is not self.written)

    def _write(self, wish: Kept) -> None:
        try:
            if self._aside and self._path.exists():
                self._path.replace(self._path.with_name(self._path.name + ASIDE))
            self._aside = False
            store.write(self._path, wish)
        except OSError as error:
            self.failing = f"proofs.json: {error.strerror or error}"
            return
        with self._changed:
            self.failing = ""
            self.written = wish
            self._changed.notify_all()
