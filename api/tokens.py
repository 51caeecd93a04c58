"""Tokens: keys for programs and bookmarks, each good for one thing only, shown once."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Path
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from api.door.book import Scope, Token
from api.door.door import Door
from api.errors import Problem, problems
from api.examples import one
from api.people import DESK_ASKS, DeskAsker, TheAccount, TheCaller, TheDoor
from api.sign_in import AS_PATTERN, formed
from api.wire import Answer

router = APIRouter(prefix="/tokens", tags=["people"])
TOKEN = {"id": 3, "label": "kitchen bookmark", "scope": "stop", "by": "Anna", "created_utc_us": 1764061200000000,
         "expires_utc_us": 1779613200000000}


class NewToken(BaseModel):
    """What the token is for."""

    model_config = ConfigDict(extra="forbid", strict=True)
    label: Annotated[str, Field(min_length=1, max_length=40, examples=["kitchen bookmark"], json_schema_extra=AS_PATTERN,
                                description="Where it is kept; records name it beside you."), AfterValidator(formed)]
    scope: Literal["look", "stop", "operate"] = Field(
        examples=["stop"], description="look: what a viewer sees, without accounts and the desk's audit. "
                                       "stop: Stop heating, and how far it came. operate: what your role may do "
                                       "with runs and schedules, at most an operator's.")
    days: int = Field(ge=1, le=365, examples=[180], description="How long it is good.")


def _view(door: Door, token: Token) -> dict[str, Any]:
    return {"id": token.id, "label": token.label, "scope": token.scope.value,
            "by": door.book.accounts[token.person_id].name, "created_utc_us": token.created_utc_us,
            "expires_utc_us": token.expires_utc_us}


def _seen_by(door: Door, caller: TheCaller, person: DeskAsker) -> list[Token]:
    """Your own; a maintainer sees all."""
    every = sorted(door.book.tokens.values(), key=lambda token: token.id)
    if person.role >= DESK_ASKS["look_after_people"]:
        return every
    return [token for token in every if caller.account and token.person_id == caller.account.id]


@router.get("", summary="Your tokens", responses={**one({"tokens": [TOKEN]}), **problems()})
async def every(caller: TheCaller, person: DeskAsker, door: TheDoor) -> Answer:
    """Those of your account; a maintainer sees everybody's. None of them shows its words again."""
    return Answer({"tokens": [_view(door, token) for token in _seen_by(door, caller, person)]})


@router.post("", status_code=201, summary="Make a token", responses={
    201: {"description": "Keep `token`: it is shown this once.", "content": {"application/json": {"example": {
        **TOKEN, "token": "kq3...", "url": "/stop?key=kq3..."}}}}, **problems("busy", "bad_request", "desk_failing")})
async def make(body: NewToken, account: TheAccount, door: TheDoor) -> Answer:
    """Send it as `Authorization: Bearer TOKEN`. One for stopping also comes as `url`, a page to bookmark: it shows a button,
    and opening it does nothing. It ends with its days, with a new password, or when it is deleted.
    """
    scope = Scope(body.scope)
    words, token = await door.hand_out(account, body.label, scope, body.days)
    url = f"/stop?key={quote(words)}" if scope is Scope.STOP else None
    return Answer({**_view(door, token), "token": words, "url": url}, 201)


@router.delete("/{number}", summary="End a token", responses={
    **one({"ended": 3}), **problems("not_found", "desk_failing")})
async def end(number: Annotated[int, Path(ge=1, le=2**53)], caller: TheCaller, person: DeskAsker, door: TheDoor) -> Answer:
    """At once, for good."""
    found = [token for token in _seen_by(door, caller, person) if token.id == number]
    if not found:
        raise Problem("not_found", f"You have no token {number}.")
    await door.end_tokens(found, person.name)
    return Answer({"ended": number})
