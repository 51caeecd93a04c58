"""What the supervisor watches: one row a guard, no logic. Order is precedence; trips come first.

A guard stands when `not (value < limit)` has held for `persist_us`; it stops standing when the value is below `clear`.
Limits are names: the numbers live in the chamber file. `watch` names a quantity of `core.watch`. A quantity that nobody
can know counts as standing for the permit, at once, but only the guard made for it trips.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum


class Action(IntEnum):
    """What a guard does when it stands, mildest first."""

    ALARM = 0
    HOLD = 1
    INTERLOCK = 2
    ABORT = 3
    TRIP = 4


class During(StrEnum):
    """When a guard looks."""

    ALWAYS = "always"
    RUN = "in a run"


class Clock(StrEnum):
    """Whose time its persistence counts."""

    BOARD = "board"
    HOST = "host"


class Contact(StrEnum):
    """The permit line's contacts, in drawing order."""

    SENSORS = "sensors"
    BOARD = "board"
    LIMITS = "limits"
    DOOR = "door"
    NO_TRIP = "no trip"
    ON_TIME = "on time"
    ARMED = "armed"


class Urgency(StrEnum):
    """How quickly a person is needed."""

    MORNING = "can wait till morning"
    GET_UP = "get up now"
    EVACUATE = "get out and call the fire service"

    @property
    def rank(self) -> int:
        """0 for the least."""
        return list(Urgency).index(self)


@dataclass(frozen=True, slots=True)
class Guard:
    """One row. Texts are whole sentences, shown as they stand."""

    id: str
    watch: str
    limit: str
    clear: str
    persist_us: int
    action: Action
    during: During
    clock: Clock
    contact: Contact
    urgency: Urgency
    hazards: str
    unit: str
    """Of the watched value as people read it; "K" for a difference of temperatures."""
    cause: str
    why: str
    do: tuple[str, ...]
    worry: str


S1 = 1_000_000
TRIP, ALARM, INTERLOCK, ABORT = Action.TRIP, Action.ALARM, Action.INTERLOCK, Action.ABORT
ALWAYS, RUN = During.ALWAYS, During.RUN
BOARD, HOST = Clock.BOARD, Clock.HOST
SMELL = (
    "You smell burning or the air goes on rising: cut the power from outside the room, keep out, call the fire service."
)
UNPLUG = "Unplug the chamber when you reach it: off is not isolated."

