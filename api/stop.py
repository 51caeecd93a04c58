""""Stop heating": both switches off now. Asynchronous to the bone: no thread, no database, no key on its path."""

from __future__ import annotations

from fastapi import APIRouter

from api.commands import SENT, Command, Nothing
from api.errors import problems
from api.wire import Answer
from controller.core.commands import Ask

router = APIRouter(tags=["heat"])


@router.post("/stop-heating", summary="Stop heating, now", responses={**SENT, **problems("controller_away", "no_answer")})
async def stop_heating(asked: Command, _body: Nothing) -> Answer:
    """Both switches off at once (ISA-88 Abort). Anybody who sees the page may; it is possible in every state.

    Send `{}` as `application/json`: what a plain form could send is refused here as on every route, so that no foreign
    page can press it (`curl --json '{}'`).

    The answer means *accepted*. Whether the heat was seen off stands in `stop.off_seen_utc_us` of `/now` and the stream.
    If there is no answer, switch off at the chamber: this is not an emergency stop, and off is not isolated.
    """
    return Answer(await asked.give(Ask.STOP_HEATING))
