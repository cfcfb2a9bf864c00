"""``plan``: what it prints first, the files it writes, and what it says where it cannot."""

import json
from pathlib import Path
from typing import Any

import icalendar
import pandas as pd
import pytest
from click.testing import Result
from plan_made import BEGINS, ODD_IDS, plan_store, visits
from typer.testing import CliRunner

from fleetbrake import pipeline
from fleetbrake.cli import app
from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.store.database import reading, rebuilding, replace_table


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)


def last_line(result: Result) -> dict[str, Any]:
    return json.loads(result.stdout.strip().splitlines()[-1])


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with a plan as it stands in the tables: planning again leaves it, so that its telling can be checked."""
    monkeypatch.setattr(pipeline, "plan", lambda store: len(visits()) - 2)
    return plan_store(tmp_path / "store")


def test_what_must_not_wait_comes_first_then_what_cannot_be_kept(made: Path) -> None:
    said = run("plan", "--store", made).stdout
    marks = [
        "Before the next trip: outside the days of the plan",
        "BUS-1",
        "Bay hours are kept free on 2026-03-10.",
        "Dates that cannot be kept",
        "=HYPERLINK",
        "closed every day up to it",
        "Mon 2026-03-09",
        "Depots",
        "North: 3 of 80 bay hours planned on 10 open days, 1.5 kept free; roller tester 1 of 56 h",
        "Expected early finds: 160.0 defect days",
        "at most 1.5 % from the best possible plan",
        CAUTION[:40],
    ]
    flat = " ".join(said.split())
    places = [flat.index(mark) for mark in marks]
    assert places == sorted(places)
    assert "\x1b" not in said and "\x07" not in said and "\u202e" not in said


def test_the_last_line_counts_what_it_told(made: Path, tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("plan.ics", "plan.xlsx", "findings.csv")]
    options = ("--calendar", files[0], "--workbook", files[1], "--findings-sheet", files[2])
    told = last_line(run("plan", "--store", made, *options, "--json"))
    assert told["files"] == [str(file) for file in files] and all(file.stat().st_size for file in files)
    assert (told["visits"], told["before_next_trip"], told["dates_not_kept"], told["no_day"]) == (10, 1, 1, 0)
    assert len(icalendar.Calendar.from_ical(files[0].read_bytes()).walk("VEVENT")) == len(ODD_IDS)


@pytest.mark.parametrize(
    ("option", "name", "part"),
    [
        ("--calendar", "plan.txt", "must end in .ics"),
        ("--workbook", "store/fleet.duckdb", "must end in .xlsx"),
        ("--findings-sheet", "nowhere/findings.csv", "there is no folder"),
        ("--calendar", "n" * 300 + ".ics", "name too long"),
    ],
)
def test_a_bad_name_is_told_before_anything_is_planned(
    option: str, name: str, part: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = plan_store(tmp_path / "store")
    planned: list[Path] = []
    monkeypatch.setattr(pipeline, "plan", planned.append)
    before = (store / "fleet.duckdb").read_bytes()
    result = run("plan", "--store", store, option, tmp_path / name, "--json")
    assert result.exit_code == 2 and last_line(result)["status"] == 2
    assert part in " ".join(result.stderr.lower().split())
    assert not planned and (store / "fleet.duckdb").read_bytes() == before


def test_a_folder_that_cannot_be_written_is_a_sentence(made: Path, tmp_path: Path, monkeypatch: Any) -> None:
    def full(self: Path, content: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    result = run("plan", "--store", made, "--calendar", tmp_path / "plan.ics")
    assert result.exit_code == 2 and "No space left on device" in result.stderr
    assert "Traceback" not in result.output and not (tmp_path / "plan.ics").exists()


def test_files_hold_the_plan_that_was_just_made(tmp_path: Path) -> None:
    """No stand-in: scores as they stand, planned by the product, written in the same run."""
    store = plan_store(tmp_path / "store")
    due = {"vehicle_id": "BUS-1", "category": "M3", "depot": "North", "inspection_due_on": BEGINS}
    with rebuilding(store) as con:
        replace_table(con, "vehicles", pd.DataFrame([due]))
        con.execute("DELETE FROM vehicle_health WHERE vehicle_id <> 'BUS-1'")
        con.execute("UPDATE vehicle_health SET priority = 'no_sign'")
    result = run("plan", "--store", store, "--calendar", tmp_path / "plan.ics")
    assert result.exit_code == 0, result.output
    with reading(store) as con:
        assert con.execute("SELECT vehicle_id, planned_on FROM inspection_plan").fetchall() == [("BUS-1", BEGINS)]
    (entry,) = icalendar.Calendar.from_ical((tmp_path / "plan.ics").read_bytes()).walk("VEVENT")
    assert entry.decoded("DTSTART") == BEGINS and "BUS-1" in str(entry["SUMMARY"])
    assert "statutory inspection" in str(entry["SUMMARY"])


def test_nothing_to_do_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline, "plan", lambda store: 0)
    said = run("plan", "--store", plan_store(tmp_path / "store", [])).stdout
    assert "No visit is needed" in said and CAUTION[:40] in said and "Expected early finds" not in said
