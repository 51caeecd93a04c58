"""People: who has an account, with which role; invitations; what was done at the desk. For maintainers."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, ConfigDict, Field

from api.desk.accounts import audit_rows
from api.desk.store import utc_us
from api.door.book import Account, Code
from api.door.door import PROGRAM, Door
from api.errors import problems
from api.examples import one
from api.parts import Service
from api.people import Maintainer, TheDoor
from api.wire import Answer
from controller.core.commands import PersonRole

router = APIRouter(tags=["people"])
Number = Annotated[int, Path(ge=1, le=2**53, description="The person's number, from /people.")]
PERSON = {"id": 2, "name": "Ben", "role": "operator", "created_utc_us": 1764061200000000, "created_by": "Anna", "sessions": 1,
          "tokens": 0}
INVITATION = {"id": "8d1f0c5a7be2a940", "role": "viewer", "created_utc_us": 1764061200000000,
              "expires_utc_us": 1764147600000000, "by": "Anna"}
LINE = {"id": 7, "utc_us": 1764061200000000, "by": "Anna", "what": "changed the role", "about": "person 2",
        "detail": "viewer to operator"}


class Role(BaseModel):
    """Viewer: look, stop, acknowledge. Operator: also start and steer, edit schedules. Maintainer: everything."""

    model_config = ConfigDict(extra="forbid", strict=True)
    role: Literal["viewer", "operator", "maintainer"] = Field(examples=["operator"])


def _person(door: Door, account: Account) -> dict[str, Any]:
    return {"id": account.id, "name": account.name, "role": account.role.name.lower(),
            "created_utc_us": account.created_utc_us, "created_by": account.created_by,
            "sessions": len(door.book.sessions_of(account.id)), "tokens": len(door.book.tokens_of(account.id))}


def _invitation(code: Code) -> dict[str, Any]:
    return {"id": code.id, "role": code.role.name.lower(), "created_utc_us": code.created_utc_us,
            "expires_utc_us": code.expires_utc_us, "by": code.by}


@router.get("/people", summary="Everybody with an account", responses={
    **one({"people": [PERSON], "invitations": [INVITATION]}), **problems("not_allowed_role")})
async def every(_asked: Maintainer, door: TheDoor) -> Answer:
    """Accounts in the order in which they were made, and invitations that nobody has used yet."""
    door.drop_old_codes(utc_us())
    return Answer({"people": [_person(door, found) for found in sorted(door.book.accounts.values())],
                   "invitations": [_invitation(code) for code in door.book.codes.values() if code.by != PROGRAM]})


@router.post("/people/invitations", status_code=201, summary="Invite somebody", responses={
    201: {"description": "Tell the code to that person; it is shown this once.", "content": {"application/json": {
        "example": {"code": "68UK-RV8U-WZCG-GR8A", **INVITATION}}}},
    **problems("not_allowed_role", "busy", "bad_request", "desk_failing")})
async def invite(body: Role, person: Maintainer, door: TheDoor) -> Answer:
    """Makes a code that is good for one account with this role, for 24 h. Who has it uses /join."""
    words, code = await door.invite(PersonRole[body.role.upper()], person.name)
    return Answer({"code": words, **_invitation(code)}, 201)


@router.delete("/people/invitations/{identity}", summary="Take an invitation back", responses={
    **one({"taken_back": INVITATION["id"]}), **problems("not_allowed_role", "not_found", "desk_failing")})
async def take_back(identity: Annotated[str, Path(max_length=40)], person: Maintainer, door: TheDoor) -> Answer:
    """Its code is good for nothing from now on."""
    await door.take_back(identity, person.name)
    return Answer({"taken_back": identity})


@router.put("/people/{number}", summary="Give somebody another role", responses={
    **one(PERSON), **problems("not_allowed_role", "not_found", "last_maintainer", "bad_request", "desk_failing")})
async def change_role(number: Number, body: Role, person: Maintainer, door: TheDoor) -> Answer:
    """That person's sessions end; tokens stay, and can do no more than the new role."""
    return Answer(_person(door, await door.change_role(number, PersonRole[body.role.upper()], person.name)))


@router.delete("/people/{number}", summary="Take an account away", responses={
    **one({"removed": 2}), **problems("not_allowed_role", "not_found", "last_maintainer", "desk_failing")})
async def remove(number: Number, person: Maintainer, door: TheDoor) -> Answer:
    """Sessions and tokens end at once. What that person did stays in the records under the name."""
    await door.remove(number, person.name)
    return Answer({"removed": number})


@router.get("/desk/audit", summary="What was done at the desk", responses={
    **one({"lines": [LINE]}), **problems("not_allowed_role", "bad_request", "desk_failing")})
async def audit(_asked: Maintainer, service: Service, limit: Annotated[int, Query(ge=1, le=1000)] = 200) -> Answer:
    """People, tokens, channels and schedules: who changed what, newest first. Commands about heat are in the record
    of their chamber instead (/events)."""
    return Answer({"lines": await service.desk.do(lambda connection: audit_rows(connection, limit))})
