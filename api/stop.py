""""Stop heating": both switches off now. Asynchronous to the bone: no thread, no database, no key on its path."""

from __future__ import annotations

import re

from fastapi import APIRouter

from api.commands import SENT, Command, Nothing
from api.errors import Responses, problems
from api.parts import Service
from api.wire import Answer
from controller.core.commands import Ask

LOOK_S = 1.0
KEY = re.compile(r"[\x21-\x7e]{8,80}")
CAME: Responses = {200: {"description": "How far it came.", "content": {"application/json": {"example": {
    "chamber": "Bench chamber", "by": "Anna (kitchen bookmark)", "accepted_utc_us": 1764061234000000,
    "off_seen_utc_us": 1764061234480000, "heat_off": True, "still_on": False}}}}}

router = APIRouter(tags=["heat"])


@router.post("/stop-heating", summary="Stop heating, now", responses={**SENT, **problems("controller_away", "no_answer")})
async def stop_heating(asked: Command, _body: Nothing) -> Answer:
    """Both switches off at once (ISA-88 Abort). Anybody who sees the page may; it is possible in every state.

    Send `{}` as `application/json`: what a plain form could send is refused here as on every route, so that no foreign
    page can press it (`curl --json '{}'`).

    Where one service shows several chambers, `/api/v1/at/NAME/stop-heating` stops the one called NAME (GET /chambers lists
    them), and without `at/NAME` the first is meant: `chamber` in the answer says which one it was.

    The header Idempotency-Key says that this is the same press as before, sent again because its answer was lost: while the
    heat is still off by it, it is answered as before and not counted twice. Whatever stands in it never refuses a stop.

    The answer means *accepted*. Whether the heat was seen off stands in `/stop-heating/last`, `/now` and the stream.
    If there is no answer, switch off at the chamber: this is not an emergency stop, and off is not isolated.
    """
    key = asked.request.headers.get("idempotency-key", "")
    ref = f"stop-{key}" if KEY.fullmatch(key) else ""
    done, now = await asked.give(Ask.STOP_HEATING, ref=ref), asked.service.hub.now
    return Answer({**done, "at": asked.service.at, "chamber": now["chamber"]["name"] if now else asked.service.at})


@router.get("/stop-heating/last", summary="How far the last stop came", responses={
    **CAME, **problems("controller_away", "no_answer")})
async def how_far(service: Service) -> Answer:
    """The newest stop of this chamber, by a person or a trip: who, when it was accepted, when the heat was seen off. It is
    asked of the controller by itself and needs no stream. `heat_off` null means that the board is not heard; `still_on`
    true means that somebody has to cut the power. A token for stopping may ask this too.
    """
    now = (await service.upstream.ask("now", timeout_s=LOOK_S))["now"]
    stop = now["stop"]
    return Answer({"chamber": now["chamber"]["name"], "by": stop["by"], "accepted_utc_us": stop["accepted_utc_us"],
                   "off_seen_utc_us": stop["off_seen_utc_us"], "heat_off": now.get("heat_off"),
                   "still_on": bool(now.get("still_on"))})
