"""Pure modules about people and leaving, run inside Chromium: start times, sign-in, the checklist, who is told."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from tests.browser.test_pure_modules import NB, H, run

__all__ = ["run"]
BERLIN = ZoneInfo("Europe/Berlin")  # the browser of these tests lives there; clocks change as the IANA database says
MIN = 60_000_000


def us(year: int, month: int, day: int, hour: int, minute: int = 0, *, fold: int = 0) -> int:
    """A local wall time in Berlin as µs UTC, by Python's own time zone data."""
    return int(datetime(year, month, day, hour, minute, tzinfo=BERLIN, fold=fold).timestamp()) * 1_000_000


def clock(at_us: int) -> str:
    return datetime.fromtimestamp(at_us / 1e6, tz=UTC).astimezone(BERLIN).strftime("%d %H:%M")


def found(run, now_us: int, heat_us: int, total_us: int, waking: str = "m.WAKING"):
    return run(
        "starttimes", f"m.suggestions({{nowUs: {now_us}, heatUs: {heat_us}, totalUs: {total_us}, waking: {waking}}})"
    )


def test_a_start_in_the_evening_is_moved_to_where_the_heating_up_is_awake(run):
    """21:10, four hours up, sixteen in all: now would heat until 01:10, two hours of it asleep."""
    rows = found(run, us(2026, 11, 10, 21, 10), 4 * H, 16 * H)
    assert [clock(row["utcUs"]) for row in rows] == ["10 21:10", "11 07:00", "11 15:00"]
    assert [row["nightUs"] / H for row in rows] == [2 + 10 / 60, 0, 0]
    assert [row["endAwake"] for row in rows] == [True, False, True]
    assert f"2{NB}h{NB}10{NB}min of it while you sleep" in rows[0]["sentence"]
    assert "Heats up until 11:00, in your waking hours. Ends" in rows[1]["sentence"]


def test_a_start_that_suits_now_is_the_only_one(run):
    rows = found(run, us(2026, 11, 10, 8), 3 * H, 12 * H)
    assert [row["now"] for row in rows] == [True]
    assert rows[0]["sentence"].endswith("Ends 20:00 at the earliest, when you are awake.")


def test_a_heating_up_longer_than_a_waking_day_takes_the_start_with_least_night(run):
    rows = found(run, us(2026, 11, 10, 20), 20 * H, 30 * H)
    assert len(rows) == 2
    assert clock(rows[1]["utcUs"]) == "11 03:00", "any start from 03:00 to 07:00 has 4 h of night"
    assert rows[1]["nightUs"] == 4 * H


def test_a_night_worker_sleeps_by_day(run):
    waking = "{fromMin: 18 * 60, toMin: 8 * 60}"
    rows = found(run, us(2026, 11, 10, 9), 4 * H, 6 * H, waking)
    assert clock(rows[1]["utcUs"]) == "10 18:00" and rows[1]["nightUs"] == 0


@pytest.mark.parametrize(
    ("start", "turn", "awake_h"),
    [
        (us(2026, 10, 24, 22), "back", 1 + 8),  # CEST to CET: the night of 24 to 25 October has nine hours from 23 to 7
        (us(2027, 3, 27, 22), "forward", 1 + 10),  # CET to CEST: seven hours
    ],
)
def test_waking_hours_follow_the_wall_clock_over_a_change_of_the_clocks(run, start, turn, awake_h):
    night = {"back": 9, "forward": 7}[turn]
    asleep = run("starttimes", f"m.asleepUs(m.WAKING, {start}, {start + 18 * H}) / {H}")
    assert asleep == night
    words = run("starttimes", f"m.clockChange({start}, {start + 12 * H})")
    assert words.startswith(f"The clocks go {turn} by 1{NB}h on Sun 2")
    assert "the run is no" in words and awake_h == 18 - night


def test_no_change_of_the_clocks_is_told_where_there_is_none(run):
    assert run("starttimes", f"m.clockChange({us(2026, 11, 10, 8)}, {us(2026, 11, 11, 8)})") == ""


