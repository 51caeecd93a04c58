"""Before heat is left alone: what a person answers, what the machine knows by itself, and what is still lacking.

An unattended start needs every question of the checklist answered with yes, a message that has reached a person within the
last day, and a messenger that works. It is judged when the start is asked for and again when the arm button is pressed.
Whether that person then leaves is advice, and no gate.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.core.schedule import Mistake

ARRIVAL_HOLDS_US = 24 * 3_600 * 1_000_000
NOT_HEARD = "the messenger has not been heard"
"""Of the messenger, until it says something."""
NEVER_US = -1


class Question(NamedTuple):
    """One line of the checklist: a statement to agree to, and the reason for it."""

    id: str
    words: str
    why: str


CHECKLIST = (
    Question("smoke_alarm", "I have pressed the test button of the smoke alarm in the room and heard it from where I sleep.",
             "The chamber's own guards see temperatures; only the alarm sees smoke."),
    Question("clear_space", "Nothing that burns is within arm's reach of the chamber, and its base does not burn.",
             "If the case fails, fire needs something to go on with."),
    Question("not_a_way_out", "It stands neither on a way out of the building nor in a room where somebody sleeps.",
             "A fire there would cut people off, or find them asleep."),
    Question("no_extension_lead", "It is plugged straight into a wall socket, without an extension lead or a strip.",
             "Leads and strips grow hot at their contacts under hours of load."),
    Question("ventilation", "The room is aired for what this plastic gives off, and nobody stays in it.",
             "Warm plastics give off fumes; some irritate, some harm."),
    Question("household_told", "Everybody in the building knows what normal looks like and where the wall switch is.",
             "Whoever smells something first must know what to switch off, and when to get out."),
)  # fmt: skip
"""Common practice, no source. Local rules and a licensed electrician's advice go before it."""
QUESTION_IDS = frozenset(question.id for question in CHECKLIST)


class Leaving(NamedTuple):
    """What came with an unattended start."""

    answers: tuple[str, ...]
    """Ids of the questions answered with yes."""
    arrived_age_us: int
    """How long before the command a message was last pressed as arrived; `NEVER_US` for never."""
    channel: str
    """By which channel it came."""
    way: str = ""
    """The mark of that channel as it was then, which the messenger knows too; empty: not told."""


NOTHING_SAID = Leaving((), NEVER_US, "")


def lacking(said: Leaving | None, since_us: int, messages_why: str) -> list[Mistake]:
    """What still lacks `since_us` after the start was asked for; empty when the heat may be left alone.

    `messages_why` says why messages cannot leave; empty while they can.
    """
    leaving = said or NOTHING_SAID
    missing = [
        Mistake(question.id, "no answer", "yes", question.words)
        for question in CHECKLIST
        if question.id not in leaving.answers
    ]
    age_us = leaving.arrived_age_us
    if age_us == NEVER_US:
        missing.append(
            Mistake(
                "message_arrived", "never", "within the last 24 h", "Send a test message and press the button in it."
            )
        )
    elif age_us + since_us >= ARRIVAL_HOLDS_US:
        hours = (age_us + since_us) // 3_600_000_000
        missing.append(
            Mistake("message_arrived", f"{hours} h ago", "within the last 24 h", "Send a test message again.")
        )
    if messages_why:
        missing.append(
            Mistake("messenger", messages_why, "every channel works", "Mend what the sheet Messages names; then start.")
        )
    return missing
