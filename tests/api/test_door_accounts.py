"""Accounts: the first by a code, the rest by invitation; roles as section 8 of the design has them; tokens by their scope."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import select

from api.desk.schema import codes, people, sessions, tokens
from api.errors import Problem
from api.hub import Hub
from controller import door_code
from tests.api.elsewhere import PASSWORD, Elsewhere, bearer, invited, maintainer, token
from tests.api.rig import START, Rig


@pytest.fixture
def real(tmp_path: Path) -> Iterator[Rig]:
    """A real chamber."""
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        yield rig


def code_of(answer) -> tuple[int, str]:
    return answer.status_code, answer.json().get("code", "")


def test_the_first_code_makes_a_maintainer_and_is_good_once(real: Rig):
    door = real.app.state.door
    code = door.first_code()
    assert re.fullmatch(r"([A-HJKMNP-Z2-9]{4}-){3}[A-HJKMNP-Z2-9]{4}", code)
    first, second = Elsewhere(real), Elsewhere(real)
    answer = first.join(code.lower().replace("-", " "), "Anna")
    assert (answer.status_code, answer.json()["role"]) == (201, "maintainer")
    assert first.get("/me").json()["via"] == "session"
    assert code_of(second.join(code, "Ben")) == (403, "wrong_code")
    assert door.has_accounts.is_set()


def test_other_first_codes_are_void_once_somebody_has_an_account(real: Rig):
    codes_told = [real.app.state.door.first_code() for _ in range(3)]
    assert Elsewhere(real).join(codes_told[0], "Anna").status_code == 201
    assert code_of(Elsewhere(real).join(codes_told[1], "Ben")) == (403, "wrong_code")


def test_a_code_whose_day_is_over_is_refused(real: Rig, monkeypatch: pytest.MonkeyPatch):
    code = real.app.state.door.first_code()
    later = door_code.GOOD_FOR_US + 1
    from api.door import door as module

    now = module.utc_us()
    monkeypatch.setattr(module, "utc_us", lambda: now + later)
    assert code_of(Elsewhere(real).join(code, "Anna")) == (403, "wrong_code")


def test_an_invitation_gives_its_role_once_and_can_be_taken_back(real: Rig):
    anna = maintainer(real)
    told = anna.post("/people/invitations", {"role": "operator"})
    assert told.status_code == 201
    assert [one["role"] for one in anna.get("/people").json()["invitations"]] == ["operator"]
    assert Elsewhere(real).join(told.json()["code"], "Ben").json()["role"] == "operator"
    again = anna.post("/people/invitations", {"role": "viewer"}).json()
    assert anna.ask("DELETE", f"/people/invitations/{again['id']}", json={}).status_code == 200
    assert code_of(Elsewhere(real).join(again["code"], "Carl")) == (403, "wrong_code")
    assert anna.get("/people").json()["invitations"] == []


def test_a_taken_name_is_refused_and_the_code_stays_good(real: Rig):
    anna = maintainer(real)
    code = anna.post("/people/invitations", {"role": "viewer"}).json()["code"]
    assert code_of(Elsewhere(real).join(code, "ANNA")) == (409, "name_taken")
    assert Elsewhere(real).join(code, "Ben").status_code == 201


def test_the_apostrophe_of_a_telephone_is_that_of_a_keyboard(real: Rig):
    anna = maintainer(real)
    assert invited(real, anna, "Bea O’Neill", "viewer").get("/me").json()["name"] == "Bea O'Neill"


def test_a_password_of_few_different_letters_is_refused_and_not_repeated(real: Rig):
    for password in ("abababababab", "short"):
        answer = Elsewhere(real).join("AAAA-AAAA", "Anna", password)
        assert code_of(answer) == (422, "bad_request") and answer.json()["field"] == "password"
        assert password not in answer.text


@pytest.mark.parametrize("name", ["", " Anna", "Anna ", "x" * 41, "a,b", "a(b)", "trip", "Local", "a\nb", "\ud800", "<b>"])
def test_a_name_that_records_could_misread_is_refused(real: Rig, name: str):
    if name == "\ud800":
        body = b'{"code":"AAAA","name":"\\ud800","password":"long enough, this"}'
        answer = Elsewhere(real).ask("POST", "/join", content=body, headers={"Content-Type": "application/json"})
    else:
        answer = Elsewhere(real).join("AAAA-AAAA", name)
    assert code_of(answer) == (422, "bad_request") and "name" in answer.json()["field"]


@pytest.mark.parametrize("name", ["\u0410nna", "Ann\u03b1", "An\u200dna", "ｌｏｃａｌ", "tri\u0440"],
                         ids=["Cyrillic A", "Greek alpha", "a joiner", "full-width", "Cyrillic er"])
def test_a_name_that_could_pass_for_another_is_refused(real: Rig, name: str):
    answer = Elsewhere(real).join("AAAA-AAAA", name)
    assert code_of(answer) == (422, "bad_request") and answer.json()["field"] == "name"


def test_letters_that_look_alike_make_no_second_account(real: Rig):
    """UTS #39 calls these whole-script confusables; its own example is this word, in Cyrillic (from memory)."""
    anna = maintainer(real, "Scope")
    code = anna.post("/people/invitations", {"role": "viewer"}).json()["code"]
    for name in ("ＳＣＯＰＥ", "\u0455\u0441\u043e\u0440\u0435"):  # full-width; Cyrillic throughout
        assert code_of(Elsewhere(real).join(code, name)) == (409, "name_taken")
    assert Elsewhere(real).sign_in("ｓｃｏｐｅ").status_code == 200
    assert Elsewhere(real).join(code, "Анна Петрова").status_code == 201, "a name in one script other than Latin"
    code = anna.post("/people/invitations", {"role": "viewer"}).json()["code"]
    assert Elsewhere(real).join(code, "山田はなこ").status_code == 201, "scripts that belong together"


