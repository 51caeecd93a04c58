"""Giving a command to the controller, and the answer that a repeated request gets.

The controller judges; a refusal becomes the problem with its code. With an Idempotency-Key the same request is carried
out once: the key is claimed before the command leaves and the answer is kept, also across a restart of this service.
"""

from __future__ import annotations

import asyncio
import hashlib
import uuid
from collections.abc import Awaitable, Callable
from dataclasses import asdict
from typing import Annotated, Any, NamedTuple

from fastapi import Depends, Header, Request
from pydantic import BaseModel, ConfigDict

from api.desk import keys
from api.errors import MEDIA_TYPE, PROBLEMS, Problem, Responses
from api.parts import Parts, Service
from api.people import Asker, Person
from api.wire import Answer
from controller.core.commands import Ask
from controller.core.schedule import Schedule

NOT_DONE = frozenset({"controller_away"})
"""Problems after which the command certainly did not happen: the key is free again."""
NOT_KNOWN = frozenset({"no_answer", "controller_error"})
"""Problems after which nobody knows: the key stays claimed without an answer."""
REFUSALS = ("not_allowed_role", "not_possible_state", "latched", "busy", "controller_away", "no_answer")
SENT: Responses = {200: {"description": "The controller's tick has judged it and carries it out.", "content": {
    "application/json": {"example": {"ask": "hold", "detail": "running to holding", "run_id": "27", "state": "holding"}}}}}


class Nothing(BaseModel):
    """An empty object. A body is asked for because a foreign page cannot send JSON without permission."""

    model_config = ConfigDict(extra="forbid", strict=True)


Key = Annotated[str | None, Header(alias="Idempotency-Key", min_length=8, max_length=80, pattern=r"^[\x21-\x7e]+$",
                                   description="A random text, new for each intended command. Repeating a request with "
                                               "the same key gives the same answer and does nothing more.")]


class Asked(NamedTuple):
    """Everything that a command route needs of its request."""

    request: Request
    service: Parts
    person: Person

    async def give(self, ask: Ask, *, ref: str = "", name: str = "", schedule: Schedule | None = None,
                   level: str = "unattended", at_utc_us: int = 0, leaving: dict[str, Any] | None = None,
                   trial: str = "") -> dict[str, Any]:
        """Send one command and wait until a tick has judged it. Raises Problem."""
        command = {"ask": ask.value, "by": self.person.name, "role": self.person.role_name,
                   "ref": ref or f"api-{uuid.uuid4().hex[:12]}", "schedule": asdict(schedule) if schedule else None,
                   "level": level, "name": name, "value": 0, "at_utc_us": at_utc_us, "leaving": leaving,
                   **({"trial": trial} if trial else {})}
        return await self.service.upstream.ask("command", command=command)

    async def once(self, key: str | None, work: Callable[[], Awaitable[tuple[int, dict[str, Any]]]]) -> Answer:
        """Do `work` (giving status and answer) unless `key` was seen before; then its first answer, again."""
        if key is None:
            status, answer = await work()
            return Answer(answer, status)
        running = self.request.app.state.keys_running
        while key in running:
            await asyncio.shield(running[key])
        running[key] = asyncio.get_running_loop().create_future()
        try:
            return await self._claimed(key, work)
        finally:
            running.pop(key).set_result(None)

    async def _claimed(self, key: str, work: Callable[[], Awaitable[tuple[int, dict[str, Any]]]]) -> Answer:
        by, desk = self.person.name, self.service.desk
        body = await self.request.body()
        digest = hashlib.sha256(f"{self.request.method} {self.request.url.path}\n".encode() + body).digest()
        before = await desk.do(lambda connection: keys.claim(connection, key, by, digest))
        if before is not None:
            return _kept(before)
        try:
            status, answer = await work()
        except Problem as problem:
            if problem.code in NOT_DONE:
                await desk.do(lambda connection: keys.release(connection, key, by))
            elif problem.code not in NOT_KNOWN:
                status, answer = PROBLEMS[problem.code].status, problem.body()
                await desk.do(lambda connection: keys.answered(connection, key, by, status, answer))
            raise
        await desk.do(lambda connection: keys.answered(connection, key, by, status, answer))
        return Answer(answer, status)


def _kept(stored: keys.Stored) -> Answer:
    answer = Answer(stored.answer, stored.status, {"Idempotency-Replayed": "true"})
    if stored.status >= 400:
        answer.headers["content-type"] = MEDIA_TYPE
    return answer


async def _asked(request: Request, service: Service, person: Asker) -> Asked:
    return Asked(request, service, person)


Command = Annotated[Asked, Depends(_asked)]
