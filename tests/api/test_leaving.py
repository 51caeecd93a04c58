"""Before you leave: what is asked, what the machine knows, and what a start takes along."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from controller.core.leaving import CHECKLIST, NEVER_US
from tests.answered import ANSWERS
from tests.api.rig import Rig


def given(rig: Rig) -> dict:
    """The start command as the controller got it."""
    return next(command for command in rig.fake.commands if command["ask"] == "start")


def start(rig: Rig, **more: object):
    return rig.post("/runs", {"schedule_id": 1, "level": "unattended", **more},
                    headers={"Idempotency-Key": f"key-{time.monotonic_ns()}"})


def test_the_checklist_is_the_controllers_own(rig: Rig) -> None:
    told = rig.get("/leaving").json()
    assert [row["id"] for row in told["checklist"]] == [question.id for question in CHECKLIST]
    assert all(row["words"].endswith(".") and row["why"].endswith(".") for row in told["checklist"])


def test_machine_rows_say_how_to_get_what_is_not_done(rig: Rig) -> None:
    rows = {row["id"]: row for row in rig.get("/leaving").json()["machine"]}
    assert list(rows) == ["message_arrived", "messenger", "level", "armed"]
    assert not rows["message_arrived"]["done"] and rows["message_arrived"]["how"]
    assert all(row["how"].endswith(".") for row in rows.values())


def test_the_press_that_began_the_run_on_does_not_arm_the_next_start(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    def armed(**more: object) -> dict:
        monkeypatch.setattr(rig.hub, "now", {**rig.hub.now, "armed": True, "armed_until_utc_us": None, "pending": None, **more})
        return rig.get("/leaving").json()["machine"][-1]

    used = armed()
    assert not used["done"] and used["detail"].startswith("It is pressed last")
    assert armed(armed_until_utc_us=1_795_000_000_000_000)["done"]
    assert armed(pending={"armed": True})["done"] and not armed(pending={"armed": False})["done"]


def test_without_a_controller_nothing_is_called_done(tmp_path: Path) -> None:
    with Rig(tmp_path / "data", controller=False) as rig:
        assert not any(row["done"] for row in rig.get("/leaving").json()["machine"])


def test_the_card_never_says_who_is_at_home(rig: Rig) -> None:
    words = str(rig.get("/leaving").json()["card"]).lower()
    assert "fire service" in words and "unplug" in words
    assert not any(told in words for told in ("nobody", "empty", "away from home", "unattended", "not at home"))


def test_a_start_takes_answers_and_named_time_to_the_controller(rig: Rig) -> None:
    at = 1_795_000_000_000_000
    assert start(rig, at_utc_us=at, leaving={"answers": ANSWERS}).status_code == 202
    command = given(rig)
    assert command["at_utc_us"] == at
    assert command["leaving"] == {"answers": ANSWERS, "arrived_age_us": NEVER_US, "channel": "", "way": ""}


def test_a_start_without_them_says_nothing_for_the_person(rig: Rig) -> None:
    start(rig)
    assert given(rig)["leaving"] is None and given(rig)["at_utc_us"] == 0


@pytest.mark.parametrize(("more", "field"), [
    ({"at_utc_us": "noon"}, "at_utc_us"), ({"at_utc_us": 0}, "at_utc_us"), ({"at_utc_us": True}, "at_utc_us"),
    ({"leaving": {"answers": "all"}}, "leaving.answers"), ({"leaving": {"answers": [1]}}, "leaving.answers.0"),
    ({"leaving": {"yes": True}}, "leaving.answers")])
def test_nonsense_is_named_by_its_field(rig: Rig, more: dict, field: str) -> None:
    answer = start(rig, **more)
    assert answer.status_code == 422
    assert field in [row["field"] for row in answer.json()["mistakes"]]
    assert not rig.fake.commands
