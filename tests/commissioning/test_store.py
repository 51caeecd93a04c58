"""proofs.json and bundles: what was written comes back; whatever happens to a byte of it, it proves nothing or is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import new_chamber
from controller.commissioning import bundle, store
from controller.commissioning.keeper import ASIDE, ProofKeeper
from controller.commissioning.proofs import Proof, Voided
from controller.commissioning.steps import STEPS
from controller.commissioning.store import Half, Kept
from controller.drivers import sealed

WORDS = st.text(max_size=40)
VALUES = st.dictionaries(st.text(max_size=10), st.integers(-(1 << 53), 1 << 53) | WORDS | st.floats(-1e6, 1e6), max_size=4)
ROWS = st.builds(Proof, st.sampled_from([step.id for step in STEPS]), st.booleans(), st.integers(0, 1 << 53), WORDS, WORDS,
                 VALUES, WORDS, WORDS, st.integers(0, 1 << 40), WORDS, st.just(False))
KEPT = st.builds(Kept, st.just("abcdef"), st.just(False), st.lists(ROWS, max_size=6).map(tuple),
                 st.lists(st.builds(Voided, WORDS, st.integers(0, 1 << 53), WORDS, st.just(("wiring", "place")), WORDS, WORDS),
                          max_size=3).map(tuple),
                 st.lists(st.builds(Half, st.just("limiter"), st.sampled_from(["typed", "seen", "begun"]),
                                    st.integers(0, 1 << 53), WORDS, WORDS, VALUES), max_size=2).map(tuple), st.just(""))
TEXT = new_chamber.text("Oven", False, "abcdef", "/dev/serial/by-id/usb-of-somebody")
ROW = Proof("wiring", True, 5, "Anna Example", "0.1 Ω", {"earth_ohm": 0.1}, advice="")
FULL = Kept("abcdef", False, tuple(ROW._replace(step=step.id) for step in STEPS),
            (Voided("moved", 4, "Anna Example", ("place",), "", "to Anna's cellar"),))


@given(KEPT)
def test_what_was_written_comes_back(kept):
    body = json.loads(sealed.render(store.body_of(kept)))["body"]
    assert store.of_body(body) == kept


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("store") / "proofs.json"
    store.write(path, FULL)
    return path


@given(st.data())
def test_any_damage_of_the_file_proves_nothing_and_says_so(written, data):
    whole = written.read_bytes()
    damaged = damage(whole, data)
    path = written.with_name("damaged.json")
    path.write_bytes(damaged)
    kept = store.read(path)
    assert kept.proofs == () and kept.unreadable


def damage(whole: bytes, data: st.DataObject) -> bytes:
    at = data.draw(st.integers(0, len(whole) - 1))
    how = data.draw(st.sampled_from(["flip", "cut", "add", "drop"]))
    made = {"flip": whole[:at] + bytes([whole[at] ^ data.draw(st.integers(1, 255))]) + whole[at + 1:],
            "cut": whole[:at], "add": whole[:at] + bytes([data.draw(st.integers(0, 255))]) + whole[at:],
            "drop": whole[:at] + whole[at + 1:]}[how]
    return made if made != whole else whole + b" "


@pytest.mark.parametrize("change", [
    {"format": "x"}, {"proofs": 7}, {"proofs": [{}]}, {"proofs": [{**ROW._asdict(), "step": "dance"}]}, {"board": 7},
    {"proofs": [{**ROW._asdict(), "passed": 1}]}, {"proofs": [{**ROW._asdict(), "utc_us": "2026-01-01T00:00:00"}]},
    {"proofs": [{**ROW._asdict(), "found": "x" * 3000}]}, {"voided": [{"steps": None}]}, {"halves": None}, {"more": 1},
    {"proofs": [ROW._asdict()] * (store.ROWS_MAX + 1)},
], ids=lambda change: str(change)[:50])
def test_a_sealed_file_that_holds_something_else_proves_nothing(tmp_path, change):
    body = {**store.body_of(FULL), **change}
    sealed.write(tmp_path / "p", body)
    kept = store.read(tmp_path / "p")
    assert kept.proofs == () and kept.unreadable


def test_a_file_that_is_missing_holds_nothing_and_is_no_fault(tmp_path):
    assert store.read(tmp_path / "none") == Kept("")


def test_years_of_starts_stay_within_the_file_and_lose_nothing_that_counts(tmp_path):
    rows = [ROW._replace(step="start_proof", utc_us=number, found="x" * 400, passed=number % 7 != 0) for number in range(900)]
    kept = FULL._replace(proofs=(*FULL.proofs, *rows))
    store.write(tmp_path / "p", kept)
    assert (tmp_path / "p").stat().st_size <= sealed.FILE_MAX_BYTES
    back = store.read(tmp_path / "p")
    newest = [row for row in back.proofs if row.step == "start_proof"]
    assert [row.utc_us for row in newest] == [896, 899], "the newest fail and the newest pass"
    assert {row.step for row in back.proofs} == {step.id for step in STEPS} and back.voided == FULL.voided


def test_a_proof_counts_once_it_is_on_the_disk_and_not_while_the_disk_refuses(tmp_path):
    path = tmp_path / "folder" / "proofs.json"
    keeper = ProofKeeper(path, Kept("abcdef"))
    keeper.keep(FULL)
    for _ in range(500):
        if keeper.failing:
            break
        keeper.wait(0.01)
    assert "proofs.json" in keeper.failing and keeper.written == Kept("abcdef") and keeper.wish is FULL
    path.parent.mkdir()
    assert keeper.close(5.0), "tried once more at the end"
    assert store.read(path).proofs == FULL.proofs and keeper.written is FULL


def test_a_file_that_cannot_be_read_is_set_aside_before_it_is_written_over(tmp_path):
    path = tmp_path / "proofs.json"
    path.write_text("not ours")
    keeper = ProofKeeper(path, store.read(path))
    for kept in (FULL._replace(halves=()), FULL._replace(voided=()), FULL):
        keeper.keep(kept)
        assert keeper.wait(5.0)
    assert keeper.close(5.0)
    assert (tmp_path / f"proofs.json{ASIDE}").read_text() == "not ours" and store.read(path).board == "abcdef"


# -- bundles ----------------------------------------------------------------------------------------------------------------


def made() -> bytes:
    return bundle.render(bundle.made(TEXT, FULL, {"gain": 1}, {"uniformity_mc": 1})).encode()


WHOLE = made()


def test_a_bundle_names_nobody_and_no_port():
    text = WHOLE.decode()
    for secret in ("Anna", "cellar", "usb-of-somebody"):
        assert secret not in text
    assert bundle.LENDER in text


def test_opened_elsewhere_it_comes_without_what_hangs_on_the_place():
    opened = bundle.opened(WHOLE)
    gone = {"place", "smoke_alarm", "message_channels", "wiring", "contacts", "silence"}
    assert set(opened.left_out) == gone and {row.step for row in opened.kept.proofs} == {step.id for step in STEPS} - gone
    assert opened.model == {"gain": 1} and opened.board == "abcdef" and 'port = ""' in opened.chamber


def test_for_another_board_it_comes_without_what_hangs_on_that_too():
    opened = bundle.opened(WHOLE, "012345")
    assert {row.step for row in opened.kept.proofs} == {"burn_off", "terminals", "survey"}
    assert opened.kept.board == opened.board == "012345" and 'board = "012345"' in opened.chamber
    with pytest.raises(bundle.BadBundle, match="--board 012345"):
        bundle.check_board(WHOLE, "012345")
    with pytest.raises(bundle.BadBundle, match="six digits"):
        bundle.opened(WHOLE, "nonsense")


@given(st.data())
def test_any_damage_of_a_bundle_is_refused_or_changes_nothing(data):
    damaged = damage(WHOLE, data)
    try:
        opened = bundle.opened(damaged)
    except bundle.BadBundle:
        return
    assert opened == bundle.opened(WHOLE), "only spaces between its parts may differ"


@pytest.mark.parametrize("data", [b"", b"{}", b"[]", b"null", b'{"body": 7, "sha256": 7}', b"[" * 9_000, b"\xff",
                                  b" " * (bundle.BYTES_MAX + 1)], ids=lambda data: repr(data[:20]))
def test_nonsense_is_no_bundle(data):
    with pytest.raises(bundle.BadBundle):
        bundle.opened(data)
