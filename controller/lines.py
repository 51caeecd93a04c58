"""The lines of the local socket: one JSON object each, and the errors that are answered to what is none."""

from __future__ import annotations

import json
from typing import Any

LINE_MAX_BYTES = 256 * 1024
Json = dict[str, Any]


class Error(Exception):
    """A line that is no ask: code and reason for the asker."""

    def __init__(self, code: str, reason: str, fatal: bool = False) -> None:
        self.code = code
        self.reason = reason
        self.fatal = fatal
        super().__init__(reason)


def decoded(line: bytes) -> Json:
    """Raises Error."""
    if len(line) > LINE_MAX_BYTES:
        raise Error("too_long", f"a line has at most {LINE_MAX_BYTES} bytes")
    try:
        ask = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise Error("bad_json", f"the line is no JSON: {error}"[:200]) from None
    if not isinstance(ask, dict):
        raise Error("bad_json", "the line is no JSON object")
    return ask


def encoded(data: Json) -> bytes:
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode() + b"\n"


def error_line(error: Error) -> Json:
    return {"error": {"code": error.code, "reason": error.reason}}
