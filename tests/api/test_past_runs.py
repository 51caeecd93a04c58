"""Past runs, curves, events and CSV, read from a record of 20,000 s that has a gap and ends in a trip."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.records.export import write_csv
from controller.records.queries import Reader
from tests.api.made_record import make
from tests.api.rig import Rig

SECONDS, GAP, TRIP = 20_000, range(9_000, 9_100), 19_000
COLUMNS = {"setpoint_mc", "control_mc", "over_temperature_mc", "part_mc", "duty_e4", "seen_e4"}


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    folder = tmp_path_factory.mktemp("past") / "data"
    folder.mkdir()
    make(folder / "record.db", SECONDS, script={TRIP: "trip"}, gap=GAP)
    with Rig(folder) as rig:
        yield rig


def test_the_list_tells_each_run_with_its_schedule_as_people_write_it(past: Rig) -> None:
    [run] = past.get("/runs").json()["runs"]
    assert (run["id"], run["level"], run["state"], run["going"], run["simulated"]) == \
        ("1", "at_the_chamber", "aborted", False, True)
    assert run["schedule"]["segments"][0]["target_c"] == 105
    assert past.get("/runs?before=1").json() == {"runs": []}
    assert past.get("/runs?before=99").status_code == 404


def test_a_run_tells_what_tripped_first_and_how_its_segments_went(past: Rig) -> None:
    run = past.get("/runs/1").json()
    assert run["first_out"]["fields"]["guard"] == "sensors_disagree"
    assert [row["kind"] for row in run["segments_done"]] == ["soak"]


def test_a_curve_is_columns_of_equal_length_and_every_value_lies_between_its_pairs(past: Rig) -> None:
    curve = past.get("/runs/1/curve?points=300").json()
    count = len(curve["utc_us"])
    assert 250 < count < 400 and set(curve["columns"]) == COLUMNS
    for pairs in curve["columns"].values():
        assert len(pairs["min"]) == len(pairs["max"]) == count
        assert all(low <= high for low, high in zip(pairs["min"], pairs["max"], strict=True) if low is not None)


def test_a_gap_in_the_record_is_told_and_not_bridged(past: Rig) -> None:
    [[begin, end]] = past.get("/runs/1/curve?points=300").json()["gaps"]
    assert (end - begin) // 1_000_000 == len(GAP) + 1


def test_a_part_of_a_run_is_shown_second_by_second(past: Rig) -> None:
    start = past.get("/runs/1").json()["started_utc_us"]
    curve = past.get(f"/runs/1/curve?points=100&from_us={start + 1_000_000}&to_us={start + 60_000_000}").json()
    assert curve["span_us"] == 1_000_000 and len(curve["utc_us"]) == 60


def test_events_go_on_after_an_id_and_can_be_chosen_by_kind(past: Rig) -> None:
    told = past.get("/runs/1/events").json()["events"]
    assert [event["kind"] for event in told][-1] == "run_state"
    assert past.get(f"/runs/1/events?after={told[0]['id']}").json()["events"] == told[1:]
    assert {event["kind"] for event in past.get("/events?kinds=tripped,segment").json()["events"]} == {"tripped", "segment"}
    assert past.get("/events?limit=1").json()["events"] == past.get("/events").json()["events"][-1:]


@pytest.mark.parametrize("query, field", [("kinds=nonsense", "kinds"), ("after=x-y", "after"), ("after=1-9999999999", "after"),
                                          ("limit=0", "limit"), ("limit=1001", "limit"), ("limit=NaN", "limit")])
def test_a_wrong_question_names_its_field(past: Rig, query: str, field: str) -> None:
    answer = past.get(f"/events?{query}")
    assert (answer.status_code, answer.json()["field"]) == (422, field)


def test_csv_has_every_row_and_says_simulated_in_words(past: Rig) -> None:
    answer = past.get("/runs/1/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert len(rows) == SECONDS - len(GAP)
    assert all("SIMULATED" in row["source"] for row in rows) and "SIMULATED" in answer.headers["content-disposition"]
    assert rows[0]["time (UTC, ISO 8601)"] == "2025-11-25T09:00:01.000Z"
    assert 21 < float(rows[0]["control sensor (°C)"]) < 23
    assert [row["gap before (s)"] for row in rows if row["gap before (s)"]] == ["101.000000"]
    assert rows[-1]["set point (°C)"] == "", "an ended run has no set point, and that is not zero"


def test_csv_over_the_wire_is_the_file_that_the_command_line_writes(past: Rig) -> None:
    paper = io.StringIO(newline="")
    write_csv(Reader(past.folder / "record.db"), "1", paper)
    assert past.get("/runs/1/csv").text == paper.getvalue()


def test_events_as_csv_are_those_of_the_run_in_their_order(past: Rig) -> None:
    answer = past.get("/runs/1/events/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    told = past.get("/runs/1/events").json()["events"]
    assert [row["event"] for row in rows] == [event["id"] for event in told] and len(rows) > 3
    assert all("SIMULATED" in row["source"] for row in rows)
    assert answer.headers["content-disposition"] == 'attachment; filename="run-1-events-SIMULATED.csv"'


@pytest.mark.parametrize("path", ["/runs/9", "/runs/9/curve", "/runs/9/csv", "/runs/9/events/csv"])
def test_a_run_that_is_not_there_is_not_found(past: Rig, path: str) -> None:
    assert past.get(path).json()["code"] == "not_found"


@pytest.mark.parametrize("path", ["/runs", "/runs/1", "/runs/1/curve", "/runs/1/csv", "/events", "/runs/1/events",
                                  "/runs/1/events/csv"])
def test_without_a_record_the_past_is_away_and_live_data_is_not(shared: Rig, path: str) -> None:
    answer = shared.get(path)
    assert (answer.status_code, answer.json()["code"]) == (503, "record_away")
    assert shared.get("/now").status_code == 200


def test_a_file_that_is_no_record_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "record.db").write_bytes(b"not a database" * 100)
    with Rig(tmp_path) as rig:
        assert rig.get("/runs").json()["code"] == "record_away"
    assert (tmp_path / "record.db").read_bytes().startswith(b"not a database")
