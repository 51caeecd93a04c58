"""Notes on a run: written by who may, kept with name and time, removed by their own or a maintainer."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.desk.notes import NOTES_MAX
from tests.api.elsewhere import invited, maintainer
from tests.api.made_record import make
from tests.api.rig import Rig


@pytest.fixture
def run(tmp_path: Path) -> Iterator[tuple[Rig, str]]:
    """A rig with one finished run, and the address of its notes."""
    (tmp_path / "data").mkdir()
    run_id = make(tmp_path / "data" / "record.db", 60)
    with Rig(tmp_path / "data") as rig:
        yield rig, f"/runs/{run_id}/notes"


def test_a_note_is_kept_with_who_and_when(run: tuple[Rig, str]) -> None:
    rig, notes = run
    assert rig.post(notes, {"text": "  The small clips stood at the door.\nSecond shelf. "}).status_code == 201
    row = rig.get(notes).json()["notes"][0]
    assert row["text"] == "The small clips stood at the door.\nSecond shelf."
    assert row["by"] == "local, not signed in" and row["utc_us"] > 0 and row["yours"]


@pytest.mark.parametrize("text", ["trop\u00a0chaud !", "a\tb", "\U0001f468\u200d\U0001f373 says so", "two\r\nlines"])
def test_what_people_type_and_paste_is_a_note(run: tuple[Rig, str], text: str) -> None:
    rig, notes = run
    assert rig.post(notes, {"text": text}).status_code == 201
    assert rig.get(notes).json()["notes"][0]["text"] == text.replace("\r\n", "\n")


@pytest.mark.parametrize("text", ["", "   ", "\x00", "a\x07b", "a\u202eb", "x" * 2_001, 3, None])
def test_what_is_no_note_is_refused_and_named(run: tuple[Rig, str], text: object) -> None:
    rig, notes = run
    answer = rig.post(notes, {"text": text})
    assert answer.status_code == 422 and answer.json()["field"] == "text"
    assert rig.get(notes).json() == {"notes": []}


def test_a_run_that_is_not_there_has_no_notes(run: tuple[Rig, str]) -> None:
    rig, _ = run
    assert rig.post("/runs/99/notes", {"text": "Hello."}).status_code == 404


def test_a_viewer_reads_and_does_not_write(run: tuple[Rig, str]) -> None:
    rig, notes = run
    anna = maintainer(rig)
    bert = invited(rig, anna, "Bert", "viewer")
    anna.post(notes, {"text": "Anna was here."})
    assert bert.post(notes, {"text": "Bert too."}).json()["code"] == "not_allowed_role"
    assert [row["yours"] for row in bert.get(notes).json()["notes"]] == [False]


def test_only_its_author_or_a_maintainer_removes_a_note_and_the_audit_says_who(run: tuple[Rig, str]) -> None:
    rig, notes = run
    anna = maintainer(rig)
    bert, carl = (invited(rig, anna, name, "operator", f"192.0.2.{at}") for name, at in (("Bert", 80), ("Carl", 81)))
    numbers = [bert.post(notes, {"text": f"Note {number}."}).json()["id"] for number in range(2)]
    assert carl.ask("DELETE", f"{notes}/{numbers[0]}", json={}).json()["code"] == "not_allowed_role"
    assert bert.ask("DELETE", f"{notes}/{numbers[0]}", json={}).status_code == 200
    assert anna.ask("DELETE", f"{notes}/{numbers[1]}", json={}).status_code == 200
    assert anna.ask("DELETE", f"{notes}/{numbers[1]}", json={}).status_code == 404
    assert rig.get(notes).json() == {"notes": []}
    told = [row for row in anna.get("/desk/audit?limit=5").json()["lines"] if row["what"] == "removed a note"]
    assert [row["by"] for row in told] == ["Anna", "Bert"]


def test_a_run_has_only_so_many_notes(run: tuple[Rig, str]) -> None:
    rig, notes = run
    for number in range(NOTES_MAX):
        assert rig.post(notes, {"text": f"{number}"}).status_code == 201
    assert rig.post(notes, {"text": "one more"}).json()["code"] == "too_many_notes"