def test_a_short_password_is_refused_with_the_limit(real: Rig):
    answer = Elsewhere(real).join("AAAA-AAAA", "Anna", "short")
    assert answer.status_code == 422 and answer.json()["mistakes"][0]["allowed"] == "at least 10 characters"


def test_roles_are_the_same_with_a_real_chamber_and_loopback_is_a_viewer(real: Rig):
    anna = maintainer(real)
    ben, carl = invited(real, anna, "Ben", "operator"), invited(real, anna, "Carl", "viewer", "192.0.2.79")
    assert real.get("/me").json()["role"] == "viewer"
    for device, role in ((anna, "maintainer"), (ben, "operator"), (carl, "viewer")):
        assert device.get("/me").json()["role"] == role
        assert device.post("/stop-heating").status_code == 200
        assert real.fake.asked[-1]["command"]["role"] == role
    assert code_of(carl.ask("DELETE", "/schedules/1", json={})) == (403, "not_allowed_role")
    assert code_of(ben.get("/people")) == (403, "not_allowed_role")
    assert code_of(real.get("/people")) == (403, "not_allowed_role")
    assert code_of(real.post("/people/invitations", {"role": "maintainer"})) == (403, "not_allowed_role")


def test_one_real_chamber_makes_the_desk_real(tmp_path: Path):
    """Else the simulated one beside it would hand out accounts for the real one."""
    with Rig(tmp_path / "data", demo=False) as rig:
        assert rig.get("/people").status_code == 200
        house = rig.app.state.house
        house._parts["attic"] = replace(house.first, at="attic", hub=Hub())
        house._parts["attic"].hub.now = {**rig.hub.now, "chamber": {**rig.hub.now["chamber"], "simulated": False}}
        assert rig.get("/me").json()["role"] == "maintainer" and rig.get("/at/attic/me").json()["role"] == "viewer"
        assert rig.get("/people").status_code == 403 and rig.ask("DELETE", "/schedules/1", json={}).status_code == 403


def test_with_a_desk_that_cannot_write_who_was_to_lose_something_has_lost_it(
        real: Rig, monkeypatch: pytest.MonkeyPatch):
    """An ending counts in memory first; only the disk's part of it is told as failed."""
    anna = maintainer(real)
    ben = invited(real, anna, "Ben", "maintainer")

    async def full(_work):
        raise Problem("desk_failing", "desk.db: the disk is full.")

    monkeypatch.setattr(real.app.state.house.first.desk, "do", full)
    assert code_of(anna.ask("PUT", "/people/2", json={"role": "viewer"})) == (503, "desk_failing")
    assert ben.get("/now").status_code == 401
    assert real.app.state.door.book.accounts[2].role.name == "VIEWER"
    assert anna.post("/stop-heating").status_code == 200


def test_a_role_is_changed_with_the_next_request(real: Rig):
    anna = maintainer(real)
    ben = invited(real, anna, "Ben", "viewer")
    number = ben.get("/me").json()
    [_, row] = anna.get("/people").json()["people"]
    assert anna.ask("PUT", f"/people/{row['id']}", json={"role": "operator"}).json()["role"] == "operator"
    assert number["role"] == "viewer" and ben.sign_in("ben").json()["role"] == "operator"


