"""The table a person opens: a row a tick, units in the headers, exact decimals, and what is simulated says so."""

from __future__ import annotations

import csv
import io
from datetime import datetime
from pathlib import Path

import pytest

from controller.records.errors import NoSuchRun
from controller.records.export import COLUMNS, iso, write_csv, write_events_csv
from controller.records.queries import Reader


def test_every_row_of_the_run_is_in_the_table_exactly(record: Path) -> None:
    out = io.StringIO(newline="")
    rows = list(Reader(record).ticks("1"))
    assert write_csv(Reader(record), "1", out) == len(rows)
    table = list(csv.DictReader(io.StringIO(out.getvalue(), newline="")))
    assert len(table) == len(rows)
    for line, row in zip(table, rows, strict=True):
        moment = datetime.fromisoformat(line["time (UTC, ISO 8601)"])
        assert abs(moment.timestamp() * 1e6 - row.utc_us) < 1_000
        assert round(float(line["control sensor (°C)"]) * 1000) == row.control_mc
        assert round(float(line["duty asked (%)"]) * 100) == row.duty_e4
        assert (line["run state"], line["segment (from 1)"]) == (row.state, str((row.segment or 0) + 1))


def test_a_simulation_says_so_in_every_row(record: Path) -> None:
    out = io.StringIO(newline="")
    write_csv(Reader(record), "1", out)
    lines = out.getvalue().splitlines()
    assert all("SIMULATED" in line for line in lines[1:])


def test_every_number_has_its_unit_in_the_header() -> None:
    plain = {"tick", "run state", "segment (from 1)"}
    assert all("(" in header for header, _ in COLUMNS if header not in plain)


def test_values_below_zero_and_absent_ones_are_written_exactly(record: Path) -> None:
    row = next(Reader(record).ticks("1"))._replace(control_mc=-5, part_mc=None, setpoint_mc=-40_200, segment=None, state=None)
    told = {header: value(row) for header, value in COLUMNS}
    assert (told["control sensor (°C)"], told["part sensor (°C)"], told["set point (°C)"]) == ("-0.005", "", "-40.200")
    assert told["run state"] == told["segment (from 1)"] == ""


@pytest.mark.parametrize(("utc_us", "text"), [
    (0, "1970-01-01T00:00:00.000Z"), (1_764_061_234_567_890, "2025-11-25T09:00:34.567Z"), (-1_000, "1969-12-31T23:59:59.999Z")])
def test_times_are_iso_8601_in_utc(utc_us: int, text: str) -> None:
    assert iso(utc_us) == text


def test_every_event_of_the_run_is_in_its_table(record: Path) -> None:
    out = io.StringIO(newline="")
    count = write_events_csv(Reader(record), "1", out)
    told = list(csv.DictReader(io.StringIO(out.getvalue(), newline="")))
    events = Reader(record).events("1", limit=5_000)
    assert [line["event"] for line in told] == [event.id for event in events]
    what = "what (segment from 1)"
    assert len(told) == count > 5 and "cause=start" in next(line[what] for line in told if line["kind"] == "run_state")
    begun = [line[what].split("; ") for line in told if line["kind"] == "segment"]
    assert "segment=1" in begun[0] and "segment=2" in begun[1], "as the table of readings counts them"


def test_progress_is_told_page_by_page(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.records.export.TELL_ROWS", 100)
    told: list[tuple[int, int]] = []
    rows = write_csv(Reader(record), "1", io.StringIO(), lambda done, of: told.append((done, of)))
    assert told == [(done, rows) for done in range(100, rows, 100)]


def test_an_unknown_run_is_named(record: Path) -> None:
    with pytest.raises(NoSuchRun, match="'9'"):
        write_csv(Reader(record), "9", io.StringIO())
