"""Examples of what is answered, for the OpenAPI text. All of it is invented: a bench chamber in the middle of a long soak.

Each is true in shape: a test compares the names in it with live answers. Long lists are cut to their first row.
"""

from __future__ import annotations

from typing import Any

from api.errors import Responses

UTC_US = 1_764_061_234_000_000


def one(example: Any, status: int = 200, words: str = "Done.") -> Responses:
    """For a route's `responses`: the answer when all is well."""
    return {status: {"description": words, "content": {"application/json": {"example": example}}}}


def _reading(role: str, label: str, mc: int) -> dict[str, Any]:
    return {"role": role, "label": label, "quality": "good", "reason": "", "mc": mc, "raw_mc": mc, "age_us": 250_000,
            "uncertainty_mc": 2_500}


def _part(state: str, current: bool, words: str, **more: int) -> dict[str, Any]:
    return {"state": state, "current": current, "words": words, **more}


HEAD = {"name": "Bench chamber (invented)", "board": "5a17c0", "simulated": True, "may_do": "unattended",
        "may_do_why": "Everything is fitted; the proofs are invented.", "next_thing": "", "ceiling_mc": 130_000,
        "hot_mc": 45_000, "element_w": 500, "window_ms": 40_000}
RUN = {
    "id": "27", "trial": "", "proof": None, "name": "Long soak, 105 °C", "state": "running", "level": "unattended",
    "by": "Anna",
    "started_utc_us": UTC_US - 26_772_000_000, "elapsed_us": 26_772_000_000, "run_ceiling_mc": 112_000,
    "run_max_us": 86_400_000_000,
    "segments": [{"kind": "ramp", "target_mc": 105_000, "rate_mc_per_h": 20_000, "soak_us": 0, "band_mc": 2_000,
                  "longest_us": 21_600_000_000},
                 {"kind": "soak", "target_mc": 105_000, "rate_mc_per_h": 0, "soak_us": 28_800_000_000, "band_mc": 2_000,
                  "longest_us": 43_200_000_000}],
    "segment": 1, "segment_us": 11_608_000_000, "counted_us": 11_133_000_000, "counting": True, "of": "part",
    "heat_withheld": False, "end": "",
    "plan": [[0, 20_755], [15_164_000_000, 105_000], [44_439_000_000, 105_000]],
    "next": {"what": "the run ends", "in_us": 17_667_000_000, "utc_us": UTC_US + 17_667_000_000},
    "ends_utc_us": UTC_US + 17_667_000_000,
}
NOW = {
    "v": 1, "version": "0.1.0", "id": "3-215618", "boot": 3, "tick": 215_618, "utc_us": UTC_US, "speed": 1.0, "clock": "wall",
    "chamber": HEAD,
    "board": {"present": True, "accepted": True, "age_us": 250_000, "boot": 17, "session": 7803, "enabled": True, "off": "none",
              "off_words": "", "firmware": "0.1", "run_s": 26_772, "switches": 2066},
    "readings": [_reading("control", "air, control sensor", 107_000),
                 _reading("over_temperature", "air, over-temperature sensor", 106_000), _reading("part", "part", 105_000)],
    "air_mc": 107_000, "part_mc": 105_000, "counts": "part", "counts_words": "part sensor", "setpoint_mc": 105_000,
    "air_setpoint_mc": 106_907, "deviation_mc": 0, "band_mc": 2_000,
    "permit": {"given": True, "contacts": [{"name": "sensors", "closed": True, "known": True, "why": ""},
                                           {"name": "door", "closed": True, "known": True, "why": ""}]},
    "request": {"duty_e4": 2_078}, "seen": {"duty_e4": 2_256},
    "circuit": {"supply": _part("on", True, "mains is there"), "thermal_link": _part("whole", True, "whole"),
                "limiter": _part("closed", True, "closed"), "contactor": _part("closed", True, "closed"),
                "modulator": _part("passing", True, "on for 23 % of the last window"),
                "element": _part("heating", True, "about 112 W over the last window", watts=112)},
    "door": "shut", "local_stop": False, "smoke": "clear", "fan_rpm": 2_400, "current_ma": 2_170, "run": RUN, "pending": None,
    "armed": True, "armed_until_utc_us": None, "lapsed": None, "check_in": None,
    "leave": {"may": True, "words": "The first half hour has followed the plan.", "in_us": None},
    "messages": {"state": "working", "words": ""}, "clock_synced": True,
    "stop": {"by": "", "accepted_utc_us": None, "off_seen_utc_us": None}, "latches": [], "alarms": [], "heat_off": False,
    "still_on": False, "record": {"failing": "", "lost": 0}, "commissioning": None,
    "possible": ["cool_down", "hold", "stop_heating"],
    "gravest": None, "sentence": "Soaking. The run ends in 4 h 54 min.", "sentence_more": "All as planned. Nothing needs you.",
}
CHAMBER = {
    **HEAD,
    "sensors": [{"role": "control", "channel": 0, "label": "air, control sensor", "correction_mc": 0, "uncertainty_mc": 2_500}],
    "limits": {"ceiling_mc": 130_000, "ceiling_clear_mc": 120_000, "board_ceiling_mc": 135_000, "limiter_mc": 150_000,
               "thermal_link_mc": 160_000, "weakest_mc": 180_000, "run_margin_mc": 7_000, "run_max_us": 86_400_000_000,
               "hot_mc": 45_000},
    "fitted": {"contactor": True, "door": True, "limiter": True, "fan": True, "current": True, "arm_button": True,
               "local_stop": True, "smoke": True, "mains_sense": True, "drops_on_silence": True},
    "heater": {"element_w": 500, "window_ms": 40_000, "gain_e4_per_k": 600, "integral_s": 1_200, "heat_capacity_j_per_k": 2_000,
               "loss_mw_per_k": 1_200, "room_mc": 22_000},
    "wired": {"thermal_link": True, "fuse": True, "earth": True, "residual_current_device": True, "own_converters": True,
              "limiter_own_contact": True, "smoke_alarm_in_room": True},
    "levels": ["measure_only", "at_the_chamber", "in_the_building", "unattended"],
}
MAY_DO = {"simulated": True, "may_do": "in_the_building", "may_do_why": "No mains sense is fitted.",
          "next_thing": "Fit a mains sense, so that a cut supply is told from a broken heater."}