def test_the_last_maintainer_stays(real: Rig):
    anna = maintainer(real)
    assert code_of(anna.ask("PUT", "/people/1", json={"role": "viewer"})) == (409, "last_maintainer")
    assert code_of(anna.ask("DELETE", "/people/1", json={})) == (409, "last_maintainer")
    ben = invited(real, anna, "Ben", "maintainer")
    assert ben.ask("DELETE", "/people/1", json={}).status_code == 200
    assert anna.get("/me").json()["role"] is None


def test_a_removed_person_is_out_and_the_name_comes_back_as_the_same_number(real: Rig):
    anna = maintainer(real)
    ben = invited(real, anna, "Ben", "operator")
    key = token(ben, "operate")
    assert anna.ask("DELETE", "/people/2", json={}).status_code == 200
    assert ben.get("/now").status_code == 401 and Elsewhere(real).get("/now", headers=bearer(key)).status_code == 401
    assert code_of(Elsewhere(real).sign_in("Ben")) == (401, "wrong_sign_in")
    assert invited(real, anna, "ben", "viewer").get("/me").json()["name"] == "ben"
    assert [row["id"] for row in anna.get("/people").json()["people"]] == [1, 2]


def test_everything_is_there_after_a_restart_and_no_secret_is_on_disk(tmp_path: Path):
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        anna = maintainer(rig)
        code = anna.post("/people/invitations", {"role": "viewer"}).json()["code"]
        key, cookie = token(anna, "stop"), anna.cookie
        rows = rig.app.state.house.first.desk.do_now(lambda connection: [
            tuple(row) for table in (people, sessions, tokens, codes) for row in connection.execute(select(table)).all()])
        kept = repr(rows).encode() + b"".join(path.read_bytes() for path in (tmp_path / "data").glob("desk.db*"))
        for words in (PASSWORD, code, key, cookie):
            assert words.encode() not in kept
        assert b"argon2id$v=19$m=19456,t=2,p=1$" in kept
    with Rig(tmp_path / "data", simulated=False, demo=False, real=True) as rig:
        again = Elsewhere(rig)
        again.cookie = cookie
        assert again.get("/me").json()["name"] == "Anna"
        assert Elsewhere(rig).post("/stop-heating", headers=bearer(key)).status_code == 200
        assert Elsewhere(rig).join(code, "Ben").status_code == 201


SCOPES = {
    "look": [("GET", "/now", 200), ("GET", "/schedules", 200), ("POST", "/stop-heating", 403), ("POST", "/runs", 403)],
    "stop": [("POST", "/stop-heating", 200), ("GET", "/stop-heating/last", 200), ("GET", "/now", 403), ("GET", "/runs", 403),
             ("POST", "/runs/current/hold", 403), ("POST", "/check-in", 403), ("GET", "/chamber", 403)],
    "operate": [("GET", "/now", 200), ("POST", "/stop-heating", 200), ("POST", "/schedules/preview", 200),
                ("GET", "/people", 403), ("POST", "/people/invitations", 403), ("POST", "/tokens", 403),
                ("GET", "/tokens", 403), ("POST", "/me/password", 403), ("POST", "/sign-out", 403),
                ("GET", "/desk/audit", 403)],
}


@pytest.mark.parametrize("scope", SCOPES)
def test_a_token_is_good_for_its_scope_and_nothing_else(real: Rig, scope: str):
    """With a maintainer's token: the scope alone holds it back."""
    key = token(maintainer(real), scope, "kitchen")
    device = Elsewhere(real)
    assert device.get("/me", headers=bearer(key)).json()["name"] == "Anna (kitchen)"
    for method, path, status in SCOPES[scope]:
        body = {} if method == "GET" else {"json": {}}
        assert device.ask(method, path, headers=bearer(key), **body).status_code == status, (method, path)


def test_a_token_never_makes_its_owner_more(real: Rig):
    anna = maintainer(real)
    viewer, keeper = invited(real, anna, "Carl", "viewer"), token(anna, "operate")
    device = Elsewhere(real)
    assert device.get("/me", headers=bearer(token(viewer, "operate"))).json()["role"] == "viewer"
    assert device.get("/me", headers=bearer(keeper)).json()["role"] == "operator"
    assert device.post("/runs", START, headers={**bearer(keeper), "Idempotency-Key": "key-of-mine"}).status_code in (202, 404)


