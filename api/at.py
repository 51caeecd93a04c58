"""Which chamber a request is about: `/api/v1/at/NAME/now` is `/api/v1/now` of the chamber called NAME.

Without `at/NAME` the first chamber is meant, so that a service with one chamber has short addresses. The name is that of
the chamber's data folder, as `GET /chambers` lists it.
"""

from __future__ import annotations

from starlette.types import ASGIApp, Receive, Scope, Send

from api.errors import PREFIX, Problem

BEGINS = f"{PREFIX}/at/"


def bare(path: str) -> str:
    """The same address without `at/NAME`."""
    return f"{PREFIX}/{path[len(BEGINS):].partition('/')[2]}" if path.startswith(BEGINS) else path


class At:
    """ASGI middleware: takes the chamber's name out of the path and leaves it in the scope as `at`."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["path"].startswith(BEGINS):
            name, _, rest = scope["path"][len(BEGINS):].partition("/")
            if scope["app"].state.house.find(name) is None or not name:
                problem = Problem("not_found", f"There is no chamber {name[:40]!r}; /chambers lists them.")
                await problem.answer()(scope, receive, send)
                return
            path = f"{PREFIX}/{rest}"
            scope = {**scope, "at": name, "path": path, "raw_path": path.encode()}
        await self.app(scope, receive, send)