GUARDS = {"guards": [{
    "id": "door", "watch": "door_open", "limit": "one", "clear": "one", "persist_us": 0, "action": "interlock",
    "during": "in a run", "clock": "board", "contact": "door", "urgency": "can wait till morning", "hazards": "H-29 H-37",
    "unit": "", "cause": "The door is open.", "why": "Heat with the door open burns people and treats nothing.",
    "do": ["Shut the door.", "Press Go on: the heat does not come back by itself."],
    "worry": "You smell burning or the air goes on rising: cut the power from outside the room, "
             "keep out, call the fire service.",
    "stands": False, "latched": False, "value": 0, "limit_value": 1, "unknown": False}]}
CHAMBERS = {
    "chambers": [{"at": "bench", "away": "", "name": "Bench chamber (invented)", "simulated": True, "now": {
        "name": "Bench chamber (invented)", "board": "5a17c0", "simulated": True, "element_w": 500,
        "sentence": "Soaking. The run ends in 4 h 54 min.", "state": "running", "latched": False, "permit": True}}],
    "circuits": [{"name": "the circuit they share", "chambers": ["bench"], "sum_w": 500, "max_w": 2_300, "over": False,
                  "words": ""}]}
EVENT_KINDS = {"tripped": {"fields": ["guard", "first_out", "value", "limit", "detail", "action"],
                           "meaning": "A guard has switched the heat off and latched."}}
LEAVING = {
    "checklist": [{"id": "smoke_alarm", "words": "I have pressed the test button of the smoke alarm in the room.",
                   "why": "The chamber's own guards see temperatures; only the alarm sees smoke."}],
    "machine": [{"id": "message_arrived", "words": "A test message reached you.", "done": True,
                 "detail": "A message by phone arrived 2 h ago; it counts for 24 h.",
                 "how": "Send a test message and press the button in it: the sheet Messages."}],
    "card": {"title": "A heating chamber is on in this building", "normal": ["It is warm to the touch."],
             "do": ["If in doubt, switch off its circuit or pull its plug."],
             "dont": ["Do not open the door of a chamber that smokes."], "small": "Follow local rules."}}
HEALTH = {
    "api": {"version": "0.1.0", "pid": 812, "up_us": 3_600_000_000, "streams": 2, "resident_bytes": 68_000_000,
            "sqlite": "3.40.1", "desk_set_aside": []},
    "controller": {"away": "", "age_us": 250_000, "health": {
        "version": "0.1.0", "pid": 811, "boot": 3, "tick": 215_618, "clock": "wall", "speed": 1.0, "up_us": 3_600_000_000,
        "late_p99_us": 900, "late_max_us": 4_100, "record_failing": "", "record_waiting": 0, "latch_failing": ""}}}

