"""The page that the link of an arrival test opens: GET shows a button and does nothing, POST notes the arrival.

Chat programs and mail filters open links by themselves, so opening one proves nothing. The code in the address is the
right to press: nobody has to be signed in, and nothing but this can be done with it.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from api.desk import arrivals
from api.desk.arrivals import Pressed
from api.parts import WholeHouse
from api.plain import Html, age, fill, form, page

CODE_MAX = 100
NO_BUTTON = Html("")
BODY = '<header><h1>{sentence}</h1><p class="more">{more}</p></header>\n{button}'
BUTTON = """<form method="post" action="/arrived">
<input type="hidden" name="code" value="{code}">
<button class="key">It arrived</button>
</form>"""
ASKED = ("Did this address reach you in a message?", "Then press the button. It is noted that messages arrive where you read "
         "them; it starts nothing and stops nothing.")
SAID = {
    Pressed.NOW: (200, "Noted: messages by “{channel}” arrive.", "This counts for 24 h. You can close this page."),
    Pressed.BEFORE: (200, "This was noted before, {ago} ago.", "So this address is used: messages by “{channel}” "
                                                       "arrived then, and pressing again changes nothing."),
    Pressed.EXPIRED: (410, "This address is too old.", "It could be pressed for 24 h. Send a new trial by “{channel}” from the "
                                                       "page."),
    Pressed.UNKNOWN: (404, "This address is not known.", "Open the newest trial message and press there, or send a new trial "
                                                         "from the page."),
}

router = APIRouter(include_in_schema=False)


def said(sentence: str, more: str, button: Html = NO_BUTTON, status: int = 200) -> Response:
    """A whole page with one sentence, what it means, and perhaps a button."""
    return page("Soakwarden: did it arrive?", fill(BODY, sentence=sentence, more=more, button=button), status)


def answered(pressed: Pressed, channel: str, ago_us: int) -> Response:
    """What became of a press."""
    status, sentence, more = SAID[pressed]
    return said(sentence.format(channel=channel, ago=age(ago_us)), more.format(channel=channel), status=status)


@router.api_route("/arrived", methods=["GET", "HEAD"])
async def ask(house: WholeHouse, code: Annotated[str, Query()] = "") -> Response:
    """Only a button, or why there is none any more: opening a link never acts."""
    found = await house.first.desk.do(lambda connection: arrivals.known(connection, code[:CODE_MAX]))
    if found[0] in (Pressed.BEFORE, Pressed.EXPIRED):
        return answered(*found)
    return said(*ASKED, button=fill(BUTTON, code=code[:CODE_MAX]))


@router.post("/arrived")
async def press(request: Request, house: WholeHouse) -> Response:
    """The press. Tells nothing about codes that are not known, but that they are not."""
    code = (await form(request)).get("code", "")[:CODE_MAX]
    return answered(*await house.first.desk.do(lambda connection: arrivals.press(connection, code)))
