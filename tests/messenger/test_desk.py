"""The messenger at work, in virtual time: deaths between decision and sending, channel files, failing ways, beats."""

from __future__ import annotations

import asyncio
import json

import pytest

from controller.client import LINE_MAX_BYTES
from controller.drivers import sealed
from controller.messenger import channels, memory, outbox, store
from controller.messenger.channels import Channel, Channels
from controller.messenger.desk import MAILBOX_REAL
from controller.messenger.door import Door
from controller.messenger.outbox import Outbox, State
from controller.messenger.send import Sent
from controller.messenger.words import URGENCY_WORDS, Need, Notice
from tests.messenger.moments import S1, SENDER, UTC, alarm, ended, idle, latch, running
from tests.messenger.stand_in import ATTIC, PAGE, PHONE, House

SMOKE = ended("aborted", "", latches=[latch("smoke")])


@pytest.fixture
def house(tmp_path):
    return House(tmp_path, PHONE)


def play(work) -> None:
    """Run one test's coroutine; what still hangs at its end is what a killed process leaves undone."""
    async def whole() -> None:
        await work
        for task in asyncio.all_tasks() - {asyncio.current_task()}:
            task.cancel()

    asyncio.run(whole())


def test_a_trip_leaves_with_its_link(house):
    async def work() -> None:
        await house.turns(house.desk(), now=SMOKE)
        (body,) = house.sends.bodies
        assert "get out and call the fire service" in body and f"Look: {PAGE}/#/now" in body
    play(work())


def test_killed_between_decision_and_sending_nothing_is_lost_and_nothing_told_twice(house):
    async def work() -> None:
        house.sends.hang = True
        killed = house.desk()
        await house.turns(killed, now=SMOKE)
        assert house.sends.titles == [] and killed.kept.outbox.letters[0].waits
        house.sends.hang = False
        await house.turns(house.desk(), seconds=30, now=SMOKE)
        assert len(house.sends.titles) == 1
        await house.turns(house.desk(), seconds=30, now=SMOKE)
        assert len(house.sends.titles) == 1
    play(work())


def test_the_decision_is_on_disk_before_anything_is_sent(house):
    async def work() -> None:
        house.sends.hang = True
        desk = house.desk()
        desk.take("bench", SMOKE)
        desk.turn()
        kept, wrong = store.load(house.folder)
        assert wrong == "" and kept.outbox.letters[0].notice.need is Need.GET_OUT
    play(work())


def test_killed_after_sending_and_before_the_answer_it_is_sent_again_rather_than_not_at_all(house):
    async def work() -> None:
        desk = house.desk()
        desk.take("bench", SMOKE)
        desk._save()
        await desk.sends.message(PHONE.url, "left, and then the process was killed", "", True)
        await house.turns(house.desk(), now=SMOKE)
        assert len(house.sends.titles) == 2
    play(work())


def test_a_full_disk_does_not_keep_a_message_back_and_is_said(house, monkeypatch):
    async def work() -> None:
        desk = house.desk()
        monkeypatch.setattr(sealed, "write", lambda *_args, **_named: (_ for _ in ()).throw(OSError(28, "No space left")))
        await house.turns(desk, now=SMOKE)
        assert len(house.sends.titles) == 1 and "messenger.json cannot be written: No space left" in desk.failing()
        monkeypatch.undo()
        await house.turns(desk, now=SMOKE)
        assert desk.failing() == ""
    play(work())


@pytest.mark.parametrize("damage", [b"", b"{}", b'{"body": {}, "sha256": "0"}', b"\xff\x00"])
def test_a_damaged_file_of_its_own_is_set_aside_and_what_stands_is_told_once_more(house, damage):
    async def work() -> None:
        await house.turns(house.desk(), now=SMOKE)
        (house.folder / store.FILE).write_bytes(damage)
        desk = house.desk()
        assert "could not be read" in desk.failing()
        await house.turns(desk, seconds=3, now=SMOKE)
        assert len(house.sends.titles) == 2 and (house.folder / f"{store.FILE}.unreadable").exists()
    play(work())


def test_a_way_that_fails_is_named_with_its_answer_and_tried_until_it_works(house):
    async def work() -> None:
        house.sends.answer = Sent(False, "535 authentication failed")
        desk = house.desk()
        await house.turns(desk, seconds=4, now=SMOKE)
        assert desk.failing() == "Channel phone fails: 535 authentication failed"
        house.sends.answer = Sent(True, "taken")
        await house.turns(desk, seconds=4, now=SMOKE)
        assert len(house.sends.titles) == 1 and desk.failing() == ""
    play(work())


