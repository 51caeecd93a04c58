"""Invented answers about people, messages and several chambers, for tests of the page alone."""

from __future__ import annotations

import time
from copy import deepcopy
from typing import Any

from tests.browser.stand_in import RUN_ASKS, StandIn, chamber_row, fixture

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US

KEEPER = {
    "name": "Runa",
    "role": "maintainer",
    "via": "session",
    "may": [*RUN_ASKS, "edit_schedules", "write_notes", "see_messages", "edit_messages", "look_after_people", "prove"],
    "accounts": True,
    "expires_utc_us": 1_797_000_000_000_000,
}
LOOKER = {**KEEPER, "name": "Odo", "role": "viewer", "may": ["stop_heating", "acknowledge"]}


def now_us() -> int:
    return time.time_ns() // 1000


def people() -> dict[str, Any]:
    at = now_us()
    return {
        "people": [
            {"id": 1, "name": "Runa", "role": "maintainer", "created_utc_us": at - 9 * DAY_US, "sessions": 2},
            {"id": 2, "name": "Odo", "role": "viewer", "created_utc_us": at - 2 * DAY_US, "sessions": 0},
        ],
        "invitations": [{"id": "8d1f", "role": "operator", "expires_utc_us": at + 20 * HOUR_US, "by": "Runa"}],
    }


def tokens() -> dict[str, Any]:
    at = now_us()
    mine = {"by": "Runa", "created_utc_us": at}
    return {
        "tokens": [
            {"id": 1, "label": "phone in the hall", "scope": "stop", "expires_utc_us": at + 60 * DAY_US, **mine},
            {"id": 2, "label": "wall display", "scope": "look", "expires_utc_us": at - DAY_US, **mine},
        ]
    }


def audit() -> dict[str, Any]:
    what = {"what": "changed the role", "about": "person 2", "detail": "viewer to operator"}
    row = {"utc_us": now_us() - HOUR_US, "by": "Runa", **what}
    return {"lines": [row, {**row, "what": "changed", "about": "channel phone", "detail": ""}]}


def messages() -> dict[str, Any]:
    at = now_us()
    phone = {
        "id": 1,
        "name": "phone",
        "kind": "mail",
        "url": "mailtos://n…@mail.example",
        "least": "can_wait",
        "state": "working",
        "last_ok_utc_us": at - HOUR_US,
        "answer": "250 queued",
        "arrived_utc_us": at - HOUR_US // 2,
    }
    hook = {
        **phone,
        "id": 2,
        "name": "hallway bell",
        "kind": "web hook",
        "url": "jsons://hook.example/…",
        "least": "get_up",
        "state": "failing",
        "last_ok_utc_us": None,
        "answer": "404 no such hook",
        "arrived_utc_us": None,
    }
    beat = {
        "id": 3,
        "name": "attic computer",
        "url": "http://192.0.2.7:8652/",
        "state": "working",
        "last_ok_utc_us": at - 60_000_000,
        "answer": "204",
        "signed": True,
    }
    told = {
        "utc_us": at - HOUR_US,
        "chamber": "Bench chamber (invented), SIMULATED",
        "urgency": "can_wait",
        "what": "The run is complete.",
        "done": "The heat is off.",
        "do": "Let it cool with the door shut.",
        "deliveries": [
            {"channel": "phone", "state": "left", "utc_us": at - HOUR_US, "answer": "250 queued"},
            {"channel": "hallway bell", "state": "failed", "utc_us": at - HOUR_US, "answer": "404 no such hook"},
        ],
    }
    messenger = {"away": "", "version": "0.1.0", "up_us": HOUR_US}
    page = "http://192.0.2.5:8650"
    return {"page": page, "channels": [phone, hook], "beats": [beat], "told": [told], "failing": "", "messenger": messenger}


def mailbox() -> dict[str, Any]:
    return {
        "letters": [
            {
                "utc_us": now_us() - HOUR_US,
                "title": "SIMULATED. A test from Bench chamber (invented)",
                "text": "This is a test. Open the link and press the button there.\nNothing happened to the chamber.",
                "link": "http://192.0.2.5:8650/arrived?code=invented",
            }
        ]
    }


