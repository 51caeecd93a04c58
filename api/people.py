"""Who is asking. Until accounts exist everybody on loopback is "local, not signed in".

Of a simulated chamber that is a maintainer; of a real one, or of one that has not been heard of yet, a viewer: it looks
and stops. The controller judges every command again by the role that is passed on.
"""

from __future__ import annotations

from typing import Annotated, NamedTuple

from fastapi import APIRouter, Depends

from api.errors import Problem, problems
from api.parts import Parts, Service
from api.wire import Answer
from controller.core.commands import LEAST_ROLE, PersonRole

LOCAL = "local, not signed in"
DESK_ASKS = {"edit_schedules": PersonRole.OPERATOR, "see_messages": PersonRole.OPERATOR,
             "edit_messages": PersonRole.MAINTAINER}
"""What people do here that the controller has no part in."""

router = APIRouter(tags=["about"])


class Person(NamedTuple):
    """Somebody who asks."""

    name: str
    role: PersonRole

    @property
    def role_name(self) -> str:
        return self.role.name.lower()

    def may(self) -> list[str]:
        """Everything this role may do, run commands and desk work."""
        asks = [ask.value for ask, least in LEAST_ROLE.items() if self.role >= least]
        return asks + [name for name, least in DESK_ASKS.items() if self.role >= least]


def role_of(service: Parts) -> PersonRole:
    """The role that loopback has with this chamber."""
    settings, now = service.settings, service.hub.now
    simulated = settings.demo or (now is not None and now["chamber"]["simulated"] is True)
    return PersonRole.MAINTAINER if simulated and not settings.real else PersonRole.VIEWER


async def asker(service: Service) -> Person:
    return Person(LOCAL, role_of(service))


Asker = Annotated[Person, Depends(asker)]


async def editor(person: Asker) -> Person:
    """Somebody who may edit schedules."""
    if person.role < DESK_ASKS["edit_schedules"]:
        raise Problem("not_allowed_role", f"Editing schedules needs the role operator; {person.name} is "
                                          f"{person.role_name} of a real chamber, or of one not heard of yet.")
    return person


Editor = Annotated[Person, Depends(editor)]


@router.get("/me", summary="Who am I, and what may I do", responses=problems())
async def me(person: Asker) -> Answer:
    """Your name, your role, and the names of everything that role may ask for.

    A name in `may` is not a promise: whether it is possible now stands in `possible` of `/now`.
    """
    return Answer({"name": person.name, "role": person.role_name, "may": person.may()})
