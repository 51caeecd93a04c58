"""What is sent to say who is told: names, addresses, keys. A mistake is told in plain words, and no secret is repeated."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, model_validator

from api.errors import Problem
from controller.messenger.channels import KEY_PATTERN, NAME_MAX, URL_MAX
from controller.messenger.words import shortened

URL_PATTERN = r"^[A-Za-z][A-Za-z0-9+.-]{0,30}://\S*$"
WEB_PATTERN = r"^https?://[^\s/]+(/\S*)?$"
TYPED_ANEW = "Nothing was kept: correct it and send it again."
"""The advice beside what is allowed; both are shown, so neither repeats the other."""
NAME_PATTERN = r"^\S(.*\S)?$"


def wrong(field: str, value: str, allowed: str, advice: str, detail: str = "") -> Problem:
    """One field that has to be corrected. `detail`: the sentence for those who see no fields."""
    row = {"field": field, "value": value, "allowed": allowed, "advice": advice}
    return Problem("bad_request", f"{field}: {detail or advice}", [row])


def _plainly(least: int, most: int, pattern: str, allowed: str, shows: bool = False) -> BeforeValidator:
    """Judges a field before the schema does, in plain words, and without repeating what may be a secret."""
    def judge(given: Any, of: ValidationInfo) -> Any:
        text = given if isinstance(given, str) and given.isprintable() else None
        if given is None or (text is not None and least <= len(text) <= most and re.fullmatch(pattern, text)):
            return given
        shown = shortened(given, 60) if shows and isinstance(given, str) else ""
        raise wrong(str(of.field_name), shown, allowed, TYPED_ANEW, f"Enter {allowed}.")

    return BeforeValidator(judge)


Name = Annotated[str, Field(min_length=1, max_length=NAME_MAX, pattern=NAME_PATTERN), _plainly(
    1, NAME_MAX, NAME_PATTERN, f"1 to {NAME_MAX} characters that neither begin nor end with a space", True)]
Url = Annotated[str, Field(min_length=6, max_length=URL_MAX, pattern=URL_PATTERN,
                           description="In apprise's form, as `mailto://…` or `json://…`. It is never shown again."), _plainly(
    6, URL_MAX, URL_PATTERN, f"an address as kind://…, of at most {URL_MAX} characters and without spaces; a space in a "
    "password is written %20")]
WebUrl = Annotated[str, Field(min_length=8, max_length=URL_MAX, pattern=WEB_PATTERN), _plainly(
    8, URL_MAX, WEB_PATTERN, f"an address that begins with http:// or https://, of at most {URL_MAX} characters and without "
    "spaces")]
Secret = Annotated[str, Field(pattern=KEY_PATTERN, description="Hexadecimal, as `soakwarden listen` prints it; or empty."),
                   _plainly(0, 128, KEY_PATTERN, "32 to 128 hexadecimal digits, as the listener prints them, or nothing")]
Least = Literal["for_information", "can_wait", "get_up", "get_out"]


class Strict(BaseModel):
    """No field but these, each of its own type."""

    model_config = ConfigDict(extra="forbid", strict=True)

    @model_validator(mode="before")
    @classmethod
    def _repeats_nothing(cls, given: Any) -> Any:
        """A secret that stands in a field of a wrong name is not repeated either."""
        if not isinstance(given, dict):
            raise wrong("body", "", "an object", "Send one JSON object.")
        strange = next((name for name in given if name not in cls.model_fields), None)
        if strange is not None:
            raise wrong(shortened(str(strange), 60), "", "no such field", f"Known are {', '.join(cls.model_fields)}.")
        return given


class PageBody(Strict):
    """Where people reach the page, for the links in messages."""

    page: WebUrl


class ChannelBody(Strict):
    """A new channel."""

    name: Name
    url: Url
    least: Least = "can_wait"


class ChannelChange(Strict):
    """A changed channel; without `url` it keeps its address."""

    name: Name
    url: Url | None = None
    least: Least


class BeatBody(Strict):
    """A new receiver of the heartbeat."""

    name: Name
    url: WebUrl
    key: Secret = ""


class BeatChange(Strict):
    """A changed receiver; without `url` or `key` it keeps its own."""

    name: Name
    url: WebUrl | None = None
    key: Secret | None = None