def until_asked(page: Any, world: StandIn, wanted: tuple[str, Any], within_ms: int = 5_000) -> None:
    """What a press leads to is asked a little later."""
    for _ in range(within_ms // 50):
        if wanted in world.asked:
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never asked: {wanted}; asked: {world.asked[-5:]}")


def furnished(world: StandIn, me: dict[str, Any] = KEEPER) -> StandIn:
    """Everything there is to see for a maintainer."""
    world.answers |= {
        "GET /me": (200, me),
        "GET /people": (200, people()),
        "GET /tokens": (200, tokens()),
        "GET /desk/audit": (200, audit()),
        "GET /messages": (200, messages()),
        "GET /messages/mailbox": (200, mailbox()),
    }
    return world


def idle(now: dict[str, Any]) -> dict[str, Any]:
    """The chamber with nothing on, ready to start."""
    contacts = [
        {**one, "closed": False, "why": "No run asks for heat."} if one["name"] == "armed" else one
        for one in now["permit"]["contacts"]
    ]
    cold = {name: {**part, "current": False} for name, part in now["circuit"].items()}
    cold["contactor"] = {"state": "open", "current": False, "words": "open"}
    return {
        "run": None,
        "setpoint_mc": None,
        "deviation_mc": None,
        "armed": False,
        "heat_off": True,
        "circuit": cold,
        "permit": {"given": False, "contacts": contacts},
        "possible": ["start", "stop_heating"],
        "readings": [{**one, "mc": 21_000} for one in now["readings"]],
        "air_mc": 21_000,
        "part_mc": 21_000,
        "sentence": "Nothing runs.",
        "sentence_more": "The heat is off.",
    }


def two_chambers(world: StandIn) -> StandIn:
    """A second chamber, idle and real, on a circuit that cannot feed both."""
    garage = deepcopy(fixture("soaking"))
    garage["chamber"] |= {"name": "Garage oven", "board": "77aa01", "simulated": False, "element_w": 2200}
    garage |= idle(garage) | {"speed": 1.0}
    world.nows = {"garage": garage}
    words = "Together these chambers may draw 2700 W; one circuit bears 2300 W. Run them one after the other."
    circuit = {"name": "the circuit they share", "max_w": 2300, "sum_w": 2700, "over": True, "words": words}
    circuit["chambers"] = ["bench", "garage"]
    world.answers["GET /chambers"] = (
        200,
        {"chambers": [chamber_row("bench", world.now), chamber_row("garage", garage)], "circuits": circuit},
    )
    return world


def a_run() -> dict[str, Any]:
    """A stored run with a ramp and a soak, which ended as planned."""
    began = 1_795_790_000_000_000
    segments = [
        {"kind": "ramp", "target_c": 60, "rate_c_per_h": 60, "band_c": 3, "longest_h": 2},
        {"kind": "soak", "target_c": 60, "soak_h": 2, "band_c": 3, "longest_h": 4},
    ]
    done = {"air_min_mc": 57_500, "air_max_mc": 62_000, "part_min_mc": 57_000, "part_max_mc": 60_400, "target_mc": 60_000}
    return {
        "id": "2",
        "name": "Invented",
        "state": "complete",
        "level": "unattended",
        "by": "Runa",
        "simulated": True,
        "going": False,
        "cut": False,
        "end": "All segments done.",
        "started_utc_us": began,
        "ended_utc_us": began + 3 * HOUR_US,
        "run_ceiling_mc": 70_000,
        "first_out": None,
        "schedule": {"name": "Invented", "temperature_of": "part", "resume": "never", "note": "", "segments": segments},
        "segments_done": [
            {"segment": 0, "kind": "ramp", "began_utc_us": began, "ended_utc_us": began + HOUR_US, "counted_us": 0, **done},
            {
                "segment": 1,
                "kind": "soak",
                "began_utc_us": began + HOUR_US,
                "ended_utc_us": began + 3 * HOUR_US,
                "counted_us": 2 * HOUR_US,
                "air_in_band_us": 2 * HOUR_US,
                "part_in_band_us": 2 * HOUR_US - 17 * 60_000_000,
                **done,
            },
        ],
    }


def a_curve(row: dict[str, Any]) -> dict[str, Any]:
    began, step = row["started_utc_us"], 60_000_000
    stamps = [began + step * number for number in range(181)]
    climb = [min(60_000, 20_000 + 40_000 * number // 60) for number in range(181)]
    pairs = {
        "setpoint_mc": climb,
        "control_mc": [mc + 400 for mc in climb],
        "part_mc": [max(20_000, mc - 900) for mc in climb],
        "duty_e4": [9_500 if number < 60 else 2_000 + 300 * (number % 7) for number in range(181)],
        "seen_e4": [9_400 if number < 60 else 2_100 for number in range(181)],
    }
    columns = {name: {"min": values, "max": values} for name, values in pairs.items()}
    columns["duty_e4"]["min"] = [e4 - 400 for e4 in pairs["duty_e4"]]
    return {"run_id": row["id"], "span_us": step, "utc_us": stamps, "columns": columns, "gaps": []}


def with_run(world: StandIn) -> StandIn:
    row = a_run()
    began = row["started_utc_us"]
    said = {"run_id": "2", "answers": "smoke_alarm clear_space", "channel": "phone", "arrived_age_us": 300_000_000}
    kinds = [
        ("leaving", 0, said),
        ("segment", 0, {"segment": 0, "kind": "ramp", "target_mc": 60_000}),
        ("reading", 30, {"role": "part", "before": "good", "after": "stale"}),
        ("soak_counting", 62, {"counting": True, "counted_us": 0}),
        ("command_accepted", 90, {"ask": "acknowledge", "by": "Runa", "detail": ""}),
    ]
    events = [
        {"id": number, "kind": kind, "utc_us": began + minute * 60_000_000, "fields": fields}
        for number, (kind, minute, fields) in enumerate(kinds)
    ]
    notes = [
        {"id": 1, "utc_us": began + HOUR_US, "by": "Runa", "text": "The tray stood on the left.", "yours": True},
        {"id": 2, "utc_us": began + 2 * HOUR_US, "by": "Odo", "text": "Smelled of nothing.", "yours": False},
    ]
    world.answers |= {
        "GET /runs": (200, {"runs": [row]}),
        "GET /runs/2": (200, row),
        "GET /runs/2/curve": (200, a_curve(row)),
        "GET /runs/2/events": (200, {"events": events}),
        "GET /runs/2/notes": (200, {"notes": notes}),
    }
    return world
