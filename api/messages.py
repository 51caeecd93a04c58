"""Messages: filled in by the messenger's branch."""

from __future__ import annotations

from api.parts import Parts


async def arrival(service: Parts) -> tuple[str, int] | None:
    """The newest arrival: (channel, age in µs)."""
    return None
