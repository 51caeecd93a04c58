"""No reading is never fine. Every sensor is lost in every way, and every fitted contact falls silent: the permit goes at once.

"At once" is the tick that sees it, whatever persistence the trip has. Nothing here is a number that could be compared.
"""

from __future__ import annotations

import itertools

import pytest

from controller.core.events import Kind
from controller.core.guards import GUARDS, Contact
from controller.core.messages import Channel, Fault
from controller.core.readings import MISSING, Faulted, Good, Stale, judge
from controller.core.run_states import S
from controller.core.supervisor import ALL_CALM, ROWS_OF, Latch, Standing, contacts, permitted
from controller.core.watch import QUIET, UNKNOWN, contact
from tests.core.world import CONTROL, OVER, PART, US, Bench, FakeBoard, chamber, soaking

LOST = {
    **{fault.name.lower(): Channel(105_000, 30_000, fault, 9) for fault in Fault},
    "every fault at once": Channel(105_000, 30_000, 0x3F, 9),
    "a bit nobody defined": Channel(105_000, 30_000, 0x40, 9),
    "all zero": Channel(0, 0, 0, 9),
    "cold junction too cold": Channel(105_000, -1, 0, 9),
    "cold junction too hot": Channel(105_000, 70_001, 0, 9),
    "no such channel": None,
}
CONTACTS = {"door": "door", "limiter": "limiter", "local_stop": "local_stop", "smoke": "smoke"}
EVERY_LOSS = pytest.mark.parametrize("channel", list(LOST.values()), ids=list(LOST))


@EVERY_LOSS
def test_a_lost_channel_is_never_good(channel):
    reading = judge(channel, (500, 0))
    assert not isinstance(reading, Good)
    assert reading == MISSING if channel is None else isinstance(reading, Faulted) and reading.reason


@pytest.mark.parametrize("cold_mc", [0, 1, 30_000, 70_000])
@pytest.mark.parametrize(("offset_mc", "slope_ppm", "correction_mc"), [
    (-1_500, 0, -1_500), (0, 0, 0), (800, 0, 800), (0, -10_000, -1_050), (500, 10_000, 1_550), (-2_000, 20_000, 100),
])
def test_a_good_channel_keeps_raw_and_corrected_and_is_judged_by_the_higher(cold_mc, offset_mc, slope_ppm, correction_mc):
    reading = judge(Channel(105_000, cold_mc, 0, 0), (offset_mc, slope_ppm))
    assert reading == Good(105_000, 105_000 + correction_mc)
    assert reading.judged_mc == max(105_000, 105_000 + correction_mc)


def test_zero_degrees_is_a_temperature_when_the_cold_junction_answers():
    assert judge(Channel(0, 21_000, 0, 0), (0, 0)) == Good(0, 0)


@pytest.mark.parametrize("which", [CONTROL, OVER, PART])
@EVERY_LOSS
def test_a_lost_sensor_takes_the_permit_in_the_same_tick(channel, which):
    bench = soaking()
    assert bench.heats
    bench.board.channels[which] = channel
    bench.tick()
    assert not bench.heats
    bench.run(3)
    assert bench.latched[:1] == ("sensor_faulted",)


@EVERY_LOSS
def test_one_lost_report_among_good_ones_takes_the_heat_for_that_tick_and_trips_nothing(channel):
    bench = soaking()
    bench.board.channels[CONTROL] = channel
    bench.tick()
    del bench.board.channels[CONTROL]
    bench.tick()
    assert bench.heats
    assert not bench.latched


@pytest.mark.parametrize("name", CONTACTS)
def test_a_fitted_contact_that_falls_silent_takes_the_permit_in_the_same_tick(name):
    bench = soaking()
    bench.board.says[name] = None
    bench.tick()
    assert not bench.heats
    assert bench.run_state is S.RUNNING, "silence alone is no trip"


@pytest.mark.parametrize("name", CONTACTS)
def test_a_contact_that_is_not_fitted_is_not_missed(name):
    bench = soaking(chamber=chamber(fitted={CONTACTS[name]: False}))
    bench.board.says[name] = None
    bench.tick()
    assert bench.heats


