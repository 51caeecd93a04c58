"""The closed table of what can happen. The record, the stream, the page and the manual all draw on it."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple


class Kind(StrEnum):
    """Kinds of events. `EVENT_KINDS` says what each carries and means."""

    CONTROLLER_STARTED = "controller_started"
    CONTROLLER_STOPPED = "controller_stopped"
    BOARD_FOUND = "board_found"
    BOARD_REFUSED = "board_refused"
    BOARD_LOST = "board_lost"
    BOARD_BOOTED = "board_booted"
    BOARD_ENABLED = "board_enabled"
    BOARD_REFUSES = "board_refuses"
    MODULE_FOUND = "module_found"
    MODULE_REFUSED = "module_refused"
    SILENCE_PROOF = "silence_proof"
    NOT_A_BOARD = "not_a_board"
    COMMAND_ACCEPTED = "command_accepted"
    COMMAND_REFUSED = "command_refused"
    START_NAMED = "start_named"
    START_LAPSED = "start_lapsed"
    LEAVING = "leaving"
    ARM_ASKED = "arm_asked"
    ARMED = "armed"
    ARM_VOID = "arm_void"
    RUN_STATE = "run_state"
    SEGMENT = "segment"
    SOAK_COUNTING = "soak_counting"
    GUARD = "guard"
    TRIPPED = "tripped"
    CLEARED = "cleared"
    ALARM = "alarm"
    READING = "reading"
    HEAT_SEEN_OFF = "heat_seen_off"
    LIMIT_TIGHTENED = "limit_tightened"
    GAP = "gap"
    RECORD_FAILING = "record_failing"
    RECORD_WORKING = "record_working"
    CLOCK_STEPPED = "clock_stepped"
    MESSAGES = "messages"
    COMMISSIONED = "commissioned"
    PROOF_STEP = "proof_step"
    START_PROOF = "start_proof"
    PROOF = "proof"
    PROOFS_VOIDED = "proofs_voided"
    PROOF_WATCH = "proof_watch"


EVENT_KINDS: Mapping[Kind, tuple[str, str]] = {
    Kind.CONTROLLER_STARTED: ("version simulated data", "the controller began; heat is off"),
    Kind.CONTROLLER_STOPPED: ("reason", "the controller ended and switched the heat off"),
    Kind.BOARD_FOUND: ("board boot firmware firmware_hash reset simulated session", "the right board answered a hello"),
    Kind.BOARD_REFUSED: ("board expected simulated", "a board answered that is not this chamber's"),
    Kind.BOARD_LOST: ("reason", "the line to the board is gone"),
    Kind.BOARD_BOOTED: ("boot before", "the board started anew"),
    Kind.BOARD_ENABLED: ("session", "the board took the enable"),
    Kind.BOARD_REFUSES: ("code words sequence", "the board did not do what a frame asked"),
    Kind.MODULE_FOUND: ("board session silence not_fitted", "this chamber's module answered, its outputs read back off"),
    Kind.MODULE_REFUSED: ("board reason", "a module answered that may not heat"),
    Kind.SILENCE_PROOF: ("session passed after_us words", "did the contactor fall when nothing retriggered it?"),
    Kind.NOT_A_BOARD: ("reason", "what is on the port does not speak the protocol"),
    Kind.COMMAND_ACCEPTED: ("ask by role ref detail run_id", "a person's command was carried out"),
    Kind.COMMAND_REFUSED: ("ask by role ref code reason", "a person's command was refused"),
    Kind.START_NAMED: ("run_id at_utc_us", "a start waits for the time it was named for"),
    Kind.START_LAPSED: ("run_id reason at_utc_us", "a start came to nothing; nothing was heated"),
    Kind.LEAVING: ("run_id answers channel arrived_age_us", "what was answered before this run was left alone"),
    Kind.ARM_ASKED: ("run_id", "a start waits for the arm button at the chamber"),
    Kind.ARMED: ("run_id", "the arm button was pressed with the door shut and the heat off"),
    Kind.ARM_VOID: ("reason", "an arming ended unused"),
    Kind.RUN_STATE: ("run_id before after cause by", "the run changed state"),
    Kind.SEGMENT: ("run_id segment kind target_mc", "a segment began"),
    Kind.SOAK_COUNTING: ("run_id counting counted_us", "the soak clock began or paused"),
    Kind.GUARD: ("guard standing value limit detail", "a guard began or ceased to stand"),
    Kind.TRIPPED: ("guard first_out value limit detail action", "the machine switched the heat off and latched"),
    Kind.CLEARED: ("guard by", "a latch was cleared"),
    Kind.ALARM: ("guard before after by", "an alarm changed state"),
    Kind.READING: ("role before after", "a sensor's reading changed its quality"),
    Kind.HEAT_SEEN_OFF: ("after_us how", "both switches were read back open, and no current where it is sensed"),
    Kind.LIMIT_TIGHTENED: ("limit before after by", "a limit was lowered"),
    Kind.GAP: ("what count from_us to_us", "something is not in the record, or was not looked at"),
    Kind.RECORD_FAILING: ("reason lost", "the record fails: not written, replaced, or short of space; control goes on"),
    Kind.RECORD_WORKING: ("lost", "the record is written again"),
    Kind.CLOCK_STEPPED: ("by_us", "the wall clock jumped; no duration was changed by it"),
    Kind.MESSAGES: ("failing", "messages began to leave again (empty), or why they cannot"),
    Kind.COMMISSIONED: ("may_do trials", "what the proofs that hold now allow, taken by the tick"),
    Kind.PROOF_STEP: (
        "run_id step excess_mc over_mc took_us",
        "a step of a start proof ended as it must: excess over the air's own course",
    ),
    Kind.PROOF: ("step sensor spot passed found by", "a step of commissioning was stored, passed or failed"),
    Kind.PROOFS_VOIDED: ("change steps sensor note by", "something changed at the chamber: these steps hold no more"),
    Kind.PROOF_WATCH: ("step sensor spot by outcome words", "a step began to be watched (`began`), or how it ended"),
    Kind.START_PROOF: ("run_id grade finding words took_us", "a start proof ended: passed, failed or void"),
}
"""Fields and meaning of each kind."""


class Event(NamedTuple):
    """One thing that happened in a tick. Values of `fields` are plain JSON: str, int, bool or None."""

    kind: Kind
    fields: dict[str, str | int | bool | None]
