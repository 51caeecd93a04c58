"""The heater's one line of contacts as it is drawn: supply, thermal link, limiter, contactor, modulator, element.

Each part is said to be in a state only when something shows it; "unknown" is a word on the screen, never a guess.
Nothing here decides about heat.
"""

from __future__ import annotations

from typing import Any

from controller.core.messages import Report
from controller.core.setup import Chamber, Fitted
from controller.core.watch import CURRENT_IS_ZERO_MA

PART_NAMES = ("supply", "thermal_link", "limiter", "contactor", "modulator", "element")
NOT_FITTED = {"limiter": "no limiter is fitted", "contactor": "no line contactor is fitted"}
UNHEARD = "nobody knows: this chamber's board is not heard"


def circuit(report: Report | None, chamber: Chamber, seen_e4: int, stays_closed: bool = False) -> dict[str, dict[str, Any]]:
    """State, words and whether current passes, for every part. `report` is None when the newest one is too old;
    `stays_closed` says that a switch was told to open long enough ago."""
    if report is None:
        return _unheard(chamber.fitted)
    fitted = chamber.fitted
    current = _current(report, fitted)
    watts = chamber.heater.element_w * seen_e4 // 10_000
    heating = current if current is not None else report.modulator and (report.contactor or not fitted.contactor)
    allowed = report.enabled and not report.off and report.mains is not False
    pulsing = seen_e4 > 0 and allowed and (report.contactor or not fitted.contactor)
    parts = {
        "supply": _supply(report, fitted, current is True),
        "thermal_link": _thermal_link(report, current, pulsing),
        "limiter": _limiter(report, fitted),
        "contactor": _contactor(report, fitted),
        "modulator": _modulator(report, current is True, seen_e4 if pulsing else 0),
        "element": _element(heating, current is not None, watts if pulsing else 0),
    }
    drawn: dict[str, dict[str, Any]] = {
        name: {"state": state, "current": heating, "words": words} for name, (state, words) in parts.items()}
    drawn["element"]["watts"] = watts
    for name, closed in (("contactor", "closed"), ("modulator", "passing")):
        if stays_closed and drawn[name]["state"] == closed:
            drawn[name] |= {"state": "stuck", "words": "reads closed though it was told to open"}
    return drawn


def _unheard(fitted: Fitted) -> dict[str, dict[str, Any]]:
    """Nobody knows anything, but what is not there is not there."""
    parts: dict[str, dict[str, Any]] = {
        name: {"state": "unknown", "current": False, "words": UNHEARD} for name in PART_NAMES}
    for name, there in (("limiter", fitted.limiter), ("contactor", fitted.contactor)):
        if not there:
            parts[name] |= {"state": "not fitted", "words": NOT_FITTED[name]}
    parts["element"]["watts"] = 0
    return parts


def _current(report: Report, fitted: Fitted) -> bool | None:
    """Does current flow? None where nothing senses it."""
    if not fitted.current or report.current_ma is None:
        return None
    return report.current_ma >= CURRENT_IS_ZERO_MA


def _supply(report: Report, fitted: Fitted, current: bool) -> tuple[str, str]:
    if current or (fitted.mains_sense and report.mains is True):
        return "on", "mains is there"
    if not fitted.mains_sense:
        return "unknown", "nothing senses the mains"
    return ("gone", "no mains at the board") if report.mains is False else ("unknown", "the board does not say")


def _thermal_link(report: Report, current: bool | None, pulsing: bool) -> tuple[str, str]:
    """It shows itself only by current: flowing through it, or missing with everything else closed."""
    if current:
        return "whole", "current flows through it"
    closed = report.modulator and report.contactor and report.mains is True and report.limiter is not False
    if current is False and closed:
        return "open", "all else is closed and no current flows"
    if current is None:
        return "unknown", "it shows only by its current, and nothing senses that"
    return "unknown", "the next pulse shows it" if pulsing else "it shows only while current flows"


def _limiter(report: Report, fitted: Fitted) -> tuple[str, str]:
    if not fitted.limiter:
        return "not fitted", NOT_FITTED["limiter"]
    words = {True: ("closed", "closed"), False: ("open", "open: it acted, or is not reset"),
             None: ("unknown", "the board does not say")}
    return words[report.limiter]


def _contactor(report: Report, fitted: Fitted) -> tuple[str, str]:
    if not fitted.contactor:
        return "not fitted", NOT_FITTED["contactor"]
    return ("closed", "closed") if report.contactor else ("open", "open")


def _modulator(report: Report, current: bool, seen_e4: int) -> tuple[str, str]:
    """On or off as it was read back at the last report: it works in windows, so that either is right while it heats."""
    share = f", on for {seen_e4 / 100:.0f} % of the last window" if seen_e4 else ""
    if report.modulator:
        return "passing", f"on at the last report{share}"
    return "not passing", "reads back as off, yet current flows" if current else f"off at the last report{share}"


def _element(heating: bool, sensed: bool, watts: int) -> tuple[str, str]:
    """Heating as the last report shows: by its current, or by both switches where nothing senses that."""
    how = "" if sensed else ", judged by the switches: nothing senses its current"
    mean = f"about {watts} W over the last window" if watts else ""
    if heating:
        return "heating", (mean or "at the last report") + how
    return "off", f"between two pulses, {mean}{how}" if watts else f"no heat now{how}"