@pytest.mark.parametrize(("fitted", "value", "bad"), list(itertools.product((True, False), (True, False, None), (True, False))))
def test_a_contact_is_open_closed_unknown_or_not_there(fitted, value, bad):
    expected = QUIET if not fitted else UNKNOWN if value is None else int(value is bad)
    assert contact(fitted, value, bad) == expected
    assert QUIET < 0 < 1 < UNKNOWN


def test_silence_ages_into_stale_and_takes_the_permit_before_it_trips():
    bench = soaking()
    bench.cut = True
    bench.now_us = bench.state.board.heard_us + 2_999_999 - US
    bench.tick()
    assert bench.heats
    assert all(isinstance(one, Good) for one in bench.state.readings)
    bench.tick(us=1)
    assert not bench.heats
    assert bench.state.readings == (Stale(3_000_000),) * 3
    assert not bench.latched
    bench.tick(us=1_800_000)
    assert bench.latched == ("board_silent",)


def test_a_controller_that_stood_still_blames_itself_not_the_board():
    bench = soaking()
    bench.late_us = 15 * US
    bench.board.mute = True  # what the board says now answers frames of before
    bench.tick(us=16 * US)
    assert bench.latched == ("board_silent",)
    assert "this controller itself stood still for 15.0 s" in bench.state.latches[0].detail


def test_a_number_that_nobody_knows_is_told_as_none():
    bench = soaking()
    bench.cut = True
    bench.run(20)
    bench.cut = False
    bench.run(20)
    found = [one for one in bench.events if one.kind is Kind.GUARD]
    assert {"board_silent", "board_unheard"} <= {one.fields["guard"] for one in found}
    told = [one.fields[name] for one in found for name in ("value", "limit")]
    assert None in told and max(abs(int(one)) for one in told if one is not None) < 1 << 59


def test_reports_that_heard_nothing_new_grow_old_although_they_arrive():
    bench = soaking()
    bench.board.mute = True  # frames to the board are lost, its reports are not
    bench.run(3)
    assert not bench.heats
    assert all(isinstance(one, Stale) for one in bench.state.readings)
    bench.run(3)
    assert bench.latched == ("board_silent",)


def test_before_anything_is_heard_every_reading_is_missing_and_nothing_heats():
    bench = Bench(opened=False, board=FakeBoard(mute=True))
    bench.cut = True
    bench.run(3)
    assert bench.state.readings == (MISSING,) * 3
    assert not bench.state.permit


@pytest.mark.parametrize("row", sorted(row for rows in ROWS_OF.values() for row in rows), ids=lambda row: GUARDS[row].id)
def test_one_unknown_one_reached_or_one_standing_row_refuses_the_permit(row):
    limits = (10,) * len(GUARDS)
    calm = (0,) * len(GUARDS)
    assert permitted(calm, limits, ALL_CALM, ())
    for value in (UNKNOWN, 10, 11):
        assert not permitted((*calm[:row], value, *calm[row + 1:]), limits, ALL_CALM, ())
    standing = (*ALL_CALM[:row], Standing(5, True), *ALL_CALM[row + 1:])
    assert not permitted(calm, limits, standing, ())
    assert not permitted(calm, limits, ALL_CALM, (Latch("smoke", 0, 0, 0, "", True),))
    view = {one.contact: one for one in contacts((*calm[:row], UNKNOWN, *calm[row + 1:]), limits, ALL_CALM, (), True)}
    mine = view[GUARDS[row].contact]
    assert (mine.closed, mine.guard, mine.known) == (False, GUARDS[row], False)
    assert all(one.closed for one in view.values() if one is not mine)


def test_a_latch_and_a_missing_press_open_their_contacts():
    limits, calm = (10,) * len(GUARDS), (0,) * len(GUARDS)
    view = {one.contact: one for one in contacts(calm, limits, ALL_CALM, (Latch("smoke", 0, 0, 0, "", True),), False)}
    assert (view[Contact.NO_TRIP].closed, view[Contact.NO_TRIP].guard.id) == (False, "smoke")
    assert not view[Contact.ARMED].closed
    assert [one.contact for one in contacts(calm, limits, ALL_CALM, (), True)] == list(Contact)
