"""`fleetbrake findings`: what it takes in, what it says, its exit status."""

import json
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from fleetbrake.cli import app
from fleetbrake.store.database import rebuilding
from fleetbrake.store.entered import entries

GOOD = "a,V1,2026-01-05,1L,brake_drag,2,drags"
BAD = "b,V9,2026-01-05,,none,0,"


def run(store: Path, file: Path, *words: str) -> Result:
    command = ["findings", str(file), "--store", str(store), *words]
    return CliRunner().invoke(app, command, catch_exceptions=False)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    with rebuilding(tmp_path / "store") as con:
        con.execute("INSERT INTO vehicles (vehicle_id, axles) VALUES ('V1', 2)")
    return tmp_path / "store"


@pytest.mark.parametrize(
    ("lines", "status", "count", "problems"),
    [([GOOD], 0, 1, 0), ([GOOD, BAD], 1, 1, 1), ([BAD], 2, 0, 1), ([], 0, 0, 0), ([",V1,,,,,"], 0, 0, 0)],
)
def test_status_says_whether_all_is_in(
    store: Path, tmp_path: Path, lines: list[str], status: int, count: int, problems: int
) -> None:
    sheet = tmp_path / "sheet.csv"
    header = "inspection_id,vehicle_id,inspected_on,wheel,finding,severity,note"
    sheet.write_text("\n".join([header, *lines]), encoding="utf-8")
    result = run(store, sheet, "--by", "ann", "--json")
    assert result.exit_code == status, result.output
    facts = json.loads(result.stdout.strip().splitlines()[-1])
    assert (facts["findings"], len(facts["problems"]), facts["status"]) == (count, problems, status)
    assert [entry.made_by for entry in entries(store)] == ["ann"] * count


def test_a_bad_row_is_told_by_its_number(store: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(f"inspection_id,vehicle_id,inspected_on,wheel,finding,severity,note\n{GOOD}\n{BAD}\n", "utf-8")
    result = run(store, sheet)
    assert "findings row 3: Vehicle 'V9' is not known." in result.stderr
    assert "1 findings taken in" in result.stdout


def test_a_file_read_twice_says_so(store: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(f"inspection_id,vehicle_id,inspected_on,wheel,finding,severity,note\n{GOOD}\n", "utf-8")
    assert "They count from the next `fleetbrake score` on." in run(store, sheet).stdout
    again = run(store, sheet, "--json")
    assert "0 findings taken in, 1 known already, 0 problems." in again.stdout and "They count" not in again.stdout
    facts = json.loads(again.stdout.strip().splitlines()[-1])
    assert (facts["findings"], facts["known"], facts["status"], len(entries(store))) == (0, 1, 0, 1)


def test_registers_alone_are_read(store: Path, tmp_path: Path) -> None:
    registers = tmp_path / "registers"
    registers.mkdir()
    (registers / "vehicles.csv").write_text("vehicle_id,inspection_due_on\nV1,\nV2,2026-05-01\n", "utf-8")
    command = ["ingest", "--store", str(store), "--registers", str(registers)]
    result = CliRunner().invoke(app, command, catch_exceptions=False)
    assert result.exit_code == 0 and "Registers read: vehicles." in result.stdout
    nothing = CliRunner().invoke(app, command[:3], catch_exceptions=False)
    assert nothing.exit_code == 2 and "Nothing was named" in nothing.stderr


def test_what_cannot_be_read_is_a_sentence(store: Path, tmp_path: Path) -> None:
    result = run(store, tmp_path / "none.csv")
    assert result.exit_code == 2
    assert "cannot be read" in result.stderr and "Traceback" not in result.output
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("vehicle_id,inspected_on,finding\nV1,2026-01-05,none\n", encoding="utf-8")
    assert run(tmp_path / "nowhere", sheet).exit_code == 2
    assert run(store, sheet, "--by", " ").exit_code == 2
