"""The messenger and the listener as the processes that they are: killed, restarted, refused, silent for real."""

from __future__ import annotations

import json
import signal
import urllib.request
from pathlib import Path

import pytest

from controller.exit_codes import Exit
from controller.messenger import beats, channels
from controller.messenger.channels import Beat, Channel, Channels
from controller.messenger.words import Need
from tests.messenger import peers
from tests.messenger.moments import UTC, running
from tests.messenger.processes import Bench, until
from tests.messenger.stand_in import PAGE

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]


def use(folder: Path, *ways: Channel | Beat) -> None:
    channels.save(folder, Channels(PAGE, tuple(one for one in ways if isinstance(one, Channel)),
                                   tuple(one for one in ways if isinstance(one, Beat))))


def way(url: str) -> Channel:
    return Channel(1, "phone", url, Need.FOR_INFORMATION)


def waiting(folder: Path) -> bool:
    found = folder / "messenger.json"
    return found.exists() and '"state": "waiting"' in found.read_text(encoding="utf-8")


def test_a_run_is_told_by_mail_and_the_messenger_ends_when_asked(tmp_path):
    with peers.mail() as (box, url), Bench(tmp_path / "d") as bench:
        use(bench.folder, way(url))
        messenger = bench.messenger()
        bench.run()
        until(lambda: len(box.letters) >= 1)
        assert "A run has begun" in box.letters[0].content.decode()
        until(lambda: bench.status()["channels"][0]["state"] == "working")
        assert bench.status()["failing"] == ""
        messenger.send_signal(signal.SIGTERM)
        assert messenger.wait(10) == Exit.GOOD and not (bench.folder / "messenger.sock").exists()
        assert messenger.stderr.read() == ""


def test_killed_between_decision_and_sending_the_next_one_sends_it_once(tmp_path):
    with peers.mail() as (box, url), peers.rude(False) as hanging, Bench(tmp_path / "d") as bench:
        use(bench.folder, way(f"json://{hanging}/?rto=60&cto=60"))
        messenger = bench.messenger()
        bench.run()
        until(lambda: waiting(bench.folder))
        messenger.send_signal(signal.SIGKILL)
        messenger.wait()
        use(bench.folder, way(url))
        bench.messenger()
        until(lambda: any("A run has begun" in one.content.decode() for one in box.letters))
        until(lambda: not waiting(bench.folder))
        assert sum("A run has begun" in one.content.decode() for one in box.letters) == 1


def test_a_second_messenger_for_the_same_desk_is_refused(tmp_path):
    with Bench(tmp_path / "d") as bench:
        bench.messenger()
        second = bench.start("import sys; from controller.messenger.__main__ import main; sys.exit(main(sys.argv[1:]))",
                             "--data", str(bench.folder))
        assert second.wait(20) == Exit.TAKEN and "another messenger is at work" in second.stderr.read()


def test_what_is_no_ask_is_answered_and_the_socket_is_for_its_group_alone(tmp_path):
    with Bench(tmp_path / "d") as bench:
        bench.messenger()
        assert (bench.folder / "messenger.sock").stat().st_mode & 0o777 == 0o660
        for said, code in [(b'{"id": 3, "do": "sing"}', "unknown_do"), (b"hello", "bad_json"), (b"[1]", "bad_json")]:
            with _raw(bench) as client:
                client.say(said + b"\n")
                assert client.hear()["error"]["code"] == code
        with _raw(bench) as client:
            assert client.ask("try", channel=9)["refused"]["code"] == "unknown_name"
            assert client.ask("mailbox")["ok"] == {"letters": []}
        with _raw(bench) as client:
            client.say(b"x" * 100_000)
            assert client.closed()


def _raw(bench):
    from tests.service.rig import Raw

    return Raw(bench.folder / "messenger.sock")


def _beat(listener, sequence: int, state: str = "running", within_s: int = 2) -> int:
    said = json.loads(beats.body(running(), beats.Pulse(sequence, state), UTC))
    body = json.dumps({**said, "next_within_s": within_s}).encode()
    request = urllib.request.Request(f"http://127.0.0.1:{listener.port}/", body,
                                     {beats.SIGNATURE: beats.signature(body, listener.key)})
    try:
        with urllib.request.urlopen(request, timeout=5) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        with error:
            return error.code


def test_silence_is_told_for_real_on_the_terminal_and_through_apprise(tmp_path):
    with peers.hook() as (hook, at), Bench(tmp_path / "d") as bench:
        (tmp_path / "tell").write_text(f"# who is told\n\n  json://{at}/\n", encoding="utf-8")
        listener = bench.listener(tmp_path / "l", "127.0.0.1", 0, "--tell-file", str(tmp_path / "tell"))
        assert _beat(listener, 1) == 200 and _beat(listener, 1) == 409
        until(lambda: len(listener.alarms()) == 1 and len(hook.got) == 1)
        assert "No sign of life" in listener.alarms()[0] and hook.got[0][1]["title"] == listener.alarms()[0]
        assert _beat(listener, 2, "complete") == 200
        until(lambda: "It is heard again." in listener.alarms()[-1])
        listener.process.send_signal(signal.SIGTERM)
        assert listener.process.wait(10) == Exit.GOOD


def test_a_killed_listener_keeps_its_key_and_its_numbers_and_still_alarms(tmp_path):
    with Bench(tmp_path / "d") as bench:
        first = bench.listener(tmp_path / "l", "127.0.0.1", 0)
        assert _beat(first, 7) == 200
        first.kill()
        second = bench.listener(tmp_path / "l", "127.0.0.1", 0)
        assert second.key == first.key
        until(lambda: len(second.alarms()) == 1)
        assert _beat(second, 7) == 409 and _beat(second, 8, "complete") == 200
        assert (tmp_path / "l/listen.json").stat().st_mode & 0o777 == 0o600


def test_a_messenger_that_is_killed_is_missed_by_the_listener(tmp_path):
    with Bench(tmp_path / "d") as bench:
        listener = bench.listener(tmp_path / "l", "127.0.0.1", 0)
        use(bench.folder, Beat(2, "attic computer", f"http://127.0.0.1:{listener.port}/", listener.key))
        bench.rig.clock.speed = 60.0  # the short run has to last
        messenger = bench.messenger(haste=True)
        bench.run()
        until(lambda: bench.status()["beats"][0]["state"] == "working")
        assert listener.alarms() == []
        messenger.send_signal(signal.SIGKILL)
        until(lambda: any("No sign of life" in one for one in listener.alarms()))
