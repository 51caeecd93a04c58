"""Before you leave: what a person answers, what the machine knows by itself, and the card for whoever stays.

What is asked and what counts is the controller's to judge (`controller.core.leaving`); here it is shown, and a start's answers
are put together with the newest message that arrived.
"""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter

from api.examples import LEAVING, one
from api.messages import Arrived, arrival, newest_or_never
from api.parts import Parts, Service
from api.wire import Answer
from controller.core.leaving import ARRIVAL_HOLDS_US, CHECKLIST
from controller.core.setup import LEVEL_WORDS, Level

router = APIRouter(tags=["runs"])

CARD = {
    "title": "A heating chamber is on in this building",
    "normal": ["It is warm to the touch, and it hums or clicks now and then.",
               "The page shows a sentence without a mark, and the age of its data in seconds.",
               "A faint smell of warm plastic in its room is usual; smoke, a sharp smell or a glow are not."],
    "do": ["With an account, stop it by the button Stop heating on the page, or on the plain page /stop.",
           "Without one, stop it by the stop bookmark, on the device that is named on this card.",
           "If in doubt, switch off its circuit or pull its plug, from outside the room if you can.",
           "The wall switch or breaker is here: ______________________",
           "Smoke, flame or a burning smell: get everybody out, shut the door behind you, call the fire service."],
    "dont": ["Do not open the door of a chamber that smokes.",
             "Do not put your hand on it: parts of it are hotter than they look.",
             "Off is not isolated: unplug it before you reach in."],
    "small": "Follow local rules and the advice of a licensed electrician; this card replaces neither.",
}  # fmt: skip
"""Common practice, no source. It says nothing about who is at home."""


@router.get("/leaving", summary="What has to be answered before an unattended start", responses=one(LEAVING))
async def leaving(service: Service) -> Answer:
    """`checklist`: statements to agree to, sent back by their `id` with the start. `machine`: what the machine knows by
    itself, with `how` to get what is not `done`. `card`: words to print for everybody in the building."""
    now = service.hub.now if not service.hub.away else None
    return Answer({"checklist": [question._asdict() for question in CHECKLIST],
                   "machine": [_arrived(await arrival(service)), *_live(now)], "card": CARD})


async def said(service: Parts, answers: list[str]) -> dict[str, Any]:
    """The `leaving` of a start command: a person's answers, and the newest arrival."""
    found = await newest_or_never(service)
    return {"answers": answers, "arrived_age_us": found.age_us, "channel": found.channel, "way": found.way}


def _arrived(found: Arrived | None) -> dict[str, Any]:
    done = found is not None and found.age_us < ARRIVAL_HOLDS_US
    detail = "No message has arrived yet." if found is None else (
        f"A message by {found.channel} arrived {found.age_us // 3_600_000_000} h ago; it counts for 24 h.")
    return {"id": "message_arrived", "words": "A test message reached you.", "done": done, "detail": detail,
            "how": "Send a test message and press the button in it, by a channel that takes more than “get out”: the sheet "
                   "Messages."}


def _armed_for_the_next(now: dict[str, Any]) -> bool:
    """A press that holds; one that a run on was started with is used up, though the snapshot has it as armed."""
    return now["armed_until_utc_us"] is not None or bool(now["pending"] and now["pending"]["armed"])


def _live(now: dict[str, Any] | None) -> list[dict[str, Any]]:
    """Rows from the controller's snapshot; each open while it is not heard."""
    away = "The controller is not heard."
    failing = away if now is None else now["messages"]["words"]
    level = now is not None and now["chamber"]["may_do"] == LEVEL_WORDS[Level.UNATTENDED]
    armed = now is not None and _armed_for_the_next(now)
    chamber = now["chamber"] if now else {"may_do_why": away, "next_thing": ""}
    return [
        {"id": "messenger", "words": "Messages can leave.", "done": not failing, "detail": failing,
         "how": "Look at the sheet Messages: it names the channel and what its provider answered."},
        {"id": "level", "words": "This chamber may run unattended.", "done": level, "detail": chamber["may_do_why"],
         "how": chamber["next_thing"] or "The sheet Chamber says what it may do."},
        {"id": "armed", "words": "The arm button was pressed at the chamber.", "done": armed,
         "detail": "Pressed." if armed else "It is pressed last, with the door shut; the start waits for it.",
         "how": "Press the button at the chamber once the start is asked for."},
    ]