@pytest.mark.parametrize(
    ("now", "text", "want", "words"),
    [
        (us(2026, 11, 10, 21), "06:30", us(2026, 11, 11, 6, 30), f"Wed 11 Nov, 06:30: in 9{NB}h{NB}30{NB}min."),
        (us(2026, 11, 10, 21), "21:30", us(2026, 11, 10, 21, 30), f"in 30{NB}min"),
        (us(2026, 10, 24, 22), "02:30", us(2026, 10, 25, 2, 30), "the first is meant"),
        (us(2026, 10, 25, 2, 40), "02:30", us(2026, 10, 25, 2, 30, fold=1), "the second is meant"),
        (us(2026, 10, 25, 2, 40), "02:45", us(2026, 10, 25, 2, 45), "the first is meant"),
        (us(2027, 3, 27, 22), "02:30", None, "There is no 02:30 on Sun 28 Mar"),
        (us(2026, 11, 10, 21), "25:00", None, "Name a time of day"),
        (us(2026, 11, 10, 21), "", None, "Name a time of day"),
        (us(2026, 10, 24, 12), "12:00", None, "more than 24 h ahead"),  # 25 hours until the clock says so again
    ],
)
def test_a_named_time_is_the_next_one_that_this_clock_shows(run, now, text, want, words):
    got = run("starttimes", f"m.named('{text}', {now})")
    assert got["utcUs"] == want and words in got["words"]


def test_lengths_come_from_the_curve(run):
    curve = f"[[0, 21000], [{4 * H}, 105000], [{12 * H}, 105000], [{15 * H}, 40000]]"
    assert run("starttimes", f"m.lengths({curve}, {15 * H})") == {"heatUs": 4 * H, "totalUs": 15 * H}


LEAVING = """{machine: [{id: 'level', words: 'May', done: true, detail: 'd', how: ''},
  {id: 'message_arrived', words: 'A test message arrived', done: false, detail: 'none', how: 'Send one.'},
  {id: 'armed', words: 'Armed', done: false, detail: '', how: ''}],
  checklist: [{id: 'smoke_alarm', words: 'Smoke alarm', why: 'w'}, {id: 'clear_space', words: 'Clear', why: 'w'}]}"""


def test_the_line_is_whole_only_when_every_contact_is_closed(run):
    some = run("leaving", f"m.presentLeaving({LEAVING}, new Set(['smoke_alarm']))")
    assert [(row["id"], row["closed"], row["live"]) for row in some["rows"]] == [
        ("level", True, True),
        ("message_arrived", False, False),
        ("smoke_alarm", True, False),
        ("clear_space", False, False),
    ], "the arm button comes after the start was asked; nothing after an open contact is live"
    assert some["sentence"] == "Two contacts are open." and not some["whole"]
    done = LEAVING.replace("done: false", "done: true")
    assert run("leaving", f"m.presentLeaving({done}, new Set(['smoke_alarm', 'clear_space'])).whole")


def test_a_refused_start_names_each_thing_and_how_to_get_it(run):
    refused = """{mistakes: [{field: 'message_arrived', value: 'none', allowed: 'younger than 24 h', advice: 'Send one.'},
      {field: 'leaving.answers', value: '', allowed: '', advice: 'Tick it.'}]}"""
    rows = run("leaving", f"m.missing({refused})")
    assert rows[0] == {
        "id": "message_arrived",
        "words": "message arrived",
        "found": "none",
        "needed": "younger than 24 h",
        "how": "Send one.",
    }
    assert rows[1]["words"] == "answers"


@pytest.mark.parametrize(("level", "at"), [("unattended", 5), ("in_the_building", 0)])
def test_only_an_unattended_start_carries_the_answers(run, level, at):
    body = run(
        "leaving",
        f"m.startBody({{scheduleId: 1, revision: 2, level: '{level}', answers: new Set(['a']), atUtcUs: {at}}})",
    )
    assert ("leaving" in body) == (level == "unattended") and ("at_utc_us" in body) == bool(at)


@pytest.mark.parametrize(
    ("me", "held", "said"),
    [
        ("{name: null, accounts: true}", "null", ("sign-in", "Sign in.", None, True)),
        ("{name: null, accounts: true, ended: true}", "null", ("sign-in", "Your session has ended.", None, True)),
        ("{name: null, accounts: false}", "null", ("join", "Make the first account.", None, True)),
        (
            "{name: null, accounts: true}",
            "{refused: {code: 'wrong_sign_in', mistakes: []}}",
            ("sign-in", "Sign in.", "Name and password do not belong together.", True),
        ),
        (
            "{name: null, accounts: true}",
            "{refused: {code: 'too_many_tries'}, untilMs: 40500}",
            ("sign-in", "Sign in.", f"Too many wrong tries. Wait 31{NB}s.", False),
        ),
        (
            "{name: null, accounts: false}",
            "{refused: {code: 'wrong_code', mistakes: []}}",
            ("join", "Make the first account.", "This code is not valid.", True),
        ),
    ],
)
def test_the_sign_in_form_says_what_went_wrong(run, me, held, said):
    view = run("signin", f"m.presentSignIn({me}, {held}, 10000)")
    assert (view["form"], view["heading"], view["trouble"] and view["trouble"]["bold"], view["may"]) == said