def test_a_way_that_hangs_holds_up_no_other(house):
    async def work() -> None:
        house.use(PHONE, Channel(3, "mail", "mailto://a:b@127.0.0.1", Need.FOR_INFORMATION))
        whole = house.sends.message

        async def message(url, title, body, failure):
            if url == PHONE.url:
                await asyncio.Event().wait()
            return await whole(url, title, body, failure)

        house.sends.message = message
        desk = house.desk()
        await house.turns(desk, seconds=3, now=SMOKE)
        await house.turns(desk, seconds=3, now=ended("aborted", "", latches=[latch("smoke")], alarms=[alarm("door")]))
        assert len(house.sends.titles) == 2, "the second message did not wait for the first one's other way"
    play(work())


def test_channels_are_taken_up_while_it_runs(house):
    async def work() -> None:
        (house.folder / channels.FILE).unlink()
        desk = house.desk()
        await house.turns(desk, now=running({"level": "attended"}))
        assert desk.channels.channels == () and desk.failing() == ""
        house.use(PHONE)
        await house.turns(desk, seconds=2, now=running({"level": "attended"}))
        await house.turns(desk, now=SMOKE)
        assert len(house.sends.titles) == 1
    play(work())


@pytest.mark.parametrize(("harm", "words"), [
    (lambda path: path.write_bytes(b"{"), "channels.json: not a whole sealed file"),
    (lambda path: path.write_bytes(path.read_bytes().replace(b"phone", b"phoNe")), "channels.json: changed since it was"),
    (lambda path: sealed.write(path, {"format": "other"}), "channels.json: format is other"),
    (lambda path: sealed.write(path, {"format": channels.FORMAT, "page": "", "channels": [{}], "beats": []}),
     "a field is missing"),
    (lambda path: path.unlink(), "the channel file channels.json is gone"),
], ids=["cut", "changed", "another format", "a field missing", "gone"])
def test_a_broken_channel_file_leaves_the_last_whole_one_at_work_and_is_said(house, harm, words):
    async def work() -> None:
        desk = house.desk()
        await house.turns(desk)
        harm(house.folder / channels.FILE)
        await house.turns(desk, seconds=3, now=SMOKE)
        assert words in desk.failing() and len(house.sends.titles) == 1
        house.use(PHONE)
        await house.turns(desk, seconds=2)
        assert desk.failing() == ""
    play(work())


def test_a_channel_with_a_new_address_has_to_show_anew_that_it_works(house):
    async def work() -> None:
        desk = house.desk()
        await house.turns(desk, now=SMOKE)
        assert desk.kept.health[1].state == "working"
        house.use(PHONE._replace(name="my phone"))
        await house.turns(desk, seconds=2)
        assert desk.kept.health[1].state == "working"
        house.use(PHONE._replace(url="json://127.0.0.1/other"))
        await house.turns(desk, seconds=2)
        assert 1 not in desk.kept.health
    play(work())


def test_a_controller_that_starts_again_makes_no_message_of_its_own(house):
    async def work() -> None:
        desk = house.desk()
        await house.turns(desk, seconds=3, now=running())
        before = len(house.sends.titles)
        await house.turns(desk, seconds=12)
        await house.turns(desk, seconds=10, now=running(latches=[], boot=99))
        assert len(house.sends.titles) == before
    play(work())


def test_a_silent_controller_is_told_in_fifteen_seconds_and_its_return_too(house):
    async def work() -> None:
        desk = house.desk()
        await house.turns(desk, seconds=2, now=running())
        await house.turns(desk, seconds=16.5)
        assert "has not been heard for 15 s" in house.sends.titles[-1]
        await house.turns(desk, seconds=8, now=running())
        assert house.sends.titles[-1].endswith("The controller is heard again.")
    play(work())


def test_a_snapshot_of_another_version_is_said_and_ends_nothing(house):
    async def work() -> None:
        desk = house.desk()
        desk.take("bench", {"v": 9})
        assert "the controller of bench speaks another version" in desk.failing()
        await house.turns(desk, now=SMOKE)
        assert desk.failing() == "" and len(house.sends.titles) == 1
    play(work())


