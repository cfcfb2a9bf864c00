"""``report`` on the command line: units, months without data, months to come; a sentence where nothing can be done."""

import json
from pathlib import Path

import pypdf
import pytest
from builders import MONTH, build_store
from click.testing import Result
from typer.testing import CliRunner

from fleetbrake.cli import app
from fleetbrake.store.database import rebuilding


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_store(tmp_path_factory.mktemp("report"))


def report(store: Path, month: str, out: Path, *more: str) -> Result:
    words = ["report", "--store", str(store), "--month", month, "--out", str(out), "--json", *more]
    return CliRunner().invoke(app, words, catch_exceptions=False)


def test_a_month_without_data_in_us_units_is_a_report_that_says_so(store: Path, tmp_path: Path) -> None:
    done = report(store, "2025-11", tmp_path / "out", "--units", "us")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout.strip().splitlines()[-1])
    assert told["units"] == "us" and all(Path(file).is_file() for file in told["files"])
    assert "events.csv" in {Path(file).name for file in told["files"]}
    said = "".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "out" / "brakes-2025-11.pdf").pages)
    said = " ".join(said.split())
    assert f"No brake application began in 2025-11 (UTC). Months with events: {MONTH}." in said
    assert "1000 mi" in said and "km" not in said.replace("km/h", "")


@pytest.mark.parametrize(
    ("month", "more", "said"),
    [("9998-01", (), "has not begun yet"), (MONTH, ("--units", "imperial"), "is not one of 'metric'")],
)
def test_what_cannot_be_done_is_said_and_nothing_is_written(
    store: Path, tmp_path: Path, month: str, more: tuple[str, ...], said: str
) -> None:
    done = report(store, month, tmp_path / "out", *more)
    assert done.exit_code == 2 and said in " ".join(done.output.split())
    assert not (tmp_path / "out").exists()


def test_a_store_of_an_earlier_version_is_told_how_to_come_up_to_date(tmp_path: Path) -> None:
    old = build_store(tmp_path / "old", filled=False)
    with rebuilding(old) as con:
        con.execute("DROP TABLE inspection_outcomes")
    done = report(old, MONTH, tmp_path / "out")
    assert done.exit_code == 2 and "earlier version" in done.output and "Traceback" not in done.output
