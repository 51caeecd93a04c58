"""The page that the link of an arrival test opens: GET shows a button and does nothing, POST notes the arrival.

Chat programs and mail filters open links by themselves, so opening one proves nothing. The code in the address is the
right to press: nobody has to be signed in, and nothing but this can be done with it.
"""

from __future__ import annotations

from html import escape
from typing import Annotated
from urllib.parse import parse_qsl

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from api.desk import arrivals
from api.desk.arrivals import Pressed
from api.headers import POLICY
from api.parts import WholeHouse

CODE_MAX = 100
FIELDS_MAX = 4
PLAIN_POLICY = "; ".join(rule for rule in POLICY.split("; ")
                         if not rule.startswith(("script-src", "connect-src", "worker-src", "manifest-src")))
HEADERS = {"Content-Security-Policy": PLAIN_POLICY, "Referrer-Policy": "same-origin", "Cache-Control": "no-store"}
PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover">
<meta name="robots" content="noindex">
<title>Soakwarden: did it arrive?</title>
<link rel="icon" href="/icon.svg" type="image/svg+xml">
{sheets}
</head>
<body class="alone">
<main>
<header><h1>{sentence}</h1><p class="more">{more}</p></header>
{button}
</main>
</body>
</html>
"""
SHEETS = "\n".join(f'<link rel="stylesheet" href="/style/{name}.css">' for name in ("tokens", "lines", "sheet", "plain"))
BUTTON = """<form method="post" action="/arrived">
<input type="hidden" name="code" value="{code}">
<button class="key">It arrived</button>
</form>"""
ASKED = ("Did this address reach you in a message?", "Then press the button. It is noted that messages arrive where you read "
         "them; it starts nothing and stops nothing.")
SAID = {
    Pressed.NOW: (200, "Noted: messages by “{channel}” arrive.", "This counts for 24 h. You can close this page."),
    Pressed.BEFORE: (200, "This was noted before.", "Messages by “{channel}” arrived then; pressing again changes nothing."),
    Pressed.EXPIRED: (410, "This address is too old.", "It could be pressed for 24 h. Send a new trial by “{channel}” from the "
                                                       "page."),
    Pressed.UNKNOWN: (404, "This address is not known.", "Open the newest trial message and press there, or send a new trial "
                                                         "from the page."),
}

router = APIRouter(include_in_schema=False)


def page(sentence: str, more: str, button: str = "", status: int = 200) -> Response:
    """A whole page without script; `button` is markup, the rest is text."""
    text = PAGE.format(sheets=SHEETS, sentence=escape(sentence), more=escape(more), button=button)
    return Response(text, status, HEADERS, "text/html; charset=utf-8")


@router.api_route("/arrived", methods=["GET", "HEAD"])
async def ask(code: Annotated[str, Query()] = "") -> Response:
    """Only a button: opening a link never acts."""
    return page(*ASKED, button=BUTTON.format(code=escape(code[:CODE_MAX])))


@router.post("/arrived")
async def press(request: Request, house: WholeHouse) -> Response:
    """The press. Tells nothing about codes that are not known, but that they are not."""
    code = _code(await request.body())
    pressed, channel = await house.first.desk.do(lambda connection: arrivals.press(connection, code))
    status, sentence, more = SAID[pressed]
    return page(sentence.format(channel=channel), more.format(channel=channel), status=status)


def _code(body: bytes) -> str:
    try:
        fields = dict(parse_qsl(body.decode(), max_num_fields=FIELDS_MAX))
    except ValueError:
        return ""
    return fields.get("code", "")[:CODE_MAX]
