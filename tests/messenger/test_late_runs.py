"""A run that does not end: from the controller's own forecast over the messenger's beats to the listener's alarm.

The snapshots are made of a real state of the tick, looked at later and later; so what they expect moves on as it does there.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from controller.core.run_states import S
from controller.messenger import beats, listening
from controller.messenger.listening import LATE_LEAST_US, LATE_PART
from controller.messenger.words import Need, clock
from controller.snapshot import Facts, Snapshots
from tests.messenger.moments import ABSENT, S1, UTC
from tests.messenger.stand_in import ATTIC, House
from tests.service.chambers import simulated
from tests.service.runs import running

MINUTE_US = 60 * S1


class Chain:
    """A controller's state, a messenger, and the listener on a second computer."""

    def __init__(self, folder, **soak) -> None:
        chamber = simulated(folder / "chamber")
        self.state = running(chamber.chamber)
        run = self.state.run
        segments = tuple(replace(one, **soak) if one.soak_us else one for one in run.schedule.segments)
        self.state = self.state._replace(run=run._replace(schedule=replace(run.schedule, segments=segments)))
        self.snapshots = Snapshots(Facts("test", 1, chamber, "real", 1.0))
        (folder / "desk").mkdir()
        self.house, self.watches, self.told, self.us = House(folder / "desk", ATTIC), {}, [], 0
        self.house.sends.beat = self._heard
        self.desk = self.house.desk()

    def as_it_goes(self, state: S) -> None:
        self.state = self.state._replace(run=self.state.run._replace(state=state))

    async def _heard(self, _url, body, headers):
        beat = listening.read(body, headers[beats.SIGNATURE], ATTIC.key)
        self.watches, told = listening.take(self.watches, beat, self.us, UTC + self.us)
        self.told += [(self.us, one.notice) for one in told]
        return self.house.sends.answer

    def now(self) -> dict:
        later = self.state._replace(mono_us=self.state.mono_us + self.us)
        return self.snapshots.now(later, UTC + self.us, ("", 0))

    async def lasts(self, minutes: int) -> None:
        for _ in range(minutes):
            self.desk.page_lives()
            self.desk.take("bench", self.now())
            self.desk.turn()
            for _ in range(12):
                await asyncio.sleep(0)
            self.us += MINUTE_US
            self.house.time.us += MINUTE_US


def played(work) -> None:
    asyncio.run(work)


def test_a_run_that_is_held_for_ever_alarms_once_after_its_grace_also_across_a_restart(tmp_path):
    async def work() -> None:
        chain = Chain(tmp_path)
        await chain.lasts(2)
        promised = chain.desk.kept.pulses["bench"].promised_utc_us
        chain.as_it_goes(S.HELD)
        await chain.lasts(20)
        chain.desk = chain.house.desk()  # killed and started anew in the middle
        await chain.lasts(60)
        ((when_us, notice),) = chain.told
        late_us = UTC + when_us - promised
        assert LATE_LEAST_US <= late_us <= LATE_LEAST_US + beats.EVERY_US + MINUTE_US
        expected = chain.now()["run"]["ends_utc_us"]
        assert expected > UTC + chain.us > promised + LATE_LEAST_US, "what is expected has moved on all the while"
        assert f"it should have ended at {clock(promised, UTC + when_us)} and has not. It is held. It is expected to end at " \
            in notice.what
        assert notice.need is Need.CAN_WAIT and not ABSENT.search(notice.what + notice.do)
    played(work())


def test_a_long_run_that_waits_a_little_for_its_band_is_no_false_alarm(tmp_path):
    async def work() -> None:
        chain = Chain(tmp_path, soak_us=16 * 3600 * S1, longest_us=40 * 3600 * S1)
        await chain.lasts(2)
        run = chain.now()["run"]
        grace_us = (chain.desk.kept.pulses["bench"].promised_utc_us - run["started_utc_us"]) // LATE_PART
        assert grace_us > 90 * MINUTE_US
        chain.as_it_goes(S.HELD)
        await chain.lasts(16 * 60 + 60)
        assert chain.told == []
        await chain.lasts(60)
        assert len(chain.told) == 1
    played(work())


@pytest.mark.parametrize("promised", [None, 0])
def test_a_beat_without_a_promise_is_read_as_that_of_an_older_messenger(promised):
    import json

    from tests.messenger.moments import running as moment

    said = json.loads(beats.body(moment(), beats.Pulse(1, "running"), UTC))
    assert said["promised_end_utc_us"] is None
    del said["started_utc_us"]
    said["promised_end_utc_us"] = promised
    body = json.dumps(said).encode()
    beat = listening.read(body, beats.signature(body, ATTIC.key), ATTIC.key)
    assert (beat.promised_utc_us, beat.started_utc_us) == (0, 0)
