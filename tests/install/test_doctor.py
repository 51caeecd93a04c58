"""What the doctor finds around an installed house; everything is invented, and every look can go wrong."""

from __future__ import annotations

import json
import os
import shutil
import socket
import ssl
import subprocess
import threading
from pathlib import Path

import pytest

from controller.cli import main
from controller.doctor import chamber, machine, services
from controller.doctor.finding import Finding, Mark, Places
from controller.drivers import clock_sync, latch
from controller.drivers.clocks import utc_us
from controller.drivers.locks import lock_port
from controller.exit_codes import Exit
from controller.install.places import API, API_OPTIONS, CURRENT, HOUSE, MESSENGER
from tests.service.chambers import Pty, real
from tests.service.module_layout import ADAPTER, BOARD, DEVICES, chamber_text, commissioned, link
from tests.service.rig import Rig

NOWHERE = Places(Path("/nowhere"), None, "", Path("/nowhere"))


# -- the computer ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "mark", "words"), [
    (0x00000, Mark.GOOD, "high enough"), (0x10000, Mark.NOTE, "was too low since"), (0x50005, Mark.BAD, "too low now"),
    (0x00001, Mark.BAD, "too low now"), (0xE0008, Mark.GOOD, "high enough"), (None, Mark.NOTE, "does not say")])
def test_a_low_supply_is_told_now_and_since_the_start(bits, mark, words):
    """Bits 0 and 16 of the firmware's number, from memory; the others are about heat and speed."""
    found = list(machine.supply(NOWHERE, lambda: bits))
    assert len(found) == 1 and found[0].mark is mark and words in found[0].found
    assert found[0].mark is Mark.GOOD or "Use the supply that" in found[0].do


def test_the_number_is_read_from_a_file_or_asked_for(tmp_path):
    (tmp_path / "get_throttled").write_text("50005\n")
    assert machine.throttled((str(tmp_path / "*throttled"),)) == 0x50005
    (tmp_path / "get_throttled").write_text("no number")
    assert machine.throttled((str(tmp_path / "get_throttled"),), ("echo", "throttled=0x10000")) == 0x10000
    assert machine.throttled((), (str(tmp_path / "no-such-program"),)) is None
    assert machine.throttled((), ("echo", "nonsense")) is None


@pytest.mark.parametrize(("known", "mark", "words"), [
    (True, Mark.GOOD, "synchronised"), (False, Mark.NOTE, "not synchronised"), (None, Mark.NOTE, "does not say")])
def test_an_unknown_clock_is_said_to_be_unknown(monkeypatch, known, mark, words):
    monkeypatch.setattr(machine, "synchronised", lambda: known)
    found = next(iter(machine.clock(NOWHERE)))
    assert found.mark is mark and words in found.found and bool(found.do) is (known is not True)


def test_the_kernel_is_asked_and_where_it_may_not_be_the_managers_mark_counts(tmp_path, monkeypatch):
    mark = tmp_path / "synchronized"
    assert clock_sync.synchronised(mark) in (True, False, None)
    for kernel, there, said in ((None, False, None), (None, True, True), (False, True, False), (True, False, True)):
        monkeypatch.setattr(clock_sync, "_kernel", lambda answer=kernel: answer)
        mark.unlink(missing_ok=True)
        if there:
            mark.touch()
        assert clock_sync.synchronised(mark) is said


def test_a_missing_library_is_named(monkeypatch):
    monkeypatch.setattr(machine, "LIBRARIES", ("pyserial", "no-such-library"))
    found = next(iter(machine.libraries(NOWHERE)))
    assert found.mark is Mark.BAD and "no-such-library" in found.found


# -- services ----------------------------------------------------------------------------------------------------------------


def test_each_unit_that_is_not_active_is_told_with_how_to_read_why():
    found = list(services.units(("oven",), lambda unit: "failed" if "oven" in unit else "active"))
    assert [finding.mark for finding in found] == [Mark.BAD, Mark.GOOD, Mark.GOOD]
    assert "journalctl --namespace=soakwarden -u soakwarden-controller@oven.service" in found[0].do
    assert [finding.mark for finding in services.units(("oven",), lambda unit: "")] == [Mark.NOTE]


def test_page_and_messenger_that_do_not_answer_are_told(tmp_path):
    (tmp_path / API_OPTIONS.relative_to("/")).parent.mkdir(parents=True)
    (tmp_path / API_OPTIONS.relative_to("/")).write_text("API_OPTIONS=--http 1\n")
    found = {finding.what: finding for finding in services.answers(("oven",), tmp_path)}
    assert {name: finding.mark for name, finding in found.items()} == {"page": Mark.BAD, "messages": Mark.BAD}
    assert API in found["page"].do and MESSENGER in found["messages"].do and ":1/" in found["page"].found