def test_several_chambers_are_told_apart(house):
    async def work() -> None:
        desk = house.desk("bench", "attic")
        other = idle(latches=[latch("ceiling")])
        other["chamber"]["name"] = "Attic chamber"
        desk.take("attic", other)
        await house.turns(desk, seconds=3, now=SMOKE)
        assert sorted("Attic" in title for title in house.sends.titles) == [False, True]
        assert any(f"{PAGE}/#/at/attic/now" in body for body in house.sends.bodies)
    play(work())


def test_the_mailbox_keeps_messages_of_a_simulation_and_refuses_those_of_a_real_chamber(house):
    async def work() -> None:
        house.use(Channel(1, "demo mailbox", "mailbox://", Need.FOR_INFORMATION))
        desk = house.desk()
        early = await desk.try_channel(Channel(1, "demo mailbox", "mailbox://", Need.FOR_INFORMATION), "")
        assert not early.left and "no controller has been heard yet" in early.answer and desk.failing() == ""
        await house.turns(desk, now=SMOKE)
        assert desk.kept.mailbox[0]["title"].startswith("SIMULATED: ") and house.sends.titles == []
        real = ended("aborted", "", latches=[latch("smoke"), latch("ceiling")])
        real["chamber"]["simulated"] = False
        desk = house.desk("real")
        await house.turns(desk, now=real, at="real")
        assert desk.failing() == f"Channel demo mailbox fails: {MAILBOX_REAL}" and len(desk.kept.mailbox) == 1
    play(work())


def test_beats_go_out_every_two_minutes_of_a_run_and_once_at_its_end(house):
    async def work() -> None:
        house.use(ATTIC)
        desk = house.desk()
        await house.turns(desk, seconds=5, now=idle())
        assert house.sends.beats == []
        await house.turns(desk, seconds=601, now=running())
        assert [one["state"] for one in house.sends.beats] == ["running"] * 6
        await house.turns(desk, seconds=30, now=ended())
        await house.turns(desk, seconds=600, now=idle())
        assert [one["state"] for one in house.sends.beats[6:]] == ["complete"]
        numbers = [one["sequence"] for one in house.sends.beats]
        assert numbers == sorted(set(numbers)) and all(one["headers"] for one in house.sends.beats)
    play(work())


def test_a_last_beat_that_does_not_arrive_is_sent_until_it_does_also_by_the_next_messenger(house):
    async def work() -> None:
        house.use(ATTIC)
        desk = house.desk()
        await house.turns(desk, seconds=3, now=running())
        house.sends.answer = Sent(False, "no route")
        await house.turns(desk, seconds=45, now=ended())
        assert [one["state"] for one in house.sends.beats[1:]] == ["complete"] * 3, "again after 20 s each"
        house.sends.answer = Sent(True, "200")
        await house.turns(house.desk(), seconds=45, now=ended())
        assert [(one["state"], one["left"]) for one in house.sends.beats[4:]] == [("complete", True)]
    play(work())


def test_a_silent_controller_is_told_to_the_far_end_at_once_and_its_return_too(house):
    async def work() -> None:
        house.use(ATTIC)
        desk = house.desk()
        await house.turns(desk, seconds=2, now=running())
        await house.turns(desk, seconds=17)
        assert house.sends.beats[-1]["state"] == "controller_silent"
        await house.turns(desk, seconds=2, now=running())
        assert house.sends.beats[-1]["state"] == "running"
    play(work())


def test_numbers_rise_across_messengers_even_when_the_clock_goes_back(house):
    async def work() -> None:
        house.use(ATTIC)
        await house.turns(house.desk(), seconds=2, now=running())
        house.time.us -= 900 * S1
        await house.turns(house.desk(), seconds=2, now=running({"state": "held"}))
        first, second = house.sends.beats
        assert second["sequence"] == first["sequence"] + 1
    play(work())


def test_a_soaks_clock_is_not_written_every_second(house, monkeypatch):
    async def work() -> None:
        desk, writes = house.desk(), []
        segments = [{"kind": "soak", "soak_us": 8 * 3600 * S1}]
        whole = store.save
        monkeypatch.setattr(store, "save", lambda *given: writes.append(whole(*given)))
        for second in range(0, 3600, 10):
            desk.take("bench", running({"segments": segments, "segment": 0, "counted_us": second * S1}))
            desk.turn()
            await asyncio.sleep(0)
        assert 6 <= len(writes) <= 12
    play(work())