# fmt: off
GUARDS: tuple[Guard, ...] = (
    Guard("not_commissioned", "never", "one", "one", 0, TRIP, ALWAYS, HOST, Contact.NO_TRIP, Urgency.MORNING, "H-43", "",
          "This chamber has not been commissioned.", "Nothing is known yet of its sensors, switches and limits.",
          ("Do the steps of commissioning that need no heat, on the sheet Proofs; then clear this.",), SMELL),
    Guard("ended_in_a_run", "never", "one", "one", 0, TRIP, ALWAYS, HOST, Contact.NO_TRIP, Urgency.GET_UP, "H-16 H-27", "",
          "The controller ended in the middle of a run.", "Nobody watched the chamber from then until now.",
          ("Look at the chamber.", "Read the record up to the gap.", "Clear when the chamber and the part are understood."),
          SMELL),
    Guard("latch_unreadable", "never", "one", "one", 0, TRIP, ALWAYS, HOST, Contact.NO_TRIP, Urgency.MORNING, "H-26", "",
          "The latch file is missing or cannot be read.", "A trip may have been forgotten, so it counts as one.",
          ("Look at the chamber and the record.", "Clear when nothing stands against heating."), SMELL),
    Guard("smoke", "smoke", "one", "one", 0, TRIP, ALWAYS, BOARD, Contact.NO_TRIP, Urgency.EVACUATE, "H-31", "",
          "The smoke contact has closed.", "Smoke means that something already burns or soon will.",
          ("Get everybody out.", "Call the fire service.", "Do not open the chamber."), "You see smoke or flame: stay out."),
    Guard("ceiling", "hottest_mc", "ceiling_mc", "ceiling_clear_mc", 0, TRIP, ALWAYS, BOARD, Contact.LIMITS, Urgency.GET_UP,
          "H-01 H-02 H-05 H-11 H-28", "°C", "A sensor reached the chamber's ceiling.",
          "Above the ceiling the enclosure itself may soften.",
          ("Leave the door shut.", UNPLUG, "Find out what kept heating, then clear."), SMELL),
    Guard("run_ceiling", "hottest_mc", "run_ceiling_mc", "run_ceiling_clear_mc", 0, TRIP, RUN, BOARD, Contact.LIMITS,
          Urgency.GET_UP, "H-01 H-11 H-28 H-30", "°C", "A sensor reached this run's ceiling.",
          "The run's ceiling is set by the material in the chamber.",
          ("Leave the door shut.", UNPLUG, "Find out what kept heating, then clear."), SMELL),
    Guard("limiter_open", "limiter_open", "one", "one", 0, TRIP, ALWAYS, BOARD, Contact.LIMITS, Urgency.GET_UP,
          "H-13 H-15 H-28", "", "The limiter has opened its contact.",
          "The limiter acts only where everything before it failed.",
          ("Leave the door shut.", UNPLUG, "Find the cause before you reset the limiter by hand."), SMELL),
    Guard("rise_with_heat_off", "rise_off_mc", "rise_off_mc", "rise_off_clear_mc", 0, TRIP, ALWAYS, BOARD, Contact.NO_TRIP,
          Urgency.GET_UP, "H-11 H-13", "K", "The air kept rising with the heat off.", "A switch may be stuck on.",
          ("Leave the door shut. It cools on its own.", UNPLUG, "Replace the modulator, then repeat its proof."), SMELL),
    Guard("rising_too_fast", "rise_mc_per_min", "rise_mc_per_min", "rise_clear_mc_per_min", 3 * S1, TRIP, RUN, BOARD,
          Contact.SENSORS, Urgency.GET_UP, "H-05 H-08 H-11", "°C/min", "The air rises faster than this chamber can.",
          "Either the reading is wrong or more heats than the element.",
          ("Leave the door shut.", "Check the control sensor and its wire.", "Clear when the reading is believed."), SMELL),
    Guard("sensor_faulted", "faulted", "one", "one", 1_500_000, TRIP, RUN, BOARD, Contact.SENSORS, Urgency.GET_UP,
          "H-02 H-35", "sensors", "A sensor that the run needs reports a fault.", "Without it nobody knows how hot it is.",
          ("Leave the door shut.", UNPLUG, "Mend the sensor's wire, then clear."), SMELL),
    Guard("sensor_frozen", "frozen_us", "frozen_us", "frozen_us", 0, TRIP, RUN, BOARD, Contact.SENSORS, Urgency.GET_UP,
          "H-06", "s", "A converter has stopped converting.", "The same old number would steer the heat.",
          ("Leave the door shut.", UNPLUG, "Check the converter's wiring and supply, then clear."), SMELL),
    Guard("sensors_disagree", "disagree_mc", "disagree_mc", "disagree_clear_mc", 15 * S1, TRIP, RUN, BOARD, Contact.SENSORS,
          Urgency.GET_UP, "H-01 H-03 H-04 H-05 H-09", "K", "Control and over-temperature sensor disagree.",
          "One of them is not where it should be, or not what it should be.",
          ("Leave the door shut.", UNPLUG, "Cold: check that both sensors sit on their clips, then clear."), SMELL),
    Guard("no_rise", "no_rise_us", "no_rise_us", "no_rise_us", 0, TRIP, RUN, BOARD, Contact.NO_TRIP, Urgency.MORNING,
          "H-01 H-14 H-47", "s", "Full heat for minutes, and no rise.",
          "The element is dead, the supply is gone, or the sensor has left the chamber.",
          ("Check that the control sensor sits on its clip.", UNPLUG, "Cold: check fuse, thermal link and element."), SMELL),
    Guard("board_switched_off", "board_off", "one", "one", 2 * S1, TRIP, RUN, BOARD, Contact.BOARD, Urgency.GET_UP,
          "H-18 H-19 H-20", "", "The board keeps its outputs off for a reason of its own.",
          "The board's own limits stand whatever the controller thinks.",
          ("Read the board's reason on the page.", "Find its cause, then clear."), SMELL),
    Guard("board_changed", "board_changed", "one", "one", 0, TRIP, RUN, BOARD, Contact.BOARD, Urgency.GET_UP,
          "H-19 H-22", "", "The board started anew, or another session took it over.",
          "Nobody knows what the outputs did meanwhile.",
          ("Check the board's supply and cable.", "Look for a second program on the port, then clear."), SMELL),
    Guard("limits_differ", "limits_differ", "one", "one", 3 * S1, TRIP, RUN, BOARD, Contact.LIMITS, Urgency.GET_UP,
          "H-20", "", "The limits in the board are not those of the chamber file.",
          "The board's own ceiling would not act where it should.",
          ("Compare the board's limits with the chamber file.", "Correct them at the board, then clear."), SMELL),
    Guard("heat_stays_on", "unasked_heat", "one", "one", 3 * S1, TRIP, ALWAYS, BOARD, Contact.NO_TRIP, Urgency.GET_UP,
          "H-13", "", "The heat is still on though it is switched off.",
          "A switch is stuck or welded, and nothing here can open it.",
          ("Cut the power from outside the room: pull the plug, or switch off its circuit.",
           "Leave the door shut and stay until it cools.", "Replace the switch, then prove the chamber again."), SMELL),
    Guard("switch_stays_closed", "closed_unasked", "one", "one", 3 * S1, TRIP, ALWAYS, BOARD, Contact.NO_TRIP,
          Urgency.GET_UP, "H-12 H-13", "", "A heater switch reads closed though it was told to open.",
          "It may be welded; then the other switch alone keeps the heat off.",
          ("Unplug the chamber when you reach it: off is not isolated.",
           "Replace the switch that stays closed, then prove the chamber again."), SMELL),
    Guard("start_proof_failed", "proof_failed", "one", "one", 0, TRIP, RUN, HOST, Contact.NO_TRIP, Urgency.GET_UP,
          "H-01 H-03 H-04 H-11 H-12 H-13", "", "The start proof failed.",
          "A switch does not open, or a sensor does not follow the heat.",
          ("Leave the door shut.", UNPLUG, "Do what the proof says is likely wrong, then clear and prove it again."), SMELL),
    Guard("board_silent", "report_age_us", "silence_us", "reading_age_us", 0, TRIP, RUN, HOST, Contact.BOARD, Urgency.GET_UP,
          "H-16 H-17 H-18 H-21 H-22", "s", "The board is silent.", "Without reports nobody knows what the heater does.",
          (UNPLUG, "Check cable and supply. A board that still runs has switched off by itself.",
           "Clear when it reports again."),
          SMELL),
    Guard("run_too_long", "run_us", "run_max_us", "run_max_us", 0, TRIP, RUN, HOST, Contact.ON_TIME, Urgency.MORNING,
          "H-44", "s", "The run passed its longest time, holds included.", "Heat that never ends is nobody's plan.",
          ("Read the record: which segment waited?", "Clear, then start a new run if the part needs it."), SMELL),
    Guard("local_stop", "local_stop", "one", "one", 0, ABORT, ALWAYS, BOARD, Contact.BOARD, Urgency.MORNING, "H-39", "",
          "The local stop at the chamber is pressed.", "Somebody at the chamber wants it off.",
          ("Ask who pressed it.", "Release it; a new start is needed."), SMELL),
    Guard("start_proof_void", "proof_void", "one", "one", 0, ABORT, RUN, HOST, Contact.SENSORS, Urgency.MORNING,
          "H-07 H-14 H-47 H-48", "", "The start proof proves nothing.",
          "No heat begins on a proof that saw no rise, or could not be judged.",
          ("Do what the proof says is likely wrong.", "Start again: the proof is made anew."), SMELL),
    Guard("check_in_overdue", "since_check_in_us", "check_in_us", "check_in_us", 0, INTERLOCK, RUN, HOST, Contact.ARMED,
          Urgency.MORNING, "H-37", "s", "Nobody has checked in for too long.",
          "At this level heat is allowed only while somebody is near.",
          ("Check in with the button at the chamber, or on the page where the run's level takes that.", "Press Go on."), SMELL),
    Guard("door", "door_open", "one", "one", 0, INTERLOCK, RUN, BOARD, Contact.DOOR, Urgency.MORNING, "H-29 H-37", "",
          "The door is open.", "Heat with the door open burns people and treats nothing.",
          ("Shut the door.", "Press Go on: the heat does not come back by itself."), SMELL),
    Guard("reading_stale", "report_age_us", "reading_age_us", "reading_age_us", 0, ALARM, RUN, HOST, Contact.SENSORS,
          Urgency.MORNING, "H-16 H-21 H-24", "s", "The newest reading is old.", "The heat waits until a fresh one comes.",
          ("Nothing yet: it trips by itself if no reading comes.",), SMELL),
    Guard("tick_late", "tick_late_us", "tick_late_us", "tick_late_us", 0, ALARM, RUN, HOST, Contact.ON_TIME,
          Urgency.MORNING, "H-24", "s", "The controller came late.", "The computer is too busy to steer every second.",
          ("Find out what else runs on this computer.",), SMELL),
    Guard("contact_unknown", "contacts_unknown", "one", "one", 10 * S1, ALARM, RUN, BOARD, Contact.SENSORS,
          Urgency.GET_UP, "H-21 H-29 H-31", "contacts", "A contact that this chamber has is not reported.",
          "Heat waits, because nobody knows whether door, stop, smoke or limiter stand against it.",
          ("Read on the page which contact shows unknown.", "Check its wire at the board."), SMELL),
    Guard("mains_gone", "mains_gone", "one", "one", 10 * S1, ALARM, RUN, BOARD, Contact.BOARD, Urgency.MORNING, "H-14", "",
          "There is no mains at the heater.", "The part is under-treated while heat is asked for in vain.",
          ("Look at the plug, the fuse and the wall switch.",
           "The run goes on when the mains comes back; its soak clock counts only time in band."), SMELL),
    Guard("air_above_band", "above_band_mc", "above_band_mc", "above_band_clear_mc", 120 * S1, ALARM, RUN, BOARD,
          Contact.LIMITS, Urgency.MORNING, "H-05 H-11", "K", "The air has been above its band for two minutes.",
          "The part may have been hotter than planned.",
          ("Look at the curve.", "If it goes on rising, stop the heat."), SMELL),
    Guard("not_following", "astray", "one", "one", 300 * S1, ALARM, RUN, HOST, Contact.ON_TIME, Urgency.GET_UP, "H-37 H-47",
          "", "The run does not follow its plan, and it has only begun.",
          "What goes wrong early is best seen early.",
          ("Look at the curve and at the chamber, and stay until it follows.",
           "Check door, fan, load and the control sensor's clip."), SMELL),
    Guard("messages_failing", "messages_failing", "one", "one", 120 * S1, ALARM, RUN, HOST, Contact.ARMED, Urgency.MORNING,
          "H-40", "", "Not every message can leave.",
          "If something went wrong now, perhaps only the sounder here would tell.",
          ("Read here and on the sheet Messages which channel fails, and why.",
           "Until it works, stay where you hear the sounder, or look at the page now and then."), SMELL),
    Guard("board_unheard", "unheard_us", "silence_us", "silence_us", 0, ALARM, ALWAYS, HOST, Contact.BOARD, Urgency.GET_UP,
          "H-18 H-22", "s", "The board is not heard, and nobody sees whether the heat is off.",
          "It was hot, or something had tripped, when it was last heard.",
          (UNPLUG, "Check cable and supply. A board that still runs has switched off by itself."), SMELL),
    Guard("record_failing", "record_failing", "one", "one", 0, ALARM, ALWAYS, HOST, Contact.ARMED, Urgency.MORNING,
          "H-25", "", "The record fails.", "Control goes on; the record has a gap, or soon will.",
          ("Remove the cause named here: free space, replace the card, or leave record.db where it is.",
           "No new start until it is written again."), SMELL),
)
# fmt: on
"""The table. Row numbers are not stable; ids are."""

INDEX = {guard.id: number for number, guard in enumerate(GUARDS)}
