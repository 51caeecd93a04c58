"""The one place where answers become bytes: JSON without NaN, whatever a dictionary holds."""

from __future__ import annotations

import json
import math
from typing import Any

from starlette.responses import JSONResponse

COMPACT = (",", ":")


def encode(content: Any) -> bytes:
    """UTF-8 JSON. A number that is not finite leaves as null: it was never a number that somebody may act on. Half of a
    surrogate pair, which JSON can bring in and UTF-8 cannot carry out, leaves as a question mark."""
    try:
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=COMPACT)
    except ValueError:
        text = json.dumps(finite(content), ensure_ascii=False, allow_nan=False, separators=COMPACT)
    return text.encode(errors="replace")


def finite(content: Any) -> Any:
    """The same content with every NaN and infinity replaced by None. JSON nests no deeper than its parser allows."""
    if isinstance(content, float):
        return content if math.isfinite(content) else None
    if isinstance(content, dict):
        return {key: finite(value) for key, value in content.items()}
    if isinstance(content, (list, tuple)):
        return [finite(value) for value in content]
    return content


class Answer(JSONResponse):
    """A JSON answer that nobody may keep: everything under /api is true only now."""

    def __init__(self, content: Any, status_code: int = 200, headers: dict[str, str] | None = None) -> None:
        super().__init__(content, status_code, {"Cache-Control": "no-store", **(headers or {})})

    def render(self, content: Any) -> bytes:
        return encode(content)