def test_the_fullest_file_can_be_read_again_and_the_fullest_status_fits_into_a_line(house):
    async def work() -> None:
        ways = [Channel(number, f"way {number}", f"json://127.0.0.1/{number}", Need.FOR_INFORMATION) for number in range(1, 13)]
        house.use(*ways)
        desk = house.desk()
        desk.turn()
        box = Outbox()
        for number in range(200):
            notice = Notice(Need.CAN_WAIT, f"{number} " + "w" * 400, "d" * 200, "o" * 600)
            box = outbox.post(box, notice, SENDER, ways, 0, UTC)
            for way in ways if number % 2 else ():
                box = outbox.answered(box, number + 1, way.id, True, "a" * 999, 0, UTC)
        mailbox = tuple({"utc_us": 1, "title": "t" * 120, "text": "x" * 1500, "link": ""} for _ in range(store.MAILBOX_KEPT))
        store.save(house.folder, desk.kept._replace(outbox=box, mailbox=mailbox))
        kept, wrong = store.load(house.folder)
        waiting = [one.id for one in box.letters if one.waits]
        assert wrong == "" and [one.id for one in kept.outbox.letters if one.waits] == waiting and len(waiting) > 30
        desk.kept = desk.kept._replace(outbox=box)
        said = await Door(house.folder / "s", desk, "0.1.0")._status({})
        assert len(json.dumps({"id": 1, "ok": said}, ensure_ascii=False)) < LINE_MAX_BYTES
    play(work())


def test_what_it_keeps_is_read_back_as_it_was(house):
    async def work() -> None:
        house.use(PHONE, ATTIC, Channel(3, "demo", "mailbox://", Need.FOR_INFORMATION))
        house.sends.answer = Sent(False, "refused")
        desk = house.desk()
        await house.turns(desk, seconds=3, now=running(alarms=[alarm("door"), alarm("smoke")]))
        kept = store.parse(store.render(desk.kept))
        assert kept.outbox == desk.kept.outbox and kept.health == desk.kept.health and kept.pulses == desk.kept.pulses
        assert kept.mailbox == desk.kept.mailbox and kept.chambers["bench"].told == desk.kept.chambers["bench"].told
        assert kept.chambers["bench"].seen == desk.kept.chambers["bench"].seen._replace(told=frozenset())
    play(work())


def test_a_trial_says_so_and_carries_its_link(house):
    async def work() -> None:
        desk = house.desk()
        desk.take("bench", idle())
        sent = await desk.try_channel(PHONE, f"{PAGE}/arrived?code=x")
        assert sent.left and "nothing has happened" in house.sends.bodies[0] and "/arrived?code=x" in house.sends.bodies[0]
        [urgency] = [line for line in house.sends.bodies[0].splitlines() if line.startswith("How urgent: ")]
        assert urgency.removeprefix("How urgent: ").removesuffix(".") in URGENCY_WORDS.values()
        assert desk.kept.health[1].state == "working" and all(
            one.state is not State.WAITING for letter in desk.kept.outbox.letters for one in letter.deliveries)
    play(work())


def test_the_channel_file_can_be_read_by_its_group_and_by_nobody_else(tmp_path):
    channels.save(tmp_path, Channels(PAGE, (PHONE,), (ATTIC,)))
    assert (tmp_path / channels.FILE).stat().st_mode & 0o777 == 0o640
    assert channels.load(tmp_path) == Channels(PAGE, (PHONE,), (ATTIC,), 2)


def test_a_trial_beside_a_message_that_hangs_is_made_and_a_second_trial_is_told_that_one_goes_on(house):
    async def work() -> None:
        desk = house.desk()
        house.sends.hang = True
        await house.turns(desk, now=SMOKE)
        first = asyncio.get_running_loop().create_task(desk.trial(PHONE, f"{PAGE}/arrived?code=x"))
        await asyncio.sleep(0)
        second = await desk.trial(PHONE, f"{PAGE}/arrived?code=y")
        assert not second.left and "still being tried" in second.answer and not first.done()
        first.cancel()
        await asyncio.gather(first, return_exceptions=True)
        house.sends.hang = False
        assert (await desk.trial(PHONE, f"{PAGE}/arrived?code=z")).left, "the message on its way there does not hold it up"
    play(work())


def test_a_message_that_was_held_back_is_stamped_with_the_time_at_which_it_happened(house):
    async def work() -> None:
        desk, now = house.desk(), idle()
        late = Notice(Need.CAN_WAIT, "It happened.", "Nothing.", "Look.", "", "alarm x", UTC)
        desk._step("bench", memory.Step(memory.Memory(), (late,)))
        desk.take("bench", now)
        assert desk.kept.outbox.letters[0].stamp_utc_us == UTC != desk.chamber_utc_us("bench")
    play(work())
