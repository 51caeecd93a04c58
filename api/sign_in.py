"""Coming in and going out: a code makes an account, name and password make a session, and a session can be ended."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Request
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from api.commands import Nothing
from api.desk.store import note
from api.door.caller import cookies, set_cookie
from api.door.door import SESSION_S, Signed
from api.door.names import FORM, FORM_WORDS, alike, is_hidden, kept, scripts
from api.door.passwords import DIFFERENT, LONGEST, SHORTEST
from api.errors import Responses, problems
from api.parts import WholeHouse
from api.people import TheAccount, TheCaller, TheDoor
from api.wire import Answer

RESERVED = frozenset({"local", "demo", "trip", "the program"})
"""Names that records use for no person."""

AS_PATTERN = {"pattern": f"^{FORM.pattern}$"}
"""Of names, for the OpenAPI text."""

router = APIRouter(tags=["people"])


def _plain(name: Any) -> Any:
    return kept(name) if isinstance(name, str) else name


def formed(name: str) -> str:
    """A name of the form that all names and labels have."""
    if not FORM.fullmatch(name):
        raise PydanticCustomError("name_form", FORM_WORDS)
    return name


def spelled(name: str) -> str:
    """The name as it is kept; a mistake of the request for one that could pass for another."""
    formed(name)
    if alike(name) in RESERVED:
        raise PydanticCustomError("reserved_name", "a name that this program does not use itself")
    if len(scripts(name)) > 1 or is_hidden(name):
        raise PydanticCustomError("mixed_scripts", "letters of one script, none of them hidden")
    return name


def _varied(password: str) -> str:
    """Not one letter many times over (NIST SP 800-63B asks to turn away what is repetitive)."""
    if len(set(password)) < DIFFERENT:
        raise PydanticCustomError("few_letters", "at least {least} different characters", {"least": DIFFERENT})
    return password


Name = Annotated[str, Field(min_length=1, max_length=40, examples=["Anna"], json_schema_extra=AS_PATTERN,
                            description=f"1 to 40 characters of one script: {FORM_WORDS}."),
                 BeforeValidator(_plain), AfterValidator(spelled)]
Password = Annotated[str, Field(min_length=SHORTEST, max_length=LONGEST, examples=["slow oven, warm bread"],
                                description=f"{SHORTEST} to {LONGEST} characters, {DIFFERENT} different ones at least. "
                                            "A short sentence is easy to keep."), AfterValidator(_varied)]
Given = Annotated[str, Field(min_length=1, max_length=LONGEST)]


class Join(BaseModel):
    """A code, and how the new account is to be called."""

    model_config = ConfigDict(extra="forbid", strict=True)
    code: str = Field(min_length=4, max_length=60, examples=["68UK-RV8U-WZCG-GR8A"],
                      description="As it was shown; case and hyphens do not count.")
    name: Name
    password: Password


class SignIn(BaseModel):
    """Name and password."""

    model_config = ConfigDict(extra="forbid", strict=True)
    name: Annotated[str, Field(min_length=1, max_length=80, examples=["Anna"])]
    password: Annotated[str, Field(min_length=1, max_length=LONGEST, examples=["slow oven, warm bread"])]


class NewPassword(BaseModel):
    """The old one, to be sure that it is you, and the new one."""

    model_config = ConfigDict(extra="forbid", strict=True)
    old: Given
    new: Password


def signed(example: dict[str, Any], status: int = 200) -> Responses:
    return {status: {"description": "Signed in. The cookie `soakwarden_session` comes with it.", "headers": {"Set-Cookie": {
        "schema": {"type": "string"}, "description": "soakwarden_session=...; HttpOnly; SameSite=Strict"}},
        "content": {"application/json": {"example": example}}}}


ME = {"id": 1, "name": "Anna", "role": "maintainer", "expires_utc_us": 1766653200000000}


def address_of(request: Request) -> str:
    """Where the request's connection comes from. What a header says of it is not believed."""
    return request.client.host if request.client else "unknown"


def with_cookie(request: Request, signed_in: Signed, door: TheDoor, status: int = 200, **more: Any) -> Answer:
    """The answer that brings the session."""
    account = signed_in.account
    answer = Answer({"id": account.id, "name": account.name, "role": account.role.name.lower(),
                     "expires_utc_us": signed_in.session.expires_utc_us, **more}, status)
    secure = door.hosts.secure(request.scope, request.headers.get("host", ""))
    answer.headers["set-cookie"] = set_cookie(signed_in.secret, SESSION_S, secure)
    return answer


@router.post("/join", status_code=201, summary="Make an account with a one-time code", responses={
    **signed(ME, 201), **problems("wrong_code", "name_taken", "too_many_tries", "bad_request", "desk_failing")})
async def join(body: Join, request: Request, door: TheDoor) -> Answer:
    """The first account takes the code that the service printed where it runs, and becomes maintainer; every other one an
    invitation. A code from `soakwarden account code` also gives an existing name a new password and the role maintainer.
    """
    return with_cookie(request, await door.join(body.code, body.name, body.password, address_of(request)), door, 201)


@router.post("/sign-in", summary="Sign in with name and password", responses={
    **signed(ME), **problems("wrong_sign_in", "too_many_tries", "bad_request", "desk_failing")})
async def sign_in(body: SignIn, request: Request, door: TheDoor) -> Answer:
    """Answers with the cookie `soakwarden_session`, good for 30 days or until it is ended: by signing out, by a new password,
    by another role. A program sends the cookie back, or uses a token instead. A session that was sent along ends.
    """
    old = cookies(request.headers)
    return with_cookie(request, await door.sign_in(kept(body.name), body.password, address_of(request), old), door)


@router.post("/sign-out", summary="Sign out: end this session", responses={
    200: {"description": "The session is over.", "content": {"application/json": {"example": {"signed_out": True}}}},
    **problems("desk_failing")})
async def sign_out(found: TheCaller, _body: Nothing, request: Request, door: TheDoor, house: WholeHouse) -> Answer:
    """Ends this session for good: its cookie, kept by whomever, is good for nothing. On this computer without a sign-in
    there is nothing to end, and `signed_out` is false."""
    ended, account = await door.end_sessions([found.digest]), found.account
    if ended and account is not None:
        await house.first.desk.do(lambda connection: note(connection, account.name, "signed out", f"person {account.id}"))
    answer = Answer({"signed_out": bool(ended)})
    secure = door.hosts.secure(request.scope, request.headers.get("host", ""))
    answer.headers["set-cookie"] = set_cookie("", 0, secure)
    return answer


@router.post("/me/password", summary="Change your password", responses={
    **signed({**ME, "sessions_ended": 2, "tokens_ended": 1}),
    **problems("wrong_sign_in", "too_many_tries", "bad_request", "desk_failing")})
async def change_password(body: NewPassword, mine: TheAccount, request: Request, door: TheDoor) -> Answer:
    """Ends every session and every token of yours, bookmarks with a stop key among them; this browser gets a new session."""
    fresh, sessions, tokens = await door.change_password(mine, body.old, body.new, address_of(request))
    return with_cookie(request, fresh, door, sessions_ended=sessions, tokens_ended=tokens)
