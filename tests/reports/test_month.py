"""The month's files read back by other programs' libraries, with the figures of the store."""

import csv
import re
from pathlib import Path

import openpyxl
import pyarrow.parquet as pq
import pypdf
import pytest
from builders import HOSTILE, MONTH, PLAIN, build_store

from fleetbrake.core.errors import FleetbrakeError, InputError, StoreError
from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.core.tables import TABLES
from fleetbrake.reports.aliases import KEY_FILE, aliases
from fleetbrake.reports.monthly import month
from fleetbrake.reports.monthly.month import write_month
from fleetbrake.reports.monthly.month_data import month_figures, month_tables, period
from fleetbrake.store.database import rebuilding
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.note_lock import NOTE_LOCK_NAME
from fleetbrake.store.remembered import REMEMBERED_NAME


@pytest.fixture(scope="module")
def out(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that was not there before, with the month's files."""
    folder = tmp_path_factory.mktemp("month") / "new" / "folder"
    write_month(store, MONTH, folder)
    return folder


@pytest.fixture(scope="module")
def hostile_out(hostile_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile_month")
    write_month(hostile_store, MONTH, folder)
    return folder


def _pdf_text(path: Path) -> str:
    """All text of the PDF without white space: line breaks and break opportunities are the typesetter's."""
    text = "".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    return re.sub(r"[\s\u200b\u00ad]", "", text)


def test_names_are_those_of_the_edges(out: Path) -> None:
    tables = {f"{kind}/{name}.{kind}" for kind in ("csv", "parquet") for name in (*REPORT_TABLES, *TABLES)}
    names = {str(path.relative_to(out)) for path in out.rglob("*") if path.is_file()}
    assert names == {f"brakes-{MONTH}.pdf", f"brakes-{MONTH}.xlsx", *tables}


def test_the_months_counts_are_the_same_in_all_four_forms(store: Path, out: Path) -> None:
    """Classes and what could not be observed, counted anew from PDF, XLSX, CSV and Parquet."""
    figures = month_figures(store, MONTH)
    counted = {
        "hard_stop": (figures.hard_stops, figures.hard_stop_unknown),
        "modulation": (figures.modulation, figures.modulation_unknown),
        "lockup": (figures.lockup, figures.lockup_unknown),
    }
    assert (figures.events, figures.lockup_unknown) == (156, 14)
    parquet = pq.read_table(out / "parquet" / "events.parquet").to_pylist()
    with (out / "csv" / "events.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    sheet = openpyxl.load_workbook(out / f"brakes-{MONTH}.xlsx", read_only=True)["events"]
    head, *cells = list(sheet.iter_rows(values_only=True))
    text = _pdf_text(out / f"brakes-{MONTH}.pdf")
    assert f"{figures.events}brakeapplications" in text
    for name, (true, unknown) in counted.items():
        place = head.index(name)
        assert sum(row[name] is True for row in parquet) == true
        assert sum(row[name] == "true" for row in rows) == true
        assert sum(row[place] is True for row in cells) == true
        assert sum(row[name] is None for row in parquet) == unknown
        assert sum(row[name] == "" for row in rows) == unknown
        assert sum(row[place] is None for row in cells) == unknown
    for unknown in (figures.hard_stop_unknown, figures.modulation_unknown):
        assert f"notobservedin{unknown}of{figures.events}applications" in text


def test_hostile_ids_come_out_as_they_are(hostile_out: Path) -> None:
    book = openpyxl.load_workbook(hostile_out / f"brakes-{MONTH}.xlsx", read_only=True)
    ids = [row[0] for row in book["vehicle_health"].iter_rows(min_row=2, values_only=True)]
    assert ids == list(HOSTILE.vehicles)
    with (hostile_out / "csv" / "vehicle_health.csv").open(newline="", encoding="utf-8") as file:
        listed = [row["vehicle_id"] for row in csv.DictReader(file)]
    assert listed == [("'" + v if v[0] in "=+-@\t\r" else v) for v in HOSTILE.vehicles]
    assert pq.read_table(hostile_out / "parquet" / "vehicle_health.parquet")["vehicle_id"].to_pylist() == ids
    text = _pdf_text(hostile_out / f"brakes-{MONTH}.pdf")
    assert "<script>alert('x')</script>" in text and "#setpage(fill:red)" in text


@pytest.mark.parametrize("kind", ["out", "hostile_out"])
def test_no_driver_is_named_without_the_safety_role(kind: str, request: pytest.FixtureRequest) -> None:
    folder: Path = request.getfixturevalue(kind)
    drivers = (PLAIN if kind == "out" else HOSTILE).drivers
    told = [driver for driver in drivers if len(driver) > 3]  # shorter ones are part of other words by chance
    assert len(told) >= 4
    text = _pdf_text(folder / f"brakes-{MONTH}.pdf")
    csvs = "".join(path.read_text(encoding="utf-8") for path in (folder / "csv").glob("*.csv")).replace('""', '"')
    book = openpyxl.load_workbook(folder / f"brakes-{MONTH}.xlsx", read_only=True)
    cells = "\n".join(
        str(v) for sheet in book for row in sheet.iter_rows(values_only=True) for v in row if v is not None
    )
    for driver in told:
        assert driver not in csvs and driver not in cells and re.sub(r"\s", "", driver) not in text


def test_with_the_safety_role_drivers_are_named(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(month, "write_pdf", lambda path, told: path.write_bytes(b""))  # slow, and held elsewhere
    write_month(store, MONTH, tmp_path, safety_role=True)
    table = pq.read_table(tmp_path / "parquet" / "driver_style.parquet")
    assert table["driver_id"].to_pylist() == list(PLAIN.drivers)


def test_aliases_are_stable_in_a_store_and_differ_between_stores(tmp_path: Path) -> None:
    first, second = tmp_path / "a", tmp_path / "b"
    first.mkdir(), second.mkdir()
    assert aliases(first)("D-1") == aliases(first)("D-1") != aliases(second)("D-1")
    assert len({aliases(first)(f"D-{n}") for n in range(5000)}) == 5000
    assert (first / KEY_FILE).stat().st_mode & 0o077 == 0
    assert {p.name for p in first.iterdir()} == {
        KEY_FILE,
        REMEMBERED_NAME,
        FORMAT_NAME,
        NOTE_LOCK_NAME,
    }  # the note of it, twice
    (first / KEY_FILE).write_bytes(b"short")
    with pytest.raises(StoreError, match="damaged"):
        aliases(first)


def test_month_boundaries_are_utc_first_moment_in_last_out(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    stamps = [
        "2026-01-31 23:59:59.999999+00",
        "2026-02-01 00:00:00+00",
        "2026-02-28 23:30:00-02",
        "2026-03-01 00:30:00+02",
    ]
    with rebuilding(store) as con:
        con.execute("DELETE FROM events")
        for number, stamp in enumerate(stamps):
            con.execute(
                "INSERT INTO events (event_id, started_at) VALUES (?, CAST(? AS TIMESTAMPTZ))", [str(number), stamp]
            )
    of_month = {
        m: month_tables(store, m, None)["events"]["event_id"].to_pylist() for m in ("2026-01", "2026-02", "2026-03")
    }
    assert of_month == {"2026-01": ["0"], "2026-02": ["1", "3"], "2026-03": ["2"]}


@pytest.mark.parametrize(
    "text", ["2026-13", "2026-00", "2026", "26-01", "2026-1", "../../x", "2026-01\n", "", "٢٠٢٦-٠١"]
)
def test_what_is_no_month_is_told(store: Path, tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError, match="YYYY-MM"):
        write_month(store, text, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_december_ends_with_the_year() -> None:
    assert period("2025-12").stop.isoformat() == "2026-01-01T00:00:00+00:00"


def test_a_month_without_events_is_written_and_says_where_there_are_some(store: Path, tmp_path: Path) -> None:
    written = write_month(store, "2025-02", tmp_path)
    assert all(path.is_file() for path in written)
    said = "No brake application began in 2025-02 (UTC). Months with events: 2026-01."
    assert re.sub(r"\s", "", said) in _pdf_text(tmp_path / "brakes-2025-02.pdf")
    sheet = openpyxl.load_workbook(tmp_path / "brakes-2025-02.xlsx", read_only=True)["summary"]
    assert said in [row[0] for row in sheet.iter_rows(values_only=True)]
    with (tmp_path / "csv" / "events.csv").open(newline="", encoding="utf-8") as file:
        assert [len(row) for row in csv.reader(file)] == [len(TABLES["events"])]


def test_a_folder_that_cannot_be_made_is_a_sentence(store: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(FleetbrakeError, match="cannot be written"):
        write_month(store, MONTH, tmp_path / "file" / "out")