def test_a_test_counts_for_a_day_and_no_longer(run):
    now = us(2026, 11, 10, 21, 30)
    words = [
        run("told", f"m.arrivalWords({{arrived_utc_us: {at}}}, {now})")
        for at in (us(2026, 11, 10, 21, 4), now - 24 * H, now - 24 * H + MIN)
    ]
    assert words[0] == {"counts": True, "words": "Arrived at 21:04, counts until 21:04 tomorrow."}
    assert [one["counts"] for one in words] == [True, False, True]


def test_a_message_that_left_is_not_said_to_be_read(run):
    words = run("told", f"m.deliveryWords({{channel: 'phone', state: 'left', utc_us: {us(2026, 11, 10, 21, 4)}}})")
    assert words == "phone: left 21:04"


@pytest.mark.parametrize(
    ("link", "to"),
    [
        ("http://192.0.2.5:8650/arrived?code=x", "/arrived?code=x"),
        ("http://127.0.0.1:8650/#/now", "/#/now"),
        ("http://192.0.2.9/elsewhere", None),
        ("javascript:alert(1)", None),
    ],
)
def test_a_letters_link_opens_here_only_when_it_is_ours(run, link, to):
    assert run("told", f"m.letterLink('{link}', 'http://127.0.0.1:8650')") == to


def test_the_older_of_two_listening_pages_goes_on(run):
    assert run("share", "m.goesOn({since: 1, id: 'b'}, {since: 2, id: 'a'})")
    assert not run("share", "m.goesOn({since: 2, id: 'a'}, {since: 1, id: 'b'})")
    assert run("share", "m.goesOn({since: 1, id: 'a'}, {since: 1, id: 'b'})")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("{away: '', now: {state: 'running', permit: true, latched: [], sentence: 's'}}", "running, may heat"),
        ("{away: '', now: {state: 'idle', permit: {given: false}, latched: false, sentence: 's'}}", "idle, heat off"),
        ("{away: '', now: {state: 'aborted', permit: false, latched: ['smoke'], sentence: 's'}}", "tripped"),
        ("{away: 'no answer', now: {state: 'running', permit: true, latched: [], sentence: 's'}}", "not heard"),
        ("{away: '', now: null}", "not heard yet"),
    ],
)
def test_a_chamber_in_one_line_never_looks_newer_than_it_is(run, row, words):
    assert run("parts/filing", f"m.chamberLine({row}).words") == words


@pytest.mark.parametrize(("words", "bold", "more"), [
    ("Channel flip fails: 550 no", "“flip” is not told:", "550 no"),
    ("Receiver attic fails: 403; key", "“attic” is not told:", "403; key"),
    ("Channel a: b fails: 550 no; try later; Receiver attic fails: did not answer: Connection refused",
     "“a: b” and “attic” are not told.", "“a: b”: 550 no; try later; “attic”: did not answer: Connection refused"),
    ("the messenger does not answer", "Messages fail.", "The messenger does not answer"),
    ("messenger.json cannot be written: full; Channel flip fails: 550 no", "Messages fail.",
     "Messenger.json cannot be written: full; Channel flip fails: 550 no"),
])
def test_the_ways_that_fail_are_named_as_people_named_them(run, words, bold, more):
    assert run("parts/notices", f"m.failingWords({words!r})") == {"bold": bold, "more": more}


@pytest.mark.parametrize(("answer", "said"), [
    ("did not answer: Connection refused", "It did not answer: Connection refused."),
    ("no answer within 30 s", "It did not answer: no answer within 30 s."),
    ("552 5.2.2 mailbox full", "The provider answered: “552 5.2.2 mailbox full”"),
])
def test_nobody_is_said_to_have_answered_who_did_not(run, answer, said):
    words = run("told", f"m.channelWords({{state: 'failing', answer: '{answer}', last_ok_utc_us: null}}, 0)")["words"]
    assert words == f"It fails. {said} None has left yet."
