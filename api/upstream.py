"""The api's side of the controller's socket: one connection that follows and fills the hub, and one for each question.

Neither uses a thread or a database, so "Stop heating" waits for nothing but the controller.
"""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path
from typing import Any

from api.errors import PROBLEMS, Problem
from api.hub import Hub
from controller.client import Client, Misunderstood, Refused, Unreachable

RETRY_S = (0.2, 0.4, 0.8, 1.5, 2.0)
NEVER_SENT = (FileNotFoundError, ConnectionRefusedError, PermissionError)
"""What only connecting can raise: after these the question certainly never arrived."""

log = logging.getLogger("api.upstream")


class Upstream:
    """Asks the controller, and keeps `hub` filled while `follow_for_ever` runs."""

    def __init__(self, path: Path, hub: Hub) -> None:
        self._client, self._path, self.hub = Client(path), path, hub

    async def ask(self, do: str, timeout_s: float | None = None, **fields: Any) -> dict[str, Any]:
        """The `ok` of one question. Raises Problem: controller_away (it was never asked), no_answer (it may have been
        done all the same), or what the controller refused."""
        client = self._client if timeout_s is None else Client(self._path, timeout_s)
        try:
            return await client.ask(do, **fields)
        except Refused as refused:
            code = refused.code if refused.code in PROBLEMS else "controller_error"
            raise Problem(code, refused.reason, refused.mistakes) from None
        except Unreachable as error:
            never_sent = isinstance(error.__context__, NEVER_SENT)
            raise Problem("controller_away" if never_sent else "no_answer", f"{do}: {error.plain}.") from None
        except (Misunderstood, ValueError, KeyError) as error:
            raise Problem("controller_error", f"{do}: {error}.") from None

    async def follow_for_ever(self) -> None:
        """Keep the hub filled; after a loss come back with the last id, so that no tick is missing."""
        attempt = 0
        while True:
            followed = self._client.follow(self.hub.now["id"] if self.hub.now else None)
            try:
                async for message in followed:
                    self._take(message)
                    attempt = 0
            except (Unreachable, Misunderstood) as error:
                self.hub.lost(error.plain if isinstance(error, Unreachable) else error.reason)
            except (ValueError, KeyError, TypeError) as error:
                # a controller of another version: say so on the page, and try again
                log.warning("what the controller tells cannot be read: %s: %s", type(error).__name__, error)
                self.hub.lost(f"what the controller tells cannot be read ({type(error).__name__}: {error})")
            finally:
                await followed.aclose()
            await asyncio.sleep(RETRY_S[min(attempt, len(RETRY_S) - 1)])
            attempt += 1

    def _take(self, message: dict[str, Any]) -> None:
        if "rows" in message:
            self.hub.begin(message["resumed"], message["rows"], message["now"])
        elif message["push"] == "tick":
            self.hub.push(message)
