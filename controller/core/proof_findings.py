"""How a start proof may end badly: one row each, with what was seen, what is likely wrong and what to do. No logic."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Grade(StrEnum):
    """How a proof ended."""

    PASSED = "passed"
    FAILED = "failed"
    VOID = "void"


class Found(NamedTuple):
    """One way for a proof to end badly: what was seen, what is likely wrong, what to do."""

    grade: Grade
    seen: str
    likely: str
    do: str

    @property
    def words(self) -> str:
        return f"{self.seen} {self.likely} {self.do}"


FAILED, VOID = Grade.FAILED, Grade.VOID
FINDINGS: dict[str, Found] = {
    "heats_with_all_off": Found(FAILED, "It warms with both switches told to be open.",
        "Both switches are stuck, or the element is wired around them.", "Unplug it. Replace both, then prove it again."),
    "contactor_stuck": Found(FAILED, "It warms with the line contactor told to be open and the modulator on.",
        "The contactor is welded, or wired around.", "Unplug it. Replace or rewire the contactor, then prove it again."),
    "modulator_stuck": Found(FAILED, "It warms with the modulator told to be off and the line contactor closed.",
        "The modulator is shorted, wholly or for half of each wave, or wired around.",
        "Unplug it. Replace the modulator, then prove it again."),
    "switch_reads_closed": Found(FAILED, "A switch reads closed that was told to be open.",
        "It is welded, or the two outputs are exchanged.", "Unplug it. Compare the outputs with the pin sheet."),
    "switch_reads_open": Found(VOID, "A switch reads open that was told to be closed.",
        "The board keeps it off, its coil has no supply, or the two outputs are exchanged.",
        "Read the board's reason on the page; compare the outputs with the pin sheet."),
    "wrong_way": Found(FAILED, "A sensor fell while it was heated.", "Its two leads are reversed.",
        "Unplug it. Exchange the leads at the converter, then show its ice and boiling points again."),
    "control_did_not_rise": Found(FAILED, "The over-temperature sensor rose and the control sensor did not.",
        "The control sensor is off its place, shorted on its way, or exchanged with another.",
        "Unplug it. Cold: look at its clip, its cable and its socket."),
    "over_did_not_rise": Found(FAILED, "The control sensor rose and an over-temperature sensor did not.",
        "The over-temperature sensor is off its place, shorted on its way, or exchanged with another.",
        "Unplug it. Cold: look at its clip, its cable and its socket."),
    "nothing_rose": Found(VOID, "Both switches were closed and nothing rose.",
        "The element, a fuse or the thermal link is open, there is no mains, or the sensors are off their places.",
        "Unplug it. Measure link, fuse and element; look at the sensors' clips."),
    "current_and_no_rise": Found(VOID, "Current flowed and nothing rose.",
        "The sensors are off their places, or the element heats something else.", "Unplug it. Look at the sensors' clips."),
    "no_current": Found(VOID, "Both switches were closed and no current flowed.",
        "The element, a fuse or the thermal link is open, there is no mains, or the current sensor is.",
        "Unplug it. Measure link, fuse and element."),
    "no_mains": Found(VOID, "There is no mains at the heater.", "The plug, a fuse or the wall switch.",
        "Look at these, then start again."),
    "fan_stands": Found(VOID, "The fan does not turn.",
        "It is broken, or fed with the heat in place of ahead of the contactor.",
        "Feed it ahead of the contactor; mend it, then start again."),
    "not_steady": Found(VOID, "The air does not come to rest by itself.",
        "The door was open just now, or something else warms it.", "Leave the door shut for some minutes, then start again."),
    "disagree_cold": Found(VOID, "The sensors disagree though the chamber is cold.", "One has drifted, or is not what it was.",
        "Show their ice points again."),
}  # fmt: skip
"""By code. Order is that of the tests, most telling first where two could be said."""
