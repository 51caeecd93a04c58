"""The socket as a client meets it: every example of the manual, nonsense, floods, laggards, resuming, roles."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from controller.config import load
from controller.core.schedule import SEGMENTS_MAX
from controller.drivers.clocks import utc_us
from controller.intake import NotACommand, command_of, schedule_of
from controller.lines import LINE_MAX_BYTES
from controller.publish import CLIENTS_MAX, UNSENT_MAX_BYTES
from tests.service.chambers import integers, real, short
from tests.service.rig import Rig
from tests.service.test_service import start_by_hand

MANUAL = Path("controller/socket.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(ask|answer|push)\n(.*?)\n```", MANUAL, re.DOTALL)
EXAMPLES = [(ask, answer) for (kind, ask), (after, answer) in pairwise(BLOCKS)
            if (kind, after) == ("ask", "answer")]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.close()


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Rig]:
    """A loop that runs in a thread, with a run on."""
    made = Rig(tmp_path)
    start_by_hand(made, 10)
    made.service.server.start = lambda: None
    made.go()
    yield made
    made.close()


def fits(shown: Any, real: Any, where: str = "") -> None:
    """Everything shown is there, of the same type; a list is shown by its first."""
    if isinstance(shown, dict):
        assert isinstance(real, dict), where
        for key, value in shown.items():
            assert key in real, f"{where}.{key} is not in the answer"
            fits(value, real[key], f"{where}.{key}")
    elif isinstance(shown, list) and shown and isinstance(shown[0], dict):
        assert real, where
        fits(shown[0], real[0], f"{where}[0]")
    elif shown is not None and real is not None:
        assert type(shown) is type(real), f"{where} is {real!r}, shown is {shown!r}"


def test_the_manual_shows_every_do_with_an_answer():
    assert {json.loads(ask)["do"] for ask, _ in EXAMPLES} == {
        "now", "follow", "command", "chamber", "guards", "health", "messages", "proofs", "prove", "changed", "bundle",
        "sing"}
    assert len(EXAMPLES) == sum(kind == "ask" for kind, _ in BLOCKS)


@pytest.mark.parametrize(("ask", "answer"), EXAMPLES, ids=[json.loads(ask)["id"] for ask, _ in EXAMPLES])
def test_every_example_of_the_manual_is_answered_as_it_says(running, ask, answer):
    with running.client() as person:
        person.say(ask.encode() + b"\n")
        got = person.hear()
        fits(json.loads(answer), got)
        code = json.loads(answer).get("refused", {}).get("code")
        assert code is None or got["refused"]["code"] == code


def test_the_push_of_the_manual_is_what_comes(running):
    shown = next(json.loads(text) for kind, text in BLOCKS if kind == "push")
    with running.client() as person:
        person.say(b'{"id":1,"do":"follow"}\n')
        person.hear()
        push = person.hear()
        fits(shown, push)
        assert len(push["row"]) == len(shown["row"])


def leaves(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from leaves(inner)
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        yield from leaves(value[0])


def test_every_field_of_a_snapshot_is_in_the_manual(rig):
    start_by_hand(rig)
    rig.port.board.smoke = True
    rig.steps(2)
    with rig.client() as person:
        now = person.now()
    now["run"].pop("segments")
    named = set(re.findall(r"`([a-z_0-9]+)`", MANUAL))
    assert set(leaves(now)) - named == set()
    assert list(now) == re.findall(r"`([a-z_0-9]+)`", "".join(re.findall(r"^\| (.*?) \|", MANUAL, re.MULTILINE)))


@pytest.mark.parametrize(("line", "code"), [
    (b"\xff\xfe", "bad_json"), (b"{", "bad_json"), (b"[]", "bad_json"), (b"7", "bad_json"), (b"1" * 10_000, "bad_json"),
    (b"[" * 9000, "bad_json"),
    (b"{}", "unknown_do"), (b'{"do":7}', "unknown_do"), (b'{"do":"Now"}', "unknown_do"), (b'{"do":["now"]}', "unknown_do"),
], ids=lambda one: str(one)[:24])
def test_nonsense_is_answered_and_the_connection_stays(rig, line, code):
    rig.steps(1)
    with rig.client() as person:
        person.say(line + b"\n")
        assert person.hear()["error"]["code"] == code
        assert person.now()["tick"] == 1


def test_a_line_that_never_ends_closes_the_connection(rig):
    rig.steps(1)
    with rig.client() as person:
        try:
            person.say(b"x" * (LINE_MAX_BYTES * 2))
        except (BrokenPipeError, ConnectionResetError):
            return
        assert person.hear()["error"]["code"] == "too_long"
        assert person.closed()


def test_asks_in_pieces_and_asks_together_are_all_answered(rig):
    rig.steps(1)
    with rig.client() as person:
        for byte in b'{"id":1,"do":"health"}\n':
            person.say(bytes([byte]))
        assert person.hear()["id"] == 1
        person.say(b'{"id":2,"do":"health"}\n\n{"id":3,"do":"health"}\n{"id":[4],"do":"health"}\n')
        assert [person.hear()["id"] for _ in range(3)] == [2, 3, [4]]


def follow(person, after: str | None) -> dict[str, Any]:
    person.say(json.dumps({"id": 1, "do": "follow", "after": after}).encode() + b"\n")
    answer: dict[str, Any] = person.hear()["ok"]
    return answer


def test_a_follower_resumes_where_it_was(rig):
    rig.steps(20)
    with rig.client() as person:
        person.until(lambda now: now["tick"] == 20)
        answer = follow(person, f"{rig.writer.boot}-15")
        assert answer["resumed"] and [row[0] for row in answer["rows"]] == [16, 17, 18, 19, 20]


@pytest.mark.parametrize("after", [None, "0-15", "1-99999", "x", ""])
def test_an_unknown_tick_gets_everything_and_is_told(rig, after):
    rig.steps(20)
    with rig.client() as person:
        person.until(lambda now: now["tick"] == 20)
        answer = follow(person, after)
        assert not answer["resumed"] and len(answer["rows"]) == 20


def test_the_ring_keeps_the_last_600_ticks(rig):
    rig.steps(620)
    with rig.client() as person:
        person.until(lambda now: now["tick"] == 620)
        rows = follow(person, None)["rows"]
    assert [rows[0][0], rows[-1][0], len(rows)] == [21, 620, 600]


def test_a_client_that_does_not_read_is_dropped_and_nobody_else_notices(rig):
    rig.steps(1)
    with rig.client() as lazy, rig.client() as person:
        lazy.say(b'{"id":1,"do":"follow"}\n')
        person.until(lambda now: True)
        rig.steps(UNSENT_MAX_BYTES // 2000)
        person.until(lambda now: now["tick"] > 100)
        assert len(rig.service.server._clients) == 1
        assert person.ask("health")["ok"]["late_max_us"] == 0


def test_more_connections_than_allowed_are_closed_at_once(rig):
    rig.steps(1)
    clients = [rig.client() for _ in range(CLIENTS_MAX)]
    try:
        assert clients[-1].now()
        with rig.client() as extra:
            assert extra.closed()
    finally:
        for client in clients:
            client.__exit__()


def test_a_client_that_goes_before_its_answer_harms_nobody(running):
    with running.client() as person:
        person.say(b'{"id":1,"do":"command","command":{"ask":"hold","by":"x","role":"operator","ref":"r"}}\n')
    with running.client() as other:
        other.until(lambda now: now["run"]["state"] == "held")


def test_two_askers_with_one_reference_each_get_their_own_answer(running):
    with running.client() as one, running.client() as two:
        one.say(b'{"id":"one","do":"command","command":{"ask":"hold","by":"x","role":"operator","ref":"same"}}\n')
        two.say(b'{"id":"two","do":"command","command":{"ask":"hold","by":"y","role":"operator","ref":"same"}}\n')
        answers = sorted([one.hear(), two.hear()], key=lambda answer: "refused" in answer)
    assert answers[0]["ok"]["state"] in ("held", "holding")
    assert answers[1]["refused"]["code"] == "not_possible_state"


def test_the_socket_is_for_its_group_and_no_others(rig):
    rig.steps(1)
    assert rig.socket_path.stat().st_mode & 0o777 == 0o660


def test_a_socket_left_over_by_a_crash_is_no_obstacle(rig):
    rig.socket_path.write_text("left over")
    rig.steps(1)
    with rig.client() as person:
        assert person.now()


# -- what may be commanded --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ask", "code"), [
    ("start", "measure_only"), ("hold", "not_possible_state"), ("cool_down", "not_possible_state"),
    ("clear", "unknown_name"), ("tighten", "unknown_name")])
def test_of_a_real_chamber_the_role_is_what_the_asker_vouches_for(tmp_path, ask, code):
    rig = Rig(tmp_path, chamber=load(real(tmp_path / "r"), utc_us()))
    rig.go()
    with rig.client() as person:
        assert person.command(ask, role="viewer", schedule=integers(short()))["refused"]["code"] == "not_allowed_role"
        assert person.command(ask, name="nothing", schedule=integers(short()))["refused"]["code"] == code
        assert "ok" in person.command("stop_heating", role="viewer")
        assert "stop_heating" in person.now()["possible"]
    rig.close()


@pytest.mark.parametrize(("role", "ask", "code"), [
    ("viewer", "start", "not_allowed_role"), ("viewer", "hold", "not_allowed_role"), ("operator", "clear", "not_allowed_role"),
    ("viewer", "acknowledge", "unknown_name"), ("operator", "restart", "not_possible_state"),
    ("maintainer", "clear", "unknown_name"),
    ("maintainer", "tighten", "unknown_name"), ("viewer", "check_in", "not_allowed_role"),
    ("operator", "check_in", None), ("viewer", "stop_heating", None)])
def test_each_role_may_what_it_may(running, role, ask, code):
    with running.client() as person:
        answer = person.command(ask, role=role, name="nothing", schedule=integers(short()))
        assert answer.get("refused", {}).get("code") == code


def test_mistakes_of_a_schedule_come_field_by_field(running):
    schedule = integers(short())
    schedule["segments"][0]["target_mc"] = 129_000
    schedule["segments"][1]["target_mc"] = 128_000
    with running.client() as person:
        person.command("stop_heating")
        person.until(lambda now: now["run"]["state"] == "aborted")
        person.command("reset")
        refused = person.command("start", schedule=schedule, level="unattended")["refused"]
        assert refused["code"] == "over_ceiling"
        assert [mistake["field"] for mistake in refused["mistakes"]] == ["segment 1 target_c", "segment 2 target_c"]
        assert "123 °C" in refused["mistakes"][0]["allowed"]


def test_what_is_no_command_is_recorded_as_refused(tmp_path):
    rig = Rig(tmp_path)
    rig.go()
    with rig.client() as person:
        assert person.command("start", schedule={"name": 1})["refused"]["code"] == "bad_schedule"
        person.until(lambda now: now["tick"] > 3)
    rig.close()
    refused = [event["fields"] for event in rig.events() if event["kind"] == "command_refused"]
    assert refused[0]["code"] == "bad_schedule" and refused[0]["by"] == "test"


GOOD = {"ask": "start", "by": "x", "role": "operator", "ref": "r", "schedule": integers(short()), "level": "unattended"}


@pytest.mark.parametrize(("changes", "field"), [
    ({"ask": "START"}, "ask"), ({"ask": None}, "ask"), ({"role": "owner"}, "role"), ({"level": "asleep"}, "level"),
    ({"by": "x" * 121}, "by"), ({"by": "a\nb"}, "by"), ({"ref": 7}, "ref"), ({"value": 1.5}, "value"),
    ({"value": True}, "value"),
    ({"at_utc_us": -1}, "at_utc_us"), ({"at_utc_us": "noon"}, "at_utc_us"), ({"leaving": []}, "leaving"),
    ({"leaving": {"answers": ["a lie"]}}, "leaving answers"), ({"leaving": {"answers": "smoke_alarm"}}, "leaving answers"),
    ({"leaving": {"arrived_age_us": -2}}, "leaving arrived_age_us"), ({"leaving": {"by": 1}}, "leaving by"),
    ({"value": 1 << 60}, "value"), ({"root": 1}, "root"), ({"name": None}, None),
], ids=str)
def test_a_command_is_read_strictly(changes, field):
    data = {**GOOD, **changes}
    if field is None:
        data.pop("name")
        assert command_of(data, "1").run_id == "1"
        return
    with pytest.raises(NotACommand) as caught:
        command_of(data, "1")
    assert [mistake.field for mistake in caught.value.mistakes] == [field]


def one_changed(**fields: Any) -> dict[str, Any]:
    data = integers(short())
    data["segments"][0].update(fields)
    return data


@pytest.mark.parametrize("data", [
    None, [], {}, {**integers(short()), "x": 1}, {**integers(short()), "of": "mood"}, {**integers(short()), "segments": {}},
    {**integers(short()), "segments": [None]}, {**integers(short()), "segments": integers(short())["segments"] * SEGMENTS_MAX},
    one_changed(target_mc=1.0), one_changed(target_mc="1"), one_changed(target_mc=None), one_changed(kind="fly"),
    one_changed(soak_us=True), one_changed(extra=1), one_changed(longest_us=1 << 63)], ids=lambda data: str(data)[:40])
def test_a_schedule_is_read_strictly(data):
    with pytest.raises(NotACommand) as caught:
        schedule_of(data)
    assert caught.value.code == "bad_schedule" and caught.value.mistakes


def test_a_schedule_comes_through_whole():
    assert schedule_of(integers(short())) == short()


def test_one_press_that_is_sent_again_is_one_act(tmp_path):
    rig = Rig(tmp_path)
    rig.go()
    with rig.client() as person, rig.client() as again:
        person.until(lambda now: now["board"]["accepted"])
        first = person.command("stop_heating", ref="press-12345678")
        assert again.command("stop_heating", ref="press-12345678") == first
        other = person.command("stop_heating", ref="press-87654321")
        assert "ok" in first and "ok" in other
    rig.close()
    accepted = [event["fields"]["ref"] for event in rig.events() if event["kind"] == "command_accepted"]
    assert accepted == ["press-12345678", "press-87654321"]


def test_the_same_press_stops_again_where_heat_has_come_back(running):
    with running.client() as person:
        assert "ok" in person.command("stop_heating", ref="press-12345678")
        person.until(lambda now: now["run"]["state"] == "aborted")
        person.command("reset")
        person.start()
        person.until(lambda now: now["run"] and now["run"]["state"] == "running")
        assert "ok" in person.command("stop_heating", ref="press-12345678")
        person.until(lambda now: now["run"]["state"] == "aborted")