def test_before_there_is_a_chamber_one_is_to_be_added_and_nothing_restarted(tmp_path):
    found = [*services.answers((), tmp_path), *services.units((), lambda unit: "inactive")]
    assert {finding.mark for finding in found} == {Mark.BAD}
    assert all("chamber add" in finding.do and "systemctl" not in finding.do for finding in found)


def answering_once(path: Path, answer: dict, do: str = "status") -> threading.Thread:
    """Something on a socket that answers one ask."""
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    server.bind(str(path))
    server.listen()

    def serve() -> None:
        line, _ = server.accept()
        with server, line, line.makefile("rb") as asked:
            assert json.loads(asked.readline())["do"] == do
            line.sendall(json.dumps({"id": 1, "ok": answer}).encode() + b"\n")

    thread = threading.Thread(target=serve, daemon=True)  # a finding that never asks must not hang the test
    thread.start()
    return thread


def test_a_channel_that_fails_is_told_with_the_providers_answer(tmp_path):
    rows = [{"name": "phone", "state": "failing", "answer": "550 no such mailbox"},
            {"name": "mail", "state": "working", "answer": ""}]
    thread = answering_once(tmp_path / "messenger.sock", {"channels": rows, "beats": [{"name": "attic", "state": "untried",
                                                                                         "answer": None}]})
    found = list(services.channels(tmp_path))
    thread.join()
    assert [(row.mark, row.what, row.found) for row in found] == [
        (Mark.BAD, "channel phone", "failing 550 no such mailbox"), (Mark.GOOD, "channel mail", "working"),
        (Mark.NOTE, "heartbeat attic", "untried")]
    (tmp_path / "messenger.sock").unlink()
    assert list(services.channels(tmp_path)) == []