CHANNEL = {"id": 1, "name": "phone", "kind": "json", "url": "json://192.0.2.7:8080/…", "state": "working",
           "last_ok_utc_us": UTC_US, "answer": "taken", "least": "can_wait"}
BEAT = {"id": 2, "name": "attic computer", "kind": "http", "url": "http://192.0.2.9:8652/…", "state": "untried",
        "last_ok_utc_us": None, "answer": "", "signed": True}
TOLD = {"utc_us": UTC_US, "at": "bench", "chamber": "Bench chamber (invented)", "urgency": "can_wait", "simulated": True,
        "what": "The door is open.", "done": "Heat is off and held until you say go on.", "do": "Shut the door.",
        "deliveries": [{"channel": "phone", "state": "left", "tries": 1, "utc_us": UTC_US, "answer": "taken"}]}
MESSAGES = {
    "page": "http://192.0.2.5:8650", "channels": [{**CHANNEL, "arrived_utc_us": UTC_US}], "beats": [BEAT], "told": [TOLD],
    "failing": "", "arrival": {"channel": "phone", "age_us": 60_000_000},
    "messenger": {"away": "", "version": "0.1.0", "up_us": 3_600_000_000}}
TRIED = {"id": 1, "answer": "taken", "took_us": 412_000}
LETTERS = {"letters": [{"utc_us": UTC_US, "title": "SIMULATED: Bench chamber: the door is open",
                        "text": "What happened: The door is open.", "link": "http://192.0.2.5:8650/"}]}

DOING = {"step": "contacts", "sensor": "", "spot": "", "words": "Open the door.", "share": 0.4, "left_us": None,
         "list": [{"id": "door", "words": "The door opens and shuts.", "state": "waiting"},
                  {"id": "lamp_armed", "words": "Is the lamp at the button lit?", "state": "asks"}],
         "seen": [{"label": "air, control sensor", "mc": 21_400}], "outcome": ""}
"""What every snapshot carries as `commissioning` while a step is watched."""
GUIDE = {
    "sentence": "Not to be left alone yet.", "lead": "Nine of 17 proofs hold.", "may_do": "at the chamber",
    "why": "The watchdog is not proven.", "next_thing": "Prove the board's watchdog.",
    "known": '"Within 2 °C" may be said of the control sensor: it is known to ±1.4 °C.', "invented": True, "board": "5a17c0",
    "next": {"step": "watchdog", "title": "The board's watchdog", "minutes": 2},
    "parts": [{"part": "core", "minutes": 54, "left_minutes": 12, "done": False}],
    "steps": [{
        "id": "wiring", "title": "Earth, insulation, fuse and element", "part": "core", "way": "typed", "bound": "chamber",
        "layer": "5 case", "hazards": "H-34 H-15 H-48", "minutes": 14,
        "why": "A broken earth or a wrong fuse is seen by no sensor.", "do": ["Measure each value below with the plug pulled."],
        "caution": "Unplug the chamber first.", "fields": [{
            "key": "earth_ohm", "ask": "Resistance from the plug's earth pin to the metal farthest from it", "unit": "Ω",
            "low": 0.0, "high": 0.5, "choices": [], "wrong": "The earth wire is broken or loose. Mend it; do not go on."}],
        "state": "done", "state_words": "holds", "half": "", "found": "0.12 Ω to earth", "by": "Anna", "done_utc_us": UTC_US,
        "valid_until_utc_us": UTC_US + 365 * 86_400_000_000, "switchings_left": None, "advice": "", "last_try": None,
        "blocked_by": [], "each": []}],
    "doing": DOING,
    "changes": [{"id": "moved", "words": "The chamber stands in another place.",
                 "why": "Socket, earth and surroundings are others.",
                 "steps": ["place", "smoke_alarm"], "minutes": 6, "of_sensor": False}],
    "spots": [{"id": "centre", "words": "in the middle"}],
    "survey": {"uniformity_mc": 1_400, "stability_mc": 300, "expanded_mc": 1_900, "set_mc": 105_000,
               "spots": [{"spot": "centre", "mean_mc": 105_100, "least_mc": 104_900, "most_mc": 105_300}]},
}
PROVEN = {"outcome": "again", "words": "One value is out of range.", "wrong": [
    {"field": "earth_ohm", "value": "3.2 Ω", "allowed": "0 to 0.5 Ω",
     "advice": "The earth wire is broken or loose. Mend it; do not go on."}]}
CHANGED = {"voided": ["place", "smoke_alarm"], "minutes": 6, "words": ""}
BUNDLE = {"body": {"format": "soakwarden-bundle-1", "board": "5a17c0"}, "sha256": "..."}
