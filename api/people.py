"""Who is asking, and what that lets them do.

The door (`api.door`) has recognised the caller already: by a token, by the cookie of a session, or as somebody at this very
computer, who is "local, not signed in". Of a simulated chamber that is a maintainer; of a real one, or of one that has not
been heard of yet, a viewer: it looks and stops. People who signed in have their own role with every chamber. The controller
judges every command again by the role that is passed on.
"""

from __future__ import annotations

from typing import Annotated, NamedTuple

from fastapi import APIRouter, Depends, Request

from api.door.book import Account, Scope
from api.door.caller import Caller
from api.door.door import Door
from api.errors import CHALLENGE, Problem, problems
from api.parts import House, Parts, Service, WholeHouse
from api.wire import Answer
from controller.core.commands import LEAST_ROLE, Ask, PersonRole
from controller.messenger.words import LOCAL

DESK_ASKS = {"edit_schedules": PersonRole.OPERATOR, "write_notes": PersonRole.OPERATOR,
             "see_messages": PersonRole.OPERATOR, "edit_messages": PersonRole.MAINTAINER,
             "look_after_people": PersonRole.MAINTAINER, "prove": PersonRole.MAINTAINER}
"""What people do here that is no command of the controller's tick."""
TOKEN_CANNOT = frozenset({"look_after_people", "edit_messages"})
EXAMPLE = {"name": "Anna", "role": "operator", "via": "session", "may": ["start", "hold", "stop_heating"], "accounts": True,
           "expires_utc_us": 1766653200000000}

router = APIRouter(tags=["people"])


class Person(NamedTuple):
    """Somebody who asks."""

    name: str
    role: PersonRole
    via: str = "local"
    scope: Scope | None = None
    """Of a token."""

    @property
    def role_name(self) -> str:
        return self.role.name.lower()

    def may(self) -> list[str]:
        """Everything this role may do, run commands and desk work."""
        if self.scope in (Scope.LOOK, Scope.STOP):
            return [Ask.STOP_HEATING.value] if self.scope is Scope.STOP else []
        asks = [ask.value for ask, least in LEAST_ROLE.items() if self.role >= least]
        desk = [name for name, least in DESK_ASKS.items() if self.role >= least]
        return asks + [name for name in desk if not (self.scope and name in TOKEN_CANNOT)]


def role_of(service: Parts) -> PersonRole:
    """The role that this computer has with one chamber, without a sign-in."""
    settings, now = service.settings, service.hub.now
    simulated = settings.demo or (now is not None and now["chamber"]["simulated"] is True)
    return PersonRole.MAINTAINER if simulated and not settings.real else PersonRole.VIEWER


def desk_role(house: House) -> PersonRole:
    """The same for what all chambers share, schedules and people: one real chamber counts for all."""
    return min(role_of(one) for one in house)


def person_of(caller: Caller, local: PersonRole) -> Person:
    """`local` is the role of this computer where it asks itself."""
    account = caller.account
    if account is None:
        return Person(LOCAL, local, caller.via)
    if caller.scope is None:
        return Person(account.name, account.role, caller.via)
    most = PersonRole.OPERATOR if caller.scope is Scope.OPERATE else PersonRole.VIEWER
    return Person(f"{account.name} ({caller.label})", min(account.role, most), caller.via, caller.scope)


async def door(request: Request) -> Door:
    """Asynchronous though it waits for nothing, as every dependency here."""
    found = request.app.state.door
    assert isinstance(found, Door)
    return found


async def who(request: Request) -> Caller | None:
    """Whoever was recognised, on the few addresses that need nobody."""
    found = request.scope["caller"]
    assert found is None or isinstance(found, Caller)
    return found


Who = Annotated[Caller | None, Depends(who)]


async def caller(found: Who) -> Caller:
    if found is None:
        raise Problem("signed_out", "This needs an account, and nobody is signed in.", headers=CHALLENGE)
    return found


TheDoor = Annotated[Door, Depends(door)]
TheCaller = Annotated[Caller, Depends(caller)]


async def asker(found: TheCaller, service: Service) -> Person:
    return person_of(found, role_of(service))


async def desk_asker(found: TheCaller, house: WholeHouse) -> Person:
    return person_of(found, desk_role(house))


Asker = Annotated[Person, Depends(asker)]
DeskAsker = Annotated[Person, Depends(desk_asker)]


async def editor(person: DeskAsker) -> Person:
    """Somebody who may edit schedules."""
    return need(person, "edit_schedules", "Editing schedules")


async def maintainer(person: DeskAsker) -> Person:
    """Somebody who looks after accounts."""
    return need(person, "look_after_people", "Looking after accounts")


def need(person: Person, what: str, words: str) -> Person:
    """The person, if their role may do `what` of `DESK_ASKS`; `words` begin the sentence of the refusal. Raises Problem."""
    least = DESK_ASKS[what]
    if person.role < least:
        whose = " of a real chamber, or of one not heard of yet" if person.name == LOCAL else ""
        raise Problem("not_allowed_role", f"{words} needs the role {least.name.lower()}; {person.name} is "
                                          f"{person.role_name}{whose}.")
    return person


async def note_taker(person: Asker) -> Person:
    """Somebody who may write on a run of this chamber."""
    return need(person, "write_notes", "Writing notes")


Editor = Annotated[Person, Depends(editor)]
NoteTaker = Annotated[Person, Depends(note_taker)]
Maintainer = Annotated[Person, Depends(maintainer)]


async def account(found: TheCaller) -> Account:
    """The account of whoever asks: this computer without a sign-in has none."""
    if found.account is None:
        raise Problem("signed_out", "This belongs to an account, and nobody is signed in.", headers=CHALLENGE)
    return found.account


TheAccount = Annotated[Account, Depends(account)]


@router.get("/me", summary="Who am I, and what may I do", responses={
    200: {"description": "You.", "content": {"application/json": {"example": EXAMPLE}}}, **problems()})
async def me(found: Who, service: Service, entrance: TheDoor) -> Answer:
    """Your name, your role, how you came in (`local`, `session`, `token`), and the names of everything you may ask for.

    Everything is null when nobody is signed in. `accounts` says whether there is any account yet. A name in `may` is not a
    promise: whether it is possible now stands in `possible` of `/now`.
    """
    person = person_of(found, role_of(service)) if found else None
    return Answer({"name": person and person.name, "role": person and person.role_name, "via": person and person.via,
                   "may": person.may() if person else [], "accounts": bool(entrance.book.accounts),
                   "expires_utc_us": found.expires_utc_us if found else None})
