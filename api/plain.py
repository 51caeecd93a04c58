"""Pages without any script: text, style sheets of the page, forms. They work when nothing else does.

Everything that is filled in is escaped unless it is `Html` already. Such a page may run no script at all, may send its form
to this very host only, and tells this host alone where a request came from, so that the form's origin can be checked.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from html import escape
from typing import Any
from urllib.parse import parse_qsl

from starlette.requests import Request
from starlette.responses import Response

from api.headers import POLICY

PLAIN_POLICY = "; ".join(rule for rule in POLICY.split("; ")
                         if not rule.startswith(("script-src", "connect-src", "worker-src", "manifest-src")))
HEADERS = {"Content-Security-Policy": PLAIN_POLICY, "Referrer-Policy": "same-origin", "Cache-Control": "no-store"}
FIELDS_MAX = 12
SHEETS = ("tokens", "lines", "sheet", "plain")


class Html(str):
    """Text that is markup already."""


def fill(template: str, **values: Any) -> Html:
    """The template with every {name} filled in and escaped."""
    return Html(template.format(**{name: value if isinstance(value, Html) else escape(str(value))
                                   for name, value in values.items()}))


def joined(parts: Iterable[Html]) -> Html:
    return Html("\n".join(parts))


PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover">
<meta name="color-scheme" content="light dark">
<meta name="robots" content="noindex">
<title>{title}</title>
<link rel="icon" href="/icon.svg" type="image/svg+xml">
{sheets}
</head>
<body class="alone">
<main>
{body}
</main>
</body>
</html>
"""


def page(title: str, body: Html, status: int = 200, again_s: int | None = None, again_at: str = "",
         headers: dict[str, str] | None = None) -> Response:
    """A whole page; with `again_s` the browser loads it (or `again_at`) anew after so many seconds."""
    sheets = joined(fill('<link rel="stylesheet" href="/style/{name}.css">', name=name) for name in SHEETS)
    found = {**HEADERS, **(headers or {})}
    if again_s is not None:
        found["Refresh"] = f"{again_s}; url={again_at}" if again_at else str(again_s)
    return Response(fill(PAGE, title=title, sheets=sheets, body=body), status, found, "text/html; charset=utf-8")


def see_other(address: str, headers: dict[str, str] | None = None) -> Response:
    """After a form: look there, with a GET (RFC 9110, 15.4.4), so that loading it again sends nothing again."""
    return Response(status_code=303, headers={**HEADERS, "Location": address, **(headers or {})})


async def form(request: Request) -> dict[str, str]:
    """What a form sent; the first value of each name. Anything unreadable is an empty form."""
    try:
        pairs = parse_qsl((await request.body()).decode(), keep_blank_values=True, max_num_fields=FIELDS_MAX)
    except ValueError:
        return {}
    return dict(reversed(pairs))


def clock(utc_us: int | None, tenths: bool = True) -> str:
    """A time of day as this computer's clock shows it."""
    if utc_us is None:
        return ""
    words = time.strftime("%H:%M:%S", time.localtime(utc_us // 1_000_000))
    return f"{words}.{utc_us // 100_000 % 10}" if tenths else words


def day(utc_us: int) -> str:
    """A date as this computer's clock shows it."""
    return time.strftime("%-d %B %Y", time.localtime(utc_us // 1_000_000))


def age(us: int) -> str:
    """How long ago, in words."""
    seconds = us / 1_000_000
    if seconds < 10:
        return f"{seconds:.1f} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7_200 else f"{seconds / 3_600:.0f} h"
