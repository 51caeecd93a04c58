"""The core: under an hour of a person, and the attended levels are unlocked. Order is the order of doing."""

from __future__ import annotations

from controller.commissioning.step import (
    BEFORE_HEAT,
    CHAMBER,
    CORE,
    HALF_YEAR,
    HEATED,
    PLACE,
    SENSOR,
    TYPED,
    UNPLUGGED,
    WATCHED,
    YEAR,
    Field,
    Step,
    Valid,
    yes,
)

STEPS: tuple[Step, ...] = (
    Step(
        "wiring",
        "Earth, insulation, fuse and element",
        CORE,
        TYPED,
        CHAMBER,
        14,
        "5 case",
        "H-34 H-15 H-48",
        YEAR,
        (),
        (),
        "A broken earth or a wrong fuse is seen by no sensor.",
        (
            "Open the case. Follow the heater circuit from plug to element with hardware_notes/wiring.md beside you.",
            "Measure each value below with the plug pulled, and type what the meter shows.",
            (
                "Insulation: hand switch, contactor and modulator are open now, so the plug's pins do not reach the "
                "element. Take the wires off its two terminals and measure there, or bridge every contact from L and "
                "N to the element. Never put 500 V across board, supply, filter or converter: disconnect them first."
            ),
            "Pull at every wire by hand. Close the case.",
        ),
        UNPLUGGED,
        (
            Field(
                "earth_ohm",
                "Resistance from the plug's earth pin to the metal farthest from it",
                "Ω",
                0.0,
                0.5,
                wrong="The earth wire is broken, loose or painted over at its screw. Mend it; do not go on.",
            ),
            Field(
                "insulation_mohm",
                (
                    "Insulation from the element's own terminals, both together, to earth, cold and dry; at 500 V if "
                    "your tester has it, with all electronics disconnected"
                ),
                "MΩ",
                1.0,
                10_000.0,
                wrong="Damp or baked insulation, or a pinched wire. Dry it warm, look for the pinch, measure again. Do not "
                "go on with less.",
            ),
            Field(
                "link_ohm",
                "Resistance of the thermal link with its leads",
                "Ω",
                0.0,
                0.5,
                wrong="The link has opened or its crimp is bad. Crimp in the spare; heat from soldering opens it.",
            ),
            Field(
                "element_ohm",
                "Resistance of the element, cold, at its own terminals",
                "Ω",
                5.0,
                6_000.0,
                wrong="The element is broken, or another one than the chamber file says: its power is U²/R. Compare there.",
            ),
            Field(
                "mains_v",
                "Mains voltage where you live, from the meter's plate (never measured here)",
                "V",
                90.0,
                264.0,
                wrong="Type the rated voltage, such as 230 or 120.",
            ),
            Field(
                "fuse_a",
                "Rating of the fuse, -F1 or heater fuse -F5, whichever is larger",
                "A",
                0.5,
                16.0,
                wrong="Fit what cable and plug can carry at the most, and the element's current at the least.",
            ),
            Field(
                "cable_a",
                "What the thinnest part of cable and plug may carry",
                "A",
                0.5,
                32.0,
                wrong="Read it from the cable's print and the plug; in doubt the smaller.",
            ),
            yes(
                "link_cuts_either_way",
                "The link is cut whichever way the plug goes in: polarised plug, or a link in each pole.",
                "With a plug that can be turned, one link leaves the element live half of the time. Add a second one.",
            ),
            yes(
                "no_own_thermostat",
                (
                    "No thermostat that closes again by itself is counted on as limiter, and the fan is "
                    "fed ahead of the heater's switches."
                ),
                "The appliance's thermostat is no limiter. Feed the fan ahead of the heater's switches.",
            ),
            yes(
                "joints",
                (
                    "Every stranded end has a ferrule, every screw is tight, every cable has strain "
                    "relief, nothing lies against a hot wall."
                ),
                "A loose joint grows hot far from every sensor. Mend it before going on.",
            ),
        ),
    ),
    Step(
        "place",
        "The place: socket, residual-current device, clearance",
        CORE,
        TYPED,
        PLACE,
        3,
        "case",
        "H-34 H-33 H-31",
        YEAR,
        (),
        (),
        "These belong to the room and not to the chamber: moved, they must be shown again.",
        (
            ("Press the test button of the residual-current device that feeds this socket: it must trip. Switch it on again."),
            "Look at what surrounds the chamber, above it too.",
        ),
        "",
        (
            yes(
                "rcd_trips",
                "The residual-current device tripped at its button.",
                "Do not heat. Have it replaced by a licensed person.",
            ),
            yes(
                "socket_earthed",
                "The socket is earthed, and was looked at by a licensed person or a socket tester.",
                "Use another socket. Have this one looked at.",
            ),
            yes(
                "straight_into_wall",
                "It is plugged straight into the wall: no extension, no strip, nothing else on that socket.",
                "Leads and strips grow hot at their contacts under hours of load.",
            ),
            Field(
                "clearance_cm",
                "Free space to the nearest thing that burns",
                "cm",
                30.0,
                1_000.0,
                wrong="Move it, or move what burns. The base must not burn either.",
            ),
        ),
    ),
    Step(
        "contacts",
        "Door, stop, button, fan, lamps, sounder",
        CORE,
        WATCHED,
        CHAMBER,
        4,
        "3",
        "H-29 H-37 H-39 H-40",
        HALF_YEAR,
        ("wiring",),
        (),
        "A contact that nobody has seen move may be the one that is not connected.",
        (
            (
                "With the plug pulled take out the heater fuse -F5, both where there is one in each pole, and close the "
                "case. Plug in, hand switch on: board and fan run, the heater line is dead. Off is not isolated all the same."
            ),
            "Do what the list asks for, one thing at a time; each is ticked when it is seen.",
            "When all is seen: hand switch off, unplug, put -F5 back, close the case.",
        ),
    ),
    Step(
        "sensor_identity",
        "Which sensor is which",
        CORE,
        WATCHED,
        SENSOR,
        3,
        "1 2 3",
        "H-01 H-03 H-04",
        YEAR,
        ("wiring",),
        (),
        "Two sensors exchanged, or one declared twice, would each watch the wrong place.",
        (
            "Open the door and leave it open: behind a shut one a sensor that grows warm with the heat off is a trip.",
            "Warm the named sensor's tip between two fingers until the list says that it moved. Let go, wait, take the next.",
        ),
    ),
    Step(
        "live_parts",
        "No sensor touches a live part",
        CORE,
        TYPED,
        SENSOR,
        3,
        "case",
        "H-46",
        YEAR,
        ("wiring",),
        (),
        "A bare junction against the element carries mains into board, cable and computer.",
        (
            (
                "Pull the sensor out of its converter: no 500 V may reach one. Measure between its two wires together and "
                "the element's two terminals together, then between its sheath and the earth. Plug it in again."
            ),
        ),
        UNPLUGGED,
        (
            Field(
                "to_element_mohm",
                "Insulation between this sensor's wires, out of the converter, and the element's terminals",
                "MΩ",
                1.0,
                10_000.0,
                wrong="Its junction touches the element or its sheath is broken. Replace it; take one with "
                "an insulated junction.",
            ),
            Field(
                "sheath_ohm",
                "Resistance from this sensor's sheath to the earth",
                "Ω",
                0.0,
                1.0,
                wrong="Bond the sheath to earth: clamp it to earthed metal, bare metal on bare metal.",
            ),
        ),
    ),
    Step(
        "ice_point",
        "Every sensor in melting ice",
        CORE,
        WATCHED,
        SENSOR,
        7,
        "1 2 3",
        "H-05 H-07",
        YEAR,
        ("sensor_identity",),
        (),
        "Class 2 wire alone is known to 2.5 °C; melting ice makes a known point of it (IEC 60584-1, its tolerances).",
        (
            ("Fill a flask with crushed ice, add cold water until it just shows between the pieces, stir, wait ten minutes."),
            "Leave the chamber's door open. Put the tips together into the middle, 6 cm deep, off the wall. Stir now and then.",
        ),
        "Keep the cable's ends and the board dry.",
    ),
    Step(
        "boiling_point",
        "Every sensor in boiling water",
        CORE,
        WATCHED,
        SENSOR,
        9,
        "1 2 3",
        "H-04 H-05 H-07",
        YEAR,
        ("ice_point",),
        (),
        "A sensor of the wrong type or with reversed leads is right at room temperature and wrong here.",
        (
            "Boil clean water hard in an open pan. Leave the chamber's door open, or the warm sensors are a trip.",
            "Hang the tips into it together, 6 cm deep, not against the bottom.",
            "Type the air pressure. A weather report's is reduced to sea level: say so, and give your altitude.",
        ),
        "Steam scalds. Keep cable, board and children away from the stove.",
        (
            Field("pressure_hpa", "Air pressure", "hPa", 500.0, 1_080.0, wrong="Air pressure on land is 500 to 1,080 hPa."),
            Field(
                "pressure_is",
                "That pressure is",
                choices=("reduced to sea level", "station pressure"),
                wrong="Weather reports are reduced to sea level; a barometer in your room shows station pressure.",
            ),
            Field("altitude_m", "Altitude of the kitchen", "m", -430.0, 5_500.0, wrong="Type metres above sea level."),
        ),
    ),
    Step(
        "start_proof",
        "Both switches apart",
        CORE,
        HEATED,
        CHAMBER,
        2,
        "2",
        "H-11 H-12 H-13 H-14 H-47",
        Valid(365, 50_000),
        BEFORE_HEAT,
        (),
        "A switch that is stuck shows only when the other one is moved without it.",
        (
            (
                "Stay beside it. The program moves each switch alone and looks for a rise that may not "
                "come, then both for one that must."
            ),
        ),
    ),
    Step(
        "silence",
        "The board alone ends the heat on silence",
        CORE,
        HEATED,
        CHAMBER,
        2,
        "3",
        "H-16 H-17 H-21",
        Valid(182, 50_000),
        (*BEFORE_HEAT, "start_proof"),
        (),
        "If the computer dies, nothing else in the program is left.",
        (
            "Stay beside it. The program heats for a moment, falls silent, and sees the board open both switches by itself.",
            "Over a ready-made module there is nothing to begin here: its timer relay is shown at the start of every run, "
            "and its own time-out cannot be shown yet.",
        ),
    ),
    Step(
        "watchdog",
        "The board's watchdog",
        CORE,
        HEATED,
        CHAMBER,
        2,
        "3",
        "H-18",
        Valid(182, 50_000),
        (*BEFORE_HEAT, "silence"),
        (),
        "A board that hangs holds its outputs as they are, until its watchdog resets it.",
        ("Stay beside it. The board is made to stand still with its line contactor open, and must start anew by itself.",),
        needs_all=("board", "contactor"),
    ),
    Step(
        "over_temperature_trip",
        "Over-temperature really trips",
        CORE,
        HEATED,
        CHAMBER,
        5,
        "2 3",
        "H-01 H-05 H-28",
        Valid(182, 50_000),
        (*BEFORE_HEAT, "start_proof"),
        (),
        "A limit that was never reached was never shown to work.",
        (
            (
                "Stay beside it. This run's limit is set low and the air is heated up to it: program and "
                "board must both switch off there; a ready-made module has no limit of its own, so there the program alone."
            ),
            "You will hear the sounder. Clear the trip afterwards: that is part of the proof.",
        ),
    ),
)
