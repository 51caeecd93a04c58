"""What commands print: sentences for people, or with `--json` one JSON object a line on standard output.

Progress goes to standard error, so that a result can be piped.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Mapping
from typing import Any

BAR_WIDTH = 30
BAR_EVERY_S = 0.1


class Out:
    """Prints for one command."""

    def __init__(self, as_json: bool) -> None:
        self.as_json = as_json
        self._bar_s = 0.0
        self._bar_shown = False

    def say(self, text: str, **fields: Any) -> None:
        """One line: the sentence, or an object with it and what it was made of."""
        line = json.dumps({"say": text, **fields}, ensure_ascii=False) if self.as_json else text
        _print(line)

    def result(self, fields: Mapping[str, Any], text: str) -> None:
        """The last thing a command says."""
        _print(json.dumps(dict(fields), ensure_ascii=False) if self.as_json else text)

    def refuse(self, text: str, **fields: Any) -> None:
        """Why a command does not do it; on standard error, for programs also on standard output."""
        self.bar_done()
        if self.as_json:
            _print(json.dumps({"error": text, **fields}, ensure_ascii=False))
        print(text, file=sys.stderr, flush=True)

    def bar(self, share: float, words: str) -> None:
        """A progress bar, at most ten times a second, and only where somebody can watch it."""
        if not sys.stderr.isatty() or time.monotonic() - self._bar_s < BAR_EVERY_S:
            return
        self._bar_s, self._bar_shown = time.monotonic(), True
        full = round(BAR_WIDTH * min(1.0, max(0.0, share)))
        print(f"\r{'#' * full}{'.' * (BAR_WIDTH - full)} {share * 100:3.0f} % {words:<40.40}", end="", file=sys.stderr,
              flush=True)

    def bar_done(self) -> None:
        """End the bar's line."""
        if self._bar_shown:
            print(file=sys.stderr)
            self._bar_shown = False


def _print(line: str) -> None:
    """In one piece: several threads of a `serve` tell at once, and a line must not end within another."""
    print(f"{line}\n", end="", flush=True)