def test_a_bad_token_is_nobody_even_on_this_computer(real: Rig):
    for words in ("Bearer x", "Bearer ", "Basic YTpi", "Bearer " + "x" * 5_000):
        answer = real.get("/now", headers={"Authorization": words})
        assert code_of(answer) == (401, "signed_out") and answer.headers["www-authenticate"].startswith("Bearer")


def test_a_token_ends_by_hand_by_its_days_and_for_its_owner_only(real: Rig, monkeypatch: pytest.MonkeyPatch):
    anna = maintainer(real)
    ben = invited(real, anna, "Ben", "operator")
    first, second = token(ben, "look"), token(ben, "look")
    assert [row["id"] for row in ben.get("/tokens").json()["tokens"]] == [1, 2]
    carl = invited(real, anna, "Carl", "viewer", "192.0.2.80")
    assert carl.get("/tokens").json()["tokens"] == []
    assert code_of(carl.ask("DELETE", "/tokens/1", json={})) == (404, "not_found")
    assert anna.ask("DELETE", "/tokens/1", json={}).status_code == 200
    device = Elsewhere(real)
    assert [device.get("/now", headers=bearer(key)).status_code for key in (first, second)] == [401, 200]
    from api import guard_origin

    after_s = guard_origin.time.time_ns() + 31 * 24 * 3_600 * 1_000_000_000
    monkeypatch.setattr(guard_origin.time, "time_ns", lambda: after_s)
    assert device.get("/now", headers=bearer(second)).status_code == 401


def test_this_computer_has_no_account_to_make_tokens_for(rig: Rig):
    assert code_of(rig.post("/tokens", {"label": "x", "scope": "look", "days": 1})) == (401, "signed_out")
    assert code_of(rig.post("/me/password", {"old": PASSWORD, "new": PASSWORD})) == (401, "signed_out")
    assert rig.post("/sign-out").json() == {"signed_out": False}


def test_the_desks_audit_tells_who_did_what(real: Rig):
    anna = maintainer(real)
    invited(real, anna, "Ben", "viewer")
    anna.ask("PUT", "/people/2", json={"role": "operator"})
    token(anna, "stop", "kitchen")
    anna.ask("DELETE", "/people/2", json={})
    anna.post("/sign-out")
    anna.sign_in("Anna")
    lines = [(line["by"], line["what"], line["about"]) for line in reversed(anna.get("/desk/audit").json()["lines"])]
    assert [line for line in lines if line[1] not in ("signed in", "invited")] == [
        ("Anna", "joined", "person 1"), ("Ben", "joined", "person 2"), ("Anna", "changed the role", "person 2"),
        ("Anna", "made", "token 1"), ("Anna", "removed", "person 2"), ("Anna", "signed out", "person 1")]
    assert len(anna.get("/desk/audit?limit=2").json()["lines"]) == 2


def test_a_code_left_in_the_desk_folder_gives_a_new_password(real: Rig):
    anna = maintainer(real)
    code = door_code.make()
    path = door_code.leave(real.folder, code, real.app.state.door.book.accounts[1].created_utc_us)
    assert path.stat().st_mode & 0o777 == 0o600
    device = Elsewhere(real, "192.0.2.81")
    answer = device.join(code, "Anna", "another long password")
    assert (answer.status_code, answer.json()["id"], path.exists()) == (201, 1, False)
    assert anna.get("/now").status_code == 401, "the old sessions are over"
    assert code_of(Elsewhere(real).sign_in("Anna")) == (401, "wrong_sign_in")
    assert Elsewhere(real).sign_in("Anna", "another long password").status_code == 200
    assert code_of(device.join(code, "Dora")) == (403, "wrong_code")


def test_a_left_code_that_others_could_have_written_does_not_count(real: Rig):
    code = door_code.make()
    path = door_code.leave(real.folder, code, 1_800_000_000_000_000)
    path.chmod(0o666)
    assert code_of(Elsewhere(real).join(code, "Anna")) == (403, "wrong_code")
    path.unlink()
    (real.folder / "elsewhere").write_text("{}")
    path.symlink_to(real.folder / "elsewhere")
    assert door_code.found(real.folder) is None


def test_a_left_file_that_is_none_of_ours_is_no_code(tmp_path: Path):
    unreadable = f'{{"format": "{door_code.FORMAT}", "digest": "zz", "expires_utc_us": 1}}'
    for words in ("", "{}", "[]", "null", unreadable, "\udcff"):
        (tmp_path / door_code.FILE).write_text(words, errors="surrogateescape")
        assert door_code.found(tmp_path) is None