@pytest.fixture
def certificate(tmp_path):
    """Makes a certificate that ends in so many days."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is missing: on Debian, apt install openssl")

    def make(days: int, *more: str) -> Path:
        path = tmp_path / "page.crt"
        subprocess.run(["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
                        "-keyout", str(tmp_path / "k"),
                        "-out", str(path), "-subj", "/CN=soakwarden.example", "-days", str(days), *more],
                       check=True, capture_output=True)
        return path
    return make


def configured(root: Path, path: Path) -> Path:
    options = root / API_OPTIONS.relative_to("/")
    options.parent.mkdir(parents=True, exist_ok=True)
    options.write_text(f"# --cert /not/this\nAPI_OPTIONS=--http 1 --cert {path} --key k\n")
    return root


@pytest.mark.parametrize(("days", "mark", "words"), [
    (90, Mark.GOOD, "for 89 more days"), (10, Mark.NOTE, "for 9 more days"), (9_999, Mark.GOOD, "more days")])
def test_a_certificate_that_ends_soon_is_told_in_time(tmp_path, certificate, monkeypatch, days, mark, words):
    later_us = utc_us() + 3_600_000_000  # an hour has passed since it was made
    monkeypatch.setattr(services, "utc_us", lambda: later_us)
    found = list(services.certificates(configured(tmp_path, certificate(days))))
    assert len(found) == 1 and found[0].mark is mark and words in found[0].found


@pytest.mark.parametrize("days", [30, 20_000])
def test_the_end_is_read_as_the_standard_library_reads_it(certificate, days):
    """RFC 5280 writes the year with two digits until 2049 and with four from 2050 on; both are read."""
    path = certificate(days)
    told = ssl._ssl._test_decode_cert(str(path))["notAfter"]
    assert services.ends_utc_s(path.read_text()) == ssl.cert_time_to_seconds(told)


def test_an_ended_certificate_and_what_is_none_are_bad(tmp_path, certificate, monkeypatch):
    path = certificate(1)
    end_us = services.ends_utc_s(path.read_text()) * 1_000_000
    monkeypatch.setattr(services, "utc_us", lambda: end_us + 3 * 86_400_000_000)
    told = next(iter(services.certificates(configured(tmp_path, path))))
    assert told[:3] == (Mark.BAD, "certificate", f"{path} ended 3 days ago")
    for text in ("", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", path.read_text()[:400]):
        path.write_text(text)
        assert next(iter(services.certificates(tmp_path))).mark is Mark.BAD
    path.unlink()
    assert "cannot be read" in next(iter(services.certificates(tmp_path))).found


# -- one chamber of an installed house ---------------------------------------------------------------------------------------


def house(tmp_path: Path) -> Path:
    """An installed house with one real chamber, below a root."""
    root = tmp_path / "root"
    (root / CURRENT.relative_to("/")).parent.mkdir(parents=True)
    (root / CURRENT.relative_to("/")).symlink_to("0.1.0")
    (root / HOUSE.relative_to("/") / "oven").mkdir(parents=True)
    real(root / HOUSE.relative_to("/") / "oven/chamber")
    (root / HOUSE.relative_to("/") / "oven").chmod(0o2750)
    return root


def looked(root: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, list[Finding]]:
    capsys.readouterr()
    assert main(["doctor", "--root", str(root), "--json"]) == Exit.FINDINGS
    read = json.loads(capsys.readouterr().out.splitlines()[-1])["findings"]
    rows = [Finding(**{**row, "mark": Mark(row["mark"])}) for row in read]
    return {what: [row for row in rows if row.what == what] for what in {row.what for row in rows}}


def test_an_installed_house_is_looked_at_whole(tmp_path, capsys):
    found = looked(house(tmp_path), capsys)
    for what in ("Python", "SQLite", "libraries", "clock", "supply", "group", "page", "messages", "oven, data folder",
                 "oven, disk", "oven, record", "oven, controller", "oven, chamber", "oven, latch", "oven, port"):
        assert what in found, what
    assert all(row.do.endswith((".", "oven")) or row.mark is Mark.GOOD or row.what.startswith("oven, port")
               for rows in found.values() for row in rows), "every line that is not good says what to do"


def test_rights_that_are_too_wide_are_found(tmp_path, capsys):
    root = house(tmp_path)
    assert all(row.mark is Mark.GOOD for row in looked(root, capsys)["oven, data folder"])
    (root / HOUSE.relative_to("/") / "oven").chmod(0o755)
    bad = [row for row in looked(root, capsys)["oven, data folder"] if row.mark is Mark.BAD]
    assert len(bad) == 1 and "0755" in bad[0].found


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder away")
def test_another_users_data_folder_is_found(tmp_path, capsys):
    root = house(tmp_path)
    os.chown(root / HOUSE.relative_to("/") / "oven", 10_001, 10_001)
    bad = [row for row in looked(root, capsys)["oven, data folder"] if row.mark is Mark.BAD]
    assert "belongs to user 10001, the house to user 0" in bad[0].found


def test_the_sockets_rights_are_looked_at(tmp_path):
    rig = Rig(tmp_path)
    rig.steps(2)
    (tmp_path / "controller.sock").symlink_to(rig.socket_path)
    places = Places(tmp_path, None, "", tmp_path, True)
    sockets = [row for row in chamber.data(places) if row.what == "socket"]
    assert [row.mark for row in sockets] == [Mark.GOOD], "0660 is what the controller sets"
    rig.socket_path.chmod(0o666)
    assert [row.mark for row in chamber.data(places) if row.what == "socket"] == [Mark.BAD]
    rig.close()


def test_who_holds_a_port_is_told_without_opening_it():
    far = Pty()
    ours = f"process {os.getpid()})"
    with lock_port(far.path):
        told = next(iter(chamber.port(far.path, None))).found
        assert "may be opened; a controller holds it (" in told and told.endswith(ours)
    told = next(iter(chamber.port(far.path, None))).found
    assert "may be opened; it is in use (" in told and told.endswith(ours), "the far end of this pseudo-terminal is held here"
    far.unplug()


def test_a_board_to_be_found_needs_a_port_at_all(monkeypatch):
    monkeypatch.setattr(chamber, "listed", lambda: ())
    assert next(iter(chamber.port("find", None))).mark is Mark.BAD
    monkeypatch.setattr(chamber, "listed", lambda: ("/dev/null", "/dev/none"))
    assert "among 2, 1 of which" in next(iter(chamber.port("find", None))).found


def test_who_may_not_look_is_told_how_to(tmp_path, capsys, monkeypatch):
    root = house(tmp_path)
    monkeypatch.setattr("controller.commands.doctor.os.access", lambda path, _mode: "var/lib" not in str(path))
    main(["doctor", "--root", str(root)])
    text = capsys.readouterr().out
    assert "may not look into" in text and "sudo adduser YOU soakwarden" in text and "none yet" not in text


@pytest.mark.parametrize("heard", [True, False])
def test_a_run_that_is_on_is_no_run_that_ended_unsaid(tmp_path, heard):
    folder, data = tmp_path / "chamber", tmp_path / "data"
    real(folder)
    data.mkdir()
    latch.write(folder / "latch", latch.Remembered(latch.Condition.RUNNING))
    if heard:
        answering_once(data / "controller.sock", {"tick": 1}, "health")
    found = [one for one in chamber.chamber(Places(data, folder, "", data)) if one.what == "latch"]
    assert [one.found for one in found] == (["a run is on"] if heard else [
        "ended in a run: Found at the next start: no end was kept."])


@pytest.mark.parametrize("plugged", [True, False])
def test_a_module_is_told_by_what_it_lacks_and_its_adapter_by_its_number(tmp_path, plugged):
    folder = commissioned(tmp_path / "c", chamber_text())
    if plugged:
        link(tmp_path / "links", "/dev/null")
    assert folder.modbus is not None
    found = list(chamber.module(folder, folder.modbus, tmp_path / "links", tmp_path / DEVICES))
    assert [finding.mark for finding in found] == [Mark.GOOD, Mark.GOOD if plugged else Mark.BAD]
    assert "boot id and board limits are not fitted" in found[0].found and BOARD in found[0].found
    assert ADAPTER in found[1].found
