"""What the page says before, at and after a moment that counts: a check-in that was missed, a date of another year, a stop
that nobody can see carried out, a start that waits."""

from __future__ import annotations

import pytest

from tests.browser.test_pure_modules import run

__all__ = ["run"]
HOUR_US = 3_600_000_000
A_TUESDAY_US = 1_796_083_200_000_000  # 1 Dec 2026, 00:00 UTC


@pytest.mark.parametrize(
    ("by", "withheld", "seen_off", "words"),
    [
        ("page or button", True, True, ["A check-in was missed.", "The heat is off, and the run waits.", "press Go on."]),
        ("page or button", True, False, ["The heat was told to go off, and"]),
        ("page or button", False, False, ["The heat goes off now, and"]),
        ("button", True, True, ["was not pressed in time.", "press the button there, then press Go on."]),
    ],
)
def test_a_check_in_that_was_missed_counts_no_more(run, by, withheld, seen_off, words):
    run_now = f"{{state: 'held', heat_withheld: {str(withheld).lower()}, level: 'in_the_building'}}"
    due = f"{{every_us: {HOUR_US}, left_us: 0, by: '{by}'}}"
    now = f"""{{run: {run_now}, check_in: {due}, utc_us: {A_TUESDAY_US}, heat_off: {str(seen_off).lower()}, latches: [],
      alarms: [{{state: 'unacknowledged'}}], possible: ['restart'], permit: {{given: false}}}}"""
    (said,) = run("parts/notices", f"m.presentNotices({now})")
    text = f"{said['bold']} {said['more']}"
    assert all(word in text for word in words), text
    assert said["tone"] == "must" and "left" not in text and "when it is missed" not in text
    assert [key["act"] for key in said["keys"]] == (["check-in"] if "page" in by else [])


@pytest.mark.parametrize(
    ("at_us", "words"),
    [(A_TUESDAY_US, "Tue 1 Dec"), (A_TUESDAY_US + 365 * 24 * HOUR_US, "Wed 1 Dec 2027")],
)
def test_a_date_of_another_year_names_it(run, at_us, words):
    assert run("text", f"m.day({at_us}, {A_TUESDAY_US + HOUR_US})") == words


def test_a_key_that_is_good_for_a_year_does_not_end_today(run):
    """The sheet's own call, by this device's clock: the same day of the next year is another day."""
    rows = "[{id: 1, label: 'hall', scope: 'stop', expires_utc_us: Date.now() * 1000 + 366 * 864e8}]"
    state = f"{{me: {{via: 'session'}}, held: {{tokens: {{tokens: {rows}}}}}}}"
    year = run("text", "new Date(Date.now() + 366 * 864e5).getFullYear()")
    assert f" {year} " in run("sheets/tokens", f"m.draw({state}).text")
