"""The rest: what heat needs before it is left alone. Order is the order of doing."""

from __future__ import annotations

from controller.commissioning.step import CHAMBER, HEATED, PLACE, REST, TYPED, UNPLUGGED, YEAR, Field, Step, Valid, yes

STEPS: tuple[Step, ...] = (
    Step(
        "limiter",
        "The limiter opens its own contact",
        REST,
        HEATED,
        CHAMBER,
        15,
        "4",
        "H-13 H-15 H-48",
        Valid(365, 100_000),
        ("over_temperature_trip",),
        ("limiter",),
        "It acts only where everything before it failed, so nothing else ever shows that it would.",
        (
            (
                "Adjustable from outside: at a warm, steady air turn its set point down below the air, see its "
                "contact open and the heat fall, turn it back, note the mark."
            ),
            (
                "Fixed, or not to be reached from outside: unplug, warm its sensor outside the chamber until its "
                "contact opens, then put the sensor back and show that it is in its place."
            ),
            (
                "Either way: unplug, open its contact once more, close the hand switch, and measure in the heater line "
                "from one side of the limiter's place to the other; put it back by hand and measure again. "
                "Only this shows that its contact is in the heater circuit."
            ),
        ),
        "Never prove a limiter by heating above the board's ceiling. The case stays closed while it is heated: turn only "
        "what can be reached from outside, otherwise take the way for a fixed one. Unplug it before you measure, and "
        "lay the plug where you see it.",
        (
            Field(
                "kind",
                "The limiter is",
                choices=("adjustable", "fixed"),
                wrong="Adjustable has a dial or screw; fixed has a printed temperature.",
            ),
            Field(
                "mark_c",
                "Where it stands now, at its dial or print",
                "°C",
                40.0,
                450.0,
                wrong="Set it to the temperature that the chamber file says.",
            ),
            Field(
                "open_mohm",
                "Unplugged, hand switch closed: across its place in the heater line, its contact open",
                "MΩ",
                1.0,
                10_000.0,
                wrong="Its contact is bridged, or not in the heater circuit. Unplug it: it may not heat before the limiter's "
                "contact alone opens the heater line.",
            ),
            Field(
                "closed_ohm",
                "The same two points, its contact put back by hand",
                "Ω",
                0.0,
                0.5,
                wrong="It was not put back, its contact is burnt, or you measure beside the heater line. Find out which.",
            ),
            yes(
                "by_hand",
                "It stayed open until it was put back by hand.",
                "If it closes again by itself it is a thermostat and no limiter.",
            ),
            yes(
                "back_in_place",
                "Its sensor is back in its place beside the element, and was looked at.",
                "Clip it where it was before.",
            ),
        ),
    ),
    Step(
        "burn_off",
        "First hot run, empty and attended",
        REST,
        HEATED,
        CHAMBER,
        40,
        "case",
        "H-31 H-32 H-33",
        Valid(1_826),
        ("over_temperature_trip",),
        (),
        "New elements, glue and insulation smoke the first time; better with you there and nothing in it.",
        (
            "Empty it. Open the window, leave the room's door shut to the house, stay near.",
            "The program heats to the hottest that it may, holds for an hour, and cools.",
            "Towards the end of the hold touch-test the outside with a surface probe, not with your hand.",
        ),
        "Fumes: air the room, keep out of it as far as you can see the chamber. Smoke that does not end: unplug.",
        (
            Field(
                "case_c",
                "Hottest touchable spot of the outside",
                "°C",
                15.0,
                60.0,
                wrong="Too hot to touch: more insulation, more distance, or a guard (common practice, no source).",
            ),
            yes(
                "smell_ended",
                "Smell and smoke had ended before the hold did.",
                "Run it again, empty, before anything is treated.",
            ),
        ),
    ),
    Step(
        "terminals",
        "Terminals after the heat",
        REST,
        TYPED,
        CHAMBER,
        15,
        "case",
        "H-34",
        YEAR,
        ("burn_off",),
        (),
        "Screws settle the first time they grow hot.",
        ("Let it cool, unplug it, open the case. Look at every terminal and wire.",),
        UNPLUGGED,
        (
            yes(
                "no_colour",
                "No terminal, wire or connector is discoloured, soft or brittle.",
                "Replace it, and find out why it grew hot.",
            ),
            yes("tightened", "Every screw was tightened once more.", "Do it now; this is what the step is for."),
            Field(
                "earth_ohm",
                "Earth pin to the metal farthest from it, once more",
                "Ω",
                0.0,
                0.5,
                wrong="The earth has come loose in the heat. Mend it; do not go on.",
            ),
        ),
    ),
    Step(
        "survey",
        "Survey of the empty chamber",
        REST,
        HEATED,
        CHAMBER,
        45,
        "1",
        "H-10 H-28",
        Valid(182),
        ("burn_off", "boiling_point"),
        (),
        "One sensor knows one place. The part lies in another.",
        (
            (
                "One travelling sensor is enough: put it at the named place, run, move it to the next. "
                "Five places for a small chamber, nine for a larger one."
            ),
            (
                "The program heats to the survey's temperature, waits until it is steady, and takes half "
                "an hour of readings a place."
            ),
        ),
    ),
    Step(
        "smoke_alarm",
        "The smoke alarm is heard",
        REST,
        TYPED,
        PLACE,
        3,
        "case",
        "H-31 H-40",
        Valid(31),
        (),
        (),
        "The chamber's own guards see temperatures; only the alarm sees smoke.",
        ("Press its test button while somebody listens where people sleep.",),
        "",
        (yes("heard", "It was heard from where people sleep.", "Hang a second one that is linked to it, or nearer."),),
    ),
    Step(
        "message_channels",
        "A message reaches you",
        REST,
        TYPED,
        PLACE,
        3,
        "2",
        "H-40",
        Valid(31),
        (),
        (),
        "An alarm that nobody hears is none.",
        ("On the sheet Messages send a test message by every channel, and press the button in it when it has arrived.",),
    ),
)
